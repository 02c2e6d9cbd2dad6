"""The alarm table: every alarm there is, and nothing that needs no response.

Times and limits without a source are common practice in such shops; all of them can be changed for a rule, and for one
subject of it, under [rules] of the configuration.
"""

from farmwatch.alarms.rule import Limit, Rule

ONE = "none: it is one or the other"
_SUPPLY = ("mains_lost",)
_UNSEEN = ("mains_lost", "broker_lost", "source_silent")
UNSTABLE = "unstable"

TABLE: tuple[Rule, ...] = (
    Rule(
        id="bed_waiting", title="Clear bed: {subject}", over="Bed cleared: {subject}",
        condition="a build is over and the bed is below its release temperature", subject="machine",
        cause="a build has ended", consequence="the machine earns nothing until somebody clears it",
        response="clear the bed and start the next build", within="this session", priority="session",
        on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="bed", clearing="answered",
        remind_s=3600.0, remind_if="a job waits for a machine, and somebody is on duty",
    ),
    Rule(
        id="mains_lost", title="Backup {subject} on battery", over="Backup {subject} on mains again",
        condition="a backup runs on battery for longer than the site's blip time", subject="backup",
        cause="mains, breaker or plug gone", consequence="the machines behind it stop when its battery is empty",
        response="see what can finish; find out what has lost its supply", within="minutes", priority="danger",
        on_delay_s=5.0, off_delay_s=5.0, deadband=ONE, parents=(), group="mains",
    ),
    Rule(
        id="battery_low", title="Battery low: {subject}", over="Backup {subject}: battery no longer low",
        condition="a backup on battery says that it is low", subject="backup",
        cause="the battery is nearly empty", consequence="the machines behind it are about to stop",
        response="pause what can be paused, or let it go", within="at once", priority="danger",
        on_delay_s=0.0, off_delay_s=5.0, deadband=ONE, parents=(), group="mains",
    ),
    Rule(
        id="backup_unseen", title="No word from {subject}", over="{subject} heard again",
        condition="a backup's source is silent or failed while its server can be asked", subject="backup",
        cause="cable, driver or server gone", consequence="a power loss there would not be seen",
        response="check the cable and the server of this backup", within="this session", priority="session",
        on_delay_s=60.0, off_delay_s=0.0, deadband=ONE, parents=("mains_lost", "broker_lost"), group="silent",
    ),
    Rule(
        id="overload", title="Overload: backup {subject}", over="Backup {subject} within its rating again",
        condition="a backup says overload, or its load is above its rating", subject="backup",
        cause="too many heaters at once behind it", consequence="it may switch off and stop everything behind it",
        response="pause a build behind it or move a machine", within="minutes", priority="danger",
        on_delay_s=10.0, off_delay_s=30.0, deadband="the unit's own", parents=(), group="mains",
        realarm_s=1800.0,
    ),
    Rule(
        id="circuit_overload", title="Circuit {subject} overloaded", over="Circuit {subject} within its limits again",
        condition="a circuit draws more than its breaker's conventional tripping current (1.45 In)",
        subject="circuit", cause="too many heaters at once",
        consequence="the breaker will trip, and everything on this circuit stops",
        response="pause what heats; start nothing more there", within="minutes", priority="danger",
        on_delay_s=60.0, off_delay_s=60.0, deadband="3 % of that current", parents=_SUPPLY, group="fault",
        realarm_s=1800.0,
    ),
    Rule(
        id="load_near_limit", title="Circuit {subject} near its limit",
        over="Circuit {subject} within its limits again",
        condition="a circuit draws more than its share for hours (continuous_share)", subject="circuit",
        cause="more machines at once than the circuit is meant for",
        consequence="breaker and wiring run warm; the breaker may trip",
        response="start nothing more there; spread machines over the circuits", within="this session",
        priority="session", on_delay_s=900.0, off_delay_s=300.0, deadband="5 % of that share",
        parents=("circuit_overload", "mains_lost"), group="fault",
    ),
    Rule(
        id="machine_fault", title="{subject} reports a fault", over="{subject}: fault gone",
        condition="the machine says that it cannot go on", subject="machine", cause="the machine's own checks",
        consequence="the build stands still or is lost", response="look at the machine", within="this session",
        priority="session", on_delay_s=15.0, off_delay_s=15.0, deadband=ONE, parents=(), group="fault",
    ),
    Rule(
        id="build_failing", title="{subject}: build likely failed", over="{subject}: build as expected again",
        condition="it says that it prints, and for ten minutes its nozzle is far below its target, its power far below "
        "this build's own level, or for three quarters of an hour its progress stands still", subject="machine",
        cause="a heater, a sensor or a cable gone; a nozzle that stands in the part",
        consequence="time and feedstock go into nothing; a loose part may damage the machine",
        response="look at it; stop it if the part is lost", within="this session", priority="session",
        on_delay_s=0.0, off_delay_s=300.0, deadband="half of what raised it must be back",
        parents=(*_UNSEEN, "machine_fault", "plug_off"), group="fault",
        limit=Limit(600.0, "s", "how long heat or power must be missing", 0.0, 120.0, 7200.0),
    ),
    Rule(
        id="build_overdue", title="{subject}: build overdue", over="{subject}: overdue build is over",
        condition="a job that has been seen three times or more runs half an hour and 15 % longer than usual, and ten "
        "minutes beyond the 97.5 % end of what was said when three quarters of it had run",
        subject="machine",
        cause="a slower job than was thought, a nozzle that grinds, an end that was not seen",
        consequence="the machine may be printing air, and the plan after it slips",
        response="look whether it still builds", within="this session", priority="session",
        on_delay_s=0.0, off_delay_s=0.0, deadband=ONE,
        parents=(*_UNSEEN, "machine_fault", "build_failing", "plug_off"), group="fault", clearing="answered",
        limit=Limit(1800.0, "s", "how much later than usual", 0.0, 60.0, 86_400.0),
    ),
    Rule(
        id="plug_off", title="{subject} lost power while building", over="{subject} has power again",
        condition="the plug of a machine at work opens its relay, or gives no power any more while it is heard",
        subject="machine", cause="somebody or something switched the plug; a fuse in it",
        consequence="the build is lost; filament sits hot in a nozzle that no fan cools",
        response="find out who or what switched it, before it is switched on again", within="this session",
        priority="session", on_delay_s=30.0, off_delay_s=10.0,
        deadband="power must be twice the limit again", parents=(*_SUPPLY, "circuit_overload"), group="fault",
        limit=Limit(1.0, "W", "power that counts as none", 1.0, 0.1, 20.0, above=False),
    ),
    Rule(
        id="heater_without_job", title="{subject} heats without a job", over="{subject} no longer heats",
        condition="the machine says that it does nothing, and its plug says that a heater is on", subject="machine",
        cause="a heater left on, or a relay or transistor that has failed closed",
        consequence="heat that nobody watches: fire",
        response="look at it; if you cannot tell why, switch it off at its plug", within="minutes", priority="danger",
        on_delay_s=600.0, off_delay_s=30.0, deadband=ONE, parents=(), group="heat", clearing="latch",
        realarm_s=1800.0, while_out=True,
    ),
    Rule(
        id="contradiction", title="{subject}: sources contradict each other", over="{subject}: sources agree again",
        condition="a machine says that it is off or prints while its plug says the opposite, or a backup's load and "
        "the plugs behind it cannot both be true", subject="machine or backup",
        cause="a plug at another machine than the plan says, a mapping, a source that says nothing new",
        consequence="its state, energy and place in an outage may be wrong",
        response="check which plug and which backup it really hangs on", within="days", priority="digest",
        on_delay_s=300.0, off_delay_s=120.0, deadband=ONE, parents=(*_UNSEEN, "heater_without_job"), group="care",
    ),
    Rule(
        id="unit_suspect", title="{subject}: unit changed?", over="{subject}: unit plausible again",
        condition="a plug's watts have lastingly stepped by about a thousand", subject="machine",
        cause="a changed mapping or firmware: W and kW", consequence="its energy and its state are wrong",
        response="check the unit in the mapping", within="days", priority="digest",
        on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="silent",
    ),
    Rule(
        id="source_silent", title="No word from {subject}", over="{subject} heard again",
        condition="a source has said nothing for longer than its stale time and a minute more", subject="source",
        cause="plug, network or machine off", consequence="what happens there is not seen",
        response="check the plug, its network and the machine", within="this session", priority="session",
        on_delay_s=60.0, off_delay_s=0.0, deadband=ONE, parents=("broker_lost", "mains_lost"), group="silent",
    ),
    Rule(
        id="broker_lost", title="MQTT {subject} lost", over="MQTT {subject} back",
        condition="there is no connection to the MQTT broker", subject="broker",
        cause="broker, its computer or the network gone", consequence="nothing that reports over MQTT is seen",
        response="check the broker and its computer", within="this session", priority="session",
        on_delay_s=30.0, off_delay_s=5.0, deadband=ONE, parents=_SUPPLY, group="broker",
    ),
    Rule(
        id="source_degraded", title="{subject}: payloads unreadable", over="{subject} readable again",
        condition="five payloads in a row could not be read", subject="source",
        cause="mapping or firmware changed", consequence="its values are unknown",
        response="look at the payload on the page and mend the mapping", within="days", priority="digest",
        on_delay_s=0.0, off_delay_s=0.0, deadband="one good payload", parents=(), group="silent",
    ),
    Rule(
        id="store_degraded", title="Collector cannot write: {subject}", over="{subject} can be written again",
        condition="a database cannot be written", subject="store", cause="disk full, read-only or broken",
        consequence="history is lost while this lasts; after a restart more",
        response="free space or replace the card", within="this session", priority="session",
        on_delay_s=0.0, off_delay_s=30.0, deadband=ONE, parents=(), group="store",
    ),
    Rule(
        id="store_damaged", title="Collector's {subject} is damaged", over="Collector's {subject}: no damage found",
        condition="a database has damage that was set aside, or readings that it could not keep", subject="store",
        cause="a card or disk that wears out, a power cut in the middle of a write, a clock that is wrong",
        consequence="what stood in the damaged part is gone; a card that forgets once will again",
        response="make a backup now, then look at the card or disk", within="this session", priority="session",
        on_delay_s=0.0, off_delay_s=0.0, deadband="until the next start finds none", parents=(), group="store",
        clearing="answered",
    ),
    Rule(
        id="collector_restarted", title="{subject} was blind for a while", over="{subject} sees again",
        condition="the collector runs again after it had been dark for five minutes or more", subject="collector",
        cause="power, an update, or a failure of its computer",
        consequence="what happened meanwhile is concluded, not seen",
        response="look at the machines that were at work", within="this session", priority="session",
        on_delay_s=45.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care", clearing="answered",
        limit=Limit(300.0, "s", "shortest dark time that is told", 0.0, 30.0, 86_400.0),
    ),
    Rule(
        id="clock_untrusted", title="{subject}'s clock cannot be trusted", over="{subject}'s clock is right again",
        condition="the computer's clock stands before what is on record, or has been set by more than a minute while "
        "the collector ran", subject="collector",
        cause="no network at the start and no clock battery; somebody or something set the clock",
        consequence="clock times in messages are wrong, and messages may not go out",
        response="let the computer set its clock, then restart the collector", within="this session",
        priority="session", on_delay_s=120.0, off_delay_s=60.0, deadband="within a minute", parents=(), group="care",
        limit=Limit(60.0, "s", "largest step that is borne", 0.0, 5.0, 86_400.0),
    ),
    Rule(
        id="runtime_promise", title="Backup {subject}: runtime not as promised",
        over="Backup {subject}: battery in order again",
        condition="a backup's promise and its last two deep discharges differ by 1.3 times or more", subject="backup",
        cause="its battery has aged, or it has never been calibrated",
        consequence="builds stop sooner than the unit says they will",
        response="count on the shorter time; have the battery tested", within="days", priority="digest",
        on_delay_s=0.0, off_delay_s=0.0, deadband="until a discharge fits the promise", parents=(), group="care",
    ),
    Rule(
        id="battery_worn", title="Backup {subject}: battery due for replacement",
        over="Backup {subject}: battery in order again",
        condition="the unit asks for a new battery, its discharges show less than 80 % of a new one, or its usual "
        "life is over", subject="backup", cause="lead-acid batteries last three to five years, less in the warmth",
        consequence="it gives out in the first minutes of an outage",
        response="have it replaced by somebody qualified", within="weeks", priority="digest",
        on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care",
    ),
    Rule(
        id="self_test_overdue", title="Backup {subject}: self-test overdue",
        over="Backup {subject}: battery in order again",
        condition="no self-test and no real discharge for longer than self_test_days", subject="backup",
        cause="nobody has started one", consequence="nobody knows whether its battery holds",
        response="let it test itself while nothing is built", within="days", priority="digest",
        on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care", clearing="answered",
    ),
    Rule(
        id="battery_warm", title="Backup {subject}: battery warm", over="Backup {subject}: battery cool again",
        condition="a backup's battery is above 30 °C for an hour", subject="backup",
        cause="a warm room, a full shelf, a fan that stands still",
        consequence="it ages about twice as fast with each 10 °C",
        response="give it air, or move it away from heat", within="days", priority="digest",
        on_delay_s=3600.0, off_delay_s=3600.0, deadband="below 28 °C", parents=(), group="care",
    ),
    Rule(
        id="filament_low", title="{subject}: filament low", over="{subject}: filament is enough again",
        condition="what is left on a spool is less than the job in hand or the next one needs", subject="machine",
        cause="a spool near its end", consequence="the build stops, or fails where nothing notices the end",
        response="lay a spool ready and change it", within="this session", priority="digest",
        on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care", clearing="answered",
    ),
    Rule(
        id="stock_low", title="Order {subject}", over="{subject}: stock is enough again",
        condition="what is left of a material on all spools is at its reorder point: use until an order arrives, and a "
        "safety stock", subject="material", cause="the shop's own pace",
        consequence="machines stand still until the order arrives",
        response="order it; say spool_added when it is there",
        within="days", priority="digest", on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care",
        clearing="answered",
    ),
    Rule(
        id="due_date", title="{subject}: due date at risk", over="{subject}: due date holds again",
        condition="by the filling proposal, wanted pieces of a job will not be off the beds by their date, or the date "
        "has passed", subject="job",
        cause="more work than machines, visits, filament or circuits allow until then",
        consequence="what was promised comes late", response="move other work off, add a trip, or move the date",
        within="days", priority="digest", on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care",
        clearing="answered",
    ),
    Rule(
        id="spool_damp", title="Spool {subject}: dry it", over="Spool {subject}: dry again",
        condition="an open spool has been in air too humid for its material for longer than dry_after_h",
        subject="spool", cause="humid air, a spool that hangs for weeks",
        consequence="strings, bubbles and weak parts", response="dry it as its maker says, then say spool_dried",
        within="days", priority="digest", on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care",
        clearing="answered",
    ),
    Rule(
        id="humidity", title="Air too damp at {subject}", over="Air dry enough again at {subject}",
        condition="a sensor's relative humidity is at its limit or above for half an hour", subject="sensor",
        cause="an open window, a wet day, a drying agent that is full",
        consequence="feedstock takes up water: strings, bubbles and weak parts",
        response="close up, dry the air, keep spools in their boxes", within="days", priority="digest",
        on_delay_s=1800.0, off_delay_s=1800.0, deadband="5 points below the limit", parents=(), group="care",
        clearing="answered", limit=Limit(0.6, "1", "relative humidity", 0.05, 0.02, 1.0),
    ),
    Rule(
        id="service_due", title="{subject}: service due", over="{subject}: service done",
        condition="a part of a machine is past its service interval, in hours, builds or heatings", subject="machine",
        cause="hours of use", consequence="worse parts first, then a build that fails",
        response="do the service and say so", within="weeks", priority="digest",
        on_delay_s=0.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care", clearing="answered",
    ),
    Rule(
        id="going_dark", title="{subject} goes dark soon", over="{subject} has supply again",
        condition="the backup that feeds the collector ([site] collector_backup) is on battery and low, or has five "
        "minutes or less to go", subject="collector", cause="a long outage",
        consequence="from then on nothing is watched and nothing is told",
        response="look after what still runs; do not count on further messages", within="minutes", priority="danger",
        on_delay_s=0.0, off_delay_s=5.0, deadband=ONE, parents=(), group="dark", clearing="answered",
    ),
    Rule(
        id="act_denied", title="Attempts to act at the {subject}", over="No more attempts to act at the {subject}",
        condition="three attempts within ten minutes to act at a machine by somebody who may not", subject="site",
        cause="a forgotten password, or somebody who should not be there", consequence="somebody may go on guessing",
        response="find out who it was; change the password for actions if it was none of you", within="days",
        priority="digest", on_delay_s=0.0, off_delay_s=0.0, deadband="ten minutes without another", parents=(),
        group="acts",
    ),
    Rule(
        id="channel_failing", title="No messages by {subject}", over="Messages by {subject} again",
        condition="a channel has accepted nothing for an hour, or failed its weekly test", subject="channel",
        cause="the service, its password or token, or the way to the internet",
        consequence="messages come by the next channel, late, or not at all",
        response="try `farmwatch notify test`; mend what it says", within="this session", priority="session",
        on_delay_s=3600.0, off_delay_s=0.0, deadband=ONE, parents=(), group="care", clearing="answered",
    ),
    Rule(
        id=UNSTABLE, title="Comes and goes: {subject}", over="Steady again: {subject}",
        condition="an alarm was raised three times within ten minutes", subject="alarm",
        cause="a loose plug, a weak radio, a limit without enough deadband",
        consequence="nobody can rely on what is said there", response="mend the connection, or lengthen its delays",
        within="this session", priority="session", on_delay_s=0.0, off_delay_s=0.0,
        deadband="ten minutes without another", parents=(), group="care", clearing="answered",
    ),
)  # fmt: skip

RULES: dict[str, Rule] = {rule.id: rule for rule in TABLE}


def as_markdown() -> str:
    """The table for the documents."""
    head = (
        "| alarm | about | raised when | usual cause | if nobody acts | what to do | within | priority | delay on / off"
        " | limit, deadband | explained by | when it clears |"
    )
    lines = [head, "|" + "---|" * 12]
    clears = {"ask": "waits for an acknowledgement", "answered": "is answered", "latch": "stays until reset"}
    for rule in TABLE:
        limit = "" if rule.limit is None else f"{rule.limit.value:g} {rule.limit.unit} ({rule.limit.about}); "
        asks = f"; asks again after {rule.realarm_s:g} s" if rule.realarm_s is not None else ""
        cells = [
            f"`{rule.id}`", rule.subject, rule.condition, rule.cause, rule.consequence, rule.response, rule.within,
            rule.priority, f"{rule.on_delay_s:g} s / {rule.off_delay_s:g} s", limit + rule.deadband,
            ", ".join(rule.parents) or "nothing", clears[rule.clearing] + asks,
        ]  # fmt: skip
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"
