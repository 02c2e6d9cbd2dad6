"""How messages get through: the ways to phones, and what nobody could be told. A function of the view."""

from farmwatch.alarms.wording import moment
from farmwatch.web import looks
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, name
from farmwatch.words.view import ChannelView, UntoldView, View


def messages(view: View) -> Html:
    """Both lists; nothing where no channel is configured and nothing was lost."""
    channels, untold = view.get("channels", []), view.get("untold", [])
    if not channels and not untold:
        return NOTHING
    by_why: dict[tuple[str, str], list[UntoldView]] = {}
    for row in sorted(untold, key=lambda row: -row["at_s"]):
        by_why.setdefault((row["to"], row["error"]), []).append(row)
    lost = join(_untold(rows, view) for rows in by_why.values())
    ways = join(_channel(channel, view) for channel in channels)
    return fill('<h3>Messages</h3><ul class="cards">{lost}{ways}</ul>', lost=lost, ways=ways)


def _untold(rows: list[UntoldView], view: View) -> Html:
    """What one person could not be told for one reason: the newest in the open, the earlier ones folded."""
    newest, earlier = rows[0], rows[1:]
    more = NOTHING
    if earlier:
        lines = join(fill("<li>{when}: {title}</li>", when=moment(row["at_s"], view["at_s"], view["timezone"]),
                          title=clip(row["title"], 120)) for row in earlier)  # fmt: skip
        more = fill('<details data-key="untold-{to}"><summary>{count} more, for the same reason</summary>'
                    '<ul class="plain">{lines}</ul></details>', to=newest["to"], count=len(earlier), lines=lines)
    return fill(
        '<li class="card odd"><div class="grow">{badge} <strong>{title}</strong> for {to}<small>{when}: {error}'
        "</small>{more}</div></li>",
        badge=looks.badge(looks.Look("could not tell", "cross", "odd")), title=clip(newest["title"], 120),
        to=name(newest["to"]), error=clip(newest["error"], 200), more=more,
        when=moment(newest["at_s"], view["at_s"], view["timezone"]),
    )  # fmt: skip


def _channel(channel: ChannelView, view: View) -> Html:
    fails = channel["failures"] > 0
    badge = looks.badge(looks.Look("fails", "cross", "odd") if fails else looks.Look("works", "disc", "plain"))
    last = channel["last_ok_s"]
    if not fails and last is None:
        badge = looks.badge(looks.Look("not used yet", "disc", "plain"))
    words = [] if last is None else [f"accepted one at {moment(last, view['at_s'], view['timezone'])}"]
    words += [f"{channel['waiting']} waiting"] if channel["waiting"] else []
    words += [channel["error"]] if fails else []
    words += [f"silent test: {channel['test']}"] if channel["test"] else []
    return fill(
        '<li class="card {tone}" data-key="channel-{key}"><div class="grow">{badge} <strong>{label}</strong>'
        "<small>{words}</small></div></li>",
        tone="odd" if fails else "", key=channel["name"], badge=badge, label=name(channel["label"]),
        words=clip("; ".join(words), 300),
    )  # fmt: skip
