"""Ways out that `explain` offers for conflicts of the list, each judged apart from the planner.

    python -m tests.bench.ways_out --devices 40 --seconds 20

Each row of :mod:`tests.solve.conflict_table` is put into a planted machine and explained. Of every
way out the problem is changed as it says, and the layout found for it is given to the check.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

from partitioner.check.judge import assess
from partitioner.errors import NoAnswer
from partitioner.explain.explanation import NoLayoutExplained, explain
from partitioner.runs import Budget
from tests.solve.conflict_table import IMPOSSIBLE, machine


def main() -> None:
    """Explain the rows asked for and count their ways out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--rows", nargs="*", default=[], help="only rows with these names")
    asked = parser.parse_args()
    m = machine(asked.devices, asked.seed)
    seen: Counter[str] = Counter()
    for case in IMPOSSIBLE:
        if asked.rows and case.name not in asked.rows:
            continue
        problem, *_ = case.change(m)
        begun = time.monotonic()
        try:
            found = explain(problem, Budget(time.monotonic, begun + asked.seconds))
        except NoAnswer:
            found = None
        ways = found.ways if isinstance(found, NoLayoutExplained) else ()
        broken = [w for w in ways if assess(w.problem, w.outcome.layout).findings]
        seen.update({"rows": 1, "with a way out": bool(ways), "ways out": len(ways),
                     "refused by the check": len(broken)})
        print(
            f"{time.monotonic() - begun:6.1f} s  {case.name}: {len(ways)} ways out, "
            f"{len(broken)} refused  "
            + "; ".join(" + ".join(w.changes) for w in ways[:3]),
            flush=True,
        )
    print(", ".join(f"{name}: {count}" for name, count in seen.items()))


if __name__ == "__main__":
    main()
