"""Seconds until a conflict is proved before the search, for every row of the list and its size.

    python -m tests.bench.conflicts --devices 40 200 400

Each row of :mod:`tests.solve.conflict_table` is put into a planted machine. What is timed is all
that `plan` does with it until its verdict: the problem is made ready, then arithmetic proves that
it has no layout, and tells the rules, the names and what would help. Changes that keep the hidden
layout (``--what kept``) show what the same costs where there is nothing to prove. One worker.
"""

from __future__ import annotations

import argparse
import time

from partitioner.check.judge import assess
from partitioner.model.problem import Problem
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.hopeless import hopeless
from tests.solve.conflict_table import IMPOSSIBLE, KEPT, Case, Machine, machine


def row(case: Case, m: Machine) -> tuple[float, float, str]:
    """Seconds to make the problem ready and to prove, and what is wrong with the verdict."""
    problem, layout, names = case.change(m)
    seconds = []
    begun = time.process_time()
    builder = ColumnBuilder(Instance(problem))
    seconds.append(time.process_time() - begun)
    begun = time.process_time()
    found = hopeless(builder)
    seconds.append(time.process_time() - begun)
    return seconds[0], seconds[1], _wrong(case, problem, layout, names, found)


def _wrong(case: Case, problem: Problem, layout: object, names: set[str], found: list) -> str:
    if not case.rules:
        broken = [f.rule for f in assess(problem, layout).findings]
        if broken:
            return f"not a look-alike at this size: {', '.join(sorted(set(broken)))}"
        return f"called impossible: {found[0].sentence}" if found else ""
    if not found:
        return "not seen"
    missing = case.rules - {c.rule for c in found}
    unnamed = names - {id_ for c in found for id_ in c.subjects}
    no_way = "" if any(c.way_out for c in found) else " no way out"
    return " ".join(
        part for part in (
            f"rules missing: {', '.join(sorted(missing))}" if missing else "",
            f"not named: {len(unnamed)}" if unnamed else "", no_way.strip(),
        ) if part
    )


def main() -> None:
    """Measure the rows asked for, the slowest last."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, nargs="*", default=[40, 200, 400])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--what", choices=["impossible", "kept"], default="impossible")
    parser.add_argument("--rows", nargs="*", default=[], help="only rows with these names")
    asked = parser.parse_args()
    table = IMPOSSIBLE if asked.what == "impossible" else KEPT
    for devices in asked.devices:
        m = machine(devices, asked.seed)
        rows = []
        for case in table:
            if (asked.rows and case.name not in asked.rows) or case.name.startswith("as planted"):
                continue
            ready, proof, wrong = row(case, m)
            rows.append((ready + proof, case.name))
            print(f"{devices:4} {ready:6.2f} {proof:6.2f} s  {case.name}  {wrong}", flush=True)
        rows.sort()
        slow = [name for seconds, name in rows if seconds > 5]
        if rows:
            print(
                f"{devices} devices: {len(rows)} rows, median {rows[len(rows) // 2][0]:.2f} s, "
                f"slowest {rows[-1][0]:.2f} s ({rows[-1][1]}); above 5 s: {len(slow)}"
            )


if __name__ == "__main__":
    main()
