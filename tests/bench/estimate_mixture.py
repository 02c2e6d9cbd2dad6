"""What estimating adds to a message, over the very mixture of calls that the program makes.

Run by hand:  python tests/bench/estimate_mixture.py [--every 2,10,60] [--days 1] [--seed 9401]

Saltmarsh Works goes through the whole engine, once a rhythm and choice of sources. Every call that the engine makes of
the estimator and of the plugs' senses (reports, readings, looks once a minute, timers, learning, journal rows) is taken
down and made again on estimators of their own, with the processor's time taken. The same calls of something that does
nothing are the floor: estimating switched off. The difference, over the messages of machines, is what estimating costs
a message. Beside it stand json.loads of one report in the same run, and the load.

The days grow with the rhythm (at 60 s five times as many as said, at 10 s twice), for the messages get fewer.
"""

from __future__ import annotations

import argparse
import gc
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial, wraps
from typing import Any

from score_estimates import floor_us
from score_scenario import MODES, listened

from farmwatch.machines.eta import Estimator
from farmwatch.machines.signature import PowerSense
from farmwatch.machines.tracker import MachineTrack

CHUNK = 200_000
REPORTS = (
    "started", "renamed", "progress", "paused", "resumed", "ended", "reopened", "revise", "estimate", "take_changed",
)  # fmt: skip
READINGS = ("observe", "judge", "set_level", "free_level", "not_over", "unit_suspect", "as_dict")


class Costs:
    """Calls taken down, and what they took when they were made again."""

    def __init__(self) -> None:
        self.took_s = {"reports": 0.0, "plug": 0.0}
        self.calls = {"reports": 0, "plug": 0}
        self.messages = 0
        self._shadows: dict[int, tuple[Any, Any]] = {}
        self._log: dict[str, list[tuple[Callable[..., Any], tuple[Any, ...]]]] = {"reports": [], "plug": []}
        self._inside = False

    def shadow(self, of: Any) -> Any:
        """The one that stands for this one when the calls are made again."""
        held = self._shadows.get(id(of))
        if held is None:
            held = self._shadows[id(of)] = (of, type(of)())  # the first is held, so that its id stays its own
        return held[1]

    def watch(self, kind: str, owner: type, name: str) -> Callable[[], None]:
        """Take down the calls of a method from outside; returns what undoes it."""
        method = getattr(owner, name)

        @wraps(method)
        def taken(of: Any, *args: Any, **named: Any) -> Any:
            if self._inside:
                return method(of, *args, **named)
            call = partial(method, self.shadow(of), **named) if named else method.__get__(self.shadow(of))
            self._log[kind].append((call, args))
            self._inside = True
            try:
                return method(of, *args, **named)
            finally:
                self._inside = False

        setattr(owner, name, taken)
        return partial(setattr, owner, name, method)

    def count(self) -> Callable[[], None]:
        """Count the messages of machines; between two of them the calls are made again now and then."""
        method = MachineTrack.observe

        def observe(machine: MachineTrack, seen: Any) -> Any:
            self.messages += not seen.retained
            if sum(map(len, self._log.values())) > CHUNK:
                self.settle()
            return method(machine, seen)

        setattr(MachineTrack, "observe", observe)  # noqa: B010 - the type is another
        return partial(setattr, MachineTrack, "observe", method)

    def settle(self) -> None:
        """Make the calls again, then those that do nothing."""
        self._inside = True
        for kind, log in self._log.items():
            begin = time.process_time()
            for call, args in log:
                call(*args)
            middle = time.process_time()
            for _, args in log:
                _nothing(*args)
            self.took_s[kind] += 2.0 * middle - begin - time.process_time()
            self.calls[kind] += len(log)
            log.clear()
        self._inside = False


def _nothing(*_args: object) -> None:
    """Estimating switched off."""


@contextmanager
def taken_down() -> Iterator[Costs]:
    """Costs of all that is estimated within."""
    costs = Costs()
    undo = [costs.count()]
    undo += [costs.watch("reports", Estimator, name) for name in REPORTS]
    undo += [costs.watch("plug", PowerSense, name) for name in READINGS]
    try:
        yield costs
        costs.settle()
    finally:
        for back in undo:
            back()


def main() -> None:
    """Print a row a rhythm and choice of sources."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", default="2,10,60")
    parser.add_argument("--days", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=9401)
    parser.add_argument("--modes", default=",".join(MODES))
    args = parser.parse_args()
    gc.disable()
    print("| sampling | sources | messages | us a message | of these by reports : by plugs | x json.loads | load |")
    print("|" + "---|" * 7, flush=True)
    for every_s in map(float, args.every.split(",")):
        days = args.days * (1.0 if every_s < 10.0 else 2.0 if every_s < 60.0 else 5.0)
        for mode in args.modes.split(","):
            with taken_down() as costs:
                listened(args.seed, days, every_s, mode)
            gc.collect()
            a_message = {kind: 1e6 * took_s / costs.messages for kind, took_s in costs.took_s.items()}
            total, load = sum(a_message.values()), os.getloadavg()[0]
            print(
                f"| {every_s:.0f} s | {mode} | {costs.messages} | {total:.1f} | {a_message['reports']:.1f} :"
                f" {a_message['plug']:.1f} | {total / floor_us():.1f} | {load:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
