"""Filling, exactly: the same question as an integer programme, by HiGHS (Huangfu and Hall, 2018) through scipy.

Machines that the same jobs fit and that are free at the same visit are one *group*: builds are counted by group, job
and visit. Where they draw splits a group into *classes*; for a class only matters how many of its machines are loaded
at visit k and cleared at visit e, whatever the job. So the programme has

    y[group, job, k]     builds            each job at most as often as wanted, materials within stock
    z[class, k, e]       machines taken    at no time more than the class has, places within their watts
    sum of y over the jobs that last from k to e  =  sum of z over the group's classes     for every group, k, e

which is far smaller than one variable for every machine and job, and means the same. Needs the extra `plan`; it is
loaded for the question, never by the daemon.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from farmwatch.shop.work import Filling, Free, Job, Load, Room, Task, fill, shortages


def fill_exactly(task: Task, within_s: float = 8.0) -> Filling:
    """The plan that is worth most, or the best found within a time, with the bound that it is known to keep to.

    Never worse than `fill`.
    """
    import numpy as np

    plain = fill(task)
    programme = _Programme(task)
    if not programme.builds:
        return Filling((), 0.0, 0.0, exact=True, short=shortages(task, ()))
    answer = programme.solve(within_s)
    bound = plain.bound if answer.mip_dual_bound is None else min(plain.bound, -answer.mip_dual_bound)
    proven = answer.status == 0
    counts = None if answer.x is None else np.rint(answer.x)
    worth = -math.inf if counts is None else float(np.array(programme.worth) @ counts)
    if counts is None or worth < plain.worth:  # by a rounding, or the time was too short
        return Filling(plain.loads, plain.worth, max(bound, plain.worth), exact=proven, short=plain.short)
    loads = programme.loads(counts)
    return Filling(tuple(loads), worth, max(bound, worth), exact=proven, short=shortages(task, loads))


@dataclass(slots=True)
class _Matrix:
    """Rows by their key, filled entry by entry."""

    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    index: dict[tuple[Any, ...], int] = field(default_factory=dict)
    entries: list[tuple[int, int, float]] = field(default_factory=list)

    def put(self, key: tuple[Any, ...], column: int, value: float, low: float, high: float) -> None:
        if key not in self.index:
            self.index[key] = len(self.high)
            self.low.append(low)
            self.high.append(high)
        self.entries.append((self.index[key], column, value))

    def constraint(self, columns: int) -> Any:  # noqa: ANN401 - scipy has no types
        import numpy as np
        from scipy.optimize import LinearConstraint
        from scipy.sparse import coo_array

        at, of, value = zip(*self.entries, strict=True)
        matrix = coo_array((value, (at, of)), shape=(len(self.high), columns)).tocsr()
        return LinearConstraint(matrix, np.array(self.low), np.array(self.high))


class _Programme:
    """The integer programme of a task and the way back from its answer."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.last = len(task.visits_s) - 1
        self.groups = _grouped(task.machines, self._fits_and_visit)
        self.classes = [(g, group) for g, of in enumerate(self.groups) for group in _grouped(of, self._draws)]
        self.spans = {(j, k): task.cleared_at(job, k) for j, job in enumerate(task.jobs) for k in range(self.last)}
        worth = {(j, k): task.worth(task.jobs[j], k) for j, k in self.spans}
        self.builds = [
            (g, j, k)
            for g, group in enumerate(self.groups)
            for j, job in enumerate(task.jobs)
            if job.builds > 0 and task.fits(job, group[0])
            for k in range(task.first_visit(group[0]), self.last)
            if worth[j, k] > 0
        ]
        lengths = sorted({(g, k, self.spans[j, k]) for g, j, k in self.builds})
        self.taken = [(c, k, e) for c, (g, _) in enumerate(self.classes) for of, k, e in lengths if of == g]
        self.worth = [worth[j, k] for _, j, k in self.builds] + [0.0] * len(self.taken)

    def _fits_and_visit(self, machine: Free) -> tuple[Any, ...]:
        only = tuple(j for j, job in enumerate(self.task.jobs) if not self.task.fits(job, machine))
        return (*only, "at", self.task.first_visit(machine))

    def _draws(self, machine: Free) -> tuple[Any, ...]:
        places = tuple(sorted(place for place in machine.places if place in self.task.limits_w))
        return (places, machine.hold_w if places else 0.0)

    def solve(self, within_s: float) -> Any:  # noqa: ANN401 - scipy has no types
        """Scipy's answer."""
        import numpy as np
        from scipy.optimize import Bounds, milp

        highest = [min(len(self.groups[g]), self.task.jobs[j].builds) for g, j, _ in self.builds]
        highest += [len(self.classes[c][1]) for c, _, _ in self.taken]
        return milp(
            -np.array(self.worth),
            integrality=np.ones(len(highest)),
            bounds=Bounds(0, np.array(highest, dtype=float)),
            constraints=[self._constraint()],
            options={"time_limit": within_s, "mip_rel_gap": 1e-9},
        )

    def _constraint(self) -> Any:  # noqa: ANN401 - scipy has no types
        task, room, rows = self.task, Room(self.task), _Matrix()
        for column, (g, j, k) in enumerate(self.builds):
            job = task.jobs[j]
            rows.put(("wanted", j), column, 1.0, -math.inf, job.builds)
            if job.material is not None and math.isfinite(task.stock_g.get(job.material, math.inf)):
                rows.put(("stock", job.material), column, job.grams, -math.inf, task.stock_g[job.material])
            rows.put(("same", g, k, self.spans[j, k]), column, 1.0, 0.0, 0.0)
        for column, (c, k, e) in enumerate(self.taken, start=len(self.builds)):
            g, machines = self.classes[c]
            rows.put(("same", g, k, e), column, -1.0, 0.0, 0.0)
            for stretch in range(k, e):
                rows.put(("busy", c, stretch), column, 1.0, -math.inf, len(machines))
                for place in machines[0].places:
                    if place in room.watts:
                        limit_w = max(room.watts[place][stretch], 0.0)
                        rows.put(("watts", place, stretch), column, machines[0].hold_w, -math.inf, limit_w)
        return rows.constraint(len(self.builds) + len(self.taken))

    def loads(self, counts: Any) -> list[Load]:  # noqa: ANN401 - an array
        """Hand the counted builds to machines: each length of stay to a class, each class to its free machines."""
        task = self.task
        stays: dict[tuple[int, int, int], list[Job]] = defaultdict(list)
        for (g, j, k), count in zip(self.builds, counts, strict=False):
            stays[g, k, self.spans[j, k]] += [task.jobs[j]] * int(count)
        free_from = {machine.name: task.first_visit(machine) for machine in task.machines}
        loads = []
        slots = zip(self.taken, counts[len(self.builds) :], strict=True)
        for (c, k, e), count in sorted(slots, key=lambda slot: slot[0][1]):
            g, machines = self.classes[c]
            for _ in range(int(count)):
                machine = next(m for m in machines if free_from[m.name] <= k)
                free_from[machine.name] = e
                loads.append(task.load(machine.name, stays[g, k, e].pop(), k))
        return loads


def _grouped(machines: Iterable[Free], key: Callable[[Free], tuple[Any, ...]]) -> list[list[Free]]:
    groups: dict[tuple[Any, ...], list[Free]] = defaultdict(list)
    for machine in machines:
        groups[key(machine)].append(machine)
    return list(groups.values())
