"""Phrases that several panels use: a finish time, its basis, the age of data."""

from datetime import tzinfo

from farmwatch.web.markup import Html, clip, fill, known, moment, span, stamp
from farmwatch.words.view import FinishView, MachineView

FRESH_S = 30.0  # below this a reading's age is not worth a word


def within(low: str, high: str) -> str:
    """An 80 % interval in words."""
    return f"between {low} and {high} in 8 of 10 cases"


def line(left: Html, right: object) -> Html:
    """A row of a card: what it is, and at the right edge the figure that matters."""
    return fill('<div class="line"><span class="grow">{left}</span> <b class="key">{right}</b></div>',
                left=left, right=right)  # fmt: skip


def finish(found: FinishView | None, now_s: float, where: tzinfo) -> Html:
    """``14:40, between 14:32 and 14:55 in 8 of 10 cases``, or what is not known of it."""
    return fill("<b>{at}</b>, {sure}", at=finish_at(found, now_s, where), sure=finish_sure(found, now_s, where))


def finish_at(found: FinishView | None, now_s: float, where: tzinfo) -> Html:
    """The most likely finish."""
    p50_s = known(found["p50_s"]) if found is not None else None
    return fill("end not known") if p50_s is None else stamp(p50_s, now_s, where)


def finish_sure(found: FinishView | None, now_s: float, where: tzinfo) -> str:
    """How sure the finish is, what it rests on, and by how much it is late."""
    words = [basis(found)]
    if found is not None and known(found["p50_s"]) is not None:
        p10_s, p90_s = known(found["p10_s"]), known(found["p90_s"])
        sure = "no range: too little is known for one"
        if p10_s is not None and p90_s is not None:
            sure = within(moment(p10_s, now_s, where), moment(p90_s, now_s, where))
        words.insert(0, sure)
    if found is not None and (late_s := known(found["overdue_s"])) is not None and late_s > 0:
        words.append(f"overdue by {span(late_s)}")
    return "; ".join(words)


def clear_at(machine: MachineView, now_s: float, where: tzinfo) -> Html | None:
    """``about 14:40, between 14:32 and 14:55 in 8 of 10 cases; ...`` of a bed not clear yet, None if unknown."""
    at_s, clear = known(machine["clear_at_s"]), machine["clear"]
    if at_s is None:
        return None
    words = ["no range is known"]
    if clear is not None:
        low_s, high_s = known(clear["p10_s"]), known(clear["p90_s"])
        if low_s is not None and high_s is not None:
            words = [within(moment(low_s, now_s, where), moment(high_s, now_s, where))]
        words.append(clip(clear["basis"]))
    return fill("about {at}, {sure}", at=stamp(at_s, now_s, where), sure="; ".join(words))


def basis(found: FinishView | None) -> str:
    """What the finish time rests on."""
    if found is None:
        return "nothing to go by"
    words = clip(found["basis"]) or "basis not said"
    if found["builds"] and "build" not in words:
        words += f", {found['builds']} build{'s' * (found['builds'] > 1)} like it"
    return words


def age(age_s: float | None, *, always: bool = False) -> str:
    """How old the newest reading is; fresh ones only if `always`. Coarse, so that the page changes seldom."""
    age_s = known(age_s)
    if age_s is None:
        return "Never heard. "
    if age_s < FRESH_S:
        return "Heard just now. " if always else ""
    return f"Last heard {span(age_s)} ago. "
