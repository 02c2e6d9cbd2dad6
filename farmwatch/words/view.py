"""The state of everything as the page, the API and the terminal show it: plain JSON-able dictionaries.

None always means unknown. Times are epoch seconds, ages are seconds before `at_s`.
"""

from typing import NotRequired, TypedDict

from farmwatch.words.power_view import AccountsView, OutagesView
from farmwatch.words.rounds import RoundsView, WorkView
from farmwatch.words.shop_view import ShopView


class VerdictView(TypedDict):
    """One sentence: what needs a person, or that nothing does and when it next will."""

    level: str  # danger | act | calm | unknown
    title: str  # at most 60 characters, the same words as the message
    text: str


class FinishView(TypedDict):
    """A finish time with its intervals of 80 and 95 %; None where no honest figure can be given."""

    p025_s: float | None
    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    p975_s: float | None
    basis: str
    builds: int
    overdue_s: float | None


class ClearView(TypedDict):
    """When a bed can be cleared, with its interval of 80 %; None where it cannot be told. All the same: a fact."""

    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    release_c: float  # bed temperature below which the build comes off
    basis: str


class ActionView(TypedDict):
    """Something that the owner has turned on for a machine; a person asks for it and confirms it."""

    name: str
    kind: str  # pause resume stop off
    fits: bool  # whether it makes sense in the machine's present state


class LevelView(TypedDict):
    """One of a machine's power levels."""

    watts: float
    minutes: float  # how long it was seen; what rests on few minutes is the usual value of machines
    set: bool  # by the owner: no longer learnt


class PlugView(TypedDict):
    """What a machine's plug says by itself."""

    activity: str
    probability: float
    because: str
    posterior: dict[str, float]  # of off, idle, heating, printing, paused; {}: no reading yet
    maybe_over: bool  # every heater is off: a pause or the end
    levels: dict[str, LevelView]
    learned: bool  # False: no build seen yet
    unit_suspect: str | None
    may_reopen: bool  # its last end was the plug's word, and nobody has cleared the bed: it may have been a pause


class MachineView(TypedDict):
    """One machine."""

    name: str
    state: str
    since_s: float | None
    because: str
    job: str | None
    material: str | None
    material_inferred: bool
    progress: float | None
    finish: FinishView | None
    clear_at_s: float | None  # when the bed can be cleared (estimate while building or cooling, fact afterwards)
    cleared_at_s: NotRequired[float | None]  # said so recently that it can still be taken back
    cleared_by: NotRequired[str]
    clear: ClearView | None  # the same with its interval and basis
    power_w: float | None
    bed_c: float | None
    nozzle_c: float | None
    age_s: float | None  # of the newest reading; None: nothing has ever come
    silent: list[str]  # ids of its sources that are silent
    bank: str | None
    backup: str | None
    circuit: str | None
    row: int | None
    column: int | None
    start_from_s: NotRequired[float | None]  # idle and clear: when it may start; None: cannot be said, or not idle
    energy_today_wh: NotRequired[float | None]
    value: NotRequired[float | None]  # what its build is worth saving in an outage; None: no build in hand
    value_said: NotRequired[bool]  # a person has said so; else minutes and grams already in it
    plug: NotRequired[PlugView | None]  # None: no plug measures it
    load_basis: NotRequired[str]  # what its load model rests on
    actions: NotRequired[list[ActionView]]  # missing: nothing is turned on
    acted: NotRequired[str]  # what became of the last action; "" where there was none


class StrainView(TypedDict):
    """A place's draw beside its own meter, its limits and its last day."""

    va: float | None
    va_known: bool  # False: parts without a known power factor stand in it with their watts, the least it can be
    amps: float | None
    volts_known: bool  # False: amps at the nominal voltage
    range_w: list[float] | None  # [least, greatest] by the ranges of configured constants
    meter_minus_sum_w: float | None  # where the place has a meter and everything under it is known
    trip_a: list[float] | None  # a circuit's conventional non-tripping, tripping current, and time in h (IEC 60898-1)
    breaker: str  # what its breaker does at this current, in words; "" for what is no circuit
    demand_w: float | None  # highest quarter of an hour of the last day
    demand_at_s: float | None
    worst_w: float | None  # highest minute of the last day
    worst_at_s: float | None
    at_least: bool  # the two are lower bounds: something was not known then
    headroom_w: float | None  # below the limit now; negative: above it
    headroom_day_w: float | None  # beside the day's highest demand
    headroom_worst_w: float | None  # beside the worst minute
    over_chance: float | None  # of passing the limit within the hour if nobody starts anything
    over_chance_low: float | None
    over_chance_high: float | None


class CostView(TypedDict):
    """Energy and cost so far; cost None: no tariff. Standing charges are in it, unmeasured time is not."""

    wh: float | None
    cost: float | None
    unmeasured_s: float


class StartsView(TypedDict):
    """Which idle machines may start now, and which when, so that no circuit and no backup passes its limit."""

    text: str  # "" where no machine is idle
    now: list[str]
    later: list[tuple[str, float]]  # name, from when
    never: list[str]  # at no time that can be foreseen
    guessed: list[str]  # of unknown draw, counted as building
    risk: float  # accepted share of time above a limit


class PlaceView(TypedDict):
    """A circuit, a bank or the whole site as a node of the load tree."""

    name: str
    watts: float | None  # None: nothing of it is known
    missing: list[str]  # loads that are not counted because they are unknown
    limit_w: float | None  # what the site's policy allows for hours
    rating_w: float | None
    heat_up_w: float | None  # further watts if one more machine of it starts to heat
    strain: NotRequired[StrainView]
    kind: NotRequired[str]  # site | circuit | plug | backup | bank
    parent: NotRequired[str | None]  # what feeds it; None: nothing within the site
    depth: NotRequired[int]  # 0 for the site
    policy: NotRequired[str]  # where its limit comes from, in words; "" where it has none


class RescueView(TypedDict):
    """What can still be saved behind a backup: now if it is on battery, else if the mains went at `at_s`."""

    at_s: float
    live: bool
    finishes: list[str]
    late: list[str]  # builds that do not finish whatever is done
    left_out: list[str]  # builds of which no end can be told
    run_everything: list[str]  # what finishes if nothing is done
    empty_s: float | None  # when the battery is empty if nothing is done; None: not before all have ended
    pause: list[str]
    stop: list[str]
    saves: list[str]
    by_s: float | None  # latest time for pause and stop; None: nothing to do
    needed: float | None  # chance that the outage lasts beyond it, or until the battery is empty
    needed_sd: float | None
    outages: int  # how many of the site's own that chance rests on, beside what is usual
    value: float  # minutes and material saved, expected
    value_if_nothing: float
    exact: bool
    basis: str


class CareView(TypedDict):
    """What is known of a backup's battery."""

    health: float | None  # share of the table's runtime that is left; None: no discharge has taught it yet
    health_p10: float | None
    health_p90: float | None
    discharges: int
    battery_c: float | None
    fitted_s: float | None
    tested_s: float | None
    replace_by_s: float | None
    replace_from_s: float | None
    replace_until_s: float | None  # None: not in sight
    replace_basis: str
    reported_runtime_s: float | None  # what the unit itself promises
    promised_min: float | None  # where promise and discharges disagree for good
    shown_min: float | None
    self_test: NotRequired[str | None]  # what the unit says of its last: passed warning failed aborted running none
    testing: NotRequired[bool]  # it tests or calibrates its battery now: mains is there
    charge_doubted: NotRequired[float | None]  # what the unit says, where that has jumped; the lower one is shown


class BackupView(TypedDict):
    """A battery backup."""

    name: str
    status: str  # on_line | on_battery | low | unknown
    since_s: float | None
    charge: float | None
    load_w: float | None
    rating_w: float | None
    runtime_s: float | None  # at the present load, best estimate
    runtime_p10_s: float | None
    runtime_p90_s: float | None
    runtime_basis: str
    age_s: float | None
    circuit: str | None
    machines: list[str]
    rescue: NotRequired[RescueView | None]
    care: NotRequired[CareView]
    meter_minus_sum_w: NotRequired[float | None]  # its own meter beside the sum of what hangs on it, if all is known


class AlarmView(TypedDict):
    """An alarm that is not in its normal state."""

    id: str
    rule: str
    subject: str
    state: str
    priority: str
    since_s: float
    title: str
    text: str
    consequence: str
    response: str


class SourceView(TypedDict):
    """One source and how it has behaved."""

    id: str
    subject: str
    via: str
    address: str
    age_s: float | None
    state: str  # never | fresh | last_known | silent | failed | degraded
    good: int
    bad: int
    last_bad: str | None  # error and the first 200 bytes, escaped


class StoreView(TypedDict):
    """One store."""

    name: str
    ok: bool
    why: str


class ChannelView(TypedDict):
    """A way to a phone, and how it does."""

    name: str
    label: str
    waiting: int  # messages that wait for it
    failures: int  # in a row
    error: str
    last_ok_s: float | None  # since this start
    test: str  # how its last silent test ended; "" if there was none since this start


class UntoldView(TypedDict):
    """A message that nobody could be told, on any channel, for a day."""

    at_s: float
    to: str
    title: str
    error: str


class View(TypedDict):
    """Everything."""

    at_s: float
    site: str
    timezone: str
    verdict: VerdictView
    machines: list[MachineView]
    total: PlaceView
    circuits: list[PlaceView]
    banks: list[PlaceView]
    backups: list[BackupView]
    alarms: list[AlarmView]
    sources: list[SourceView]
    stores: list[StoreView]
    energy_today_wh: float | None
    channels: NotRequired[list[ChannelView]]
    untold: NotRequired[list[UntoldView]]
    starts: NotRequired[StartsView]
    today: NotRequired[CostView]
    month: NotRequired[CostView]
    currency: NotRequired[str]
    rounds: NotRequired[list[str]]  # clock times (HH:MM, local) at which somebody usually comes by
    plugs: NotRequired[list[PlaceView]]
    tree: NotRequired[list[PlaceView]]  # every node, each before what it feeds
    demand_factor: NotRequired[float | None]  # highest demand of the day over connected load
    outages: NotRequired[OutagesView]
    shop: NotRequired[ShopView]
    accounts: NotRequired[AccountsView]
    work: NotRequired[WorkView]
    trips: NotRequired[RoundsView | None]  # when to go, and the round sheet; None: not worked out yet
    diversity_factor: NotRequired[float | None]  # sum of the parts' highest demands over the one together
