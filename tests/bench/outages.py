"""Confusion table of simulated losses of supply and sight: ``python tests/bench/outages.py [500] [first]``."""

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from outages import answer


def main(number=500, first=0):
    told, noted, steps, wrong, extra = Counter(), Counter(), Counter(), [], Counter()
    for index in range(first, first + number):
        found = answer(index)
        told[found.case.kind, found.told] += 1
        noted[found.case.kind, found.noted] += 1
        steps[found.case.kind, "+".join(found.steps) or "none"] += 1
        extra.update((found.case.kind, *row) for row in found.others)
        if not found.right:
            wrong.append(index)
            if len(wrong) <= 12:
                c = found.case
                print(f"wrong: {index} {c.kind} {c.place} {c.end - c.start:.0f} s dead {sorted(c.dead)} "
                      f"empty {sorted(c.empty)} lost {c.lost}: told {found.told}, noted {found.noted}, "
                      f"{found.steps}, {found.texts}, also {found.others}")  # fmt: skip
    for head, table in (("cause in the first message", told), ("cause in the diary", noted), ("messages", steps)):
        print(f"\n{head}, by what really happened:")
        for (kind, what), hits in sorted(table.items()):
            print(f"  {kind:16s} {what:18s} {hits:4d}")
    print("\nfurther lines of the diary:", dict(extra) or "none")
    print(f"\n{number - len(wrong)} of {number} right: one message, one all-clear, cause and place")
    return wrong


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
