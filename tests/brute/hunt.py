"""Hunt for problems on which a command says what is not so.

``python -m tests.brute.hunt --seeds 0:100 --kind mix --processes 1`` puts ``plan`` to the oracle
and prints how often it is wrong in which way, with the seeds. Exit code 1 if it ever is.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from partitioner.solve.planner import PlanSettings
from tests.brute.tight_problems import DEADLINES, KINDS, tight_problem
from tests.brute.verdict import COUNTED, Verdict, judge_plan


def hunt_plan(job: tuple[str, int], settings: PlanSettings) -> Verdict:
    kind, seed = job
    return judge_plan(tight_problem(seed, kind), settings)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:40", help="from:to, the second left out")
    parser.add_argument("--kind", nargs="*", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--seconds", type=float, help="of search per problem; else work is counted")
    parser.add_argument("--show", action="store_true", help="one line per fault")
    options = parser.parse_args()
    first, last = map(int, options.seeds.split(":"))
    jobs = [(kind, seed) for kind in options.kind for seed in range(first, last)]
    settings = COUNTED
    if options.seconds:
        settings = PlanSettings(time_limit_s=options.seconds, seed=0, workers=1)
    run = partial(hunt_plan, settings=settings)
    if options.processes > 1:
        with ProcessPoolExecutor(options.processes) as pool:
            verdicts = list(_told(zip(jobs, pool.map(run, jobs), strict=True), options.show))
    else:
        verdicts = list(_told(((job, run(job)) for job in jobs), options.show))
    return _summary(verdicts)


def _told(pairs, show: bool):
    for (kind, seed), verdict in pairs:
        if show and verdict.faults:
            print(
                f"{kind} {seed}: {', '.join(verdict.faults)}; best {verdict.best_money}, "
                f"planned {verdict.planned_money} {verdict.detail}",
                flush=True,
            )
        yield (kind, seed), verdict


def _summary(verdicts: list[tuple[tuple[str, int], Verdict]]) -> int:
    by_way: dict[str, list[Verdict]] = defaultdict(list)
    where: dict[str, list[str]] = defaultdict(list)
    for (kind, seed), verdict in verdicts:
        by_way[DEADLINES[seed % len(DEADLINES)]].append(verdict)
        for fault in verdict.faults:
            where[fault].append(f"{kind}/{seed}")
    for way, rows in by_way.items():
        solvable = sum(v.best_money is not None for v in rows)
        print(f"{way}: {len(rows)} problems, {solvable} with a layout", end="")
        for fault in sorted(where):
            print(f", {fault} {sum(fault in v.faults for v in rows)}", end="")
        oracle_s, plan_s = sum(v.oracle_s for v in rows), sum(v.plan_s for v in rows)
        print(f"; oracle {oracle_s:.0f} s, plan {plan_s:.0f} s")
    for fault, names in sorted(where.items()):
        print(f"{fault} ({len(names)}): {' '.join(names)}")
    return 1 if where else 0


if __name__ == "__main__":
    sys.exit(main())
