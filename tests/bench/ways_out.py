"""Ways out of conflicts of the list, each planned anew and judged.

    python -m tests.bench.ways_out --devices 40 --seconds 20 --again 10
    python -m tests.bench.ways_out --devices 40 --told --again 10

Each row of :mod:`tests.solve.conflict_table` is put into a planted machine and explained. Of every
way out the problem is changed as it says; the layout that `explain` found goes to the check, and
the changed problem is planned anew, with another seed and without that layout, until its first one.
So a way out is *verified* (planned again, and the check accepts it), *not found again* in the time,
or *refused* (by the check, or proved to have no layout: a fault).

``--told``: the same for what `plan` itself says beside each conflict, done as
:mod:`tests.solve.remedies` does it. That promises less: another conflict may be left (*more is in
the way*), but never the same one (*refused*). One worker; seconds are those of the processor, so
that other work on the machine does not count.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

from partitioner.check.judge import assess
from partitioner.errors import Conflict, NoAnswer, NoLayout
from partitioner.explain.explanation import NoLayoutExplained, explain
from partitioner.explain.ways_out import WayOut
from partitioner.model.problem import Problem
from partitioner.runs import Budget
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.search import Study
from tests.solve.conflict_table import IMPOSSIBLE, machine
from tests.solve.remedies import alternatives, is_still_there

VERIFIED, OPEN, REFUSED = "verified", "not found again", "refused"
MORE = "more is in the way"


def planned(problem: Problem, seconds: float) -> str | list[Conflict]:
    """What a fresh plan says of a problem, or the conflicts that it proves."""
    settings = PlanSettings(time_limit_s=seconds, seed=1, workers=1)
    try:
        outcome = plan_layout(problem, settings, time.process_time, study=Study(first_only=True))
    except NoLayout as proof:
        return proof.conflicts
    except NoAnswer:
        return OPEN
    return REFUSED if assess(problem, outcome.layout).findings else VERIFIED


def judged(way: WayOut, seconds: float) -> str:
    """What a fresh plan of a problem with the changes of a way out says of it."""
    if assess(way.problem, way.outcome.layout).findings:
        return REFUSED
    said = planned(way.problem, seconds)
    return said if isinstance(said, str) else REFUSED


def judged_as_told(problem: Problem, seconds: float) -> list[tuple[str, str]]:
    """What `plan` says can be done about a problem, each with what a plan then says."""
    found = planned(problem, seconds)
    if isinstance(found, str):
        return [("no conflict told", found)]
    verdicts = []
    for conflict in found:
        for words, senses in alternatives(problem, found, conflict) if conflict.way_out else ():
            seen = set()
            for changed in senses:
                said = planned(changed, seconds)
                if not isinstance(said, str):
                    said = REFUSED if is_still_there(conflict, found, said) else MORE
                seen.add(said)
            best = next(v for v in (VERIFIED, OPEN, MORE, REFUSED) if v in seen)
            verdicts.append((words, best))
    return verdicts


def judged_as_explained(
    problem: Problem, seconds: float, again: float
) -> list[tuple[str, str]]:
    """Ways out that `explain` finds in some seconds, each with what a fresh plan says."""
    try:
        found = explain(problem, Budget(time.process_time, time.process_time() + seconds))
    except NoAnswer:
        return []
    ways = found.ways if isinstance(found, NoLayoutExplained) else ()
    return [(" + ".join(way.changes), judged(way, again)) for way in ways]


def main() -> None:
    """Explain the rows asked for and count what becomes of their ways out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=20.0, help="to explain a row")
    parser.add_argument("--again", type=float, default=10.0, help="to plan a way out anew, at most")
    parser.add_argument("--told", action="store_true", help="what plan says beside a conflict")
    parser.add_argument("--rows", nargs="*", default=[], help="only rows with these names")
    asked = parser.parse_args()
    m = machine(asked.devices, asked.seed)
    seen: Counter[str] = Counter()
    for case in IMPOSSIBLE:
        if asked.rows and case.name not in asked.rows:
            continue
        problem, *_ = case.change(m)
        begun = time.process_time()
        verdicts = (
            judged_as_told(problem, asked.again) if asked.told
            else judged_as_explained(problem, asked.seconds, asked.again)
        )
        seen.update({"rows": 1, "with a way out": bool(verdicts), "ways out": len(verdicts)})
        seen.update(verdict for _, verdict in verdicts)
        told = "; ".join(f"{words} ({verdict})" for words, verdict in verdicts)
        print(f"{time.process_time() - begun:6.1f} s  {case.name}: {told}", flush=True)
        print("  so far " + ", ".join(f"{n}: {count}" for n, count in seen.items()), flush=True)


if __name__ == "__main__":
    main()
