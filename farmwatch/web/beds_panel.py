"""Beds that wait for a person, those just cleared, and those that come free next."""

from datetime import tzinfo

from farmwatch.web import forms, looks
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, name, span, stamp, zone
from farmwatch.web.phrases import clear_at
from farmwatch.words.view import MachineView, View

UNDO_S = 10.0
"""So long the page offers to take "cleared" back."""
MOST = 40
"""Beds listed one by one; the rest is counted."""


def beds(view: View) -> Html:
    """Longest waiting first, each with its button."""
    now_s, where = view["at_s"], zone(view["timezone"])
    waiting = [machine for machine in view["machines"] if machine["state"] == "waiting"]
    waiting.sort(key=lambda machine: _since(machine, now_s))
    cooling = [machine for machine in view["machines"] if machine["state"] == "cooling"]
    rows = [_bed(machine, now_s, where) for machine in waiting[:MOST]]
    rows += [_undo(machine) for machine in view["machines"] if _fresh(machine, now_s)]
    listed = fill('<ul class="cards">{rows}</ul>', rows=join(rows)) if rows else NOTHING
    if waiting[MOST:]:
        listed = fill("{listed}<p>{count} more wait.</p>", listed=listed, count=len(waiting) - MOST)
    blind = [machine["name"] for machine in view["machines"] if machine["state"] == "unknown"]
    if not waiting:
        none = fill("<p>No bed is known to wait.</p>" if blind else "<p>No bed waits.</p>")
        listed = fill("{listed}{none}", listed=listed, none=none)
    if blind:
        listed = fill('{listed}<p class="soon">Nothing is known of {few}.</p>', listed=listed, few=_few(blind))
    cooling.sort(key=lambda machine: known(machine["clear_at_s"]) or now_s)
    soon = [_soon(machine, now_s, where) for machine in cooling[:MOST]]
    if cooling[MOST:]:
        soon.append(fill('<p class="soon">{count} more are cooling.</p>', count=len(cooling) - MOST))
    return join([listed, *soon])


def _since(machine: MachineView, now_s: float) -> float:
    since_s = machine["clear_at_s"] if machine["clear_at_s"] is not None else machine["since_s"]
    return now_s if since_s is None else since_s


def _bed(machine: MachineView, now_s: float, where: tzinfo) -> Html:
    since_s = machine["clear_at_s"] if machine["clear_at_s"] is not None else machine["since_s"]
    waits = NOTHING
    if since_s is not None:
        waits = fill("waits since {at}, {span}", at=stamp(since_s, now_s, where), span=span(now_s - since_s))
    return fill(
        '<li class="card act" data-key="bed-{key}">{shape}<div class="grow"><strong>{machine}</strong> {job}'
        "<small>{waits}</small></div>{form}</li>",
        key=machine["name"], shape=looks.shape(looks.MACHINES["waiting"]), machine=name(machine["name"]),
        job=name(machine["job"]) if machine["job"] else NOTHING, waits=waits, form=forms.cleared(machine["name"]),
    )  # fmt: skip


def _fresh(machine: MachineView, now_s: float) -> bool:
    at_s = known(machine.get("cleared_at_s"))
    return at_s is not None and 0 <= now_s - at_s < UNDO_S


def _undo(machine: MachineView) -> Html:
    """It is said and written down already; this takes it back."""
    by = machine.get("cleared_by", "")
    return fill(
        '<li class="card" data-key="undo-{key}">{shape}<div class="grow"><strong>{machine}</strong> is clear'
        "<small>said{by} just now</small></div>{form}</li>",
        key=machine["name"], shape=looks.shape(looks.MACHINES["idle"]), machine=name(machine["name"]),
        by=fill(" by {who}", who=name(by)) if by else NOTHING, form=forms.uncleared(machine["name"]),
    )  # fmt: skip


def _soon(machine: MachineView, now_s: float, where: tzinfo) -> Html:
    when = clear_at(machine, now_s, where) or fill("at a time not known")
    return fill('<p class="soon">{machine} is cooling; can be cleared {when}.</p>',
                machine=name(machine["name"]), when=when)  # fmt: skip


def _few(names: list[str]) -> str:
    return clip(", ".join(names[:4]) + (f" and {len(names) - 4} more" if names[4:] else ""))
