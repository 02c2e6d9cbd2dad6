"""Variables of a UPS server (RFC 9271, appendix A) to our quantities, and what a change of status means.

``battery.runtime`` is in seconds here, unlike the minutes of RFC 1628. ``ups.realpower``, ``ups.power`` and
``input.voltage`` are not in the RFC's tables, whose list is open; servers that know them send them.
"""

import re
from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from typing import NamedTuple

from farmwatch.wire.payload import Decoded
from farmwatch.words.model import Value
from farmwatch.words.quantities import QUANTITIES


class Row(NamedTuple):
    """A quantity, the variables that may tell it (the first one present counts), and the factor to our unit."""

    quantity: str
    variables: tuple[str, ...]
    factor: float


TABLE: tuple[Row, ...] = (
    Row("charge", ("battery.charge",), 0.01),
    Row("runtime_s", ("battery.runtime",), 1.0),
    Row("load", ("ups.load",), 0.01),
    Row("power_w", ("ups.realpower", "output.realpower"), 1.0),
    Row("apparent_va", ("ups.power", "output.power"), 1.0),
    Row("voltage_v", ("input.voltage", "output.voltage"), 1.0),
    Row("battery_v", ("battery.voltage",), 1.0),
    Row("battery_c", ("battery.temperature",), 1.0),
)

NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)
"""Decimal only: no separators of thousands, no hexadecimal, no exponent (section 4.2.4.4)."""
MOST_SYMBOLS = 24
SYMBOLS: tuple[str, ...] = (
    "ALARM", "BOOST", "BYPASS", "CAL", "CHRG", "COMM", "DISCHRG", "FSD", "LB", "NOCOMM", "OB", "OFF", "OL", "OVER",
    "RB", "TEST", "TICK", "TOCK", "TRIM",
)  # fmt: skip
"""Table 4. Others are kept as they are: a newer server may say more."""


def decode(variables: Mapping[str, str]) -> Decoded:
    """Values of a backup. What no variable tells is None; what no number can be is refused.

    >>> found = decode({"ups.status": "OL CHRG", "battery.charge": "100", "battery.runtime": "1481"})
    >>> found.values["status"], found.values["charge"], found.values["runtime_s"], found.values["load"]
    ('OL CHRG', 1.0, 1481.0, None)
    """
    values: dict[str, Value] = {"status": symbols(variables.get("ups.status", ""))}
    refused: list[str] = []
    for quantity, names, factor in TABLE:
        values[quantity] = None
        for name in names:
            text = variables.get(name)
            if text is None:
                continue
            value = _number(quantity, text, factor)
            if value is None:
                refused.append(f"{quantity}: {name} {text[:40]!a} is no plausible number")
            values[quantity] = value
            break
    values["self_test"], values["self_test_age_s"] = self_test(variables.get("ups.test.result", "")), None
    values["battery_date"] = next(
        (found for name in BATTERY_DATES if (found := day(variables.get(name, ""))) is not None), None
    )
    return Decoded(values, None, tuple(refused))


BATTERY_DATES = ("battery.date", "battery.mfr.date")
"""When it was fitted, else when it was made."""
TESTS: tuple[tuple[str, str], ...] = (
    # in the words of ups.test.result, which are free text; the first that is found counts
    ("no test", "none"), ("not tested", "none"), ("never", "none"), ("progress", "running"), ("running", "running"),
    ("abort", "aborted"), ("cancel", "aborted"), ("fail", "failed"), ("bad", "failed"), ("error", "failed"),
    ("warn", "warning"), ("pass", "passed"), ("ok", "passed"), ("good", "passed"),
)  # fmt: skip
DAY = re.compile(r"((?:19|20)\d\d)[-/.](\d\d)[-/.](\d\d)", re.ASCII)


def self_test(text: str) -> str | None:
    """One word for the result of a self-test; None where the text is none that is known.

    >>> self_test("Done and passed"), self_test("Done and error: battery FAILED"), self_test("No test initiated")
    ('passed', 'failed', 'none')
    """
    folded = text[:200].casefold()
    return next((word for part, word in TESTS if part in folded), None)


def day(text: str) -> str | None:
    """A date as RFC 3339 has it. With the year behind ("10/17/96") nobody can know month and day apart: None.

    >>> day("2024/03/01"), day("10/17/96"), day("2024-13-01")
    ('2024-03-01', None, None)
    """
    found = DAY.fullmatch(text.strip())
    if found is None:
        return None
    try:
        return date(int(found[1]), int(found[2]), int(found[3])).isoformat()
    except ValueError:
        return None


def symbols(text: str) -> str | None:
    """Status symbols in upper case, each once, unknown ones too; None where there are none.

    >>> symbols("ol  chrg HB ol"), symbols(" ")
    ('OL CHRG HB', None)
    """
    words = dict.fromkeys(text.upper().split())
    return " ".join([word[:20] for word in words][:MOST_SYMBOLS]) or None


@lru_cache(maxsize=1024)
def _number(quantity: str, text: str, factor: float) -> float | None:
    row = QUANTITIES[quantity]
    if len(text) > 40 or NUMBER.fullmatch(text) is None:
        return None
    value = float(text) * factor
    return value if row.low <= value <= row.high else None


# ---- events (table 5) --------------------------------------------------------------------------------------------


class Change(NamedTuple):
    """What it means that a symbol comes, and that it goes; "" means nothing."""

    symbol: str
    comes: str
    goes: str


SUPPLY: dict[tuple[str, str], str] = {("OL", "OB"): "power lost", ("OB", "OL"): "receiving power"}

EVENTS: tuple[Change, ...] = (
    Change("LB", "low battery", "battery not low"),
    Change("FSD", "system shutdown", "shutdown abandoned"),
    Change("RB", "replace battery", "battery replacement cancelled"),
    Change("OVER", "overloaded", "overload gone"),
    Change("NOCOMM", "no contact", ""),
    Change("COMM", "contact", ""),
    Change("ALARM", "alarm on", "alarm off"),
    Change("BOOST", "boost on", "boost off"),
    Change("BYPASS", "bypass on", "bypass off"),
    Change("CAL", "calibration on", "calibration off"),
    Change("CHRG", "charging on", "charging off"),
    Change("DISCHRG", "discharging on", "discharging off"),
    Change("OFF", "off on", "off off"),
    Change("TEST", "test on", "test off"),
    Change("TRIM", "trim on", "trim off"),
)


def supply(status: frozenset[str]) -> str | None:
    """OB or OL; a unit that claims both is taken to be on battery (fail safe); neither: "deemed dead"."""
    return "OB" if "OB" in status else "OL" if "OL" in status else None


def events(old: frozenset[str], new: frozenset[str]) -> tuple[str, ...]:
    """What has happened between two sets of status symbols (section 4: the client must compare; table 5).

    >>> events(frozenset({"OL"}), frozenset({"OB", "DISCHRG"}))
    ('power lost', 'discharging on')
    """
    before, after = supply(old), supply(new)
    found = [SUPPLY[before, after]] if before and after and before != after else []
    for symbol, comes, goes in EVENTS:
        if (symbol in new) != (symbol in old):
            found.append(comes if symbol in new else goes)
    return tuple(word for word in found if word)
