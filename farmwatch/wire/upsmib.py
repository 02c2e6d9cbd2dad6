"""Objects of the UPS-MIB (RFC 1628) to our quantities, from a JSON object of OID to value as a recording holds it.

Units are the MIB's: minutes of runtime (unlike the seconds of RFC 9271), tenths of a volt for the battery but whole
volts for the lines, tenths of an ampere. What the agent does not have stands as null or not at all and is unknown.
"""

import json
from collections.abc import Mapping

from farmwatch.wire.payload import Decoded, parse_json
from farmwatch.words.errors import BadPayload
from farmwatch.words.model import Value
from farmwatch.words.quantities import QUANTITIES

UPS = "1.3.6.1.2.1.33.1."
"""upsObjects."""
MOST = 500
"""Objects of one body that are read."""
MOST_INTEGER = 2**64 - 1  # Counter64 (RFC 2578)

Object = int | str | None
"""A number, a text or an OID as text; None: the agent has no such object."""

UPTIME = "1.3.6.1.2.1.1.3.0"  # sysUpTime (RFC 3418), hundredths of a second
BATTERY_STATUS = UPS + "2.1.0"
SECONDS_ON_BATTERY = UPS + "2.2.0"
MINUTES_REMAINING = UPS + "2.3.0"
CHARGE = UPS + "2.4.0"
BATTERY_VOLTAGE = UPS + "2.5.0"
BATTERY_CURRENT = UPS + "2.6.0"
BATTERY_TEMPERATURE = UPS + "2.7.0"
INPUT_LINES = UPS + "3.2.0"
OUTPUT_SOURCE = UPS + "4.1.0"
OUTPUT_LINES = UPS + "4.3.0"
ALARMS_PRESENT = UPS + "6.1.0"
TEST_RESULTS = UPS + "7.3.0"
TEST_START = UPS + "7.5.0"  # upsTestStartTime: sysUpTime when it began

SCALARS: tuple[str, ...] = (
    UPTIME, BATTERY_STATUS, SECONDS_ON_BATTERY, MINUTES_REMAINING, CHARGE, BATTERY_VOLTAGE, BATTERY_CURRENT,
    BATTERY_TEMPERATURE, INPUT_LINES, OUTPUT_SOURCE, OUTPUT_LINES, ALARMS_PRESENT, TEST_RESULTS,
    TEST_START,
)  # fmt: skip
"""What a poll gets by name."""

INPUT, OUTPUT = UPS + "3.3.1.", UPS + "4.4.1."
INPUT_VOLTAGE = INPUT + "3"
OUTPUT_VOLTAGE, OUTPUT_CURRENT, OUTPUT_POWER, PERCENT_LOAD = (OUTPUT + column for column in "2345")
ALARM_DESCR = UPS + "6.2.1.2"
COLUMNS: tuple[str, ...] = (
    *(INPUT + column for column in "2345"), OUTPUT_VOLTAGE, OUTPUT_CURRENT, OUTPUT_POWER, PERCENT_LOAD, ALARM_DESCR,
)  # fmt: skip
"""What a poll walks: the tables of input lines, output lines and alarms."""

SOURCES: dict[int, str] = {
    # upsOutputSource: status symbols (RFC 9271, table 4)
    1: "",  # other: we cannot say
    2: "OFF",
    3: "OL",
    4: "OL BYPASS",
    5: "OB",
    6: "OL BOOST",
    7: "OL TRIM",
}
BATTERIES: dict[int, str] = {1: "", 2: "", 3: "LB", 4: "LB"}  # upsBatteryStatus: unknown, normal, low, depleted
RESULTS: dict[int, str] = {1: "passed", 2: "warning", 3: "failed", 4: "aborted", 5: "running", 6: "none"}
TESTS: dict[int, str] = {1: "", 2: "", 3: "", 4: "", 5: "TEST", 6: ""}  # upsTestResultsSummary: 5 is inProgress

WELL_KNOWN = UPS + "6.3."
"""upsWellKnownAlarms."""
ALARMS: dict[int, str] = {
    # number below upsWellKnownAlarms: symbol; an alarm that stands for somebody having to look is ALARM
    1: "RB",  # BatteryBad
    2: "OB",  # OnBattery
    3: "LB",  # LowBattery
    4: "LB",  # DepletedBattery
    5: "ALARM",  # TempBad
    6: "",  # InputBad: what follows from it is told by the source
    7: "ALARM",  # OutputBad
    8: "OVER",  # OutputOverload
    9: "BYPASS",  # OnBypass
    10: "ALARM",  # BypassBad
    11: "OFF",  # OutputOffAsRequested
    12: "OFF",  # UpsOffAsRequested
    13: "ALARM",  # ChargerFailed
    14: "OFF",  # UpsOutputOff
    15: "OFF",  # UpsSystemOff
    16: "ALARM",  # FanFailure
    17: "ALARM",  # FuseFailure
    18: "ALARM",  # GeneralFault
    19: "ALARM",  # DiagnosticTestFailed
    20: "",  # CommunicationsLost: see `out_of_contact`
    21: "OFF",  # AwaitingPower
    22: "ALARM",  # ShutdownPending
    23: "FSD",  # ShutdownImminent: within 5 s
    24: "TEST",  # TestInProgress
}
CONTACT_LOST = WELL_KNOWN + "20"
_SYMBOLS = {f"{WELL_KNOWN}{number}": symbol for number, symbol in ALARMS.items()}

YIELDS: tuple[str, ...] = (
    "status", "charge", "runtime_s", "load", "power_w", "apparent_va", "voltage_v", "battery_v", "battery_c",
    "self_test", "self_test_age_s", "battery_date",
)  # fmt: skip
"""What `decode` knows; the same as of a backup behind RFC 9271."""


# ---- the body ----------------------------------------------------------------------------------------------------


def render(objects: Mapping[str, Object]) -> bytes:
    """The body of a `Raw`: compact, in the order of the OIDs.

    >>> render({"1.3.10.0": 2, "1.3.9.0": None})
    b'{"1.3.9.0":null,"1.3.10.0":2}'
    """
    rows = sorted(objects.items(), key=lambda row: tuple(map(int, row[0].split("."))))
    return json.dumps(dict(rows), separators=(",", ":"), ensure_ascii=False).encode()


def parse(body: bytes) -> dict[str, object]:
    """Objects of a body.

    Raises:
        BadPayload: it is no JSON object, or one of more than `MOST` members.
    """
    found = parse_json(body)
    if not isinstance(found, dict):
        raise BadPayload("no JSON object of OIDs")
    if len(found) > MOST:
        raise BadPayload(f"{len(found)} objects, at most {MOST} are read")
    return found


# ---- values ------------------------------------------------------------------------------------------------------


def decode(objects: Mapping[str, object]) -> Decoded:
    """Values of a backup. What the agent does not tell is None; what no such object can hold is refused.

    >>> found = decode({OUTPUT_SOURCE: 3, MINUTES_REMAINING: 25, BATTERY_VOLTAGE: 547, CHARGE: 100})
    >>> [found.values[name] for name in ("status", "runtime_s", "battery_v", "charge", "load")]
    ['OL', 1500.0, 54.7, 1.0, None]
    """
    reading = _Reading(objects)
    status = reading.status()
    values: dict[str, Value] = {"status": status}
    values["charge"] = reading.scaled("charge", CHARGE, 100)
    values["runtime_s"] = reading.runtime_s("OB" in (status or "").split())
    values |= reading.lines()
    values["battery_v"] = reading.scaled("battery_v", BATTERY_VOLTAGE, 10)
    values["battery_c"] = reading.scaled("battery_c", BATTERY_TEMPERATURE, 1)
    values["self_test"], values["self_test_age_s"] = reading.self_test()
    values["battery_date"] = None  # the MIB has no such object
    return Decoded(values, None, tuple(dict.fromkeys(reading.refused)))


def out_of_contact(objects: Mapping[str, object]) -> bool:
    """Whether the agent says that it has lost the unit (alarm 20): then nothing that it says is known to be true."""
    return CONTACT_LOST in _Reading(objects).column(ALARM_DESCR).values()


class _Reading:
    """One body, and what of it had to be refused."""

    def __init__(self, objects: Mapping[str, object]) -> None:
        self._objects = objects
        self.refused: list[str] = []

    # ---- status

    def status(self) -> str | None:
        """Status symbols. An agent that says both, mains and battery, keeps both: on battery then wins (fail safe).

        Seconds on battery count where the source is not told.
        """
        source = self._word("status: upsOutputSource", OUTPUT_SOURCE, SOURCES)
        words = source.split() if source is not None else []
        if not words and (self.integer("status: upsSecondsOnBattery", SECONDS_ON_BATTERY) or 0) > 0:
            words.append("OB")
        for name, oid, table in (
            ("status: upsBatteryStatus", BATTERY_STATUS, BATTERIES),
            ("status: upsTestResultsSummary", TEST_RESULTS, TESTS),
        ):
            words.append(self._word(name, oid, table) or "")
        words += [self._alarm(found) for found in self.column(ALARM_DESCR).values()]
        return " ".join(dict.fromkeys(word for word in words if word)) or None

    def _word(self, name: str, oid: str, table: Mapping[int, str]) -> str | None:
        number = self.integer(name, oid)
        if number is None:
            return None
        if number not in table:
            self.refused.append(f"{name} {_shown(number)} is none of {min(table)} to {max(table)}")
            return None
        return table[number]

    def _alarm(self, found: object) -> str:
        if isinstance(found, str):
            return _SYMBOLS.get(found, "ALARM")  # one that is not well known is the maker's own
        if found is not None:
            self.refused.append(f"status: upsAlarmDescr {_shown(found)} is no OID")
        return ""

    def self_test(self) -> tuple[str | None, float | None]:
        """Result of the last self-test, and the seconds since it began.

        upsTestStartTime is a sysUpTime, which begins anew with the agent and wraps after 497 days (RFC 3418): one that
        lies ahead of the present one says nothing. An agent that has restarted says 0 or 6, noTestsInitiated.
        """
        result = self._word("self_test: upsTestResultsSummary", TEST_RESULTS, RESULTS)
        began, now = self.integer("self_test_age_s", TEST_START), self.integer("self_test_age_s", UPTIME)
        if result in (None, "none") or not began or now is None or not 0 < began <= now:
            return result, None
        return result, self._plausible("self_test_age_s", "upsTestStartTime", began, (now - began) / 100)

    # ---- numbers

    def runtime_s(self, on_battery: bool) -> float | None:
        """Seconds from upsEstimatedMinutesRemaining, whose type begins at 1.

        Agents send 0 all the same (common in the field, from memory). On battery that is less than a minute: 0 s, the
        least that it can be. On mains it is no estimate at all: unknown.
        """
        minutes = self.integer("runtime_s: upsEstimatedMinutesRemaining", MINUTES_REMAINING)
        if minutes is None or (minutes == 0 and not on_battery):
            return None
        return self._plausible("runtime_s", "upsEstimatedMinutesRemaining", minutes, minutes * 60)

    def scaled(self, quantity: str, oid: str, divisor: int) -> float | None:
        """A scalar in our unit."""
        number = self.integer(quantity, oid)
        return None if number is None else self._plausible(quantity, oid, number, number / divisor)

    def lines(self) -> dict[str, float | None]:
        """Load, powers and supply voltage, over all lines; unknown where one line of several is.

        upsOutputPercentLoad is a share of the whole unit's capacity, the greater of W and VA: the greatest of the
        lines counts. Apparent power is the sum of volts times amperes, good to 0.05 A a line. The supply voltage is
        that of the lowest input line: a lost phase shows.
        """
        percent = self._line("load", PERCENT_LOAD, OUTPUT, OUTPUT_LINES)
        power = self._line("power_w", OUTPUT_POWER, OUTPUT, OUTPUT_LINES)
        volts = self._line("apparent_va", OUTPUT_VOLTAGE, OUTPUT, OUTPUT_LINES)
        amperes = self._line("apparent_va", OUTPUT_CURRENT, OUTPUT, OUTPUT_LINES)
        supply = self._line("voltage_v", INPUT_VOLTAGE, INPUT, INPUT_LINES)
        tenths = sum(v * a for v, a in zip(volts, amperes, strict=True)) if volts and amperes else None
        return {
            "load": self._plausible("load", PERCENT_LOAD, max(percent), max(percent) / 100) if percent else None,
            "power_w": self._plausible("power_w", OUTPUT_POWER, sum(power), sum(power)) if power else None,
            "apparent_va": None if tenths is None else self._plausible("apparent_va", OUTPUT, tenths, tenths / 10),
            "voltage_v": self._plausible("voltage_v", INPUT_VOLTAGE, min(supply), min(supply)) if supply else None,
        }

    def _line(self, quantity: str, column: str, table: str, count: str) -> list[int]:
        """A column of all lines in order; empty where a line has no usable value in it, or has not come at all."""
        known = {oid.rpartition(".")[2] for oid in self._objects if oid.startswith(table) and oid.count(".") == 12}
        wanted = self.integer(quantity, count)
        if not known or (wanted is not None and wanted > len(known)):
            return []
        found = [self.integer(quantity, f"{column}.{line}") for line in sorted(known)]
        told = [number for number in found if number is not None]
        if any(number < 0 for number in told):
            self.refused.append(f"{quantity}: {column} {_shown(min(told))} is below 0")
            return []
        return told if len(told) == len(found) else []

    # ---- objects

    def column(self, oid: str) -> dict[str, object]:
        """Rows of a table's column."""
        start = oid + "."
        return {name: found for name, found in self._objects.items() if name.startswith(start)}

    def integer(self, name: str, oid: str) -> int | None:
        """An integer object; None where it is not there, refused where it is of another type."""
        found = self._objects.get(oid)
        if found is None:
            return None
        if type(found) is not int or abs(found) > MOST_INTEGER:
            self.refused.append(f"{name}: {oid} {_shown(found)} is no integer")
            return None
        return found

    def _plausible(self, quantity: str, name: str, number: int, value: float) -> float | None:
        row = QUANTITIES[quantity]
        if row.low <= value <= row.high:
            return float(value)
        self.refused.append(f"{quantity}: {name} {_shown(number)} is no plausible value")
        return None


def _shown(found: object) -> str:
    if isinstance(found, list | dict):
        return "an array or object"
    return "of many digits" if isinstance(found, int) and abs(found) > MOST_INTEGER else ascii(found)[:40]
