"""A machine's plug levels as people see and correct them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from farmwatch.words.errors import Refused

if TYPE_CHECKING:
    from collections.abc import Mapping

    from farmwatch.machines.signature import PowerSense
    from farmwatch.words.view import PlugView

KEYS = {"off_w": "off", "idle_w": "idle", "hold_low_w": "hold low", "hold_high_w": "hold high", "heat_w": "heat"}
"""Key of the configuration and the API: level."""


def correct(sense: PowerSense, fields: Mapping[str, Any]) -> None:
    """What a person says of one level: ``level`` and ``value`` in watts; without a value it is learnt again.

    Raises:
        Refused: no such level, or no number of watts from 0.
    """
    key, watts = fields.get("level"), fields.get("value")
    if key not in KEYS:
        raise Refused(f"no level {str(key)[:40]!r}", hint=f"one of {', '.join(KEYS)}")
    if watts is None:
        sense.free_level(KEYS[key])
        return
    if isinstance(watts, bool) or not isinstance(watts, int | float):
        raise Refused(f"value must be watts from 0, not {str(watts)[:40]!r}")
    try:
        sense.set_level(KEYS[key], float(watts))
    except ValueError as wrong:
        raise Refused(str(wrong)) from wrong


def view(sense: PowerSense, now_s: float, *, may_reopen: bool = False) -> PlugView:
    """What the plug says by itself, with every probability, and the levels it is judged by."""
    said = sense.judge(now_s)
    levels = sense.levels.levels
    return {
        "activity": said.activity,
        "probability": round(said.probability, 4),
        "because": said.because,
        "posterior": {name: round(chance, 4) for name, chance in said.posterior.items()},
        "maybe_over": said.maybe_over,
        "levels": {
            key: {
                "watts": round(levels[name].watts, 1),
                "minutes": round(levels[name].minutes, 1),
                "set": levels[name].fixed,
            }
            for key, name in KEYS.items()
        },
        "learned": sense.levels.learned,
        "unit_suspect": sense.unit_suspect(),
        "may_reopen": may_reopen,
    }
