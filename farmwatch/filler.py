"""The filling proposal found exactly, by a process of its own that ends with its answer.

Numpy and scipy take some 80 MB and half a second to load; so the daemon never loads them. Where the extra `plan` is not
installed, or the process fails or takes too long, the plain way answers.
"""

import dataclasses
import importlib.util
import json
import logging
import subprocess
import sys
from collections.abc import Callable
from typing import Any

from farmwatch.shop.filling import EXACT, FillAnswer, FillQuestion
from farmwatch.shop.work import Filling, Free, Job, Load, Rules, Short, Task
from farmwatch.words.model import Work

log = logging.getLogger("farmwatch")
SOLVE_S = 5.0
LONGEST_S = 60.0
"""On a busy computer it takes long to load numpy and scipy alone; nobody waits for the answer."""


def filler(plain: Callable[[Work], Any]) -> Callable[[Work], Any]:
    """Answers as `plain` does, filling questions exactly where that can be done."""
    if importlib.util.find_spec("scipy") is None:
        return plain

    def answer(work: Work) -> Any:  # noqa: ANN401  (each kind has its own answer)
        if not isinstance(work.question, FillQuestion):
            return plain(work)
        try:
            return FillAnswer(work.question.task, in_a_child(work.question.task), EXACT)
        except (OSError, subprocess.SubprocessError, ValueError, KeyError, TypeError) as error:
            log.warning("the filling could not be found exactly (%s); the plain way answers", type(error).__name__)
            return plain(work)

    return answer


def in_a_child(task: Task) -> Filling:
    """The exact filling; OSError, SubprocessError or ValueError where the child gives none."""
    done = subprocess.run(
        [sys.executable, "-m", "farmwatch.filler"], input=task_text(task), capture_output=True, text=True,
        timeout=LONGEST_S, check=True,
    )  # fmt: skip
    found = json.loads(done.stdout)
    loads, short = tuple(Load(*row) for row in found["loads"]), tuple(Short(*row) for row in found["short"])
    return Filling(loads, found["worth"], found["bound"], found["exact"], short)


def task_text(task: Task) -> str:
    """A task as JSON."""
    return json.dumps(dataclasses.asdict(task), default=sorted)


def task_of(text: str) -> Task:
    """The reverse of `task_text`."""
    doc = json.loads(text)
    jobs = [Job(**row | {"fits": None if row["fits"] is None else frozenset(row["fits"])}) for row in doc["jobs"]]
    machines = [Free(**row | {"places": tuple(row["places"])}) for row in doc["machines"]]
    return Task(jobs, machines, doc["visits_s"], doc["stock_g"], doc["limits_w"], Rules(**doc["rules"]))


def main() -> None:
    """Standard input to standard output."""
    from farmwatch.shop.work_exact import fill_exactly  # noqa: PLC0415  (an extra, in the child alone)

    found = fill_exactly(task_of(sys.stdin.read()), SOLVE_S)
    doc = {"loads": found.loads, "worth": found.worth, "bound": found.bound, "exact": found.exact, "short": found.short}
    sys.stdout.write(json.dumps(doc))


if __name__ == "__main__":
    main()
