"""Hunt for problems on which a command says what is not so.

``python -m tests.brute.hunt --seeds 0:100 --kind mix --processes 1`` puts ``plan`` to the oracle
and prints how often it is wrong in which way, with the seeds; ``--what rerun`` (front, conflict,
price, growth) does so with what else builds on planning. Exit code 1 if anything is wrong.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from partitioner.solve.planner import PlanSettings
from tests.brute import study_verdicts
from tests.brute.tight_problems import DEADLINES, KINDS, tight_problem
from tests.brute.verdict import COUNTED, Verdict, judge_plan
from tests.replan import random_reruns

STUDIES = {
    "rerun": study_verdicts.judge_rerun,
    "front": study_verdicts.judge_front,
    "conflict": study_verdicts.judge_conflict,
    "price": study_verdicts.judge_prices,
    "growth": study_verdicts.judge_growth,
}


def hunt(job: tuple[str, int], what: str, settings: PlanSettings) -> list[Verdict]:
    """What was found of one problem: nothing where there is nothing to ask."""
    kind, seed = job
    if what == "plan":
        return [judge_plan(tight_problem(seed, kind), settings)]
    found = STUDIES[what](seed, kind)
    if isinstance(found, list):
        return found
    return [] if found is None else [found]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:40", help="from:to, the second left out")
    parser.add_argument("--what", default="plan", choices=["plan", *STUDIES])
    parser.add_argument("--kind", nargs="*", help="default: all")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--seconds", type=float, help="of search per problem; else work is counted")
    parser.add_argument("--show", action="store_true", help="one line per fault")
    options = parser.parse_args()
    first, last = map(int, options.seeds.split(":"))
    kinds = list(random_reruns.KINDS if options.what == "rerun" else KINDS)
    if unknown := set(options.kind or ()) - set(kinds):
        parser.error(f"no such kind: {', '.join(unknown)}; there are {', '.join(kinds)}")
    jobs = [(kind, seed) for kind in options.kind or kinds for seed in range(first, last)]
    settings = COUNTED
    if options.seconds:
        settings = PlanSettings(time_limit_s=options.seconds, seed=0, workers=1)
    run = partial(hunt, what=options.what, settings=settings)
    if options.processes > 1:
        with ProcessPoolExecutor(options.processes) as pool:
            verdicts = list(_told(zip(jobs, pool.map(run, jobs), strict=True), options.show))
    else:
        verdicts = list(_told(((job, run(job)) for job in jobs), options.show))
    return _summary(verdicts)


def _told(pairs, show: bool):
    for (kind, seed), verdicts_found in pairs:
        for verdict in verdicts_found:
            if show and verdict.faults:
                print(
                    f"{kind} {seed}: {', '.join(verdict.faults)}; best {verdict.best_money}, "
                    f"said {verdict.planned_money} {verdict.detail}",
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
        print(f"{way}: {len(rows)} asked, {solvable} with a layout", end="")
        if tight := sum(v.is_tight for v in rows):
            print(f", {tight} by the response-time analysis alone", end="")
        for fault in sorted(where):
            print(f", {fault} {sum(fault in v.faults for v in rows)}", end="")
        oracle_s, plan_s = sum(v.oracle_s for v in rows), sum(v.plan_s for v in rows)
        print(f"; oracle {oracle_s:.0f} s, plan {plan_s:.0f} s")
    for fault, names in sorted(where.items()):
        print(f"{fault} ({len(names)}): {' '.join(names)}")
    return 1 if where else 0


if __name__ == "__main__":
    sys.exit(main())
