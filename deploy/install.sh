#!/usr/bin/env bash
# Farmwatch as a service on a Debian-like system. As root, from the project's own folder:
#   deploy/install.sh install     also what upgrades it; can be run as often as you like
#   deploy/install.sh uninstall   takes program and unit away; configuration, secrets and data stay
#   deploy/install.sh memory      writes the unit's memory limit anew, after machines were added
# Options: --root DIR  work below DIR and start nothing (for images and tests)
#          --no-pip    leave the environment as it is
set -euo pipefail

source_folder=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
root=
pip=yes
verb=${1:-}
if [ $# -gt 0 ]; then shift; fi
while [ $# -gt 0 ]; do
  case $1 in
    --root) root=${2:?--root needs a folder}; shift 2 ;;
    --no-pip) pip=no; shift ;;
    *) printf 'unknown option: %s\n' "$1" >&2; exit 2 ;;
  esac
done
root=${root%/}

program=$root/opt/farmwatch
settings=$root/etc/farmwatch
units=$root/etc/systemd/system
unit=$units/farmwatch.service
dropin=$units/farmwatch.service.d

say() { printf '%s\n' "$*" >&2; }

needs_root() {
  if [ -z "$root" ] && [ "$(id -u)" != 0 ]; then
    say "run this as root: sudo deploy/install.sh $verb"
    exit 1
  fi
}

# systemctl, where there is a system that runs; below --root nothing is started
service_manager() {
  if [ -n "$root" ] || [ ! -d /run/systemd/system ]; then return 0; fi
  systemctl "$@"
}

# A file is replaced as a whole, so that a power cut leaves the old one or the new one.
put() { # put MODE SOURCE TARGET
  mkdir -p "$(dirname "$3")"
  install -m "$1" "$2" "$3.new"
  mv -f "$3.new" "$3"
}

put_program() {
  mkdir -p "$program"
  local part
  for part in pyproject.toml README.md; do put 644 "$source_folder/$part" "$program/$part"; done
  mkdir -p "$program/deploy"
  put 644 "$source_folder/deploy/requirements.lock" "$program/deploy/requirements.lock"
  rm -rf "$program/farmwatch.new" "$program/farmwatch.old"
  cp -R "$source_folder/farmwatch" "$program/farmwatch.new"
  find "$program/farmwatch.new" -name __pycache__ -prune -exec rm -rf {} +
  if [ -e "$program/farmwatch" ]; then mv "$program/farmwatch" "$program/farmwatch.old"; fi
  mv "$program/farmwatch.new" "$program/farmwatch"
  rm -rf "$program/farmwatch.old"
  built_away
  if [ "$pip" = no ]; then return; fi
  if [ ! -x "$program/.venv/bin/python" ]; then python3 -m venv "$program/.venv"; fi
  "$program/.venv/bin/python" -m pip install -q --disable-pip-version-check --no-deps --require-hashes \
    -r "$program/deploy/requirements.lock"
  "$program/.venv/bin/python" -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation \
    --force-reinstall "$program"
  built_away
}

# What building leaves: a module that is no more would be installed again from there.
built_away() { rm -rf "$program/build" "$program/farmwatch.egg-info"; }

# Only what is not there yet: what the owner has written is never touched.
put_settings() {
  mkdir -p "$settings"
  if [ ! -d "$settings/secrets" ]; then install -d -m 700 "$settings/secrets"; fi
  if [ ! -e "$settings/farmwatch.toml" ]; then
    put 644 "$source_folder/deploy/farmwatch.toml" "$settings/farmwatch.toml"
    say "wrote $settings/farmwatch.toml: an example, put your own machines into it"
  fi
}

# The base is the unit's own; above it 64 MiB and 30 KiB for each machine that the configuration has.
put_memory() {
  local machines base mib
  machines=$(machine_count)
  base=$(sed -n 's/^MemoryMax=\([0-9]*\)M$/\1/p' "$source_folder/deploy/farmwatch.service")
  mib=$((base + (machines > 12 ? 64 + (machines * 30 + 1023) / 1024 : 0)))
  mkdir -p "$dropin"
  printf '# Written by deploy/install.sh for %s machines.\n[Service]\nMemoryMax=%sM\n' "$machines" "$mib" \
    > "$dropin/memory.conf.new"
  mv -f "$dropin/memory.conf.new" "$dropin/memory.conf"
}

# Secrets that are there become credentials of the unit; what is not there is not asked for.
put_credentials() {
  mkdir -p "$dropin"
  {
    printf '# Written by deploy/install.sh: one line a file of the secrets folder.\n[Service]\nLoadCredential=\n'
    local file
    for file in "$settings"/secrets/*; do
      if [ -f "$file" ]; then
        chmod 600 "$file"
        printf 'LoadCredential=%s:/etc/farmwatch/secrets/%s\n' "$(basename "$file")" "$(basename "$file")"
      fi
    done
  } > "$dropin/credentials.conf.new"
  mv -f "$dropin/credentials.conf.new" "$dropin/credentials.conf"
}

machine_count() {
  python3 - "$settings/farmwatch.toml" <<'PYTHON'
import sys, tomllib
try:
    with open(sys.argv[1], "rb") as file:
        print(len(tomllib.load(file).get("machines", {})))
except (OSError, tomllib.TOMLDecodeError, AttributeError):
    print(0)
PYTHON
}

check() {
  if [ "$pip" = no ] || [ -n "$root" ]; then return 0; fi
  "$program/.venv/bin/farmwatch" check --config "$settings/farmwatch.toml"
}

case $verb in
  install)
    needs_root
    put_program
    put_settings
    put 644 "$source_folder/deploy/farmwatch.service" "$unit"
    put_memory
    put_credentials
    service_manager daemon-reload
    service_manager enable --quiet farmwatch.service
    if check; then
      service_manager restart farmwatch.service
      say "Farmwatch is installed: systemctl status farmwatch"
    else
      say "the configuration has mistakes: mend $settings/farmwatch.toml, then run this again"
      exit 1
    fi
    ;;
  memory)
    needs_root
    put_memory
    put_credentials
    service_manager daemon-reload
    ;;
  uninstall)
    needs_root
    service_manager disable --quiet --now farmwatch.service || true
    rm -f "$unit" "$dropin/memory.conf" "$dropin/credentials.conf"
    if [ -d "$dropin" ]; then rmdir --ignore-fail-on-non-empty "$dropin"; fi
    rm -rf "$program/.venv" "$program/farmwatch" "$program/deploy" "$program/pyproject.toml" "$program/README.md"
    built_away
    if [ -d "$program" ]; then rmdir --ignore-fail-on-non-empty "$program"; fi
    service_manager daemon-reload
    say "kept: $settings (configuration and secrets), $root/var/lib/farmwatch (data)"
    ;;
  *)
    say "usage: deploy/install.sh install|uninstall|memory [--root DIR] [--no-pip]"
    exit 2
    ;;
esac
