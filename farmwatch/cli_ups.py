"""`farmwatch ups`: the UPS server's configuration for backups on USB cables, written and looked over.

The list of units is what the server's own scanner prints (``nut-scanner -U``): sections in the form of ups.conf(5).
Equal units are told apart by serial number alone: bus and device numbers change at every start. Files: ups.conf(5),
upsd.conf(5), upsd.users(5).
"""

import argparse
import re
import secrets
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from farmwatch.words.errors import FarmwatchError

FILES = ("ups.conf", "upsd.conf", "upsd.users")
NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")
USER = "farmwatch"
MOVES = frozenset({"bus", "device", "busport"})
"""Keys of the scanner that say where a unit was found today: no way to know it again."""
KEEPS = ("vendorid", "productid", "product", "vendor", "serial")


@dataclass(slots=True)
class Unit:
    """One section: its name, its keys in their order."""

    name: str
    keys: dict[str, str] = field(default_factory=dict)

    @property
    def kind(self) -> tuple[str, ...]:
        """What equal units share."""
        return tuple(self.keys.get(key, "").lower() for key in ("driver", "vendorid", "productid"))


def sections(text: str, where: str) -> list[Unit]:
    """The sections of a file or a scan; FarmwatchError with the line that cannot be read."""
    found: list[Unit] = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.strip()
        if not words or words.startswith("#"):
            continue
        if (head := re.fullmatch(r"\[([^\]\s]+)\]", words)) is not None:
            found.append(Unit(head[1]))
            continue
        pair = re.fullmatch(r'([\w.-]+)\s*(?:=\s*(?:"((?:[^"\\]|\\.)*)"|(\S+)))?\s*(?:#.*)?', words)
        if pair is None:
            raise FarmwatchError(f"{where}:{number}: neither [name] nor key = value: {words[:60]!r}")
        if found:
            found[-1].keys[pair[1]] = re.sub(r"\\(.)", r"\1", pair[2]) if pair[2] is not None else pair[3] or ""
    return found


def mistakes(units: Sequence[Unit]) -> list[str]:
    """What would make the server mix units up, or not start; empty if nothing."""
    names = [unit.name for unit in units]
    twice = sorted({name for name in names if names.count(name) > 1})
    wrong = [f"[{name}] stands twice: each unit needs a name of its own" for name in twice]
    serials = [unit.keys.get("serial", "") for unit in units]
    for unit in units:
        if "driver" not in unit.keys:
            wrong.append(f"[{unit.name}] has no driver")
        if "port" not in unit.keys:
            wrong.append(f'[{unit.name}] has no port; for a unit on USB write port = "auto"')
        if unit.keys.get("port", "auto") != "auto":
            continue  # a network card, a serial port or a file says by itself which unit it is
        twins = [other.name for other in units if other is not unit and other.kind == unit.kind]
        serial = unit.keys.get("serial", "")
        if twins and not serial.strip("0 "):
            moved = sorted(MOVES & set(unit.keys))
            also = f"; {', '.join(moved)} change at a restart" if moved else ""
            wrong.append(f"[{unit.name}] is the same kind as [{twins[0]}] and has no serial number to tell them "
                         f"apart{also}")  # fmt: skip
        elif twins and serials.count(serial) > 1:
            wrong.append(f"[{unit.name}] has the same serial number as another unit of its kind: {serial}")
    return wrong


def _quoted(value: str) -> str:
    if not value.isprintable():
        raise FarmwatchError("a value of the list holds characters that no configuration can")
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def named(units: Sequence[Unit], names: Sequence[str]) -> list[Unit]:
    """The scanner's units, in its order, under the owner's names; without what changes at a restart."""
    if len(names) != len(units):
        raise FarmwatchError(f"{len(units)} units are in the list and {len(names)} names are given",
                             hint="give one name a unit, in the order of the list")  # fmt: skip
    for name in names:
        if not NAME.fullmatch(name):
            raise FarmwatchError(f"{name[:40]!r} is no usable name", hint="letters, digits, _ and -, at most 40")
    found = []
    for unit, name in zip(units, names, strict=True):
        keys = {"driver": unit.keys.get("driver", ""), "port": unit.keys.get("port", "") or "auto"}
        keys |= {key: unit.keys[key] for key in KEEPS if unit.keys.get(key)}
        found.append(Unit(name, {key: value for key, value in keys.items() if value}))
    return found


def texts(units: Sequence[Unit], password: str, listen: str = "127.0.0.1", port: int = 3493) -> dict[str, str]:
    """The three files."""
    rows = ["# Written by farmwatch ups write. ups.conf(5). Serial numbers tell units apart.", "maxretry = 3", ""]
    for unit in units:
        rows += [f"[{unit.name}]", *(f"  {key} = {_quoted(value)}" for key, value in unit.keys.items()), ""]
    server = f"# Written by farmwatch ups write. upsd.conf(5)\nLISTEN {listen} {port}\nMAXAGE 15\n"
    users = (
        "# Written by farmwatch ups write. upsd.users(5). It may look, and neither set anything nor give commands.\n"
        f"[{USER}]\n  password = {_quoted(password)}\n  upsmon secondary\n"
    )
    return dict(zip(FILES, ("\n".join(rows), server, users), strict=True))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("what", choices=("write", "check"), help="write: from a list of units; check: what is there")
    parser.add_argument("names", nargs="*", metavar="NAME", help="write: names of the backups, in the list's order")
    parser.add_argument("--scan", default="-", metavar="FILE", help="what nut-scanner -U has printed (default: stdin)")
    parser.add_argument("--folder", default="/etc/nut", metavar="FOLDER", help="where the files are (/etc/nut)")


def run(args: argparse.Namespace) -> int:
    """Exit code 0; 1 where `check` finds something or nothing could be written."""
    return _write(args) if args.what == "write" else _check(Path(args.folder))


def _write(args: argparse.Namespace) -> int:
    folder = Path(args.folder)
    try:
        scan = sys.stdin.read() if args.scan == "-" else Path(args.scan).read_text("utf-8")
        units = named(sections(scan, args.scan), args.names)
        if not units:
            raise FarmwatchError("the list holds no unit", hint="as root: nut-scanner -U > list, then --scan list")
        if wrong := mistakes(units):
            raise FarmwatchError("\n".join(wrong), hint="units without a serial number need ports of their own")
        there = [name for name in FILES if (folder / name).exists()]
        if there:
            raise FarmwatchError(f"{folder / there[0]} is there already", hint="move it aside; nothing is written over")
        password = secrets.token_urlsafe(24)
        for name, text in texts(units, password).items():
            with (folder / name).open("x", encoding="utf-8") as file:
                (folder / name).chmod(0o640)  # the server's group reads it: upsd.users(5)
                file.write(text)
    except (OSError, UnicodeDecodeError) as error:
        raise FarmwatchError(f"{getattr(error, 'filename', None) or args.scan}: {error}") from error
    for unit in units:
        print(f"{unit.name}: {unit.keys.get('serial', 'no serial number')}; in farmwatch.toml: "  # noqa: T201
              f'params = {{ ups = "{unit.name}@127.0.0.1:3493" }}')  # fmt: skip
    print(f"chown root:nut {' '.join(str(folder / name) for name in FILES)}")  # noqa: T201
    return 0


def _check(folder: Path) -> int:
    try:
        units = sections((folder / "ups.conf").read_text("utf-8"), str(folder / "ups.conf"))
        wrong = mistakes(units)
        users = folder / "upsd.users"
        if users.exists() and users.stat().st_mode & 0o004:
            wrong.append(f"{users} can be read by everyone: chmod 640 {users}")
    except (OSError, UnicodeDecodeError) as error:
        raise FarmwatchError(f"{folder / 'ups.conf'}: {getattr(error, 'strerror', '') or error}") from error
    print("\n".join(wrong) if wrong else f"{folder}: {len(units)} units, told apart")  # noqa: T201
    return 1 if wrong else 0
