import math
import random

import pytest
import scipy.stats
from farm import BACKUPS, NAMES, T0, Driver
from farm import plan as small_plan
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.power.diary import (
    FATES,
    KEPT,
    PRIOR_MEDIAN_S,
    PRIOR_OUTAGES,
    PRIOR_SIGMA,
    Diary,
    Row,
    class_of,
    classes_of,
    event_of,
    indices,
    lasts_longer,
    lines,
    prior_longer,
    report,
    row_of,
)
from farmwatch.power.outage_record import CAUSES, Outage

# ---- IEEE 1159-2009, table 2, as excerpted in a power meter's manual (1426-UM001F, table 14) ----------------------


@pytest.mark.parametrize(
    ("seconds", "share", "name"),
    [
        (0.6, 0.5, "instantaneous sag"),  # 30 cycles at 50 Hz
        (0.61, 0.5, "momentary sag"),
        (3.00, 0.5, "momentary sag"),
        (3.00, 0.0, "momentary interruption"),
        (3.01, 0.0, "temporary interruption"),
        (60.0, 0.0, "temporary interruption"),
        (60.1, 0.0, "sustained interruption"),
        (61.0, 0.85, "undervoltage"),
        (30.0, 0.85, "temporary sag"),
        (30.0, 0.95, "none"),
    ],
)
def test_events_by_duration_and_depth(seconds, share, name):
    assert event_of(seconds, share) == name


def test_thirty_cycles_are_half_a_second_at_60_hertz():
    assert event_of(0.5, 0.5, 60.0) == "instantaneous sag"
    assert event_of(0.51, 0.5, 60.0) == "momentary sag"


def test_a_duration_known_from_polls_may_have_several_classes():
    assert [class_of(s) for s in (0.0, 3.0, 3.01, 60.0, 60.1)] == [
        "momentary", "momentary", "temporary", "temporary", "sustained",
    ]  # fmt: skip
    assert classes_of(0.0, 10.0) == ("momentary", "temporary")
    assert classes_of(0.0, 100.0) == ("momentary", "temporary", "sustained")
    assert classes_of(4.0, 10.0) == ("temporary",)


# ---- IEEE 1366 ---------------------------------------------------------------------------------------------------


def test_indices_of_the_published_example():
    """A textbook question on IEEE 1366's indices (askfilo.com): 50,000 customers, five events."""
    found = indices([(10, 90), (1000, 20), (2, 175), (1, 120), (1, 38)], 50_000)
    assert found.saifi == pytest.approx(0.02028, abs=5e-6)
    assert found.saidi_min == pytest.approx(0.42816, abs=5e-6)
    assert found.caidi_min == pytest.approx(21.1124, abs=5e-5)
    assert found.caidi_min == pytest.approx(found.saidi_min / found.saifi)


def test_indices_of_a_shop():
    found = indices([(6, 30), (10, 12)], 10)
    assert (found.saifi, found.saidi_min, found.caidi_min) == (1.6, 30.0, 18.75)
    assert indices([], 10).caidi_min is None
    with pytest.raises(ValueError, match="0 machines"):
        indices([], 0)


def row(number, lasted_s, cause="site", machines=(), started=T0):
    dark = dict.fromkeys(machines, lasted_s)
    return Row(f"o{number}", cause, "site", started, started + lasted_s, lasted_s, lasted_s, lasted_s, dark)


def test_a_year_counts_machines_that_lost_their_supply_for_more_than_five_minutes():
    diary = Diary(12)
    diary.add(row(1, 1800.0, machines=NAMES[:6]))
    diary.add(row(2, 720.0, machines=NAMES))
    diary.add(row(3, 240.0, machines=NAMES))  # not sustained in the sense of IEEE 1366
    diary.add(row(4, 7200.0, cause="network", machines=()))
    diary.add(row(5, 7200.0, machines=NAMES, started=T0 - 400 * 86_400))
    found = diary.year(2025, "Europe/London")
    assert (found.machines, found.saifi, found.saidi_min) == (12, 1.5, 27.0)
    assert diary.year(2023, "Europe/London").saifi == 0.0
    assert diary.indices(0.0, 2e9, longer_s=60.0).saifi == 3.5


# ---- what to expect of the next ----------------------------------------------------------------------------------


@pytest.mark.parametrize("seconds", [1.0, 9.0, 240.0, 3600.0, 86_400.0])
def test_the_prior_is_a_lognormal(seconds):
    assert prior_longer(seconds) == pytest.approx(scipy.stats.lognorm(PRIOR_SIGMA, scale=PRIOR_MEDIAN_S).sf(seconds))


def test_the_priors_range_is_as_its_comment_says():
    low, high = scipy.stats.lognorm(PRIOR_SIGMA, scale=PRIOR_MEDIAN_S).interval(0.90)
    assert low == pytest.approx(9, abs=0.5)
    assert high / 60 == pytest.approx(107, abs=1)


@given(st.lists(st.floats(1.0, 1e5), max_size=30), st.floats(0.0, 1e4), st.floats(0.0, 1e4))
def test_chances_are_a_beta_distribution_and_fall_with_time(own, so_far_s, more_s):
    found = lasts_longer(own, so_far_s + more_s, so_far_s)
    assert 0.0 <= found.p <= 1.0
    assert lasts_longer(own, so_far_s + more_s + 1.0, so_far_s).p <= found.p + 1e-12
    assert lasts_longer(own, so_far_s + more_s, so_far_s + more_s).p == 1.0
    a = PRIOR_OUTAGES * prior_longer(so_far_s + more_s) + sum(d > so_far_s + more_s for d in own)
    b = PRIOR_OUTAGES * prior_longer(so_far_s) + sum(d > so_far_s for d in own) - a
    if more_s > 0 and a > 1e-6 and b > 1e-6:
        beta = scipy.stats.beta(a, b)
        assert (found.p, found.sd) == (pytest.approx(beta.mean()), pytest.approx(beta.std(), rel=1e-6, abs=1e-9))


def test_own_outages_outweigh_the_prior_in_time():
    rng = random.Random(4)
    diary = Diary(12)
    for number in range(300):
        diary.add(row(number, rng.lognormvariate(math.log(30.0), 0.5)))
        diary.add(row(1000 + number, 2.0, cause="blip"))
    true = scipy.stats.lognorm(0.5, scale=30.0)
    for t, s in ((30.0, 0.0), (60.0, 20.0)):
        found = diary.lasts_longer(t, s)
        assert abs(found.p - true.sf(t) / true.sf(s)) < 3 * found.sd + 0.02
    assert found.outages == KEPT / 2  # the newest lines are kept, half of them blips
    assert lasts_longer([], 240.0).p == 0.5
    assert lasts_longer([], 1e300, 1e299).outages == 0


def test_the_diary_keeps_the_newest_lines():
    diary = Diary(3)
    dropped = [old for n in range(KEPT + 5) for old in diary.add(row(n, 10.0, started=T0 + n))]
    assert dropped == [f"o{n}" for n in range(5)]
    assert len(diary.rows) == KEPT
    again = Row.from_dict(next(iter(diary.rows.values())).as_dict())
    assert again == next(iter(diary.rows.values()))


# ---- reports -----------------------------------------------------------------------------------------------------


def printing(day, skip=(), progress=0.5):
    for name in NAMES:
        if name not in skip:
            day.panel(name, state="printing", job="frame-spacer", progress=progress)
            day.plug(name, 110)


def line(day, status="OL", skip=()):
    for name in BACKUPS:
        if name not in skip:
            day.ups(name, status)


def test_what_went_on_and_what_stopped_is_told_with_the_bed_to_check():
    """Backup two dies in the outage: its machines stop, though their plugs speak again before they do."""
    day = Driver(small_plan())
    lost = NAMES[3:6]
    day.run(60, 5, lambda d: (printing(d), line(d)))
    day.run(120, 5, lambda d: (printing(d), line(d, "OB")))
    day.run(300, 5, lambda d: (printing(d, skip=lost), line(d, "OB", skip=("two",))))

    def back(d):
        printing(d, skip=lost)
        line(d)
        for name in lost:
            d.plug(name, 110)

    day.run(60, 5, back)
    clear = day.messages()[-1]
    assert clear.step == "clear"
    assert "Stopped: dunlin at 50 %, eider at 50 %, fulmar at 50 %: check the beds." in clear.text
    assert "9 builds went on." in clear.text

    def idle(d):
        back(d)
        for name in lost:
            d.panel(name, state="idle", bed_c=20.0)

    day.run(240, 5, idle)
    doc = day.notes("outage")[-1].doc
    assert {doc["fates"][name] for name in lost} == {"stopped"}
    assert {doc["fates"][name] for name in NAMES if name not in lost} == {"went_on"}
    assert doc["machines"] == NAMES
    assert len(doc["builds"]) == 12
    found = day.brain.farm.diary.rows[doc["id"]]
    assert sorted(found.interrupted_s) == sorted(lost)
    assert found.stopped == lost
    assert all(250 <= seconds <= 320 for seconds in found.interrupted_s.values())
    year = day.brain.farm.diary.indices(T0 - 1, T0 + 86_400, longer_s=60.0)
    assert year.saifi == 0.25


def test_a_machine_that_says_that_it_goes_on_after_losing_supply_is_believed():
    day = Driver(small_plan())
    day.run(60, 5, lambda d: (printing(d), line(d)))
    day.run(120, 5, lambda d: (printing(d, skip=NAMES[:3]), line(d, "OB", skip=("one",))))
    day.run(260, 5, lambda d: (printing(d, progress=0.51), line(d)))
    assert set(day.notes("outage")[-1].doc["fates"].values()) == {"went_on"}


def test_a_build_that_ends_well_meanwhile_is_done():
    day = Driver(small_plan())
    day.run(60, 5, lambda d: (printing(d), line(d)))
    day.run(60, 5, lambda d: (printing(d), line(d, "OB")))
    day.panel("knot", state="done", progress=1.0, bed_c=50.0)
    day.run(60, 5, lambda d: (printing(d, skip=("knot",)), line(d)))
    doc = day.notes("outage")[-1].doc
    assert doc["fates"]["knot"] == "finished"
    assert "Done meanwhile: knot." in day.messages()[-1].text


def outage(**more):
    fates = dict.fromkeys(NAMES, "went_on")
    found = Outage(
        "o", "site", "site", T0, T0 + 600.0, sorted(BACKUPS), ["all 4 backups on battery, both circuits: mains"],
        bad_s=T0 + 4, least_s=590.0, likely_s=598.0, most_s=600.0, machines=NAMES, fates=fates,
        builds={n: n for n in NAMES},
    )  # fmt: skip
    for key, value in more.items():
        setattr(found, key, value)
    return found


@pytest.mark.parametrize("cause", CAUSES)
@pytest.mark.parametrize("fate", FATES)
def test_reports_fit_the_phone_whatever_the_names(cause, fate):
    long = {f"a machine with a very long name indeed {n}": fate for n in range(40)}
    found = outage(cause=cause, place="a circuit with a long name", fates=long, stopped_at=dict.fromkeys(long, 0.5))
    title, text = report(found)
    assert len(title) <= 60
    assert len(title) + 1 + len(text) <= 240
    assert lines(found, "Europe/London")[0]


def test_the_long_report_says_why_how_long_and_what_speaks_against_it():
    found = outage(against=["four still on line"], odds={"site site": 0.93, "circuit west": 0.07}, low_v=4.0)
    found.fates["gannet"], found.stopped_at["gannet"], found.dark["gannet"] = "stopped", 0.63, T0 + 240
    text = "\n".join(lines(found, "Europe/London", restart=["gannet"]))
    assert text.splitlines()[0] == "Mains lost, 08:00 to 08:10, 10 min, sustained."
    for part in (
        "all 4 backups on battery, both circuits: mains", "Against it: four still on line.",
        "site site 93 %, circuit west 7 %", "gannet at 63 %", "gannet from 08:04", "4 V",
        "Start again in this order: gannet",
    ):  # fmt: skip
        assert part in text
    assert lines(outage(ended_s=None), "Europe/London")[0] == "Mains lost, since 08:00."
    short = outage(cause="blip", least_s=0.0, likely_s=2.0, most_s=8.0)
    assert "between 0 s and 8 s), momentary or temporary" in lines(short, "Europe/London")[0]


def test_only_what_is_over_and_stands_for_itself_becomes_a_line():
    assert row_of(outage(ended_s=None)) is None
    assert row_of(outage(part_of="p")) is None
    found = row_of(outage(dark={"knot": T0 + 100.0}))
    assert found.interrupted_s == {"knot": 500.0}
