"""The alarms measured on themselves; what other delays would have done."""

import json
import random

import pytest

from farmwatch.alarms import report, tuning
from farmwatch.alarms.book import AlarmBook
from farmwatch.alarms.report import Change, Told, bins, change_of, chattering, episodes, floods, quantile
from farmwatch.cli import main
from farmwatch.cli_alarms import read, rows_of, text
from farmwatch.stores.journal.disk import SqliteJournal
from farmwatch.words.model import Message, Note, RuleChange
from farmwatch.words.timers import Timers

T0 = 1_764_028_800.0  # 2025-11-25 00:00 UTC
DAY_S = 86_400.0


def once(rule, subject, at, lasts, *, answered_after=None, priority="session"):
    """Changes of an alarm that is raised, perhaps acknowledged, and over."""
    rows = [Change(at, rule, subject, "unacknowledged", "normal", priority)]
    if answered_after is not None:
        rows.append(Change(at + answered_after, rule, subject, "acknowledged", "unacknowledged", priority))
    before = rows[-1].state
    after = "normal" if answered_after is not None or rule == "bed_waiting" else "returned"
    rows.append(Change(at + lasts, rule, subject, after, before, priority))
    return rows


def test_floods():
    """ANSI/ISA-18.2-2016, section 16.4.4 (by a secondary text): begins above 10 in ten minutes, ends below 5."""
    assert floods([2, 11, 8, 5, 4, 1]) == [(1, 4)]  # 30 minutes
    assert floods([2, 10, 10, 10]) == []
    assert floods([11, 11]) == [(0, 2)]
    times = [i * 600 + j for i, n in enumerate([2, 11, 8, 5, 4, 1]) for j in range(n)]
    assert bins(times, 0.0, 3600.0) == [2, 11, 8, 5, 4, 1]


def test_the_standards_rates_agree_with_each_other():
    """144 a day (IEC 62682:2014) is 6 an hour and 1 in ten minutes; 12 an hour is 288 a day. Arithmetic."""
    changes = [c for i in range(144) for c in once("source_silent", f"m{i}", T0 + i * 600.0, 60.0)]
    found = report.report(changes, [], T0, T0 + DAY_S, "UTC")
    assert (found["alarms_a_day"], found["alarms_an_hour"], found["alarms_in_10_min"]) == (144.0, 6.0, 1.0)
    assert found["most_in_10_min"] == 1
    assert found["floods"] == []


def test_a_flood_in_a_day():
    changes = [c for i in range(12) for c in once("source_silent", f"m{i}", T0 + 7200 + i, 300.0)]
    found = report.report(changes, [], T0, T0 + DAY_S, "UTC")
    assert found["most_in_10_min"] == 12
    assert found["floods"] == [(T0 + 7200, T0 + 7800)]
    assert found["share_in_flood"] == pytest.approx(1 / 144, abs=1e-4)


def test_shares():
    changes = (
        once("source_silent", "knot", T0 + 100, 50)
        + once("source_silent", "knot", T0 + 1100, 50, answered_after=20)
        + once("bed_waiting", "knot", T0 + 2000, 900)
        + once("mains_lost", "one", T0 + 4000, 900, answered_after=60, priority="danger")
        + [Change(T0 + 5000, "source_silent", "ibis", "suppressed", "normal", "session")]
    )
    found = report.report(changes, [], T0, T0 + DAY_S, "UTC")
    assert found["alarms"] == 4
    assert found["acknowledged"] == 0.5
    assert found["cleared_by_themselves"] == 0.25, "a bed that was cleared is an answer"
    assert found["priorities"] == {"danger": 0.25, "session": 0.75, "digest": 0.0}
    assert found["explained"] == 1
    assert found["top"][0] == ("source_silent:knot", 2)
    assert found["top_share"] == 1.0


def test_nothing_is_not_zero():
    found = report.report([], [], T0, T0 + DAY_S, "UTC")
    assert found["alarms"] == 0
    for key in ("top_share", "acknowledged", "answered", "cleared_by_themselves"):
        assert found[key] is None
    assert quantile([], 0.5) is None
    assert "-" in text(found, [], "UTC")


def test_quantiles_by_nearest_rank():
    values = list(range(1, 101))
    assert (quantile(values, 0.5), quantile(values, 0.95), quantile([7], 0.95)) == (50, 95, 7)


def test_chattering_and_stale():
    at = {"a": [0, 100, 500], "b": [0, 300, 700], "c": [0, 20, 40]}
    assert chattering(at, 600.0) == ["a", "c"]
    assert chattering(at, 60.0) == ["c"]
    changes = [Change(T0, "battery_worn", "one", "unacknowledged", "normal", "digest")]
    changes += [Change(T0 + 1, "battery_worn", "two", "unacknowledged", "normal", "digest"),
                Change(T0 + 1.5 * DAY_S, "battery_worn", "two", "returned", "unacknowledged", "digest")]  # fmt: skip
    found = report.report(changes, [], T0, T0 + 3 * DAY_S, "UTC")
    assert found["stale_most"] == 2
    assert found["stale_now"] == ["battery_worn:one"]


def test_an_episode_is_one_however_it_is_explained_and_shelved():
    moves = ["unacknowledged", "suppressed", "unacknowledged", "shelved", "unacknowledged", "acknowledged", "normal"]
    before = ["normal", *moves]
    changes = [Change(T0 + i, "machine_fault", "knot", new, before[i], "session") for i, new in enumerate(moves)]
    (one,) = episodes(changes)
    assert (one.began_s, one.raised_s, one.ended_s, one.acknowledged) == (T0, T0, T0 + 6, True)


def test_messages_by_person_and_day_in_the_sites_zone():
    """Lord Howe's day of 5 October 2025 has 23.5 hours (tz database); a message just before midnight is of that day."""
    midnight = 1_759_586_400.0 - 900  # 2025-10-05 00:00 there is 13:30 UTC on the 4th
    told = [Told(midnight + 60 + i, "ann", "session", "opened", ("bed_waiting",), 2.0 + i) for i in range(3)]
    told += [Told(midnight - 60, "ann", "danger", "opened", ("mains_lost",), None)]
    told += [Told(midnight + 60, "bram", "digest", "note", ("humidity", "battery_warm"), 1.0)]
    found = report.messages(told, midnight - DAY_S / 2, midnight + DAY_S / 2, "Australia/Lord_Howe")
    assert found["interrupting"] == 4
    assert sum(found["a_person_and_day"]["ann"]["days"].values()) == 4
    assert "bram" not in found["a_person_and_day"]
    assert found["by_rule"]["humidity"] == 1
    assert found["took_s"]["session"] == {"p50": 3.0, "p95": 4.0, "n": 3}
    assert found["not_delivered"] == 1


# ---- what other delays would have done ------------------------------------------------------------------------


def delay(_rule, _subject, which):
    return {"on_delay_s": 60.0, "off_delay_s": 0.0}[which]


def test_an_on_delay_for_what_is_short_and_nobody_answers():
    rows = [c for i in range(20) for c in once("source_silent", "knot", T0 + i * 7200, 40.0 if i % 5 else 4000.0)]
    (one,) = tuning.proposals(episodes(rows), delay)
    assert (one.key, one.now_s, one.then_s) == ("on_delay_s", 60.0, 120.0)
    assert (one.raised, one.would_be, one.longest_hidden_s, one.later_s) == (20, 4, 40.0, 60.0)
    assert one.as_toml() == '[rules.source_silent.subjects."knot"]\non_delay_s = 120\n'


def test_an_off_delay_for_what_people_answer_and_for_dangers():
    rows = [c for i in range(20) for c in once("machine_fault", "knot", T0 + i * 100, 80.0, answered_after=10)]
    (one,) = tuning.proposals(episodes(rows), delay)
    assert (one.key, one.then_s, one.would_be) == ("off_delay_s", 30.0, 1)
    rows = [c for i in range(9) for c in once("mains_lost", "one", T0 + i * 100, 10.0, priority="danger")]
    (one,) = tuning.proposals(episodes(rows), delay)
    assert one.key == "off_delay_s", "a danger is never put off"


def test_nothing_is_proposed_where_nothing_would_help():
    rows = [c for i in range(10) for c in once("machine_fault", "knot", T0 + i * 20_000, 9000.0)]
    assert tuning.proposals(episodes(rows), delay) == []
    assert tuning.proposals(episodes(rows[:4]), delay) == []


def humid(rng, days, deadband):
    """Air that wavers about its limit, a look a minute, through the book itself; how often the alarm was raised."""
    change = {"humidity": RuleChange(on_delay_s=0.0, off_delay_s=0.0, deadband=deadband)}
    book, notes, value = AlarmBook(Timers(), change), [], 0.55
    for minute in range(days * 1440):
        value = min(max(value + rng.gauss(0.0, 0.004) + 0.002 * (0.59 - value), 0.4), 0.8)
        book.measured("humidity", "shed", value, T0 + 60.0 * minute, notes)
    changes = [change_of({"at_s": n.at_s} | n.doc) for n in notes if isinstance(n, Note)]
    return [row for row in episodes(changes) if row.ended_s is not None], book


@pytest.mark.parametrize("seed", range(5))
def test_a_deadband_for_a_value_that_wavers_about_its_limit(seed):
    """What is proposed is lived through again: the same air with that deadband."""
    rows, book = humid(random.Random(seed), 10, 0.002)
    (one,) = tuning.proposals(rows, delay, deadband=book.deadband)
    assert (one.key, one.now_s, one.raised) == ("deadband", 0.002, len(rows))
    again, _ = humid(random.Random(seed), 10, one.then_s)
    assert len(again) <= len(rows) / 2 + 1
    assert abs(len(again) - one.would_be) <= 1
    assert one.as_toml() == f'[rules.humidity.subjects."shed"]\ndeadband = {one.then_s:g}\n'


def test_no_deadband_where_it_would_have_to_be_wide_or_nothing_is_known():
    rows, book = humid(random.Random(1), 10, 0.002)
    for row in rows:
        row.back = 0.3
    assert all(one.key != "deadband" for one in tuning.proposals(rows, delay, deadband=book.deadband))
    for row in rows:
        row.back = None
    assert all(one.key != "deadband" for one in tuning.proposals(rows, delay, deadband=book.deadband))


def brute(rows, key, more_s):
    """Second by second: an alarm with that delay more on its recorded intervals."""
    end = int(max(e.ended_s for e in rows)) + int(more_s) + 2
    true = [False] * end
    for e in rows:
        for second in range(int(e.began_s), int(e.ended_s)):
            true[second] = True
    raised = active = since = 0
    for second in range(end):
        since = since + 1 if true[second] != bool(active) else 0
        wait = more_s if (key == "on_delay_s") == (not active) else 0
        if since > wait:
            active = 1 - active
            raised += active
            since = 0
    return raised


@pytest.mark.parametrize("seed", range(20))
def test_the_what_if_equals_living_through_it_again(seed):
    rng, at, changes = random.Random(seed), 10, []
    for _ in range(12):
        lasts = rng.choice([5, 20, 50, 200, 700])
        changes += once("source_silent", "knot", float(at), float(lasts))
        at += lasts + rng.choice([5, 20, 50, 200, 700])
    rows = episodes(changes)
    for key in ("on_delay_s", "off_delay_s"):
        for more_s in (15, 30, 60, 120, 300):
            assert tuning.tried(rows, key, more_s, 0.0).would_be == brute(rows, key, more_s), (key, more_s)


# ---- from a journal, by the command ---------------------------------------------------------------------------


def config(tmp_path):
    path = tmp_path / "farmwatch.toml"
    path.write_text('[site]\nname = "Saltmarsh Works"\ntimezone = "Europe/London"\n\n[machines.knot]\n')
    return path


def filled(tmp_path, now_s):
    (tmp_path / "data").mkdir()
    journal = SqliteJournal.open(tmp_path / "data" / "journal.db")
    effects = []
    for i in range(24):
        for change in once("source_silent", "knot", now_s - 40 * 3600 + i * 3600, 45.0):
            doc = {"alarm": change.rule, "subject": change.subject, "state": change.state}
            effects.append(Note(change.at_s, "alarm", doc | {"previous": change.previous, "priority": change.priority}))
        words = Message(f"m{i}", now_s - 40 * 3600 + i * 3600, "ann", "session", "t", "x", f"i{i}", "opened",
                        rules=("source_silent",))  # fmt: skip
        effects.append(words)
    journal.commit(now_s, effects, {"ann": ("phone",)})
    for row in journal.due(now_s + 10, 100)[:20]:
        journal.delivered(row.id, row.message.at_s + 3.0, 0.5)
    return journal


def test_the_command_reports_while_the_journal_is_in_use(tmp_path, monkeypatch, capsys):
    import time

    now_s = time.time()
    monkeypatch.setenv("FARMWATCH__DATA_DIR", str(tmp_path / "data"))
    journal = filled(tmp_path, now_s)
    path = str(config(tmp_path))
    picture = tmp_path / "alarms.png"
    assert main(["alarms", "report", "--config", path, "--json", "--plot", str(picture)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["alarms"] == 24
    assert found["messages"]["not_delivered"] == 4
    assert found["messages"]["took_s"]["session"]["p95"] == 3.0
    assert found["messages"]["by_rule"] == {"source_silent": 24}
    assert found["proposals"][0]["would_be"] == 0
    assert found["enough"] is False
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert main(["alarms", "report", "--config", path]) == 0
    told = capsys.readouterr().out
    assert "source_silent:knot was raised 24 times, and would have been 0 times" in told
    assert "on_delay_s = 120" in told
    assert "thirty are needed" in told
    journal.close()


def test_what_the_command_refuses(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("FARMWATCH__DATA_DIR", str(tmp_path / "nowhere"))
    path = str(config(tmp_path))
    for words, what in (
        (["report"], "no journal yet"),
        (["report", "--days", "-1"], "no time to report on"),
        (["ack"], "which alarm"),
        (["shelve", "machine_fault:knot", "--reason", "a part"], "shelf without end"),
        (["shelve", "machine_fault:knot", "--minutes", "60"], "--reason"),
    ):
        assert main(["alarms", *words, "--config", path]) != 0
        assert what in capsys.readouterr().err


def test_a_line_that_has_rotted_hides_nothing_else(tmp_path):
    now_s = T0 + 50 * 3600
    journal = filled(tmp_path, now_s)
    journal._db.execute("UPDATE note SET doc = '{' WHERE id = (SELECT min(id) FROM note WHERE kind = 'alarm')")
    changes, told = read(tmp_path / "data" / "journal.db", 0.0)
    assert (len(changes), len(told)) == (47, 24)
    journal.close()


def test_every_measure_has_a_row():
    found = report.report([], [], T0, T0 + DAY_S, "UTC")
    assert len(rows_of(found)) >= 17
