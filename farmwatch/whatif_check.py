"""What-if files read and checked: every fault with its JSON Pointer (RFC 6901), none by exception on the way."""

import json
import math
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from farmwatch.power.battery import RuntimeTable, table_faults
from farmwatch.words.errors import FarmwatchError

MOST_BYTES = 10_000_000
CAUTION = (
    "Advice from the numbers given, no guarantee. Breakers, wiring and backups are for local codes and a licensed "
    "electrician; what was paused or stopped may stay hot."
)


class Wrong(NamedTuple):
    """One thing wrong with a file: where (JSON Pointer) and what."""

    pointer: str
    what: str


class WrongFile(FarmwatchError):
    """A file that cannot be used, with everything that is wrong."""

    def __init__(self, faults: Sequence[Wrong]) -> None:
        super().__init__("; ".join(f"{fault.pointer or '(whole file)'}: {fault.what}" for fault in faults))
        self.faults = tuple(faults)


# Checking -------------------------------------------------------------------------------------------------


def escape(key: str) -> str:
    """A key as a step of a JSON Pointer."""
    return key.replace("~", "~0").replace("/", "~1")


@dataclass(slots=True)
class Checker:
    """Collects every fault; each reader returns a usable stand-in where the value is wrong."""

    faults: list[Wrong] = field(default_factory=list)

    def wrong(self, pointer: str, what: str) -> None:
        """Note one fault."""
        self.faults.append(Wrong(pointer, what))

    def done(self) -> None:
        """Raise if anything was wrong."""
        if self.faults:
            raise WrongFile(self.faults)

    def record(
        self, value: object, pointer: str, required: Sequence[str], optional: Sequence[str] = ()
    ) -> dict[str, Any]:
        """An object with exactly these members; missing and unknown ones are faults."""
        if not isinstance(value, dict):
            self.wrong(pointer, f"an object with {', '.join(required)} is needed, not {_kind(value)}")
            return {}
        for key in required:
            if key not in value:
                self.wrong(f"{pointer}/{escape(key)}", "is missing")
        known = [*required, *optional]
        for key in value:
            if key not in known:
                self.wrong(f"{pointer}/{escape(key)}", f"is not known; known are {', '.join(known)}")
        return value

    def mapping(self, value: object, pointer: str) -> dict[str, Any]:
        """An object with names of the owner's choice."""
        if isinstance(value, dict):
            return value
        self.wrong(pointer, f"an object is needed, not {_kind(value)}")
        return {}

    def listing(self, value: object, pointer: str, least: int = 0) -> list[Any]:
        """A list with at least so many entries."""
        if not isinstance(value, list):
            self.wrong(pointer, f"a list is needed, not {_kind(value)}")
            return []
        if len(value) < least:
            self.wrong(pointer, f"at least {least} entr{'y is' if least == 1 else 'ies are'} needed")
        return value

    def number(
        self, value: object, pointer: str, low: float = 0.0, high: float = math.inf, *, above: bool = False
    ) -> float:
        """A finite number between two bounds (`above`: not the lower one itself)."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(pointer, f"a number is needed, not {_kind(value)}")
            return 1.0
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number) or abs(number) > 1e15:
            self.wrong(pointer, "is not a number that can be reckoned with")
        elif number < low or (above and number <= low):
            self.wrong(pointer, f"{number:g} is not {'above' if above else 'at least'} {low:g}")
        elif number > high:
            self.wrong(pointer, f"{number:g} is above {high:g}")
        else:
            return number
        return 1.0

    def name(self, value: object, pointer: str, taken: set[str]) -> str:
        """A name that is not taken yet."""
        if not isinstance(value, str) or not value.strip():
            self.wrong(pointer, f"a name is needed, not {_kind(value)}")
            return pointer
        if value in taken:
            self.wrong(pointer, f"{value!r} is there twice")
        taken.add(value)
        return value

    def pairs(self, value: object, pointer: str, least: int) -> list[tuple[Any, Any]]:
        """A list of pairs, their cells not looked at yet."""
        rows: list[tuple[Any, Any]] = []
        for index, row in enumerate(self.listing(value, pointer, least)):
            if isinstance(row, list) and len(row) == 2:
                rows.append((row[0], row[1]))
            else:
                self.wrong(f"{pointer}/{index}", "a pair of two numbers is needed")
        return rows

    def table(self, value: object, pointer: str) -> RuntimeTable | None:
        """A runtime table."""
        count = len(self.faults)
        rows, places = [], []  # those that can be read, and where they stand: one wrong cell hides no other fault
        for i, row in enumerate(self.listing(value, pointer, 2)):
            before = len(self.faults)
            if not (isinstance(row, list) and len(row) == 2):
                self.wrong(f"{pointer}/{i}", "a pair of two numbers is needed")
                continue
            pair = [self.number(cell, f"{pointer}/{i}/{column}", above=True) for column, cell in enumerate(row)]
            if len(self.faults) == before:
                rows.append((pair[0], pair[1]))
                places.append(i)
        for fault in table_faults(rows, places) if len(rows) > 1 else []:
            cell = f"/{fault.row}/{fault.column}" if fault.row is not None else ""
            self.wrong(pointer + cell, fault.what)
        return RuntimeTable(rows) if len(self.faults) == count else None


def _kind(value: object) -> str:
    names = {bool: "true or false", str: "text", list: "a list", dict: "an object", type(None): "null"}
    return next((name for kind, name in names.items() if isinstance(value, kind)), "a number")


def read_question(path: str) -> object:
    """The JSON in a file, or in standard input for `-`.

    Raises:
        WrongFile: it cannot be read, is larger than 10 MB, or is no JSON (RFC 8259: NaN is none).
    """
    try:
        if path == "-":
            raw = sys.stdin.buffer.read(MOST_BYTES + 1)
        else:
            with Path(path).open("rb") as file:
                raw = file.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise WrongFile([Wrong("", "is larger than 10 MB")])
        return json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant, object_pairs_hook=_no_twins)
    except OSError as error:
        raise WrongFile([Wrong("", f"cannot be read: {error.strerror or error}")]) from None
    except (ValueError, RecursionError) as error:
        raise WrongFile([Wrong("", f"is not JSON: {error}")]) from None


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a JSON number")


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members: dict[str, Any] = {}
    for key, value in pairs:
        if key in members:
            raise ValueError(f"member {key!r} is there twice in one object")
        members[key] = value
    return members


class Answer(NamedTuple):
    """What to print: the JSON form, the lines for people, the exit code, and how to draw it."""

    form: dict[str, Any]
    lines: list[str]
    code: int
    draw: Callable[[Any], None]


def or_null(value: float) -> float | None:
    """A number for JSON: endless is null."""
    return None if math.isinf(value) else value


def charge_and_health(check: Checker, record: Mapping[str, Any], pointer: str) -> tuple[float, float]:
    """`charge` and `health` of a record, both 1 if left out."""
    charge = check.number(record.get("charge", 1.0), f"{pointer}/charge", 0.0, 1.0)
    health = check.number(record.get("health", 1.0), f"{pointer}/health", 0.0, 2.0)
    return charge, health
