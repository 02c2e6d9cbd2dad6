"""P1 to P7 over simulated days with faults: ``python tests/bench/phone.py [runs] [days] [first seed] [workers]``."""

import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from phone import Figures, play, table


def one(job):
    seed, days, folder = job
    return play(seed, days, Path(folder))


def main(runs=20, days=15, first=7000, workers=1):
    whole = Figures()
    with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor(workers) as pool:
        for found in pool.map(one, [(first + n, days, folder) for n in range(runs)]):
            whole.add(found)
            print(f"\nafter {whole.days} days\n{table(whole)}", flush=True)
    print("missed:", whole.missed, "false:", whole.false)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
