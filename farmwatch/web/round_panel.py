"""The next round in one line, for the live page. Pure."""

from datetime import tzinfo

from farmwatch.web.manner import number
from farmwatch.web.markup import NOTHING, Html, fill, moment, zone
from farmwatch.words.rounds import RoundsView
from farmwatch.words.view import View

NOT_YET = "When to go is worked out within a minute of somebody looking."
NOBODY = 'When anybody can go is not known: add rounds = ["mon-fri 07:30-09:00"] under [people].'


def panel(view: View) -> Html:
    """One line about the next round, with the way to its sheet."""
    rounds = view.get("trips")
    words = line(rounds)
    return fill(
        '<p class="key">{words}</p>{extra}<p><a class="button" href="/round">Round sheet</a></p>', words=words,
        extra=extra(rounds, view["at_s"], zone(view["timezone"])) if rounds is not None else NOTHING,
    )  # fmt: skip


def line(rounds: RoundsView | None) -> str:
    """When to go, or why that cannot be said."""
    if rounds is None:
        return NOT_YET
    return rounds["text"] or NOBODY


def extra(rounds: RoundsView, now_s: float, where: tzinfo) -> Html:
    """Whether one more trip pays."""
    if not rounds["extra_pays"] or (rounds["visits"] and rounds["visits"][0]["at_s"] - now_s < 120):
        return NOTHING
    words = f"One more trip now saves {number(rounds['now_saves_min'])} machine-minutes; a trip counts as "
    words += f"{number(rounds['trip_cost_min'])}."
    best_s, best_min = rounds["extra_s"], rounds["extra_saves_min"]
    if best_s is not None and best_min is not None and best_s - now_s > 600:
        words += f" At {moment(best_s, now_s, where)} it saves {number(best_min)}."
    return fill("<p>{words}</p>", words=words)
