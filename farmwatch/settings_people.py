"""Who is told, and when: the configuration's part, its checks, and what should be said about it though it is right."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field

from farmwatch.alarms.hours import DAY_MIN, minute, over_midnight, parse, written
from farmwatch.alarms.rules import RULES
from farmwatch.settings_fields import Number, Part, TimeOfDay, Words
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import HoursPlan, PersonPlan

if TYPE_CHECKING:
    from farmwatch.settings_model import Settings

MOST_A_DAY = 5.0
"""With more, the cap of ten messages in 24 hours would not hold: see `alarms/budget.py`."""


def _hours(value: object) -> object:
    if isinstance(value, str):
        try:
            parse(value)
        except ConfigError as error:
            raise ValueError(f"{error}; {error.hint}") from None
    return value


def _no_time(value: object) -> object:
    if isinstance(value, str) and value:
        try:
            minute(value)
        except ConfigError as error:
            raise ValueError(f"{error}; {error.hint}") from None
    return value


Hours = Annotated[str, BeforeValidator(_hours)]
TimeOrNone = Annotated[str, BeforeValidator(_no_time)]


class Person(Part):
    """Somebody who is told."""

    channels: Words = Field(
        default=[],
        description="Channels, the first one first; the second is for what cannot be delivered or is not answered.",
    )
    duty: list[Hours] = Field(
        default=[],
        description='Hours in which messages for this session may come, such as ["mon-fri 08:00-18:00"]; none: always.',
    )
    quiet: list[Hours] = Field(
        default=["22:00-07:00"],
        description="Hours in which nothing but danger comes, and danger always does; the rest waits for their end.",
    )
    digests: list[TimeOfDay] = Field(
        default=["07:30", "13:00", "18:30"], description="Times at which what can wait is told; none: at once."
    )
    daily: TimeOrNone = Field(default="07:30", description='Time of the daily report; "": none.')
    a_day: Number = Field(
        default=5.0,
        ge=1,
        le=MOST_A_DAY,
        description="Interruptions a day in the long run, danger not counted; beyond: see beyond.",
    )
    beyond: Literal["silent", "wait"] = Field(
        default="silent",
        description="Beds beyond a_day - 1: silent (at once without a sound, if the first channel can) or wait.",
    )
    at_once: bool = Field(
        default=False,
        description="Told of danger at once, not only when whoever is first has not answered for 15 minutes.",
    )

    rounds: list[Hours] = Field(
        default=[],
        description='When this person can go to the machines, such as ["mon-fri 07:30-09:00", "mon-fri 17:00-19:00"].',
    )

    def plan(self, name: str, *, silent: bool = False) -> PersonPlan:
        """The person as the pure rooms see it; `silent`: their first channel can lay a message down without a sound."""
        return PersonPlan(
            name,
            tuple(self.channels),
            duty=tuple(parse(text) for text in self.duty),
            quiet=tuple(parse(text) for text in self.quiet),
            digests=tuple(minute(text) for text in self.digests),
            daily=minute(self.daily) if self.daily else None,
            a_day=self.a_day,
            at_once=self.at_once,
            rounds=tuple(parse(text) for text in self.rounds),
            silent=silent and self.beyond == "silent",
        )


def mistakes(person: Person) -> Iterator[tuple[str, str, str]]:
    """(key, what, suggestion) of what one person's keys alone show to be wrong."""
    plan = person.plan("")
    if len(set(person.channels)) < len(person.channels):
        yield "channels", "names a channel twice", "name each once, the one that is looked at most first"
    yield from _rounds(plan)
    if not _speaks(plan):
        key = "quiet" if not plan.duty else "duty"
        what = "leaves no minute of the week for anything but danger" if key == "quiet" else "lies in quiet hours only"
        yield key, what, "leave some hours in which what is no danger may come, or leave the person out"


def _rounds(plan: PersonPlan) -> Iterator[tuple[str, str, str]]:
    """A round's window lies within a day, and apart from the person's others."""
    for place, window in enumerate(plan.rounds):
        if over_midnight(window):
            hint = 'write two: one up to "24:00", one from "00:00"'
            yield "rounds", f'"{written(window)}" ends before it starts', hint
        for other in plan.rounds[:place]:
            days = set(window.days or range(7)) & set(other.days or range(7))
            if days and window.start < other.end and other.start < window.end:
                yield "rounds", f'"{written(window)}" overlaps with "{written(other)}"', "make them one, or part them"


def _speaks(plan: PersonPlan) -> bool:
    """Whether any minute of a week is on duty and not quiet."""
    return any(
        (not plan.duty or _holds(plan.duty, day, at)) and not _holds(plan.quiet, day, at)
        for day in range(7)
        for at in range(0, DAY_MIN, 5)
    )


def _holds(windows: tuple[HoursPlan, ...], day: int, at: int) -> bool:
    for window in windows:
        starts_today = not window.days or day in window.days
        started_yesterday = not window.days or (day - 1) % 7 in window.days
        if over_midnight(window):
            if (starts_today and at >= window.start) or (started_yesterday and at < window.end):
                return True
        elif starts_today and window.start <= at < window.end:
            return True
    return False


def remarks(settings: "Settings") -> list[str]:
    """What the owner should know about a configuration that is right."""
    found = []
    for name, person in settings.people.items():
        plan = person.plan(name)
        for word, windows in (("duty", plan.duty), ("quiet", plan.quiet)):
            over = [written(window) for window in windows if over_midnight(window)]
            if over:
                found.append(f"{name}: {word} {', '.join(over)}")
        if plan.quiet:
            found.append(f"{name}: danger comes in quiet hours too")
        if len(plan.channels) == 1:
            found.append(f"{name}: has one channel; danger that is not answered has no second way")
        if plan.channels and person.beyond == "silent" and not settings.can_be_silent(plan.channels):
            found.append(f"{name}: channel {plan.channels[0]} has no quiet options, so beds beyond a_day wait")
    for name, change in settings.plan().rules.items():
        for where, row in ((name, change), *((f"{name} of {about}", part) for about, part in change.subjects.items())):
            if RULES[name].priority == "danger" and (row.off or row.priority not in (None, "danger")):
                how = "never raised" if row.off else f"told as {row.priority} only, in quiet hours not at all"
                found.append(f"[rules] {where} is a danger that you have {how}")
    if len(settings.people) == 1:
        found.append("one person alone is told: danger that is not answered has nobody else to go to")
    if not settings.people:
        found.append("nobody is told anything: add [people]")
    return found + _power_remarks(settings)


def _power_remarks(settings: "Settings") -> list[str]:
    """Whether the collector itself outlives an outage."""
    if settings.simulated is not None or settings.site.collector_backup is not None:
        return []
    if not settings.backups:
        words = (
            "no [backups], so no [site] collector_backup: in an outage this computer, router and switch go dark at "
            "once, and nothing is told; put them on a battery backup and name it"
        )
    else:
        words = (
            "no [site] collector_backup: which backup feeds this computer, router and switch is not known, so there is "
            "no message before it goes dark"
        )
    return [words]
