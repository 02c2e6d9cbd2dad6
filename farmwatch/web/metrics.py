"""The view as OpenMetrics text (OpenMetrics 1.0, the specification at openmetrics.io). Pure.

What is unknown has no sample: never 0. Labels are the configured names and closed lists, so their number is bounded;
job names and error texts never become labels.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from farmwatch.machines.state import STATES
from farmwatch.words.view import View

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
BACKUP_STATUS = ("on_line", "on_battery", "low", "unknown")
SOURCE_STATES = ("never", "fresh", "last_known", "silent", "failed", "degraded")
PRIORITIES = ("danger", "session", "digest")

Sample = tuple[Mapping[str, str], float | None]


class Family(NamedTuple):
    """One metric: its name without suffix, type, unit ("" for none), help, samples."""

    name: str
    kind: str  # gauge | counter | stateset | info
    unit: str
    about: str
    samples: Iterable[Sample]


def openmetrics(view: View) -> str:
    """The whole exposition, ending with ``# EOF``."""
    return "".join([*(_exposed(family) for family in families(view)), "# EOF\n"])


def families(view: View) -> Iterator[Family]:
    """Every metric with its samples."""
    yield from _machine_families(view)
    yield from _place_families(view)
    yield from _backup_families(view)
    yield from _health_families(view)


def _machine_families(view: View) -> Iterator[Family]:
    machines = [({"machine": m["name"]}, m) for m in view["machines"]]
    states = [
        ({**label, "farmwatch_machine_state": state}, float(m["state"] == state))
        for label, m in machines
        for state in STATES
    ]
    yield Family("farmwatch_machine_state", "stateset", "", "State of a machine.", states)
    for name, unit, about, key in (
        ("power", "watts", "Power drawn by a machine.", "power_w"),
        ("bed", "celsius", "Bed temperature.", "bed_c"),
        ("nozzle", "celsius", "Nozzle temperature.", "nozzle_c"),
        ("progress", "ratio", "Share of the build that is done, as reported.", "progress"),
        ("age", "seconds", "Age of the newest reading of a machine.", "age_s"),
    ):
        samples = [(label, _number(m, key)) for label, m in machines]
        yield Family(f"farmwatch_machine_{name}_{unit}", "gauge", unit, about, samples)
    finishes = [
        ({**label, "quantile": share}, None if m["finish"] is None else _number(m["finish"], key))
        for label, m in machines
        for share, key in (("0.1", "p10_s"), ("0.5", "p50_s"), ("0.9", "p90_s"))
    ]
    about = "When a build is expected to be over, seconds since 1970, by quantile of the estimate."
    yield Family("farmwatch_machine_finish_timestamp_seconds", "gauge", "seconds", about, finishes)


def _place_families(view: View) -> Iterator[Family]:
    places = [
        ({"kind": kind, "place": place["name"]}, place)
        for kind, group in (("site", [view["total"]]), ("circuit", view["circuits"]), ("bank", view["banks"]))
        for place in group
    ]
    for name, about, key in (
        ("power", "Power drawn at a place, known parts only.", "watts"),
        ("limit", "What the site's policy allows there for hours.", "limit_w"),
        ("rating", "What the place is rated for.", "rating_w"),
    ):
        samples = [(label, _number(place, key)) for label, place in places]
        yield Family(f"farmwatch_place_{name}_watts", "gauge", "watts", about, samples)
    unknown = [(label, float(len(place["missing"]))) for label, place in places]
    yield Family("farmwatch_place_loads_unknown", "gauge", "", "Loads left out of the sum.", unknown)


def _backup_families(view: View) -> Iterator[Family]:
    backups = [({"backup": b["name"]}, b) for b in view["backups"]]
    statuses = [
        ({**label, "farmwatch_backup_status": status}, float(b["status"] == status))
        for label, b in backups
        for status in BACKUP_STATUS
    ]
    yield Family("farmwatch_backup_status", "stateset", "", "Status of a battery backup.", statuses)
    for name, unit, about, key in (
        ("charge", "ratio", "State of charge.", "charge"),
        ("load", "watts", "Load behind a backup.", "load_w"),
        ("runtime", "seconds", "Runtime at the present load, best estimate.", "runtime_s"),
        ("age", "seconds", "Age of the newest reading of a backup.", "age_s"),
    ):
        samples = [(label, _number(b, key)) for label, b in backups]
        yield Family(f"farmwatch_backup_{name}_{unit}", "gauge", unit, about, samples)


def _health_families(view: View) -> Iterator[Family]:
    counted = {
        (rank, state): sum(1.0 for a in view["alarms"] if (a["priority"], a["state"]) == (rank, state))
        for rank in PRIORITIES
        for state in sorted({"active", "acknowledged", "returned"} | {a["state"] for a in view["alarms"]})
    }
    alarms = [({"priority": rank, "state": state}, count) for (rank, state), count in counted.items()]
    yield Family("farmwatch_alarms", "gauge", "", "Alarms that are not normal.", alarms)
    states = [({"state": state}, float(sum(s["state"] == state for s in view["sources"]))) for state in SOURCE_STATES]
    yield Family("farmwatch_sources", "gauge", "", "Sources by state.", states)
    good = [({"source": s["id"]}, float(s["good"])) for s in view["sources"]]
    yield Family("farmwatch_source_readings", "counter", "", "Readings taken from a source.", good)
    bad = [({"source": s["id"]}, float(s["bad"])) for s in view["sources"]]
    yield Family("farmwatch_source_bad_payloads", "counter", "", "Payloads that could not be read.", bad)
    stores = [({"store": store["name"]}, float(store["ok"])) for store in view["stores"]]
    yield Family("farmwatch_store_ok", "gauge", "", "1 while a store takes what it is given.", stores)
    day: list[Sample] = [({}, view["energy_today_wh"])]
    yield Family("farmwatch_energy_today_watthours", "gauge", "watthours", "Energy since midnight.", day)
    yield Family("farmwatch_view_timestamp_seconds", "gauge", "seconds", "When this was true.", [({}, view["at_s"])])


def _number(row: Mapping[str, object], key: str) -> float | None:
    value = row.get(key)
    return float(value) if isinstance(value, int | float) else None


def _exposed(family: Family) -> str:
    lines = [f"# TYPE {family.name} {family.kind}\n"]
    if family.unit:
        lines.append(f"# UNIT {family.name} {family.unit}\n")
    lines.append(f"# HELP {family.name} {_escaped(family.about)}\n")
    suffix = "_total" if family.kind == "counter" else ""
    for labels, value in family.samples:
        if value is None or math.isnan(value):
            continue
        inner = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
        lines.append(f"{family.name}{suffix}{f'{{{inner}}}' if inner else ''} {_text(value)}\n")
    return "".join(lines)


def _text(value: float) -> str:
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    return repr(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
