"""The interface of ``replay --json``: words, keys, pace, cuts and order, on small recordings written by hand."""

import contextlib
import datetime as dt
import io
import itertools
import json
import re

import pytest

from farmwatch import replay
from farmwatch.cli import main
from farmwatch.words.model import Note

T0 = dt.datetime(2025, 11, 25, 8, 0, tzinfo=dt.UTC)

CONFIG = """
[site]
name = "Saltmarsh Works"
timezone = "Europe/London"
[circuits]
west = { rating_a = 16 }
east = { rating_a = 16 }
[backups.one]
circuit = "west"
rating_w = 600
runtime_table = [[100, 60], [200, 24], [300, 14]]
uses = ["ups"]
params = { ups = "one@127.0.0.1:3493" }
[banks]
north = { backup = "one" }
[people.ann]
[machines]
avocet = { bank = "north", uses = ["panel", "plug"], params = { serial = "A17" } }
bittern = { circuit = "east", uses = ["port"], params = { host = "192.168.1.33" } }
curlew = { circuit = "east", uses = ["plug"], material = "PETG" }
[mappings.panel]
via = "mqtt"
address = "works/+/{serial}"
interval_s = 5
time = { pointer = "/ts", unit = "ms" }
[mappings.panel.values]
job = "/file"
progress = { pointer = "/pct", unit = "%" }
remaining_s = { pointer = "/left", unit = "min" }
bed_c = { pointer = "/bed/0", unit = "°F" }
bed_target_c = { pointer = "/bed/1", unit = "°F" }
[mappings.panel.values.state]
pointer = "/state"
words = { IDLE = "idle", RUN = ["heating", "printing"], HOLD = "paused", END = "done", ERR = "fault", LOST = "gone" }
[mappings.plug]
via = "mqtt"
address = "plugs/{machine}"
interval_s = 10
values = { power_w = "/w", energy_wh = { pointer = "/kwh", unit = "kWh" } }
[mappings.port]
via = "http"
address = "http://{host}/status"
interval_s = 5
[mappings.port.values]
bed_c = "/bed"
remaining_s = { pointer = "/left", unit = "min" }
state = { pointer = "/status", words = { ready = "idle", printing = ["heating", "printing"], finished = "done" } }
[mappings.ups]
via = "ups"
address = "{ups}"
"""

KEYS = {
    "state": {"machine", "state", "previous", "because"},
    "build": {"id", "machine", "job", "started", "ended", "result"},
    "estimate": {"machine", "job", "finish", "basis"},
    "load": {"place", "watts"},
    "energy": {"machine", "wh", "started", "ended"},
    "backup": {"backup", "status", "load_w", "runtime_s"},
    "alarm": {"alarm", "subject", "state", "priority"},
    "message": {"to", "priority", "title", "text"},
    "outage": {"id", "cause", "place", "started", "ended"},
}
STATES = {
    "unknown", "off", "idle", "heating", "printing", "paused", "cooling", "waiting", "fault", "out_of_service"
}  # fmt: skip
WORDS = {
    ("state", "state"): STATES,
    ("state", "previous"): STATES,
    ("build", "result"): {"done", "failed", "cancelled", "unknown"},
    ("backup", "status"): {"on_line", "on_battery", "low", "unknown"},
    ("alarm", "priority"): {"danger", "session", "digest"},
    ("message", "priority"): {"danger", "session", "digest"},
    ("outage", "cause"): {
        "site", "circuit", "backup", "plug", "network", "machine", "broker", "collector", "blip"
    },
}  # fmt: skip


class Tape:
    """A recording in the making."""

    def __init__(self):
        self._rows = []

    def add(self, second, **line):
        at = (T0 + dt.timedelta(seconds=second)).isoformat()
        self._rows.append((second, len(self._rows), {"at": at} | line))

    def mqtt(self, second, topic, body, **more):
        text = body if isinstance(body, str) else json.dumps(body)
        self.add(second, via="mqtt", address=topic, body=text, **more)

    def panel(self, second, state, behind_s=0.0, **more):
        ts = (T0.timestamp() + second - behind_s) * 1000
        self.mqtt(second, "works/hall/A17", {"state": state, "ts": ts} | more)

    def plug(self, second, machine, watts, kwh=None):
        self.mqtt(second, f"plugs/{machine}", {"w": watts, "kwh": kwh})

    def port(self, second, status, **more):
        self.add(second, via="http", address="http://192.168.1.33/status", body=json.dumps({"status": status} | more))

    def ups(self, second, status, charge=100):
        told = {"ups.status": status, "battery.charge": charge, "ups.realpower": 90}
        body = "".join(f'VAR one {name} "{value}"\n' for name, value in told.items())
        body = f"BEGIN LIST VAR one\n{body}END LIST VAR one\n"
        self.add(second, via="ups", address="one@127.0.0.1:3493", body=body)

    def person(self, second, command, machine=None, by="ann", **more):
        about = {} if machine is None else {"machine": machine}
        self.add(second, via="person", command=command, **about, by=by, **more)

    def text(self):
        return "".join(json.dumps(row) + "\n" for _, _, row in sorted(self._rows, key=lambda r: r[:2]))


def output(folder, recording, config=CONFIG):
    """Exit code, standard output and standard error of a replay."""
    (folder / "farmwatch.toml").write_text(config, "utf-8")
    (folder / "night.jsonl").write_text(recording, "utf-8")
    out, err = io.StringIO(), io.StringIO()
    words = ["replay", str(folder / "night.jsonl"), "--config", str(folder / "farmwatch.toml"), "--json"]
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    return code, out.getvalue(), err.getvalue()


@pytest.fixture
def played(tmp_path):
    def play(tape, code=0, config=CONFIG):
        got, out, play.err = output(tmp_path, tape if isinstance(tape, str) else tape.text(), config)
        assert got == code, play.err
        return [json.loads(line) for line in out.splitlines()]

    return play


def only(lines, kind, **match):
    return [d for d in lines if d["kind"] == kind and all(d[key] == value for key, value in match.items())]


def seconds(text):
    """Seconds since T0; RFC 3339 must have an offset (RFC 3339, section 5.6)."""
    at = dt.datetime.fromisoformat(text)
    assert at.utcoffset() is not None
    return (at - T0).total_seconds()


def states(lines, machine):
    return [d["state"] for d in only(lines, "state", machine=machine)]


def plug_build(tape, heat, hold, end, to, every=10, machine="curlew"):
    """Watts of one build: steady while it heats up, then the bed switches on and off. True Wh by the hour."""
    wh = {}
    for second in range(heat, to, every):
        watts = 285.0 if second < hold else (235.0 if (second // 30) % 4 == 0 else 72.0) if second < end else 8.0
        tape.plug(second, machine, watts)
        wh[second // 3600] = wh.get(second // 3600, 0.0) + watts * every / 3600
    return wh


def saltmarsh_night():
    """Three hours: a build on a panel and a plug, one asked over HTTP, one on a plug alone, an outage, people."""
    tape = Tape()
    tape.add(0, via="mqtt", event="connected")
    tape.mqtt(0.5, "works/hall/A17", {"state": "END", "file": "old"}, retained=True)
    for second in range(1, 10_800, 5):
        state = "IDLE" if second < 600 or second >= 7300 else "RUN" if second < 2580 else "END"
        bed = 140.0 if 600 <= second < 2580 else max(75.0, 140.0 - (second - 2580) / 15) if second >= 2580 else 72.0
        done = min(100.0, max(0.0, (second - 780) / 18))
        tape.panel(second, state, 7200, file="clip-40", pct=done, bed=[bed, 140], left=max(0, 2580 - second) / 60)
        status = "ready" if second < 300 else "printing" if second < 5000 else "finished" if second < 9000 else "ready"
        left = (5000 - second) / 60 if 300 <= second < 5000 else None
        tape.port(second + 0.5, status, bed=60 if second < 5000 else 25, left=left)
        on_battery = 5400 <= second < 6000
        low = 5900 <= second < 6000
        tape.ups(second + 1, "OB LB" if low else "OB DISCHRG" if on_battery else "OL", 40 if on_battery else 100)
    for second in range(2, 10_800, 10):
        tape.plug(second, "avocet", 180.0 if 600 <= second < 2580 else 8.0, 12.0 + second / 1e5)
    plug_build(tape, 1200, 1400, 6600, 10_800)
    tape.person(1250, "started", "curlew", job="vent-collar", planned_min=90, material="PETG")
    tape.person(5700, "acknowledged", alarm="mains_lost:one")
    tape.person(7200, "cleared", "avocet", "bram")
    return tape.text()


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    recording = saltmarsh_night()
    return [output(tmp_path_factory.mktemp("night"), recording) for _ in range(2)]


@pytest.fixture(scope="module")
def night(twice):
    code, out, err = twice[0]
    assert (code, err) == (0, "")
    return [json.loads(line) for line in out.splitlines()]


def test_the_same_recording_gives_the_same_bytes(twice):
    assert twice[0] == twice[1]
    assert twice[0][1]


def test_lines_have_their_keys_words_and_times(night):
    assert {d["kind"] for d in night} == set(KEYS) == set(replay.KINDS)
    for line in night:
        assert list(line)[:2] == ["at", "kind"]
        assert KEYS[line["kind"]] <= set(line), line
        for (kind, key), known in WORDS.items():
            assert line["kind"] != kind or line[key] in known, line
        for key in ("at", "started", "ended"):
            assert line.get(key) is None or seconds(line[key]) is not None
    for line in only(night, "estimate"):
        assert set(line["finish"]) == {"p025", "p10", "p50", "p90", "p975"}
        told = [seconds(line["finish"][key]) for key in ("p025", "p10", "p50", "p90", "p975") if line["finish"][key]]
        assert told == sorted(told)
    for line in only(night, "backup"):
        assert line["runtime_s"] is None or set(line["runtime_s"]) == {"p10", "p50", "p90"}


def test_lines_are_in_order_of_time_and_the_clock_stops_at_the_last_line(played, night):
    times = [seconds(d["at"]) for d in night]
    assert times == sorted(times)
    assert times[-1] <= 10_797
    tape = Tape()
    tape.panel(0, "RUN", file="clip-40")
    lines = played(tape)  # nothing is heard any more, but no time passes either
    assert states(lines, "avocet")[-1] in ("heating", "printing")
    assert not only(lines, "alarm")


def test_at_most_one_estimate_a_minute_and_machine_and_one_load_a_minute_and_place(night):
    for kind, key in (("estimate", "machine"), ("load", "place")):
        times = {}
        for line in only(night, kind):
            times.setdefault(line[key], []).append(seconds(line["at"]))
        assert times
        for about, at in times.items():
            assert all(b - a >= 60 - 1e-3 for a, b in itertools.pairwise(at)), (kind, about)


def test_what_comes_too_soon_is_left_out():
    notes = [Note(at, "estimate", {"machine": m, "job": None}) for at, m in ((0, "a"), (30, "a"), (31, "b"), (60, "a"))]
    assert [n.at_s for n in replay.paced(notes)] == [0, 31, 60]
    out = io.StringIO()
    replay.write(iter(notes), out, as_json=True, timezone="UTC")
    assert len(out.getvalue().splitlines()) == 3


def test_energy_is_cut_at_hours_and_ends_and_never_overlaps(played):
    tape = Tape()
    for second in range(2, 600, 10):
        tape.plug(second, "curlew", 8.0)
    plug_build(tape, 602, 802, 5002, 11_000)
    lines = played(tape)
    parts = only(lines, "energy", machine="curlew")
    (end,) = [seconds(d["at"]) for d in only(lines, "build", machine="curlew") if d["ended"] is not None]
    assert [seconds(d["ended"]) for d in parts] == sorted([3600, 7200, 10_800, end])
    for before, after in itertools.pairwise(parts):
        assert before["ended"] == after["started"]
    # trapezoid rule over the same samples, done here by hand
    total = 0.0
    samples = [(seconds(row["at"]), json.loads(row["body"])["w"]) for row in map(json.loads, tape.text().splitlines())]
    for (t0, w0), (t1, w1) in itertools.pairwise(samples):
        if t1 <= 10_800:
            total += (w0 + w1) / 2 * (t1 - t0) / 3600
    assert sum(d["wh"] for d in parts) == pytest.approx(total, rel=0.002)


def test_a_plug_alone_finds_every_build_at_its_own_time(played):
    tape = Tape()
    for second in range(2, 600, 10):
        tape.plug(second, "curlew", 8.0)
    truth = [(602, 802, 5002), (7202, 7402, 12_002), (14_402, 14_602, 20_002)]
    for (heat, hold, end), to in zip(truth, (7202, 14_402, 21_602), strict=True):
        plug_build(tape, heat, hold, end, to)
    tape.person(500, "started", "curlew", job="vent-collar", planned_min=73)
    tape.person(13_000, "cleared", "curlew")
    tape.person(20_500, "failed", "curlew", "bram")
    lines = played(tape)
    last = {d["id"]: d for d in only(lines, "build", machine="curlew")}  # a later line replaces the earlier one
    assert len(last) == 3
    for build, (heat, _, end) in zip(last.values(), truth, strict=True):
        assert abs(seconds(build["started"]) - heat) < 60
        assert abs(seconds(build["ended"]) - end) < 120
    assert [d["result"] for d in last.values()] == ["done", "done", "failed"]
    assert [d["job"] for d in last.values()] == ["vent-collar", None, None]
    beds = only(lines, "alarm", alarm="bed_waiting", subject="curlew")
    assert beds, "a plug alone is enough to say that a bed needs clearing"


def test_a_polled_machine_a_panel_hours_behind_and_a_backup(night):
    assert states(night, "avocet") == ["idle", "printing", "cooling", "waiting", "idle"]
    builds = {d["machine"]: d for d in only(night, "build") if d["ended"] is not None}
    assert seconds(builds["bittern"]["ended"]) == pytest.approx(5001.5, abs=6)
    assert builds["avocet"]["job"] == "clip-40"
    assert next(d["status"] for d in only(night, "backup")) == "on_line"
    assert {"on_battery", "low"} <= {d["status"] for d in only(night, "backup")}
    titles = [d["title"] for d in only(night, "message", to="ann")]
    assert any(t.startswith("Clear") for t in titles)
    assert any("lost: 1 backup on battery" in t for t in titles)
    assert any("back" in t for t in titles)
    assert only(night, "alarm", alarm="mains_lost", subject="one", state="acknowledged")
    outage = {d["id"]: d for d in only(night, "outage")}
    assert all(d["ended"] is not None for d in outage.values())


def test_what_goes_on_drawing_power_elsewhere_bounds_an_outage(night):
    last = {d["id"]: d for d in only(night, "outage")}
    (outage,) = [d for d in last.values() if "one" in d["backups"]]
    assert (outage["cause"], outage["place"]) in {("circuit", "west"), ("backup", "one")}, "east has power all the time"
    assert "curlew" not in outage["machines"]
    assert "curlew" not in outage["fates"]
    assert not [d for d in only(night, "message") if "curlew" in d["text"] and "topped" in d["text"]]


def test_what_the_broker_kept_is_no_event(played):
    tape = Tape()
    for second in range(0, 60, 5):
        tape.mqtt(second, "works/hall/A17", {"state": "END", "file": "clip-40"}, retained=True)
    lines = played(tape)
    assert not only(lines, "state")
    assert not only(lines, "build")


def test_late_and_double_messages_change_nothing(played):
    def tape(*, noisy):
        made = Tape()
        for second in range(0, 1200, 5):
            state = "IDLE" if second < 60 else "RUN" if second < 900 else "END"
            made.panel(second, state, file="clip-40", pct=50)
            if noisy and second % 50 == 0:
                made.panel(second, state, file="clip-40", pct=50)
            if noisy and second == 905:
                made.panel(906, "RUN", 11.0, file="clip-40", pct=50)  # sent before the end, received after it
        return made

    quiet = played(tape(noisy=False))
    assert [d for d in played(tape(noisy=True)) if d["kind"] in ("state", "build")] == [
        d for d in quiet if d["kind"] in ("state", "build")
    ]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"at": "2025-11-25T08:00:00Z", "via": "mqtt"', "line 2: no JSON"),
        ('{"at": "2025-11-25T08:00:00", "via": "mqtt", "address": "a", "body": ""}', "line 2.*offset"),
        ('{"at": "2025-11-25T07:00:00Z", "via": "mqtt", "address": "a", "body": ""}', "line 2.*earlier"),
        ('{"at": "2025-11-25T08:00:00Z", "via": "pigeon", "address": "a", "body": ""}', "line 2.*pigeon.*mqtt"),
        ('{"at": "2025-11-25T08:00:00Z", "via": "mqtt", "address": "a"}', "line 2.*body, body64, event, error"),
        ('{"at": "2025-11-25T08:00:00Z", "via": "mqtt", "address": "a", "body64": "?"}', "line 2.*base64"),
        ('{"at": "2025-11-25T08:00:00Z", "via": "mqtt", "event": "asleep"}', "line 2.*asleep.*disconnected"),
    ],
)
def test_what_is_no_recording_is_said_with_its_line(played, line, says):
    good = Tape()
    good.panel(0, "RUN", file="clip-40")
    lines = played(good.text() + line + "\n", code=2)
    assert only(lines, "state"), "what came before it is told"
    assert len(played.err.splitlines()) == 1
    assert re.search(says, played.err), played.err


def test_a_command_that_cannot_be_is_told_and_left_out(played):
    tape = Tape()
    tape.panel(0, "IDLE")
    tape.person(1, "dance", "avocet")
    tape.person(2, "cleared", "zorro")
    tape.person(3, "acknowledged", alarm="mains_lost:one")
    lines = played(tape)
    assert states(lines, "avocet") == ["idle"]
    assert [line.split(": ")[1] for line in played.err.splitlines()] == ["refused"] * 3


def test_a_refusal_takes_nothing_with_it(played):
    tape = Tape()
    tape.panel(0, "RUN", file="clip-40")
    tape.person(1200, "dance", "avocet")
    lines = played(tape)
    assert states(lines, "avocet")[-1] == "unknown", "its silence came before the command that was refused"
    assert only(lines, "alarm", alarm="source_silent", subject="avocet")
    assert only(lines, "message", to="ann")


def test_a_machine_without_any_source_is_what_people_say(played):
    tape = Tape()
    tape.person(0, "started", "heron", "bram", job="bench-foot", planned_min=60, material="PLA")
    tape.person(3000, "failed", "heron", "bram")
    tape.person(3100, "cleared", "heron", "bram")
    lines = played(tape, config="[machines]\nheron = {}\n")
    assert states(lines, "heron")[:3] == ["printing", "cooling", "idle"]
    first, last = only(lines, "build", machine="heron")
    assert (first["job"], first["ended"], last["result"]) == ("bench-foot", None, "failed")
    assert (seconds(last["started"]), seconds(last["ended"])) == (0, 3000)
