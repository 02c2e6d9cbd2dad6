"""The words of what goes to people beside the alarms themselves: one table, to be translated in one place.

Rules and times are decided elsewhere; here stand only templates. A fact stands in braces; times of day, durations and
dates come in as text that names no language. `{number|one|many}` picks a word by number.
"""

import re
from string import Formatter

PLURAL = re.compile(r"\{(\w+)\|([^|{}]*)\|([^|{}]*)\}")

TEXTS: dict[str, str] = {
    # lists
    "and_more": "And {number} more.",
    # what piled up while a channel could not be reached
    "piled_title": "While you could not be reached: {number} {number|thing|things} since {since}",
    # what was held for the morning, for the beginning of duty, or because enough had been said
    "held_title": "Since {since}: {number} {number|thing|things} that waited",
    "overflow_title": "{number} more {number|thing|things} since {since}",
    # digests
    "digest_title": "When convenient: {number} {number|thing|things}",
    # a danger that nobody answers
    "unanswered": "Unanswered: {title}",
    # beds
    "beds_waited": "{name} waits for {lasted}. A full bed earns nothing: clear {number|it|them}.",
    # the daily report
    "daily_title": "Daily report {day}: {state}",
    "daily_well": "all well",
    "daily_stands": "{number} {number|thing needs|things need} you",
    "daily_unsure": "not all was seen",
    "daily_builds": "{done} of {all} {all|build|builds} done.",
    "daily_no_builds": "No build ended.",
    "daily_beds": "{number} {number|bed waits|beds wait}.",
    "daily_energy": "{kwh} kWh{cost}.",
    "daily_energy_least": "At least {kwh} kWh{cost}.",
    "daily_no_energy": "Energy unknown.",
    "daily_outages": "{number} {number|outage|outages}, {lasted}.",
    "daily_due": "Due: {what}.",
    "daily_messages": "{number} {number|message|messages}.",
    "daily_blind": "Blind for {lasted}.",
    "daily_over": "{number} over before told.",
    "daily_unseen": "Not heard: {what}.",
    "daily_stores": "Cannot be written: {what}.",
    # a restart, and before the end
    "awoke_title": "Farmwatch is back: blind for {lasted}",
    "awoke_text": "Nothing was seen from {since} to {until}. {changes}",
    "awoke_nothing": "Nothing has changed as far as can be seen.",
    "awoke_unknown": "Not heard again yet: {names}.",
    "awoke_ended": "Ended meanwhile: {names}.",
    "awoke_lost": "Power was lost meanwhile.",
    "awoke_fault": "Fault: {names}.",
    "awoke_beds": "Beds to clear: {names}.",
    "dark_title": "Farmwatch goes dark about {at}",
    "dark_title_now": "Farmwatch goes dark any moment",
    "dark_text": "Supply {name} is nearly empty. From then on nothing is watched and nothing is told. {builds}",
    "dark_builds": "Look after what still runs: {names}.",
    "dark_no_builds": "No build is at work.",
}


def say(key: str, **facts: object) -> str:
    """A template filled in.

    >>> say("digest_title", number=1), say("digest_title", number=3)
    ('When convenient: 1 thing', 'When convenient: 3 things')
    """
    text = PLURAL.sub(lambda found: found[2] if facts[found[1]] == 1 else found[3], TEXTS[key])
    return Formatter().vformat(text, (), facts)


def facts_of(key: str) -> frozenset[str]:
    """Names of the facts that a template wants: a translation must want the same."""
    plain = PLURAL.sub(lambda found: f"{{{found[1]}}}", TEXTS[key])
    return frozenset(name for _, name, _, _ in Formatter().parse(plain) if name)
