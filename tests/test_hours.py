"""Hours by the wall's clock, held against the C library's own clock (glibc localtime), a separate implementation."""

import os
import random
import time
from datetime import UTC, date, datetime, timedelta

import pytest

from farmwatch.alarms.hours import (
    at_minute,
    begins,
    ends,
    inside,
    local_day,
    minute,
    next_time,
    over_midnight,
    parse,
    written,
)
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import HoursPlan

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu")
# Dates of change in 2026 as the IANA time zone database has them (from memory; glibc reads the same database):
# Berlin 29 March and 25 October, New York 8 March and 1 November, Lord Howe 5 April and 4 October (half an hour).
CHANGES = {
    "Europe/Berlin": (date(2026, 3, 29), date(2026, 10, 25)),
    "America/New_York": (date(2026, 3, 8), date(2026, 11, 1)),
    "Australia/Lord_Howe": (date(2026, 4, 5), date(2026, 10, 4)),
    "Asia/Kathmandu": (date(2026, 3, 29), date(2026, 10, 25)),
}


@pytest.fixture(params=ZONES)
def place(request, monkeypatch):
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield request.param
    monkeypatch.undo()
    time.tzset()


def wall(at_s):
    """(date, minute of the day) by the C library."""
    there = time.localtime(at_s)
    return date(there.tm_year, there.tm_mon, there.tm_mday), there.tm_hour * 60 + there.tm_min


def days_of(place):
    rng = random.Random(place)
    near = [day + timedelta(days=n) for day in CHANGES[place] for n in (-1, 0, 1)]
    return near + [date(2026, 1, 1) + timedelta(days=rng.randrange(365)) for _ in range(20)]


def test_a_time_of_day_is_the_first_moment_that_shows_it(place):
    for day in days_of(place):
        for minutes in range(0, 1440, 15):
            at_s = at_minute(day, minutes, place)
            assert wall(at_s) >= (day, minutes)
            assert wall(at_s - 1) < (day, minutes)


def test_days_are_as_long_as_they_are(place):
    lengths = {at_minute(d + timedelta(days=1), 0, place) - at_minute(d, 0, place) for d in CHANGES[place]}
    whole = {"Australia/Lord_Howe": {84_600, 88_200}, "Asia/Kathmandu": {86_400}}.get(place, {82_800, 90_000})
    assert lengths == whole


def test_a_window_begins_once_and_ends_once_a_day(place):
    """Every five minutes for three days about each change; windows that touch the hour of the change too."""
    for text in ("22:00-07:00", "02:15-02:45", "01:45-03:15", "23:30-01:45", "00:00-24:00", "03:00-02:00"):
        window = (parse(text),)
        for change in CHANGES[place]:
            start_s = at_minute(change - timedelta(days=1), 720, place)
            was, flips = inside(window, start_s, place), 0
            for step in range(1, 2 * 288 + 1):
                now = inside(window, start_s + step * 300.0, place)
                flips, was = flips + (now != was), now
            most = 0 if text == "00:00-24:00" else 4
            assert flips <= most
            if text in ("22:00-07:00", "23:30-01:45"):
                assert flips == 4


def test_ends_and_begins_are_where_inside_turns(place):
    windows = (parse("22:00-07:00"), parse("sat sun 06:30-12:00"))
    rng = random.Random(3)
    for change in CHANGES[place]:
        for _ in range(60):
            at_s = float(round(at_minute(change, 0, place) + rng.uniform(-3, 3) * 86_400))
            if inside(windows, at_s, place):
                assert begins(windows, at_s, place) == at_s
                end_s = ends(windows, at_s, place)
                assert inside(windows, end_s - 1, place)
                assert not inside(windows, end_s, place)
            else:
                assert ends(windows, at_s, place) == at_s
                begin_s = begins(windows, at_s, place)
                assert not inside(windows, begin_s - 1, place)
                assert inside(windows, begin_s, place)


def test_fixed_times_come_once_a_day_on_every_day(place):
    times = (150, 450, 1110)  # 02:30 is left out or comes twice where the clock changes
    for change in CHANGES[place]:
        now_s, end_s = at_minute(change - timedelta(days=2), 0, place), at_minute(change + timedelta(days=3), 0, place)
        found = []
        while (now_s := next_time(times, now_s, place)) < end_s:
            found.append(now_s)
        assert len(found) == 15
        by_day = {}
        for at_s in found:
            by_day.setdefault(local_day(at_s, place), []).append(at_s)
        assert all(len(times) == 3 for times in by_day.values())


def test_weekdays_are_those_on_which_it_begins():
    window = (parse("fri 22:00-07:00"),)
    friday = at_minute(date(2026, 3, 6), 0, "Europe/Berlin")
    assert not inside(window, friday + 6 * 3600, "Europe/Berlin")
    assert inside(window, friday + 23 * 3600, "Europe/Berlin")
    assert inside(window, friday + 30 * 3600, "Europe/Berlin")
    assert not inside(window, friday + 47 * 3600, "Europe/Berlin")
    assert begins(window, friday + 31 * 3600, "Europe/Berlin") == friday + 7 * 86_400 + 22 * 3600


def test_always_and_never():
    assert not inside((), 0.0, "UTC")
    assert begins((), 0.0, "UTC") == float("inf")
    assert ends((), 5.0, "UTC") == 5.0
    assert ends((parse("00:00-24:00"),), 0.0, "UTC") == float("inf")
    assert next_time((), 0.0, "UTC") == float("inf")


def test_a_window_that_ends_before_it_begins_goes_over_midnight():
    assert over_midnight(parse("22:00-07:00"))
    assert not over_midnight(parse("07:00-24:00"))
    assert written(parse("sat,sun 08:00-18:00")) == "sat sun 08:00-18:00"
    assert parse("mon-fri 08:00-18:00") == HoursPlan(480, 1080, (0, 1, 2, 3, 4))


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "from when"), ("22:00", "from when"), ("22-7", "time of day"), ("25:00-07:00", "time of day"),
        ("07:60-08:00", "time of day"), ("08:00-08:00", "begins when it ends"), ("xyz 08:00-09:00", "weekday"),
        ("24:00-07:00", "time of day"), ("mon- 08:00-09:00", "weekday"), ("0\u0663:00-09:00", "time of day"),
    ],
)  # fmt: skip
def test_hours_that_are_none(text, word):
    with pytest.raises(ConfigError, match=word):
        parse(text)


def test_minutes():
    assert minute("00:00") == 0
    assert minute("24:00", midnight=True) == 1440
    with pytest.raises(ConfigError):
        minute("24:00")


def test_the_reference_is_awake():
    """The C library knows these zones at all: in winter New York is five hours behind."""
    os.environ["TZ"] = "America/New_York"
    time.tzset()
    try:
        assert wall(datetime(2026, 1, 1, 12, tzinfo=UTC).timestamp()) == (date(2026, 1, 1), 420)
    finally:
        del os.environ["TZ"]
        time.tzset()
