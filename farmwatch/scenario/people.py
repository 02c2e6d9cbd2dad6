"""Ann and Bram: they walk along the machines twice a day, clear beds, load filament and start builds."""

from random import Random

from farmwatch.scenario.bench import BUSY, OFF, PAUSE, REST, Bench
from farmwatch.scenario.site import JOBS, MATERIALS, Job
from farmwatch.scenario.stage import Stage

CLEARING_SAID = 0.90  # how often they say "cleared" where they start the next build at once
STARTED_SAID = 0.92  # how often they say what they started on a machine that has just a plug
START = 0.92  # how often they start something on a free machine
CANCEL = 0.012  # how often they find a build in hand not worth going on with


class Walk:
    """One round: machine by machine in walking order, with minutes between; hot beds once more at the end."""

    def __init__(self, stage: Stage, person: str, start_s: float) -> None:
        self._stage, self._person = stage, person
        self._rng = Random(f"{stage.seed} walk {start_s:.0f}")
        self._todo = list(stage.benches.values())
        self._again: list[Bench] = []
        self._second = False

    def go(self, now_s: float) -> None:
        """See to the next machine, then walk on."""
        if not self._todo:
            if self._again and not self._second:
                self._todo, self._again, self._second = self._again, [], True
                self._stage.at(now_s + self._rng.uniform(420.0, 900.0), self.go)
            return
        spent_s = self._visit(self._todo.pop(0), now_s)
        self._stage.at(now_s + spent_s + self._rng.uniform(20.0, 70.0), self.go)

    def _visit(self, bench: Bench, now_s: float) -> float:
        """See to one machine; seconds spent at it."""
        rng, stage, name = self._rng, self._stage, bench.spec.name
        if bench.mode == OFF:
            return 15.0
        if bench.mode == PAUSE:
            stage.at(now_s + 90.0, lambda at_s: stage.go_on(bench, at_s))
            return 120.0
        if bench.mode in BUSY:
            if bench.worked_s > 900.0 and rng.random() < CANCEL:
                stage.end_build(bench, "cancelled", now_s)
                stage.say(now_s + 12.0, "cancelled", name, self._person)
                self._again.append(bench)
                return 45.0
            return 8.0
        if bench.mode == REST and bench.full:
            return self._clear(bench, now_s)
        if bench.mode == REST and (self._wished(bench, now_s) or rng.random() < START):
            return self._start(bench, now_s)
        return 10.0

    def _wished(self, bench: Bench, now_s: float) -> bool:
        return self._stage.wish(bench, now_s) is not None

    def _clear(self, bench: Bench, now_s: float) -> float:
        rng, stage, name = self._rng, self._stage, bench.spec.name
        if bench.bed_c > MATERIALS[bench.spec.material].release_c + 2.0:
            self._again.append(bench)
            return 10.0
        cleared_s = now_s + rng.uniform(50.0, 140.0)
        failed = not bench.spec.panel and stage.result(bench) == "failed"
        starts = rng.random() < START
        says = not starts or rng.random() < CLEARING_SAID

        def clear(at_s: float) -> None:
            if bench.mode != REST:  # the power went while they were at it
                return
            stage.clear(bench, at_s)
            if failed:
                stage.say(at_s + 4.0, "failed", name, self._person)
            if says:
                stage.say(at_s + rng.uniform(6.0, 30.0), "cleared", name, self._person)
            if starts:
                start_s = at_s + rng.uniform(40.0, 120.0)
                stage.at(start_s, lambda then_s: void(self._start(bench, then_s)))

        stage.at(cleared_s, clear)
        return cleared_s - now_s + (120.0 if starts else 0.0)

    def _start(self, bench: Bench, now_s: float) -> float:
        stage, rng = self._stage, self._rng
        if bench.mode != REST or bench.full:
            return 10.0
        job = stage.wish(bench, now_s) or self._choose(bench, now_s)
        stage.feed(bench, job, now_s, self._person)
        stage.build_on(bench, job, now_s, rng)
        if not bench.spec.panel and rng.random() < STARTED_SAID:
            planned_min = round(job.minutes * bench.spec.speed)
            fields = {"job": job.name, "planned_min": planned_min, "material": job.material}
            stage.say(now_s + rng.uniform(8.0, 40.0), "started", bench.spec.name, self._person, **fields)
        return 60.0

    def _choose(self, bench: Bench, now_s: float) -> Job:
        """A job of the machine's material; long ones are liked, if they are done by the next round."""
        gap_s = self._stage.next_round_s(now_s) - now_s
        fitting = [job for job in JOBS.values() if job.material == bench.spec.material]
        anything = self._rng.random() < 0.2
        weights = [
            (job.minutes if anything or 60.0 * job.minutes * bench.spec.speed + 1200.0 < gap_s else 1.0)
            for job in fitting
        ]
        return self._rng.choices(fitting, weights)[0]


def void(_seconds: float) -> None:
    """Nothing follows from it."""
