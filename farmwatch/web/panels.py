"""The page's panels: pure functions from the view of everything to HTML, and the table of them.

Everything from outside is escaped by `markup.fill`. None is "not known" and looks so; it is never 0 or empty.
Panels and parts that change by themselves carry a `data-key`, by which the script finds them again.
"""

import re
from collections.abc import Callable, Iterable
from datetime import tzinfo
from functools import lru_cache
from urllib.parse import quote

from farmwatch.alarms.rules import RULES
from farmwatch.web import bars, forms, looks, outage_page, round_panel
from farmwatch.web.backup_notes import notes
from farmwatch.web.beds_panel import beds
from farmwatch.web.delivery import messages
from farmwatch.web.energy_panels import energy_use
from farmwatch.web.latest import Latest
from farmwatch.web.machine_cell import in_rows, times
from farmwatch.web.manner import current, number
from farmwatch.web.markup import (
    NOTHING,
    Html,
    Parts,
    clip,
    energy,
    fill,
    join,
    known,
    minute,
    moment,
    name,
    percent,
    span,
    stamp,
    watts,
    zone,
)
from farmwatch.web.phrases import age, finish_at, finish_sure, line, within
from farmwatch.web.place_panels import places
from farmwatch.web.strip import strip
from farmwatch.web.wall import wall
from farmwatch.words.view import AlarmView, BackupView, MachineView, PlaceView, SourceView, View

NEXT_SHOWN = 12
NEXT_S = 30.0  # the strip's axis begins at now, to this
MOST_SAID = 60
MOST_OVER = 3  # alarms that are over and unanswered; where there are more they are folded
_ORDER = {"danger": 0, "session": 1, "digest": 2}
_SPEAKS = ("unacknowledged", "returned", "acknowledged", "latched", "latched_acknowledged")
_STANDS = ("unacknowledged", "acknowledged")  # what is over has no colour any more
_SECRET = re.compile(r"(//)[^/@\s]*@|([?&][^=&\s]*=)[^&\s]*")


def as_of(view: View) -> Html:
    """Until when the page knows."""
    where = zone(view["timezone"])
    clock = moment(view["at_s"], view["at_s"], where, seconds=True)
    return fill('as of <time class="clock">{clock}</time> <span class="zone">{zone}</span>',
                clock=clock, zone=view["timezone"])  # fmt: skip


def verdict(view: View) -> Html:
    """One sentence: what needs a person, or that nothing does."""
    said = view["verdict"]
    look = looks.look(looks.VERDICTS, said["level"])
    return fill(
        '<div class="verdict {tone}">{shape}<div><h1 aria-live="polite">{title}</h1>{more}</div></div>',
        tone=look.tone, shape=looks.shape(look), title=clip(said["title"]),
        more=fill("<p>{text}</p>", text=clip(said["text"], 400)) if said["text"] else NOTHING,
    )  # fmt: skip


def jump(view: View) -> Html:
    """How much there is of each, as links to it."""
    beds = sum(machine["state"] == "waiting" for machine in view["machines"])
    alarms = [alarm for alarm in view["alarms"] if alarm["state"] in _SPEAKS and alarm["rule"] != "bed_waiting"]
    worst = min((_ORDER.get(alarm["priority"], 2) for alarm in alarms if alarm["state"] in _STANDS), default=2)
    tones = ("danger", "odd", "plain")
    odd = [backup for backup in view["backups"] if backup["status"] != "on_line"]
    links = (
        ("beds", _count(beds, "bed to clear", "beds to clear"), "act" if beds else "plain"),
        ("power", _power_word(odd, len(view["backups"])), "odd" if odd else "plain"),
        ("machines", _count(len(view["machines"]), "machine", "machines"), "plain"),
        ("alarms", _count(len(alarms), "alarm", "alarms"), tones[worst]),
    )
    return join(
        fill('<a class="{tone}" href="#{where}">{words}</a>', where=where, words=words, tone=tone)
        for where, words, tone in links
    )


def _count(count: int, one: str, many: str) -> str:
    return f"{count or 'no'} {one if count == 1 else many}"


def _power_word(odd: list[BackupView], count: int) -> str:
    if not count:
        return "power"
    if not odd:
        return "all on mains"
    battery = sum(backup["status"] in ("on_battery", "low") for backup in odd)
    return f"{battery} on battery" if battery else f"{len(odd)} backup{'s' * (len(odd) > 1)} not known"


# ---- next finishes -------------------------------------------------------------------------------------------


def upcoming(view: View) -> Html:
    """What finishes next, as a strip of time against the rounds; how sure and by what in words."""
    now_s, where = view["at_s"], zone(view["timezone"])
    busy = [machine for machine in view["machines"] if machine["state"] in ("heating", "printing", "paused")]
    if not busy:
        return fill("<p>Nothing is being built, as far as is known.</p>")
    busy.sort(key=_finish_key)
    trips = view.get("trips")
    visits = tuple(visit["at_s"] for visit in trips["visits"]) if trips else ()
    seen = tuple((machine["name"], machine["job"], times(machine["finish"])) for machine in busy)
    key = (seen, visits, tuple(view.get("rounds", ())), now_s // NEXT_S, where, current())
    return _next("", key, (busy, view, where))


def _upcoming(of: tuple[list[MachineView], View, tzinfo]) -> Html:
    busy, view, where = of
    now_s = view["at_s"]
    first, rest = busy[:NEXT_SHOWN], busy[NEXT_SHOWN:MOST_SAID]
    rows = join(_sure(machine, now_s, where) for machine in (*first, *rest))
    more = fill(" The first {count}; {more} more below.", count=len(first), more=len(busy) - len(first)) if rest else ""
    return fill(
        '{strip}<details data-key="sure"><summary>How sure, and by what.{more}</summary><dl>{rows}</dl></details>',
        strip=strip(first, view, where), more=more, rows=rows,
    )  # fmt: skip


_next = Latest(_upcoming, 1)


def _sure(machine: MachineView, now_s: float, where: tzinfo) -> Html:
    return fill(
        "<dt>{machine}</dt><dd>{job}<b>{at}</b>, {sure}</dd>", machine=name(machine["name"]),
        job=fill("{job}: ", job=name(machine["job"])) if machine["job"] else NOTHING,
        at=finish_at(machine["finish"], now_s, where), sure=finish_sure(machine["finish"], now_s, where),
    )  # fmt: skip


def _finish_key(machine: MachineView) -> tuple[bool, float, str]:
    found = machine["finish"]
    p50_s = known(found["p50_s"]) if found is not None else None
    return (p50_s is None, p50_s or 0.0, machine["name"])


# ---- power ---------------------------------------------------------------------------------------------------


def power(view: View) -> Html:
    """The whole draw, each circuit against its limit, each backup and how long it would last."""
    where = zone(view["timezone"])
    total = view["total"]
    today = view["energy_today_wh"]
    head = fill(
        '<div data-key="power-head"><p class="total"><strong>{watts}</strong> in all{missing}. '
        "Energy today: {energy}{cost}.</p>{starts}</div>",
        watts=_at_least(total), missing=_missing(total), energy=energy(today), cost=_cost(view), starts=_starts(view),
    )  # fmt: skip
    parts = {"power-head": head}
    cards = {f"circuit-{place['name']}": _place(place, where) for place in view["circuits"]}
    cards |= {f"backup-{backup['name']}": _backup(backup, view["at_s"], where) for backup in view["backups"]}
    every = places(view, where)
    html = fill('{head}<ul class="cards">{cards}</ul>{places}', head=head, cards=join(cards.values()), places=every)
    return Parts.of(html, parts | cards | ({"places": every} if every else {}))


def _cost(view: View) -> Html:
    """Cost of the day and the month so far; nothing without a tariff."""
    today, month = view.get("today"), view.get("month")
    if today is None or month is None or today["cost"] is None or month["cost"] is None:
        return NOTHING
    return fill(", {today} {currency}; this month {month} {currency}",
                today=number(today["cost"], 2), month=number(month["cost"], 2),
                currency=name(view.get("currency", "")))  # fmt: skip


def _starts(view: View) -> Html:
    """Which idle machines may start now, and which when."""
    starts = view.get("starts")
    if starts is None or not starts["text"]:
        return NOTHING
    return fill('<p class="starts">{text}</p>', text=clip(starts["text"], 400))


def _strain(place: PlaceView, where: tzinfo) -> str:
    """Current, the day's worst minute and the meter's difference, where they are known."""
    strain = place.get("strain")
    if strain is None:
        return ""
    parts = []
    if strain["amps"] is not None:
        parts.append(f"{number(strain['amps'], 1)} A{'' if strain['va_known'] else ' at least'}")
    if strain["worst_w"] is not None and strain["worst_at_s"] is not None:
        at = moment(strain["worst_at_s"], strain["worst_at_s"], where)
        parts.append(f"day's worst minute {watts(strain['worst_w'])} at {at}")
    if strain["meter_minus_sum_w"] is not None:
        parts.append(f"its meter shows {number(strain['meter_minus_sum_w'], signed=True)} W beside the sum")
    if (chance := strain["over_chance"]) is not None and chance >= 0.01:
        parts.append(f"above its share within the hour: {percent(chance)}")
    return "; ".join(["", *parts]) if parts else ""


def _at_least(place: PlaceView) -> str:
    drawn = watts(place["watts"])
    return f"at least {drawn}" if place["missing"] and known(place["watts"]) is not None else drawn


def _missing(place: PlaceView) -> Html:
    if not place["missing"]:
        return NOTHING
    return fill(" (without {few}: not known)", few=_few(place["missing"]))


def _few(names: list[str]) -> str:
    return clip(", ".join(names[:4]) + (f" and {len(names) - 4} more" if names[4:] else ""))


def _of(place: PlaceView) -> str:
    limit_w = known(place["limit_w"])
    return _at_least(place) + (f" of {watts(limit_w)}" if limit_w is not None else "")


def _place(place: PlaceView, where: tzinfo) -> Html:
    drawn, limit_w, heat_up_w = known(place["watts"]), known(place["limit_w"]), known(place["heat_up_w"])
    words, tone = _headroom(drawn, limit_w, known(place["rating_w"]), heat_up_w)
    if tone == "danger" and (strain := place.get("strain")) is not None and strain["breaker"]:
        words = f"{words.partition(':')[0]}: {strain['breaker']}"
    words += _strain(place, where)
    spoken = f"{place['name']}: {_of(place)}"
    return fill(
        '<li class="card {tone}" data-key="circuit-{key}"><div class="grow">{line}{bar}'
        "<small>{words}{missing}</small></div></li>",
        tone=tone, key=place["name"], missing=_missing(place),
        line=line(fill('<strong>circuit <a href="/circuit/{key}">{place}</a></strong>', place=name(place["name"]),
                       key=quote(place["name"], safe="")), _of(place)),
        bar=bars.load(drawn, limit_w, place["rating_w"], heat_up_w, spoken), words=words,
    )  # fmt: skip


def _headroom(
    drawn: float | None, limit_w: float | None, rating_w: float | None, heat_up_w: float | None
) -> tuple[str, str]:
    """Words and tone for what is left of a circuit."""
    if drawn is None:
        return "draw not known", "blind"
    if rating_w is not None and drawn > rating_w:
        return f"{watts(drawn - rating_w)} over the breaker's rating: it may trip", "danger"
    if limit_w is None:
        return "no limit configured", ""
    if drawn > limit_w:
        return f"{watts(drawn - limit_w)} over what it may carry for hours", "odd"
    left = f"{watts(limit_w - drawn)} left"
    if heat_up_w is None:
        return left, ""
    fits = drawn + heat_up_w <= limit_w
    return f"{left}; one more heat-up takes {watts(heat_up_w)}: {'fits' if fits else 'too much now'}", ""


def _backup(backup: BackupView, now_s: float, where: tzinfo) -> Html:
    look = looks.look(looks.BACKUPS, backup["status"])
    charge = percent(backup["charge"])
    return fill(
        '<li class="card {tone}" data-key="backup-{key}"><div class="grow">{line}{bar}<small>{sure} Charge {charge}, '
        "{load}; feeds {feeds}. {age}</small>{notes}</div></li>",
        tone=look.tone if look.tone != "plain" else "", key=backup["name"], charge=charge,
        line=line(fill('<strong>backup <a href="/backup/{key}">{name}</a></strong> {badge}', name=name(backup["name"]),
                       key=quote(backup["name"], safe=""), badge=looks.badge(look)),
                  _runtime(backup, now_s, where)),
        sure=_runtime_sure(backup), bar=bars.share(backup["charge"], f"charge {charge}", look.tone),
        load=_load(backup),
        feeds=clip(", ".join(backup["machines"]) or "nothing that is watched"),
        age=age(backup["age_s"], always=True), notes=notes(backup, now_s, where),
    )  # fmt: skip


def _load(backup: BackupView) -> str:
    load, rating = watts(backup["load_w"]), backup["rating_w"]
    if rating is None:
        return f"load {load}"
    joined = " of" if known(backup["load_w"]) is not None else ", rated"
    return f"load {load}{joined} {watts(rating)}"


def _runtime(backup: BackupView, now_s: float, where: tzinfo) -> Html:
    runtime_s = known(backup["runtime_s"])
    if runtime_s is None:
        return fill("runtime not known")
    at = stamp(minute(now_s + runtime_s), now_s, where)
    if backup["status"] in ("on_battery", "low"):
        return fill("empty about {at}", at=at)
    return fill("would last until {at}", at=at)


def _runtime_sure(backup: BackupView) -> str:
    """How sure the runtime is, and what it rests on."""
    basis = backup["runtime_basis"]
    words = []
    if (runtime_s := known(backup["runtime_s"])) is not None:
        low_s, high_s = known(backup["runtime_p10_s"]), known(backup["runtime_p90_s"])
        words.append(f"in {span(runtime_s)}" if backup["status"] in ("on_battery", "low")
                     else f"{span(runtime_s)} if the mains went now")  # fmt: skip
        words.append("how sure is not known" if low_s is None or high_s is None else within(span(low_s), span(high_s)))
        words.append((basis if basis.startswith("as ") else f"from {basis}") if basis else "basis not said")
    else:
        words.append(basis or "nothing to go by")
    said = ", ".join(words)
    return f"{said[:1].upper()}{said[1:]}."


# ---- machines, alarms, sources -------------------------------------------------------------------------------


def machines(view: View) -> Html:
    """All machines in the room's order."""
    if not view["machines"]:
        return fill("<p>No machine is configured.</p>")
    return in_rows(view)


def alarms(view: View) -> Html:
    """Alarms: what speaks first, then what is put aside or explained."""
    now_s, where = view["at_s"], zone(view["timezone"])
    standing = [alarm for alarm in view["alarms"] if alarm["state"] != "normal"]
    beds = [alarm for alarm in standing if alarm["rule"] == "bed_waiting" and alarm["state"] in _SPEAKS]
    standing = [alarm for alarm in standing if alarm not in beds]  # they stand above, with a button
    standing.sort(key=lambda alarm: (_ORDER.get(alarm["priority"], 3), _depth(alarm["rule"]), alarm["since_s"],
                                     alarm["id"]))  # fmt: skip
    loud = [alarm for alarm in standing if alarm["state"] in _SPEAKS]
    aside = [alarm for alarm in standing if alarm["state"] not in _SPEAKS]
    over = [alarm for alarm in loud if alarm["state"] == "returned"]
    over = over if len(over) > MOST_OVER else []
    listed = fill('<ul class="cards">{rows}</ul>', rows=join(
        _alarm(alarm, now_s, where) for alarm in loud if alarm not in over))  # fmt: skip
    if not loud:
        listed = fill("<p>No alarm stands.</p>" if not beds else "<p>No other alarm stands.</p>")
    if over:
        listed = fill(
            '{listed}<details data-key="over"><summary>{count} are over, and nobody has answered</summary>'
            '<ul class="cards">{rows}</ul></details>',
            listed=listed, count=len(over), rows=join(_alarm(alarm, now_s, where) for alarm in over),
        )  # fmt: skip
    if not aside:
        return listed
    return fill(
        '{listed}<details data-key="aside"><summary>{count} put aside or explained by another</summary>'
        '<ul class="cards">{rows}</ul></details>',
        listed=listed, count=len(aside), rows=join(_alarm(alarm, now_s, where) for alarm in aside),
    )  # fmt: skip


@lru_cache(maxsize=256)
def _depth(rule: str) -> int:
    """How many causes an alarm can have above it: what may explain the others comes first."""
    parents = RULES[rule].parents if rule in RULES else ()
    return max((1 + _depth(parent) for parent in parents if parent != rule), default=0)


def _alarm(alarm: AlarmView, now_s: float, where: tzinfo) -> Html:
    look = looks.RULES.get(alarm["rule"]) or looks.look(looks.ALARMS, alarm["priority"])
    over = alarm["state"] not in ("unacknowledged", "acknowledged")
    since_s = alarm["since_s"]
    return fill(
        '<li class="card {tone}" data-key="alarm-{key}">{shape}<div class="grow"><strong>{title}</strong><p>{text}</p>'
        "<dl><dt>if nobody acts</dt><dd>{consequence}</dd><dt>do</dt><dd>{response}</dd></dl>"
        "<small>{priority}; {state}; since {at}, {span}</small>{buttons}</div></li>",
        tone="" if over or look.tone == "plain" else look.tone, key=alarm["id"], shape=looks.shape(look),
        title=clip(alarm["title"]), text=clip(alarm["text"], 400), consequence=clip(alarm["consequence"], 240),
        response=clip(alarm["response"], 240), priority=look.word,
        state=looks.ALARM_STATES.get(alarm["state"], alarm["state"].replace("_", " ")),
        at=stamp(since_s, now_s, where), span=span(now_s - since_s), buttons=forms.alarm(alarm["id"], alarm["state"]),
    )  # fmt: skip


def health(view: View) -> Html:
    """Sources and stores: what is wrong in the open, the rest folded."""
    sources = sorted(view["sources"], key=lambda source: source["id"])
    odd = [source for source in sources if source["state"] != "fresh" or source["last_bad"]]
    fine = [source for source in sources if source not in odd]
    shown = join(_source(source) for source in odd)
    folded = NOTHING
    if fine:
        folded = fill(
            '<details data-key="fine"><summary>{count} of {all} sources report well</summary>'
            '<ul class="cards">{rows}</ul></details>',
            count=len(fine), all=len(sources), rows=join(_source(source) for source in fine),
        )  # fmt: skip
    stores = join(
        fill('<li class="card {tone}" data-key="store-{key}"><div class="grow">{badge} <strong>{store}</strong>{why}'
             "</div></li>",
             key=store["name"], tone="" if store["ok"] else "odd", store=name(store["name"]),
             badge=looks.badge(looks.Look("kept", "disc", "plain") if store["ok"]
                               else looks.Look("not written", "cross", "odd")),
             why=fill("<small>{why}</small>", why=clip(store["why"], 300)) if store["why"] else NOTHING)
        for store in view["stores"]
    )  # fmt: skip
    return fill(
        '<h3>Sources</h3><ul class="cards">{shown}</ul>{folded}{none}{stores}{messages}', shown=shown, folded=folded,
        stores=fill('<h3>Stores</h3><ul class="cards">{stores}</ul>', stores=stores) if stores else NOTHING,
        messages=messages(view),
        none=NOTHING if sources else fill("<p>No source is configured.</p>"),
    )  # fmt: skip


def masked(address: str) -> str:
    """An address without user, password and query values, which may be secrets."""
    return _SECRET.sub(lambda found: f"{found[1]}…@" if found[1] else f"{found[2]}…", address)


def _source(source: SourceView) -> Html:
    look = looks.look(looks.SOURCES, source["state"])
    bad = NOTHING
    if source["last_bad"]:
        bad = fill("<p>Last payload that could not be read:</p><pre>{bad}</pre>", bad=clip(source["last_bad"], 1_200))
    return fill(
        '<li class="card {tone}" data-key="source-{key}"><div class="grow"><strong>{id}</strong> {badge}'
        '<small>{subject} by {via}, <span class="address">{address}</span>. {age}'
        "{good} read, {bad_count} unreadable.</small>"
        "{bad}</div></li>",
        tone="odd" if look.tone == "odd" else "", key=source["id"], id=name(source["id"]), badge=looks.badge(look),
        subject=name(source["subject"]), via=source["via"], address=clip(masked(source["address"]), 120),
        age=age(source["age_s"], always=True), good=source["good"], bad_count=source["bad"], bad=bad,
    )  # fmt: skip


Panel = Callable[[View], Html]

PANELS: dict[str, tuple[str, Panel]] = {
    # id: (heading; "" for those that stand in the page's head, function)
    "as_of": ("", as_of),
    "verdict": ("", verdict),
    "jump": ("", jump),
    "beds": ("Beds to clear", beds),
    "round": ("Next round", round_panel.panel),
    "next": ("Next to finish", upcoming),
    "power": ("Power", power),
    "outages": ("Outages", outage_page.brief),
    "energy": ("Energy and cost", energy_use),
    "machines": ("Machines", machines),
    "alarms": ("Alarms", alarms),
    "health": ("Where this comes from", health),
}

PAGES: dict[str, Panel] = {"wall": wall, "outage": outage_page.page}
"""Panels that stand on a page of their own."""


_ALL: dict[str, Panel] = {**{key: panel for key, (_, panel) in PANELS.items()}, **PAGES}


SLOW: frozenset[str] = frozenset({"energy", "health"})
"""Panels whose figures move on all the time and that nobody reads by the second."""


EVERY: frozenset[str] = frozenset(_ALL)


def render(view: View, *, of: Iterable[str] = EVERY) -> dict[str, Html]:
    """Panels by id: all, or those that are asked for. One that consists of parts is `Parts`."""
    return {key: _ALL[key](view) for key in of}
