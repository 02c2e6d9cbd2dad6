"""The words of what goes to people, but for the alarms' own titles (`rules`): one table, to be translated in one place.

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
    # one that was acknowledged and still stands
    "still": "Still: {title}",
    # nobody may be told
    "nobody_reachable": "the hours of nobody leave a minute of the next week for it",
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
    "daily_parts": "{number} good {number|part|parts}{each}.",
    "daily_each": ", {cost} each",
    "daily_used": "Machines built {share} of the time, beds waited {lasted}.",
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
    "own_backup": "its backup",
    "dark_text": "Supply {name} is nearly empty. From then on nothing is watched and nothing is told. {builds}",
    "dark_builds": "Look after what still runs: {names}.",
    "dark_no_builds": "No build is at work.",
    # beds
    "bed": "{what} {ended}, {cool}.",
    "bed_ready": "ready",
    "bed_failed": "failed",
    "bed_cancelled": "cancelled",
    "bed_cool": "cool",
    "bed_cool_since": "cool since {since}",
    "about_when": "{what} about {at}",
    "beds_soon": "Soon: {what}.",
    "beds_next": "Next: {what}.",
    # the next round
    "round_beds": "{number} {number|bed|beds}",
    "round_free": "{number} free {number|machine|machines} to load",
    "round_now": "Go now: {what}.",
    "round_go": "Go at {at}: {what}.",
    "round_fewer": "{what}; at {at} only {few}",
    "round_none": "{what}; at {at} none",
    "round_pays_not": "No round pays before {at}.",
    # supply
    "battery_life": "{name} empty about {at} (in {left}).",
    "battery_lives": "{name} empty about {at} (in {left}), last {last}.",
    "battery_unknown": "How long the batteries last is not known.",
    "leave_wiring": "Leave breakers and wiring to an electrician.",
    "mains_title": "Mains lost: {number} {number|backup|backups} on battery",
    "mains_unseen": "Lost supply, not heard since: {names}",
    "circuit_title": "Circuit {name} lost: {number} {number|backup|backups} on battery",
    "backup_title": "Backup {names} on battery",
    "stake_none": "No build runs on them.",
    "stake_all": "All {number} {number|build|builds} should end in time.",
    "stake_late": "Not done by then: {names}. Pause what can be paused.",
    "stake_unsure": "In time or not is unknown: {names}. Pause what matters least.",
    "behind_it": "What hangs on it",
    "low_title": "Battery low: {name}",
    "low_text": "{fed}: power ends any moment. Pause or let go now.",
    "low_already": "Battery low already: {names}.",
    "low_next": "Empty next: {names}.",
    "low_others": "Also on battery: {names}.",
    "load_unknown": "Load unknown",
    "of_rating": "{load} of {rating}",
    "overload_title": "Overload: backup {name}",
    "overload_text": "{load}. {fed} would stop if it trips. Pause one that is heating.",
    # broker, network, sources
    "broker_title": "MQTT broker lost",
    "broker_text": "No connection since {since}: {number} {number|source|sources} not seen, their beds and power are "
    "unknown until it is back. Check the broker's computer and the network.",
    "network_title": "Network lost",
    "network_text": "No connection since {since}: {number} {number|source|sources} and more not seen, over MQTT "
    "and HTTP; beds and power are unknown until it is back. Check router, switch and cables.",
    "unit_title": "{names}: unit changed?",
    "unit_why": "Its watts have stepped by about a thousand.",
    "unit_text": "{why} Nothing is rescaled by itself: check the unit in its mapping.",
    "degraded_title": "{names}: payloads unreadable",
    "degraded_text": "Their values are unknown. See the page for what came; mend the mapping.",
    "silent_title": "No word from {names}",
    "silent_what": "{number|What it does|What they do}",
    "silent_part": "Some of what is reported",
    "silent_text": "Since {since}. {what} is unknown now. Check plug, cable and network there.",
    # faults and circuits
    "fault_job": "{job} stands still.",
    "fault_build": "Its build stands still.",
    "fault_at": "It was at {share}.",
    "fault_act": "Look at it before you start it again.",
    "circuit_least": "At least {amps} A of {rating} A.",
    "circuit_load": "{amps} A of {rating} A.",
    "circuit_unknown": "Its load is not known now.",
    "circuit_breaker": "If its breaker is of the usual kind, {does}.",
    "circuit_act": "Pause what heats; start nothing more there.",
    "circuit_share": "It should carry {amps} A for hours.",
    "circuit_advice": "Start nothing more there. Limits are for local codes and an electrician.",
    "heat_power": "heating power",
    "heat_text": "It says {says} and draws {draws}, since {since}. A heater may be stuck on. Look at it now; if in "
    "doubt, cut its power at the plug.",
    "damaged_text": "Watching and messages go on. Make a backup now (farmwatch backup), then look at the card or disk.",
    "store_text": "Watching and messages go on; history is not kept. Free space on the collector or replace its card.",
    "acts_title": "Somebody tried to act at a machine",
    "acts_text": "Three times within ten minutes, last {why}. Nothing was done. If it was none of you, find out who.",
    # all-clears
    "network_back": "Network back after {lasted}",
    "broker_back": "MQTT broker back after {lasted}",
    "unit_over": "{names}: unit plausible again",
    "degraded_over": "{names} readable again",
    "silent_over": "{names} heard again",
    "some_over": "An alarm is over",
    "after": "After {lasted}.",
    "heat_over": "It did for {lasted}. Find out why, and reset the alarm.",
    "acts_over_title": "No more attempts to act",
    "acts_over": "For ten minutes nobody has tried.",
    "backup_over": "Backup {names} in order again",
    "power_back": "Power back after {lasted}",
    "no_beds": "No bed waits.",
    "clear_bed": "Clear bed: {names}",
    "clear_beds": "Clear {number} beds: {names}",
    "bed_alone": "Cool since {since}.",
    # lists
    "list_over": "Over: {title}",
    "list_over_text": "It is over, and nobody has answered it.",
    # alarms that stand alone
    "overdue": "Overdue{late}{due}. {expected} It may be printing air.",
    "overdue_by": " by {late}",
    "overdue_due": ": its usual end was {at}",
    "overdue_unknown": "When it ends is not known now.",
    "overdue_now": "Now expected about {at}{sure}.",
    "feedstock": "Feedstock",
    "humidity": "{now}, {since}. {what} takes up water within hours or days.",
    "service": "{task}: {used} since the last service, due every {every}.",
    "late": "{many} will be missing{due}{made}.",
    "late_due": " by {at}",
    "late_many": "{count} pieces",
    "late_some": "Pieces",
    "late_made": "; all made about {at}",
    "late_why": "no time for it",
    "late_act": "{why}.",
    "stock": "{left} left{lasts}; the reorder point is {point}.",
    "stock_lasts": ", enough for about {days} days",
    "stock_act": "Order it, and say so when it has come.",
    "damp": "{what}{where}: {hours} in air{above}.",
    "damp_on": " on {machine}",
    "damp_above": " above {share} relative humidity",
    "damp_humid": " too humid for it",
    "damp_it": "It",
    "damp_act": "Dry it, usually {time} at {heat}; its maker's sheet comes first.",
    "channel": "Its last message did not go out: {why}. Messages come by the next channel, late, or not at all.",
    "channel_why": "it accepts nothing",
    "channel_act": "Try `farmwatch notify test` and mend what it says.",
    "unnamed": "unnamed",
    "since_for": "since {since}, for {lasted}",
    "unknown": "unknown",
    "failing_why": "what it does does not look like printing",
    "failing": "It says that it prints, but {why}, {since}. Time and feedstock go into nothing.",
    "failing_act": "Look at it now; stop it if the part is lost.",
    "overdue_act": "Look whether it still builds.",
    "plug_how": "its plug gives no power",
    "plug_off": "{how} {since}. Its build{job} is lost; filament sits in a hot nozzle.",
    "plug_act": "Find out who or what switched it before it goes on again.",
    "contradiction_says": "they cannot all be true",
    "contradiction": "{says}, {since}. Which of them is right is not known.",
    "contradiction_act": "Check which plug and which backup it really hangs on.",
    "humidity_now": "{share} relative humidity",
    "humidity_unknown": "Humidity is not known now",
    "humidity_limit": ", limit {share}",
    "humidity_act": "Close up, dry the air, keep spools in their boxes.",
    "filament": "About {left}{spool} left, {needed} needed.",
    "filament_of": " of {spool}",
    "filament_next": "Next on it: {job}.",
    "filament_out": "It runs out about {at}.",
    "filament_act": "Lay a spool ready and change it in time.",
    "service_task": "service",
    "service_act": "Do it when the machine is free, and say so.",
    "clock_why": "it stands where it cannot be",
    "clock": "{why}. Clock times in messages are wrong by as much; durations are right.",
    "clock_act": "Let the computer set its clock, then restart Farmwatch.",
    "unstable": "Raised three times within ten minutes. It is not told again until it has been quiet for ten.",
    "unstable_act": "Mend the connection, or lengthen its delays under [rules.{rule}].",
    # a loss of supply: what to do by when, as planned
    "supply_mains": "mains",
    "supply_power": "power",
    "plan_pause": "pause {names}",
    "plan_stop": "stop {names}",
    "plan_both": "{first} and {then}",
    "plan_now": "{deed} now so that {saved} can finish.",
    "plan_by": "If {what} is not back by {at} {deed} so that {saved} can finish.",
    "plan_then_by": "By {at} {deed} for {saved}.",
    "plan_empty": "Backup {name} empty about {at} (in {left}).",
    "plan_late": "Not done by then, whatever is done: {names}.",
    "plan_all": "All {number} builds should end in time.",
    "plan_one": "The build should end in time.",
    "plan_chance": "Chance that it is needed: {share}.",
    "plan_none_yet": "No plan yet for {names}.",
    "plan_wiring": "Leave breakers and wiring to an electrician.",
    # its all-clear
    "back_circuit": "Circuit {place} back",
    "back_backup": "Backup {place} on line again",
    "back_power": "Power back",
    "back_after": "{what} after {lasted}",
    "back_stopped": "Stopped: {names}: check the {number|bed|beds}.",
    "back_at": " at {share}",
    "back_went_on": "{number} {number|build|builds} went on.",
    "back_finished": "Done meanwhile: {names}.",
    "back_unseen": "No word yet from {names}.",
    "back_no_build": "No build was running.",
    # what may be started, and when
    "start_then": "Then start {names}.",
    "start_later": "Not to be started yet: {names}.",
    "start_now": "now",
    "start_not_yet": "not yet",
    # batteries
    "promise": "It promises {said} min; its last two discharges say {shown} min. Count on the shorter and have it "
    "tested.",
    "worn_asks": "the unit itself asks for a new battery",
    "worn_test": "its last self-test has failed",
    "worn_shows": "its discharges show {low} to {high} % of a new one",
    "worn_past": "it is past its expected end ({what})",
    "worn_trend": "health of its last {number} discharges",
    "worn_life": "usual life of lead-acid batteries",
    "worn_life_warm": "usual life of lead-acid batteries at {degrees} °C",
    "worn": "{why}.{when} Have it replaced by somebody qualified; until then count on less.",
    "worn_by": " Expected end: {month}.",
    "untested": "No test and no real discharge for {number} {number|day|days}. Let it test itself while nothing is "
    "built.",
    "warm": "{degrees}warm batteries age fast (half the life at 10 °C more). Give it air, or move it away from heat.",
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
