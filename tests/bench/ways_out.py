"""Ways out that `explain` offers for conflicts of the list, each planned anew and judged.

    python -m tests.bench.ways_out --devices 40 --seconds 20 --again 10

Each row of :mod:`tests.solve.conflict_table` is put into a planted machine and explained. Of every
way out the problem is changed as it says; the layout that `explain` found goes to the check, and
the changed problem is planned anew, with another seed and without that layout, until its first one.
So a way out is *verified* (planned again, and the check accepts it), *not found again* in the time,
or *refused* (by the check, or proved to have no layout: a fault). One worker; seconds are those of
the processor, so that other work on the machine does not count.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

from partitioner.check.judge import assess
from partitioner.errors import NoAnswer, NoLayout
from partitioner.explain.explanation import NoLayoutExplained, explain
from partitioner.explain.ways_out import WayOut
from partitioner.runs import Budget
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.search import Study
from tests.solve.conflict_table import IMPOSSIBLE, machine

VERIFIED, OPEN, REFUSED = "verified", "not found again", "refused"


def judged(way: WayOut, seconds: float) -> str:
    """What a fresh plan of a problem with the changes of a way out says of it."""
    if assess(way.problem, way.outcome.layout).findings:
        return REFUSED
    settings = PlanSettings(time_limit_s=seconds, seed=1, workers=1)
    try:
        outcome = plan_layout(
            way.problem, settings, time.process_time, study=Study(first_only=True)
        )
    except NoLayout:
        return REFUSED
    except NoAnswer:
        return OPEN
    return REFUSED if assess(way.problem, outcome.layout).findings else VERIFIED


def main() -> None:
    """Explain the rows asked for and count what becomes of their ways out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=20.0, help="to explain a row")
    parser.add_argument("--again", type=float, default=10.0, help="to plan a way out anew, at most")
    parser.add_argument("--rows", nargs="*", default=[], help="only rows with these names")
    asked = parser.parse_args()
    m = machine(asked.devices, asked.seed)
    seen: Counter[str] = Counter()
    for case in IMPOSSIBLE:
        if asked.rows and case.name not in asked.rows:
            continue
        problem, *_ = case.change(m)
        begun = time.process_time()
        try:
            found = explain(problem, Budget(time.process_time, begun + asked.seconds))
        except NoAnswer:
            found = None
        took = time.process_time() - begun
        ways = found.ways if isinstance(found, NoLayoutExplained) else ()
        verdicts = [judged(way, asked.again) for way in ways]
        seen.update({"rows": 1, "with a way out": bool(ways), "ways out": len(ways)})
        seen.update(verdicts)
        print(
            f"{took:6.1f} s  {case.name}: "
            + "; ".join(
                f"{' + '.join(way.changes)} ({verdict})"
                for way, verdict in zip(ways, verdicts, strict=True)
            ),
            flush=True,
        )
        print("  so far " + ", ".join(f"{n}: {count}" for n, count in seen.items()), flush=True)


if __name__ == "__main__":
    main()
