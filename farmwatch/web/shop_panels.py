"""The page /shop: spools, materials, air, service, failures, and forms to say what was done. Works without script."""

from collections.abc import Mapping, Sequence
from datetime import tzinfo

from farmwatch.alarms.wording import count
from farmwatch.web import pages
from farmwatch.web.manner import degrees, figures, number
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, name, percent, span, stamp, zone
from farmwatch.words.shop_view import AirView, FailView, MaterialView, ServiceView, ShopView, SpoolView
from farmwatch.words.view import View

SERVICE_SHOWN = 14
CAUTION = (
    "Drying figures are usual ones: the maker's sheet comes first, and a hotter oven deforms spools. Let nothing dry "
    "unattended in an oven that is not made for it. A sensor of ours measures no fumes: keep the room aired."
)


def page(view: View, assets: Mapping[str, str], footer: Html, notice: str = "", wrong: Sequence[str] = ()) -> str:
    """The whole page; `wrong` is what stands in the way of a file that was not taken."""
    shop, where, now_s = view.get("shop"), zone(view["timezone"]), view["at_s"]
    machines = [machine["name"] for machine in view["machines"]]
    sections = NOTHING if shop is None else join(
        fill('<section class="panel" id="{key}"><h2>{title}</h2>{inside}</section>', key=key, title=title, inside=html)
        for key, title, html in (
            ("wrong", "Not taken: mend these lines and send the file again", wrong_lines(wrong)),
            ("spools", "Spools", _spools(shop, where, now_s)),
            ("materials", "Filament in stock", _materials(shop, where, now_s)),
            ("air", "Air", _air(shop)),
            ("service", "Service", _service(shop, where, now_s)),
            ("failures", "Failures", _failures(shop)),
            ("say", "Say what was done", _forms(shop, machines)),
        )
        if html
    )  # fmt: skip
    body = fill(
        '<header><div class="site">{home} <b>{site}</b></div>'
        "</header>"
        '<p id="notice" role="status">{notice}</p><main class="single"><h1>Shop</h1>{sections}'
        "</main>{footer}", home=pages.home("/shop"), site=name(view["site"]), notice=notice, sections=sections,
        footer=footer,
    )  # fmt: skip
    return pages.document(f"Shop - {clip(view['site'], 40)}", body, assets)


def wrong_lines(wrong: Sequence[str]) -> Html:
    """What stands in the way of a file, by its lines."""
    if not wrong:
        return NOTHING
    return fill('<ul class="plain" role="alert">{rows}</ul><p>Nothing of the file was taken.</p>',
                rows=join(fill("<li>{line}</li>", line=clip(line, 300)) for line in wrong[:40]))  # fmt: skip


def _list(rows: Sequence[Html], otherwise: str) -> Html:
    return fill('<ul class="plain">{rows}</ul>', rows=join(rows)) if rows else fill("<p>{none}</p>", none=otherwise)


def table(heads: Sequence[str], rows: Sequence[Sequence[object]], label: str) -> Html:
    """A table whose first column names its rows; where it is too wide it scrolls by itself, named `label`."""
    head = join(fill("<th scope=col>{one}</th>", one=one) for one in heads)
    lines = join(
        fill("<tr><th scope=row>{first}</th>{cells}</tr>", first=row[0],
             cells=join(fill("<td>{one}</td>", one=one) for one in row[1:]))
        for row in rows
    )  # fmt: skip
    return fill('<div class="scroll" tabindex="0" role="group" aria-label="{label}"><table class="sums"><thead><tr>'
                "{head}</tr></thead><tbody>{lines}</tbody></table></div>",
                head=head, lines=lines, label=label)  # fmt: skip


def grams(value: float | None) -> str:
    """A weight with its unit.

    >>> grams(None), grams(0), grams(420.4), grams(2600)
    ('not known', '0 g', '420 g', '2.60 kg')
    """
    value = known(value)
    if value is None:
        return "not known"
    return f"{number(value)} g" if abs(value) < 1000 else f"{number(value / 1000, 2)} kg"


def _spools(shop: ShopView, where: tzinfo, now_s: float) -> Html:
    rows = [_spool(spool, where, now_s) for spool in shop["spools"]]
    if not rows:
        return fill("<p>No spool is known yet: add one below, or under [spools].</p>")
    return fill('<ul class="cards">{rows}</ul>', rows=join(rows))


def _spool(spool: SpoolView, where: tzinfo, now_s: float) -> Html:
    words: list[str] = []
    if spool["unknown_builds"]:
        words.append(f"less what {count(spool['unknown_builds'], 'build')} took that nobody knows: weigh it")
    if (days := known(spool["days"])) is not None:
        words.append(f"about {count(round(days), 'day')} at this machine's pace")
    if (enough := known(spool["enough"])) is not None:
        words.append(f"enough for the {grams(spool['needed_g'])} that are needed with a chance of {percent(enough)}")
    if spool["mixed"]:
        words.append(f"the build says {spool['mixed']}: is this the right spool?")
    dry = NOTHING
    humid_h, after_h = known(spool["humid_h"]), known(spool["dry_after_h"])
    if humid_h is not None and after_h is not None and humid_h > 0:
        when = f"to be dried after {number(after_h)} h"
        if humid_h >= after_h:
            hours, warm_c = known(spool["dry_h"]), known(spool["dry_c"])
            when = "dry it as its maker says"
            if hours is not None and warm_c is not None:
                when = f"dry it, usually {figures(hours, 4)} h at {degrees(warm_c)}"
        words.append(f"{number(humid_h)} h in air too humid for it, {when}")
    if spool["dried_s"] is not None:
        dry = fill(", dried {when}", when=stamp(spool["dried_s"], now_s, where))
    said = clip("; ".join(words), 600)
    more = fill("<small>{said}{dry}.</small>", said=f"{said[:1].upper()}{said[1:]}", dry=dry)
    return fill(
        '<li class="card"><div class="grow"><div class="line"><span class="grow"><b>{name}</b> {what}</span>'
        '<strong class="key">{left} ± {sd} left</strong></div>{more}</div></li>',
        name=name(spool["name"]), what=clip(f"{spool['material']} {spool['where']}", 120), left=grams(spool["left_g"]),
        sd=grams(spool["left_sd_g"]), more=more if words or dry else NOTHING,
    )  # fmt: skip


def _materials(shop: ShopView, where: tzinfo, now_s: float) -> Html:
    rows = [_material(row, where, now_s) for row in shop["materials"]]
    if not rows:
        return fill("<p>No material is known yet.</p>")
    heads = ("Material", "in stock", "a day", "lasts", "reorder at", "order by")
    return join((table(heads, rows, "Filament in stock"), fill(
        "<small>Pace of the last four weeks; reorder point and safety stock after Stevenson, Operations Management, "
        "chapter 13; lasts: in 8 of 10 cases.</small>")))  # fmt: skip


def _material(row: MaterialView, where: tzinfo, now_s: float) -> list[object]:
    days, low, high = (known(row[key]) for key in ("days", "low_days", "high_days"))
    lasts = "not known"
    if days is not None and low is not None and high is not None:
        lasts = f"{count(round(days), 'day')} ({low:.0f} to {high:.0f})"
    at_s = row["order_by_s"]
    by: object = "not known: three days of use are needed" if at_s is None else "now" if at_s <= now_s + 3600 else (
        stamp(at_s, now_s, where))  # fmt: skip
    return [clip(row["name"], 40), grams(row["stock_g"]), grams(row["a_day_g"]), lasts, grams(row["point_g"]), by]


def _air(shop: ShopView) -> Html:
    parts = [_list([_sensor(air) for air in shop["air"]], "No sensor of the room's air is configured: see [sensors].")]
    if shop["ventilate"]:
        parts.append(fill("<p><b>Air the room</b>: {what} is being built, which gives off vapours. Local rules on "
                          "extraction come first.</p>", what=clip(", ".join(shop["ventilate"]), 200)))  # fmt: skip
    parts.append(fill("<small>{caution}</small>", caution=CAUTION))
    return join(parts)


def _sensor(air: AirView) -> Html:
    air_c, water, dew = known(air["air_c"]), known(air["water_g_m3"]), known(air["dew_point_c"])
    words = [degrees(air_c, 1) if air_c is not None else "temperature not known",
             f"{percent(air['humidity'])} relative humidity"]  # fmt: skip
    low, high = known(air["dew_point_low_c"]), known(air["dew_point_high_c"])
    if dew is not None:
        bounds = f" ({degrees(low)} to {degrees(high)})" if low is not None and high is not None else ""
        words.append(f"{'dew' if dew >= 0 else 'frost'} point {degrees(dew, 1)}{bounds}")
    if water is not None:
        words.append(f"{number(water, 1)} g of water in a cubic metre")
    if air["too_humid_for"]:
        words.append(f"too humid for open {', '.join(air['too_humid_for'])}")
    return fill("<li><b>{name}</b>: {words}.</li>", name=name(air["sensor"]), words=clip("; ".join(words), 400))


def _service(shop: ShopView, where: tzinfo, now_s: float) -> Html:
    rows = [_part(row, where, now_s) for row in shop["service"]]
    remarks = [
        fill("<li>{when} <b>{machine}</b> {part}: {note} ({by})</li>", when=stamp(one["at_s"], now_s, where),
             machine=name(one["machine"]), part=clip(one["part"], 40), note=clip(one["note"] or "serviced", 300),
             by=clip(one["by"], 40))
        for one in shop["remarks"]
    ]  # fmt: skip
    heads = ("Machine, part", "since service", "every", "due")
    return join((
        table(heads, rows[:SERVICE_SHOWN], "Service") if rows else fill("<p>Nothing yet.</p>"),
        NOTHING if not rows[SERVICE_SHOWN:] else fill(
            '<details data-key="service-more"><summary>{many}</summary>{rest}</details>',
            many=count(len(rows) - SERVICE_SHOWN, "part that is due later", "parts that are due later"),
            rest=table(heads, rows[SERVICE_SHOWN:], "Service, later")),
        fill('<details data-key="remarks"><summary>Notes</summary>{notes}</details>', notes=_list(remarks, "None.")),
    ))  # fmt: skip


def _part(row: ServiceView, where: tzinfo, now_s: float) -> list[object]:
    at_s = row["due_s"]
    when: object = "not known yet" if at_s is None else "now" if at_s <= now_s else stamp(at_s, now_s, where)
    unit = row["unit"]
    of = f"{clip(row['machine'], 40)}, {clip(row['part'], 40)}"
    return [of, _used(row["used"], unit), _used(row["every"], unit), when]


def _used(value: float, unit: str) -> str:
    return f"{number(value)} {unit.removesuffix('s') if round(value) == 1 else unit}"


def _failures(shop: ShopView) -> Html:
    rows = [_failure(row) for row in shop["failures"]]
    if not rows:
        return fill("<p>No machine has been watched yet.</p>")
    heads = ("Machine", "hours of work", "builds failed", "faults", "hours between failures", "against its sisters")
    words = (
        "Builds that failed (lost mains not counted) and faults that the machine reported, a build that one ended "
        "counted once; 95 % interval after Garwood; a machine stands out below a chance "
        "of 5 % over all machines together (Holm)."
    )
    return join((table(heads, rows, "Failures"), fill("<small>{words}</small>", words=words)))


def _failure(row: FailView) -> list[object]:
    low, value, high = (known(row[key]) for key in ("mtbf_low_h", "mtbf_h", "mtbf_high_h"))
    between = "not known" if low is None else f"above {number(low)}"
    if low is not None and value is not None:
        most = number(high) if high is not None else "unknown"
        between = f"{number(value)} ({number(low)} to {most})"
    against = "" if row["p_corrected"] is None else "fails more than its sisters" if row["stands_out"] else "as they do"
    return [clip(row["machine"], 40), span(row["hours"] * 3600.0), f"{row['failures']} of {row['builds']}",
            row["faults"], between,
            against]  # fmt: skip


# ---- forms ----------------------------------------------------------------------------------------------------------


def _forms(shop: ShopView, machines: Sequence[str]) -> Html:
    spools, parts = [spool["name"] for spool in shop["spools"]], shop["parts"]
    which, machine = _choice("spool", "Spool", spools), _choice("machine", "Machine", machines)
    new = fill(
        '<label>Name <input name="spool" maxlength="40" required autocomplete="off"></label>'
        '<label>Material <input name="material" maxlength="40" required autocomplete="off"></label>{grams}{price}',
        grams=_figure("grams", "Grams of filament", 20_000, required=True), price=_figure("price", "Price", 1_000_000),
    )  # fmt: skip
    note = fill('<label>Note <input name="note" maxlength="300" autocomplete="off"></label>')
    forms = [_form("spool_added", "A new spool", new)]
    if spools:
        weight = _figure("grams", "Grams of filament left", 20_000, required=True)
        forms += [
            _form("spool_weighed", "A spool was weighed", join((which, weight))),
            _form("spool_loaded", "A spool hangs on a machine now", join((which, machine))),
            _form("spool_stored", "A spool lies in its dry box", which),
            _form("spool_dried", "A spool was dried", which),
            _form("spool_empty", "A spool is used up", which),
        ]
    pieces = _figure("pieces", "Pieces", 10_000, required=True)
    forms += [
        _form("serviced", "A part was serviced", join((machine, _choice("part", "Part", parts), note))),
        _form("noted", "Note something about a machine", join((machine, note))),
        _form(
            "pieces",
            "Good pieces of the last build",
            join((machine, pieces)),
        ),
    ]
    return join((*forms, SPOOL_FILE))


SPOOL_FILE = Html(
    '<details data-key="spool-file"><summary>Spools from a CSV</summary><form class="say wide" method="post" '
    'action="/spools" enctype="multipart/form-data"><label>CSV with spool, material, full_g, left_g, price, machine '
    '<input name="file" type="file" accept=".csv,text/csv" required></label><button>Take it</button></form>'
    '<p><a class="button" href="/spools.csv">As CSV</a></p></details>'
)


def _choice(key: str, label: str, values: Sequence[str]) -> Html:
    options = join(fill("<option>{value}</option>", value=value) for value in values)
    return fill('<label>{label} <select name="{key}">{options}</select></label>', label=label, key=key, options=options)


def _figure(key: str, label: str, most: int, *, required: bool = False) -> Html:
    return fill(
        '<label>{label} <input name="{key}" type="number" min="0" max="{most}" step="any"{required}></label>',
        label=label, key=key, most=most, required=Html(" required") if required else NOTHING,
    )  # fmt: skip


def _form(command: str, summary: str, inside: Html) -> Html:
    return fill(
        '<details data-key="{command}"><summary>{summary}</summary><form class="say wide" method="post" action="/say">'
        '<input type="hidden" name="command" value="{command}"><input type="hidden" name="back" value="/shop">{inside}'
        "<button>Say so</button></form></details>", command=command, summary=summary, inside=inside,
    )  # fmt: skip
