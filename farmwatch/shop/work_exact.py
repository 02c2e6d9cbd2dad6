"""Filling, exactly: the same question as an integer programme, by HiGHS (Huangfu and Hall, 2018) through scipy.

Machines that the same jobs fit and that are free at the same visit are one *group*: builds are counted by group, job
and visit. Where they draw splits a group into *classes*; for a class only matters how many of its machines are loaded
at visit k and cleared at visit e, whatever the job. So the programme has

    y[group, job, k]     builds            each job at most as often as wanted, materials within stock
    z[class, k, e]       machines taken    at no time more than the class has, places within their watts
    sum of y over the jobs that last from k to e  =  sum of z over the group's classes     for every group, k, e

which is far smaller than one variable for every machine and job, and means the same.

Small questions go to the solver whole. For large ones the linear relaxation comes first (column generation: columns
whose price is right join, until none is left; Dantzig and Wolfe, 1960), which gives the bound with stock and circuits
in it, and the integer programme is then solved over the columns that the relaxation uses or all but uses (kernel
search; Angelelli, Mansini and Speranza, 2010). Needs the extra `plan`; it is loaded for the question, never by the
daemon.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from farmwatch.shop.work import Filling, Free, Job, Load, Room, Task, fill, fit_kinds, shortages, suits

WHOLE = 2_000
"""Columns up to which the integer programme is solved whole: there it is proven best within a second or two."""
FIRST, MORE, ROUNDS = 20, 20, 12
"""Jobs for each group and length of stay that the relaxation begins with, that join in a round, and rounds at most."""
NEAR = 0.02
"""Columns whose reduced cost is below this share of the greatest worth are as good as used."""
GAP, NO_GAP = 2e-4, 1e-9


def fill_exactly(task: Task, within_s: float = 8.0) -> Filling:
    """The plan that is worth most, or the best found within a time, with the bound that it is known to keep to.

    Never worse than `fill`.
    """
    plain = fill(task)
    programme = _Programme(task)
    if not programme.all.any():
        return Filling((), 0.0, 0.0, exact=True, short=shortages(task, ()))
    bound, columns, gap = plain.bound, programme.columns(programme.all), NO_GAP
    if len(columns) > WHOLE:
        relaxed_bound, columns, plain = programme.relaxed(plain, within_s)
        bound, within_s, gap = min(bound, relaxed_bound), within_s / 2, GAP
    answer = programme.solve(columns, within_s, gap)
    if gap == NO_GAP and answer.mip_dual_bound is not None:
        bound = min(bound, -answer.mip_dual_bound)
    counts = None if answer.x is None else np.rint(answer.x)
    worth = -math.inf if counts is None else float(programme.worth_of(columns) @ counts[: len(columns)])
    if counts is None or worth < plain.worth:  # by a rounding, or the time was too short
        best, loads = plain.worth, plain.loads
    else:
        best, loads = worth, tuple(programme.loads(columns, counts))
    proven = (gap == NO_GAP and answer.status == 0) or bound - best <= 1e-7 * max(bound, 1.0)
    return Filling(loads, best, max(bound, best), exact=proven, short=shortages(task, loads))


@dataclass(slots=True)
class _Rows:
    """Rows of at most so much, by their key, and their entries."""

    high: list[float] = field(default_factory=list)
    index: dict[tuple[Any, ...], int] = field(default_factory=dict)

    def at(self, key: tuple[Any, ...], high: float) -> int:
        if key not in self.index:
            self.index[key] = len(self.high)
            self.high.append(high)
        return self.index[key]


class _Programme:
    """The integer programme of a task and the way back from its answer."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.last = len(task.visits_s) - 1
        kinds = fit_kinds(task.jobs)
        self.groups = _grouped(task.machines, lambda m: (task.first_visit(m), *(suits(fits, m) for fits in kinds)))
        self.classes = [(g, group) for g, of in enumerate(self.groups) for group in _grouped(of, self._draws)]
        shape = (len(task.jobs), self.last)
        visits = range(self.last)
        self.spans = np.array([[task.cleared_at(job, k) for k in visits] for job in task.jobs], int).reshape(shape)
        self.worth = np.array([[task.worth(job, k) for k in visits] for job in task.jobs], float).reshape(shape)
        self.all = self._all()
        self._row_all()

    def _all(self) -> Any:  # noqa: ANN401 - an array
        """Which (group, job, visit) make sense: the job is wanted, fits, is worth something, the machine is free."""
        task = self.task
        wanted = np.array([job.builds > 0 for job in task.jobs], bool)
        fits = np.array([[task.fits(job, group[0]) for job in task.jobs] for group in self.groups], bool)
        fits = fits.reshape(len(self.groups), len(task.jobs))
        first = np.array([task.first_visit(group[0]) for group in self.groups], int)
        free = first[:, None] <= np.arange(self.last)[None, :]
        return (fits & wanted)[:, :, None] & free[:, None, :] & (self.worth > 0)[None, :, :]

    def _draws(self, machine: Free) -> tuple[Any, ...]:
        places = tuple(sorted(place for place in machine.places if place in self.task.limits_w))
        return (places, machine.hold_w if places else 0.0)

    def _row_all(self) -> None:
        """Rows in their order: wanted by job, stock by material, then stays; and the columns of machines taken."""
        task, room = self.task, Room(self.task)
        rows, same = _Rows([float(job.builds) for job in task.jobs]), _Rows()
        self.stock_row = np.full(len(task.jobs), -1)
        for j, job in enumerate(task.jobs):
            if job.material is not None and math.isfinite(task.stock_g.get(job.material, math.inf)):
                self.stock_row[j] = rows.at(("stock", job.material), max(task.stock_g[job.material], 0.0))
        self.grams = np.array([job.grams for job in task.jobs], float)
        self.stay_row = np.full((len(self.groups), self.last, self.last + 2), -1)
        for g, group in enumerate(self.all):
            for k in range(self.last):
                for e in np.unique(self.spans[group[:, k], k]):
                    self.stay_row[g, k, e] = same.at((g, k, int(e)), 0.0)
        self.taken = [(c, k, e) for c, (g, _) in enumerate(self.classes) for of, k, e in same.index if of == g]
        entries: list[tuple[int, int, float]] = []
        self.taken_same = np.array([self.stay_row[self.classes[c][0], k, e] for c, k, e in self.taken], int)
        for column, (c, k, e) in enumerate(self.taken):
            machines = self.classes[c][1]
            for stretch in range(k, e):
                entries.append((rows.at(("busy", c, stretch), len(machines)), column, 1.0))
                for place in machines[0].places:
                    if place in room.watts:
                        limit_w = max(room.watts[place][stretch], 0.0)
                        entries.append((rows.at(("watts", place, stretch), limit_w), column, machines[0].hold_w))
        self.high, self.same_rows, self.entries = np.array(rows.high, float), len(same.high), entries

    # ---- columns: an array of (group, job, visit) -----------------------------------------------------------------

    def columns(self, mask: Any) -> Any:  # noqa: ANN401 - an array
        """The columns of a mask."""
        return np.argwhere(mask)

    def worth_of(self, columns: Any) -> Any:  # noqa: ANN401 - an array
        """What one build of each column is worth."""
        return self.worth[columns[:, 1], columns[:, 2]]

    def _matrices(self, columns: Any) -> tuple[Any, Any]:  # noqa: ANN401 - arrays
        """Rows of at most, and of equal: builds first, machines taken after them."""
        from scipy.sparse import coo_array

        g, j, k = columns.T
        count, at = len(columns), np.arange(len(columns))
        has = self.stock_row[j] >= 0
        taken, of, value = zip(*self.entries, strict=True)
        most = coo_array(
            (
                np.concatenate([np.ones(count), self.grams[j][has], value]),
                (np.concatenate([j, self.stock_row[j][has], taken]), np.concatenate([at, at[has], np.add(of, count)])),
            ),
            shape=(len(self.high), count + len(self.taken)),
        ).tocsr()
        stays = self.stay_row[g, k, self.spans[j, k]]
        ones = np.concatenate([np.ones(count), -np.ones(len(self.taken))])
        rows = np.concatenate([stays, self.taken_same])
        width = count + len(self.taken)
        equal = coo_array((ones, (rows, np.arange(width))), shape=(self.same_rows, width)).tocsr()
        return most, equal

    def solve(self, columns: Any, within_s: float, gap: float) -> Any:  # noqa: ANN401 - scipy has no types
        """Scipy's answer to the integer programme over some columns."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        most, equal = self._matrices(columns)
        highest = [min(len(self.groups[g]), self.task.jobs[j].builds) for g, j, _ in columns]
        highest += [len(self.classes[c][1]) for c, _, _ in self.taken]
        return milp(
            -np.concatenate([self.worth_of(columns), np.zeros(len(self.taken))]),
            integrality=np.ones(len(highest)),
            bounds=Bounds(0, np.array(highest, dtype=float)),
            constraints=[LinearConstraint(most, -np.inf, self.high), LinearConstraint(equal, 0.0, 0.0)],
            options={"time_limit": within_s, "mip_rel_gap": gap},
        )

    # ---- the linear relaxation ------------------------------------------------------------------------------------

    def relaxed(self, plain: Filling, within_s: float) -> tuple[float, Any, Filling]:
        """No plan is worth more than the first; the columns to look among; a plan that keeps to them, or the plain one.

        Where the relaxation is not solved in time, the columns are those of its last round and the bound what its
        prices prove (Lagrange): a job can win no more than its best column's price is off, for each of its builds.
        """
        from scipy.optimize import linprog

        mask = self._first(plain)
        bound, near, found = math.inf, mask, plain
        for _ in range(ROUNDS):
            columns = self.columns(mask)
            most, equal = self._matrices(columns)
            cost = -np.concatenate([self.worth_of(columns), np.zeros(len(self.taken))])
            answer = linprog(
                cost, A_ub=most, b_ub=self.high, A_eq=equal, b_eq=np.zeros(self.same_rows), method="highs",
                options={"time_limit": within_s},
            )  # fmt: skip
            if answer.status != 0:
                break
            off = self._off(answer)
            builds = np.array([job.builds for job in self.task.jobs])
            missed = float(np.maximum(off.max(axis=(0, 2), initial=0.0), 0.0) @ builds)
            bound = min(bound, -answer.fun + missed + 1e-6)
            near = self._near(columns, answer, off)
            found = max(found, self._guided(columns, answer, off), key=lambda plan: plan.worth)
            joining = (off > 1e-7) & ~mask
            if not joining.any():
                break
            mask |= _greatest(np.where(joining, off, -np.inf), self.spans, MORE)
        return bound, self.columns(near), found

    def _first(self, plain: Filling) -> Any:  # noqa: ANN401 - an array
        """Columns to begin with: all where they are few, else the best of each group and stay, and the plain plan's."""
        if self.all.sum() <= 20 * WHOLE:
            return self.all
        mask = _greatest(np.where(self.all, self.worth[None, :, :], -np.inf), self.spans, FIRST)
        job_at = {job.name: j for j, job in enumerate(self.task.jobs)}
        group_of = {machine.name: g for g, group in enumerate(self.groups) for machine in group}
        visit_at = {at_s: k for k, at_s in enumerate(self.task.visits_s)}
        for load in plain.loads:
            mask[group_of[load.machine], job_at[load.job], visit_at[load.visit_s]] = True
        return mask & self.all

    def _off(self, answer: Any) -> Any:  # noqa: ANN401 - arrays
        """By how much a build of every column would better the relaxation at its prices; -inf where there is none."""
        price, stay = answer.ineqlin.marginals, answer.eqlin.marginals
        jobs = len(self.task.jobs)
        of_job = price[:jobs] + np.where(self.stock_row >= 0, price[self.stock_row] * self.grams, 0.0)
        row = self.stay_row[:, np.arange(self.last)[None, :], self.spans]
        return np.where(self.all, self.worth[None, :, :] + of_job[None, :, None] + stay[row], -np.inf)

    def _near(self, columns: Any, answer: Any, off: Any) -> Any:  # noqa: ANN401 - arrays
        near = self.all & (off > -NEAR * self.worth.max())
        used = columns[answer.x[: len(columns)] > 1e-9]
        near[tuple(used.T)] = True
        if near.sum() > 20 * WHOLE:  # then those alone that are used, or a hair from it
            near = self.all & (off > -1e-6)
            near[tuple(used.T)] = True
        return near

    def _guided(self, columns: Any, answer: Any, off: Any) -> Filling:  # noqa: ANN401 - arrays
        """A whole plan along the relaxation: its builds first, then what is all but as good, wherever there is room."""
        task, room = self.task, Room(self.task)
        builds = np.zeros(self.all.shape)
        builds[tuple(columns.T)] = answer.x[: len(columns)]
        free_from = {machine.name: task.first_visit(machine) for machine in task.machines}
        near, loads, worth = -NEAR * self.worth.max(), list[Load](), 0.0
        for k in range(self.last):
            for g, group in enumerate(self.groups):
                wanted = np.flatnonzero((builds[g, :, k] > 1e-9) | (off[g, :, k] > near))
                order = wanted[np.lexsort((-off[g, wanted, k], -np.ceil(builds[g, wanted, k] - 0.5)))]
                turns = [j for j in order.tolist() for _ in range(max(round(builds[g, j, k]), 1))]
                for machine in group:
                    if free_from[machine.name] > k:
                        continue
                    at = next((i for i, j in enumerate(turns) if room.has(task.jobs[j], machine, k)), None)
                    if at is None:
                        continue
                    job = task.jobs[turns.pop(at)]
                    room.take(job, machine, k)
                    free_from[machine.name] = task.cleared_at(job, k)
                    loads.append(task.load(machine.name, job, k))
                    worth += task.worth(job, k)
        return Filling(tuple(loads), worth, worth, exact=False, short=shortages(task, loads))

    # ---- the way back ---------------------------------------------------------------------------------------------

    def loads(self, columns: Any, counts: Any) -> list[Load]:  # noqa: ANN401 - arrays
        """Hand the counted builds to machines: each length of stay to a class, each class to its free machines."""
        task = self.task
        stays: dict[tuple[int, int, int], list[Job]] = defaultdict(list)
        for (g, j, k), count in zip(columns.tolist(), counts, strict=False):
            stays[g, k, int(self.spans[j, k])] += [task.jobs[j]] * int(count)
        free_from = {machine.name: task.first_visit(machine) for machine in task.machines}
        loads = []
        slots = zip(self.taken, counts[len(columns) :], strict=True)
        for (c, k, e), count in sorted(slots, key=lambda slot: slot[0][1]):
            g, machines = self.classes[c]
            for _ in range(int(count)):
                machine = next(m for m in machines if free_from[m.name] <= k)
                free_from[machine.name] = e
                loads.append(task.load(machine.name, stays[g, k, e].pop(), k))
        return loads


def _greatest(value: Any, spans: Any, most: int) -> Any:  # noqa: ANN401 - arrays
    """The greatest finite few of (group, job, visit), for each group, visit and end of the stay."""
    mask = np.zeros(value.shape, bool)
    for k in range(value.shape[2]):
        for e in np.unique(spans[:, k]):
            jobs = np.flatnonzero(spans[:, k] == e)
            rows = value[:, jobs, k]
            few = min(most, len(jobs))
            best = np.argpartition(-rows, few - 1, axis=1)[:, :few]
            g = np.arange(len(rows))[:, None]
            mask[g, jobs[best], k] = np.isfinite(rows[g, best])
    return mask


def _grouped(machines: Iterable[Free], key: Callable[[Free], tuple[Any, ...]]) -> list[list[Free]]:
    groups: dict[tuple[Any, ...], list[Free]] = defaultdict(list)
    for machine in machines:
        groups[key(machine)].append(machine)
    return list(groups.values())
