"""Views of Saltmarsh Works for the page's tests: a usual afternoon, an outage, nothing known, hostile names."""

from copy import deepcopy

from farmwatch.words.view import AlarmView, BackupView, FinishView, MachineView, PlaceView, SourceView, View

NOW_S = 1_750_942_800.0  # 2025-06-26 13:00 UTC, 14:00 in London
NAMES = (
    "avocet", "bittern", "curlew", "dunlin", "eider", "fulmar",
    "gannet", "heron", "ibis", "jackdaw", "knot", "lapwing",
)  # fmt: skip
HOSTILE = "<img src=x onerror=alert(1)>\"'&\u202e\x1b]0;"


def finish(minutes, low=None, high=None, builds=0, overdue_s=None, basis="reported remaining time") -> FinishView:
    def at(value):
        return None if value is None else NOW_S + value * 60

    return {"p025_s": at(low), "p10_s": at(low), "p50_s": at(minutes), "p90_s": at(high), "p975_s": at(high),
            "basis": basis, "builds": builds,
            "overdue_s": overdue_s}  # fmt: skip


def machine(name, state, at, **changed) -> MachineView:
    bank = ("north", "east", "south", "west")[at // 3]
    row: MachineView = {
        "name": name, "state": state, "since_s": NOW_S - 1800.0 - 60 * at, "because": "it says so", "job": None,
        "material": None, "material_inferred": False, "progress": None, "finish": None, "clear_at_s": None,
        "clear": None,
        "power_w": 8.0, "bed_c": 22.0, "nozzle_c": 23.0, "age_s": 2.0, "silent": [], "bank": bank,
        "backup": ("one", "two", "three", "four")[at // 3], "circuit": "west" if at < 6 else "east",
        "row": at // 4 + 1, "column": at % 4 + 1,
    }  # fmt: skip
    row.update(changed)
    if row["clear_at_s"] is not None and row["clear"] is None:
        at_s, sure_s = row["clear_at_s"], 0.0 if state == "waiting" else 180.0
        row["clear"] = {"p10_s": at_s - sure_s, "p50_s": at_s, "p90_s": at_s + 2 * sure_s, "release_c": 40.0,
                        "basis": "the bed's own cooling curve, 9 readings"}  # fmt: skip
    return row


def machines() -> list[MachineView]:
    hot = {"bed_c": 60.1, "nozzle_c": 214.6, "power_w": 92.0}
    return [
        machine("avocet", "printing", 0, job="hinge block x12", material="PETG", progress=0.47, **hot,
                finish=finish(40, 32, 55, builds=7), clear_at_s=NOW_S + 3600),
        machine("bittern", "waiting", 1, job="vent clip", material="PLA", clear_at_s=NOW_S - 22 * 60),
        machine("curlew", "heating", 2, job="gutter foot", bed_c=41.0, nozzle_c=120.0, power_w=310.0, progress=0.0,
                finish=finish(260, 235, 300)),
        machine("dunlin", "unknown", 3, since_s=NOW_S - 400, because="no word", power_w=None, bed_c=None,
                nozzle_c=None, age_s=400.0, silent=["dunlin.panel", "dunlin.plug"]),
        machine("eider", "paused", 4, job="frame spacer", material="PETG", progress=0.81, **hot, finish=finish(None)),
        machine("fulmar", "cooling", 5, job="latch", bed_c=47.0, clear_at_s=NOW_S + 9 * 60, material="ABS",
                material_inferred=True),
        machine("gannet", "idle", 6),
        machine("heron", "printing", 7, job="hive entrance reducer", progress=0.999, **hot,
                finish=finish(2, 1, 4, builds=1, overdue_s=None)),
        machine("ibis", "fault", 8, job="roof corner", because="says: heater fault", bed_c=None),
        machine("jackdaw", "off", 9, power_w=0.0, bed_c=None, nozzle_c=None),
        machine("knot", "out_of_service", 10, because="belt ordered", power_w=None, bed_c=None, nozzle_c=None,
                age_s=None, since_s=None, backup=None),
        machine("lapwing", "printing", 11, job=None, progress=None, power_w=88.0, bed_c=None, nozzle_c=None,
                finish=finish(180, None, None, overdue_s=700.0, basis="usual length of builds")),
    ]  # fmt: skip


def circuit(name, drawn_w, missing=(), heat_up_w=350.0) -> PlaceView:
    return {"name": name, "watts": drawn_w, "missing": list(missing), "limit_w": 2944.0, "rating_w": 3680.0,
            "heat_up_w": heat_up_w}  # fmt: skip


def backup(name, status="on_line", **changed) -> BackupView:
    at = ("one", "two", "three", "four").index(name)
    row: BackupView = {
        "name": name, "status": status, "since_s": NOW_S - 90_000, "charge": 1.0, "load_w": 210.0, "rating_w": 600.0,
        "runtime_s": 2040.0, "runtime_p10_s": 1500.0, "runtime_p90_s": 2700.0, "runtime_basis": "table", "age_s": 3.0,
        "circuit": "west" if at < 2 else "east", "machines": list(NAMES[3 * at:3 * at + 3]),
    }  # fmt: skip
    row.update(changed)
    return row


def alarm(rule, subject, priority, title, state="unacknowledged", age_s=600.0, **changed) -> AlarmView:
    row: AlarmView = {
        "id": f"{rule}:{subject}", "rule": rule, "subject": subject, "state": state, "priority": priority,
        "since_s": NOW_S - age_s, "title": title, "text": "the machine says that it cannot go on",
        "consequence": "the build stands still or is lost", "response": "look at the machine",
    }  # fmt: skip
    row.update(changed)
    return row


def source(name, via="mqtt", state="fresh", **changed) -> SourceView:
    row: SourceView = {
        "id": name, "subject": name.split(".")[0], "via": via, "address": f"works/{name.split('.')[0]}/status",
        "age_s": 2.0, "state": state, "good": 4211, "bad": 0, "last_bad": None,
    }  # fmt: skip
    row.update(changed)
    return row


def usual() -> View:
    """A usual afternoon: something of everything."""
    return {
        "at_s": NOW_S, "site": "Saltmarsh Works", "timezone": "Europe/London",
        "verdict": {"level": "act", "title": "Clear bittern", "text": "Next bed: fulmar about 14:09, in 9 min."},
        "machines": machines(),
        "total": {"name": "site", "watts": 1480.0, "missing": ["dunlin", "knot"], "limit_w": None, "rating_w": None,
                  "heat_up_w": None},
        "circuits": [circuit("west", 1020.0, ["dunlin"]), circuit("east", 2710.0)], "banks": [],
        "backups": [backup("one"), backup("two", charge=0.64, load_w=410.0, runtime_s=800.0, runtime_p10_s=None),
                    backup("three", "unknown", charge=None, load_w=None, runtime_s=None, runtime_p10_s=None,
                           runtime_p90_s=None, runtime_basis="nothing is known of it now", age_s=95.0),
                    backup("four", machines=["jackdaw", "knot", "lapwing"])],
        "alarms": [alarm("machine_fault", "ibis", "session", "ibis reports a fault"),
                   alarm("bed_waiting", "bittern", "session", "Clear bittern", "acknowledged", 1320.0),
                   alarm("source_silent", "dunlin.panel", "session", "No word from dunlin", "suppressed", 300.0)],
        "sources": [source("avocet.panel"), source("avocet.plug", "http", address="http://10.0.0.21/status?key=s3cret"),
                    source("dunlin.panel", state="silent", age_s=400.0),
                    source("ibis.panel", state="degraded", bad=9,
                           last_bad="state: 'HOT' is not in the table: b'{\"s\":\"HOT\"}'"),
                    source("knot.panel", state="never", age_s=None, good=0)],
        "stores": [{"name": "journal", "ok": True, "why": ""},
                   {"name": "series", "ok": False, "why": "the disk is full; watching goes on, history is not kept"}],
        "energy_today_wh": 12_340.0,
    }  # fmt: skip


def calm() -> View:
    """Nothing to do."""
    view = usual()
    view["verdict"] = {"level": "calm", "title": "No bed waits; 3 machines building",
                       "text": "Next bed: heron about 14:20, in 20 min."}  # fmt: skip
    for row in view["machines"]:
        if row["state"] in ("waiting", "fault", "paused", "unknown"):
            row.update(state="idle", silent=[], age_s=2.0, clear_at_s=None)
    view["alarms"] = []
    view["backups"] = [backup(name) for name in ("one", "two", "three", "four")]
    view["circuits"] = [circuit("west", 1020.0), circuit("east", 1710.0)]
    view["sources"] = [source(f"{name}.panel") for name in NAMES]
    view["stores"] = [{"name": "journal", "ok": True, "why": ""}]
    return view


def outage() -> View:
    """Mains lost: everything on battery, one backup low, one circuit impossible."""
    view = usual()
    view["verdict"] = {"level": "danger", "title": "Mains lost at Saltmarsh Works, 4 backups on battery",
                       "text": "Since 13:58. Clear bittern."}  # fmt: skip
    view["backups"] = [backup("one", "on_battery", charge=0.7, runtime_s=1860.0), backup("two", "low", charge=0.12,
                       runtime_s=130.0, runtime_p10_s=60.0, runtime_p90_s=200.0), backup("three", "on_battery"),
                       backup("four", "on_battery", runtime_s=None)]  # fmt: skip
    view["alarms"] = [alarm("battery_low", "two", "danger", "Battery low: two", age_s=20.0),
                      alarm("mains_lost", "one", "danger", "Mains lost at Saltmarsh Works", age_s=120.0,
                            consequence="the machines behind it stop when its battery is empty"),
                      *view["alarms"]]  # fmt: skip
    view["circuits"] = [circuit("west", 0.0), circuit("east", 3900.0)]
    return view


def blank() -> View:
    """Just started: nothing is known of anything."""
    view = usual()
    view["verdict"] = {"level": "unknown", "title": "Nothing is known of any machine",
                       "text": "No source has said anything yet."}  # fmt: skip
    for row in view["machines"]:
        row.update(
            state="unknown", since_s=None, because="", job=None, material=None, progress=None, finish=None,
            clear_at_s=None, power_w=None, bed_c=None, nozzle_c=None, age_s=None, silent=[], bank=None, backup=None,
            circuit=None, row=None, column=None,
        )  # fmt: skip
    for place in (view["total"], *view["circuits"]):
        place.update(watts=None, missing=list(NAMES), limit_w=None, rating_w=None, heat_up_w=None)
    for row in view["backups"]:
        row.update(status="unknown", since_s=None, charge=None, load_w=None, rating_w=None, runtime_s=None,
                   runtime_p10_s=None, runtime_p90_s=None, runtime_basis="", age_s=None, circuit=None,
                   machines=[])  # fmt: skip
    for row in view["sources"]:
        row.update(age_s=None, state="never", good=0, bad=0, last_bad=None)
    view["alarms"], view["stores"], view["energy_today_wh"] = [], [], None
    return view


def empty() -> View:
    """A configuration that names nothing."""
    view = blank()
    for key in ("machines", "circuits", "banks", "backups", "alarms", "sources", "stores"):
        view[key] = []
    return view


def hostile() -> View:
    """Every string of the view that comes from outside is an attack."""

    def poison(value):
        if isinstance(value, str):
            return HOSTILE
        if isinstance(value, dict):
            return {key: poison(part) for key, part in value.items()}
        return [poison(part) for part in value] if isinstance(value, list) else value

    view = deepcopy(usual())
    kept = [row["state"] for row in view["machines"]]
    view = poison(view)
    for row, state in zip(view["machines"], kept, strict=True):
        row["state"] = state
    view["timezone"] = "Europe/London"
    return view


def many(count: int) -> View:
    """So many machines, each like one of the usual ones, in no arrangement."""
    view = usual()
    rows = []
    for at in range(count):
        row = deepcopy(view["machines"][at % 12])
        row.update(name=f"{row['name']}-{at}" if count > 12 else row["name"], row=None, column=None)
        rows.append(row)
    view["machines"] = rows
    view["rounds"] = ["08:30", "18:00"]
    return view


def one() -> View:
    """One machine."""
    return many(1)


def three_hundred() -> View:
    """More than anybody has here."""
    return many(300)


def _renamed(names: list[str], job: str) -> View:
    view = usual()
    view["rounds"] = ["08:30", "18:00"]
    for row, name in zip(view["machines"], names, strict=True):
        row.update(name=name, job=job if row["job"] else None)
    for place in (*view["circuits"], *view["backups"]):
        place["name"] = f"{names[0]} {place['name']}"
    for row in view["alarms"]:
        row["title"] = f"{names[0]} reports a fault"
    view["verdict"]["title"] = f"Clear {names[1]}"[:60]
    return view


def longest() -> View:
    """The longest names that the configuration takes, without a place to break."""
    return _renamed([f"{name}{'WMwm' * 20}"[:80] for name in NAMES], "x" * 200)


def right_to_left() -> View:
    """Names that are written from right to left, mixed with digits."""
    return _renamed([f"\u0645\u0627\u0643\u064a\u0646\u0629 {at} \u05de\u05db\u05d5\u05e0\u05d4" for at in range(12)],
                    "\u0642\u0637\u0639\u0629 12 \u05d7\u05dc\u05e7")  # fmt: skip
