#!/usr/bin/env bash
# The project's two commands, each from a fresh clone on a bare Debian 12:
#   deploy/dev.sh demo [options]    makes its own environment and shows a simulated shop
#   deploy/dev.sh test [options]    installs what the tests need and runs them (options go to pytest)
# and:
#   deploy/dev.sh lock              writes the lock files anew (needs uv)
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

python=.venv/bin/python

say() { printf '%s\n' "$*" >&2; }

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

# Debian packages that are missing: "command or file:package" ...
debian() {
  local missing=() pair
  for pair in "$@"; do
    local what=${pair%%:*} package=${pair#*:}
    if [ ! -e "$what" ] && ! PATH=$PATH:/usr/sbin:/sbin command -v "$what" >/dev/null; then
      missing+=("$package")
    fi
  done
  if [ ${#missing[@]} = 0 ]; then return; fi
  if ! command -v apt-get >/dev/null; then
    say "missing, and this is no Debian: ${missing[*]}"
    return
  fi
  say "installing: ${missing[*]}"
  as_root apt-get update -q >&2
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends "${missing[@]}" >&2
}

# An environment with exactly what a lock file names, every file checked against its hash.
environment() {
  local lock=$1 stamp
  stamp=.venv/$(basename "$lock").$(sha256sum "$lock" pyproject.toml | sha256sum | cut -c1-16)
  if [ -e "$stamp" ]; then return; fi
  if command -v uv >/dev/null; then
    if [ ! -x $python ]; then uv venv -q --python ">=3.11" .venv; fi
    uv pip install -q --python $python --require-hashes -r "$lock"
    uv pip install -q --python $python --no-deps --no-build-isolation -e .
  else
    if [ ! -x $python ]; then
      if ! python3 -c 'import ensurepip' 2>/dev/null; then debian "/no/such/file:python3-venv"; fi
      python3 -m venv .venv
    fi
    # the lock is complete, and what is imported compiles itself: --no-deps and --no-compile save half of the time
    $python -m pip install -q --disable-pip-version-check --require-hashes --no-deps --no-compile -r "$lock"
    $python -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e .
  fi
  rm -f .venv/"$(basename "$lock")".*
  touch "$stamp"
}

verb=${1:-}
if [ $# -gt 0 ]; then shift; fi
case $verb in
  demo)
    debian python3:python3
    environment deploy/requirements.lock
    exec .venv/bin/farmwatch demo "$@"
    ;;
  test)
    debian python3:python3 mosquitto:mosquitto /lib/nut/upsd:nut-server chromium:chromium \
      victoria-metrics:victoria-metrics systemd-analyze:systemd snmpd:snmpd fiu-run:fiu-utils faketime:faketime \
      nft:nftables ip:iproute2
    environment deploy/requirements-test.lock
    .venv/bin/ruff check .
    .venv/bin/mypy
    if [ $# -gt 0 ]; then exec $python -m pytest "$@"; fi
    # what starts servers comes last, for itself: most of it waits, so two at a time do not hinder each other
    $python -m pytest -m "not real" -n 2 --dist loadfile
    exec $python -m pytest -m real -n 2 --dist loadfile
    ;;
  lock)
    compile() {
      uv pip compile -q --universal --python-version 3.11 --generate-hashes --custom-compile-command "deploy/dev.sh lock" \
        pyproject.toml deploy/requirements-build.in "$@"
    }
    compile -o deploy/requirements.lock
    compile --all-extras -c deploy/requirements.lock -o deploy/requirements-test.lock
    ;;
  *)
    say "usage: deploy/dev.sh demo|test|lock [options]"
    exit 2
    ;;
esac
