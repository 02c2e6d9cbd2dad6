"""What a machine's plug says by itself: activity and probabilities, the levels it is judged by, and their forms."""

from functools import lru_cache

from farmwatch.web import forms
from farmwatch.web.manner import number
from farmwatch.web.markup import NOTHING, Html, fill, join, percent
from farmwatch.words.view import MachineView, PlugView

LEVELS: dict[str, str] = {
    "off_w": "switched off", "idle_w": "idle", "hold_low_w": "printing, bed off", "hold_high_w": "printing, bed on",
    "heat_w": "heating up",
}  # fmt: skip
SHOWN = 0.005  # less probable activities are not listed


def key(plug: PlugView | None) -> tuple[object, ...] | None:
    """What of it is drawn anew at once; its figures follow within the cell's own minute."""
    if plug is None:
        return None
    likely = tuple(round(10 * chance) for chance in plug["posterior"].values())
    fixed = tuple((level["set"], level["watts"] if level["set"] else None) for level in plug["levels"].values())
    return (plug["activity"], plug["unit_suspect"], plug["may_reopen"], plug["maybe_over"], likely, fixed)


def panel(machine: MachineView) -> Html:
    """Nothing for a machine without a plug."""
    plug = machine.get("plug")
    if plug is None:
        return NOTHING
    likely = sorted(plug["posterior"].items(), key=lambda pair: -pair[1])
    chances = ", ".join(f"{word} {percent(chance)}" for word, chance in likely if chance >= SHOWN)
    rows = join(
        fill('<tr><th scope="row">{word}</th><td>{watts} W</td><td>{basis}</td></tr>',
             word=word, watts=number(plug["levels"][key]["watts"]), basis=_basis(plug, key))
        for key, word in LEVELS.items()
    )  # fmt: skip
    return fill(
        '<details class="plug" data-key="plug-{name}"><summary>Plug: {activity}</summary><p>{because}</p>{unit}'
        "<p>{chances}</p><table><caption>Levels it is judged by</caption><tbody>{rows}</tbody></table>{correct}"
        "<p>A plug sees neither a failed part nor the bed's heat.</p></details>{again}",
        name=machine["name"], activity=plug["activity"], because=plug["because"],
        unit=fill("<p><b>{words}</b></p>", words=plug["unit_suspect"]) if plug["unit_suspect"] else NOTHING,
        chances=f"By watts alone: {chances}." if chances else "No reading yet.",
        rows=rows, correct=_correct(machine["name"]),
        again=forms.not_over(machine["name"]) if plug["may_reopen"] else NOTHING,
    )  # fmt: skip


def _basis(plug: PlugView, key: str) -> str:
    level = plug["levels"][key]
    if level["set"]:
        return "set"
    minutes = level["minutes"]
    return f"learnt from {minutes:.0f} min" if minutes >= 1 else "usual, not learnt yet"


@lru_cache(maxsize=512)
def _correct(name: str) -> Html:
    options = join(fill('<option value="{key}">{word}</option>', key=key, word=word) for key, word in LEVELS.items())
    return forms.plug_level(name, options)
