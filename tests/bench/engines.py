"""The two enumerations of columns side by side: arms joined at a switch, and labels of the bound.

``python -m tests.bench.engines``: for the geometry problem of 60 devices and the street sweeper the
columns within the same room over the whole problem and over regions of about 16 devices, processor
seconds and counts. Both are given the same duals, those of a bound of counted rounds.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from partitioner.model.problem import Problem
from partitioner.reading.problem import read_problem
from partitioner.solve.arms import TooManyArms
from partitioner.solve.bound.column_generation import lower_bound
from partitioner.solve.bound.pricing_problem import PricingProblem
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.enumeration import Duals, columns_below
from partitioner.solve.gap_enumeration import columns_within
from partitioner.solve.instance import Instance
from tests.bench.instances import geometry_problem

ROOT = Path(__file__).parent.parent.parent
ROUNDS = 120
"""Rounds of the bound whose duals are used."""
REGION, REGIONS = 16, 12
ROOM = 0.01
"""Room of the whole problem, as a share of the bound."""


def timed(work: Callable[[], Sequence[Column]]) -> tuple[float, int]:
    """Processor seconds and how many columns came; -1 where they were too many."""
    begun = time.process_time()
    try:
        count = len(work())
    except TooManyArms:
        count = -1
    return time.process_time() - begun, count


def compare(name: str, problem: Problem) -> None:
    """Print both roads over the whole problem and over its regions."""
    inst = Instance(problem)
    builder = ColumnBuilder(inst)
    left = iter(range(ROUNDS, 0, -1))
    result = lower_bound(builder, remaining=lambda: float(next(left, 0)))
    duals = Duals(result.duals.device, result.duals.port, tuple(result.duals.cuts))
    room = ROOM * result.value
    pricing = PricingProblem(builder)
    everyone = range(inst.n)
    # Columns once made are kept, so each road has builders of its own.
    by_arms, by_labels = ColumnBuilder(inst), ColumnBuilder(inst)
    arms = timed(lambda: columns_below(by_arms, everyone, duals, room))
    labels = timed(lambda: columns_within(by_labels, pricing, duals, room))
    print(f"{name}, whole: arms {arms[0]:.2f} s, {arms[1]} columns; "
          f"labels {labels[0]:.2f} s, {labels[1]} columns", flush=True)  # fmt: skip
    by_arms, by_labels = ColumnBuilder(inst), ColumnBuilder(inst)
    seeds = everyone[:: max(1, inst.n // REGIONS)]
    whole, counts = np.zeros(2), np.zeros(2, dtype=int)
    for seed in seeds:
        near = inst.way_um([seed], list(everyone))[0]
        members = [int(i) for i in np.argsort(near, kind="stable")[:REGION]]
        outside = duals.device.copy()
        # A label search knows all devices: those outside are made too dear to be visited.
        outside[[i for i in everyone if i not in members]] = -1e12
        walled = Duals(outside, duals.port, duals.cuts)
        roads = (
            timed(lambda: columns_below(by_arms, members, duals, room)),  # noqa: B023
            timed(lambda: columns_within(by_labels, pricing, walled, room)),  # noqa: B023
        )
        whole += [r[0] for r in roads]
        counts += [r[1] for r in roads]
    print(f"{name}, {len(seeds)} regions of {REGION}: arms {whole[0]:.2f} s, {counts[0]} columns; "
          f"labels {whole[1]:.2f} s, {counts[1]} columns", flush=True)  # fmt: skip


def main() -> None:
    compare("geometry-60", geometry_problem(60, 0))
    compare("street-sweeper", read_problem(ROOT / "problems" / "street-sweeper" / "problem.yaml"))


if __name__ == "__main__":
    main()
