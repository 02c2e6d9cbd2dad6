"""How near the end of a new job anyone can come in the second world, who knows its laws.

Run by hand:  python tests/bench/score_new_floor.py [--builds 120000]

For each way of counting, `score_estimates.make_jobs` and `claimed` are written out for many builds at once: eight
paces (gamma, shape 6), the file's time 12 % off, a machine's speed 2 %, a build's own spread 2.5 %.  Whoever asks is
told the way of counting, the claim and the present pace without steps, gaps or delays, and the file's time without
bias where it is reported; not where the pace will change.  He says the median of the nearest builds that he has seen.
Rows are medians of |said - true| in percent of what remains.  What a real estimator lacks is the rest.
"""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

SHARES = (0.25, 0.5, 0.75, 0.9)
NEAR, ASKED, PARTS = 150, 4000, 8
Rows = Any  # arrays


def seen(counts: str, share: Rows, rng: np.random.Generator, *, told: bool) -> Rows:
    """What can be seen of builds at shares of their length, free of scale: a row each."""
    n = len(share)
    file = np.exp(rng.normal(0.0, 0.12, n) - rng.normal(0.0, 0.02, n) - rng.normal(0.0, 0.025, n))
    if counts == "own guess":
        return np.log(file / share)[:, None]
    paces = rng.gamma(6.0, 1.0, (n, PARTS))
    paces /= paces.sum(axis=1, keepdims=True)
    behind = np.concatenate([np.zeros((n, 1)), np.cumsum(paces, axis=1)], axis=1)
    at = (share - 1e-6) * PARTS
    part, row = at.astype(int), np.arange(n)
    claim, pace = behind[row, part] + (at - part) * paces[row, part], PARTS * paces[row, part]
    if counts == "marks of time":
        claim, pace = share + 0.15 * (claim - share), 1.0 + 0.15 * (pace - 1.0)
    found = [np.log(claim / (1.0 - claim)), np.log(share * pace / (1.0 - claim))]
    if told:
        found.append(np.log(file * (1.0 - claim) / share))
    return np.stack(found, axis=1)


def floors(counts: str, builds: int, *, told: bool) -> list[float]:
    """Median errors at `SHARES` and at one random instant past a quarter."""
    rng = np.random.default_rng(5)
    share = rng.uniform(0.01, 0.995, builds)
    known, left = seen(counts, share, rng, told=told), np.log((1.0 - share) / share)
    spread = known.std(axis=0) * np.where(np.arange(known.shape[1]) == 0, 0.2, 1.0)
    tree, found = cKDTree(known / spread), []
    for goal in (*SHARES, None):
        asked = rng.uniform(0.25, 1.0, ASKED) if goal is None else np.full(ASKED, goal)
        _, near = tree.query(seen(counts, asked, rng, told=told) / spread, k=NEAR)
        said, true = np.exp(np.median(left[near], axis=1)), (1.0 - asked) / asked
        found.append(float(np.median(np.abs(said - true) / true)))
    return found


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--builds", type=int, default=120_000)
    args = parser.parse_args()
    for counts in ("bytes or layers", "marks of time", "own guess"):
        for told in (True, False) if counts != "own guess" else (True,):
            cells = " / ".join(f"{100 * error:.1f}" for error in floors(counts, args.builds, told=told))
            print(f"| {counts}{'' if told else ', no remaining time'} | {cells} |")


if __name__ == "__main__":
    main()
