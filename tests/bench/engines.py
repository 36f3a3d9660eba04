"""Columns within some room, over whole problems and over regions: processor seconds and counts.

``python -m tests.bench.engines``: for the geometry problem of 60 devices and the street sweeper the
columns within the same room over the whole problem and over regions of about 16 devices. All are
given the same duals, those of a bound of counted rounds.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from partitioner.application.reading import read_problem
from partitioner.model.problem import Problem
from partitioner.solve.bound.duals import Duals
from partitioner.solve.bound.lower_bound import lower_bound
from partitioner.solve.columns import ColumnBuilder, TooManyColumns
from partitioner.solve.enumeration import columns_below
from partitioner.solve.instance import Instance
from tests.bench.instances import geometry_problem

ROOT = Path(__file__).parent.parent.parent
ROUNDS = 120
"""Rounds of the bound whose duals are used."""
REGION, REGIONS = 16, 12
ROOM = 0.01
"""Room of the whole problem, as a share of the bound."""


def timed(
    inst: Instance, members: Sequence[int], duals: Duals, room: float, tells_pathways: bool
) -> tuple[float, int]:
    """Processor seconds and how many columns came; -1 where they were too many."""
    # Columns once made are kept, so each listing has a builder of its own.
    builder = ColumnBuilder(inst)
    begun = time.process_time()
    try:
        count = len(
            columns_below(
                builder, members, duals, room, tells_pathways=tells_pathways,
                label_limit=200_000, column_limit=30_000,
            )
        )  # fmt: skip
    except TooManyColumns:
        count = -1
    return time.process_time() - begun, count


def measure(name: str, problem: Problem) -> None:
    """Print what the whole problem and its regions take, pathways told apart or not."""
    inst = Instance(problem)
    left = iter(range(ROUNDS, 0, -1))
    result = lower_bound(ColumnBuilder(inst), remaining=lambda: float(next(left, 0)))
    duals = result.duals
    room = ROOM * result.value
    everyone = range(inst.n)
    regions = []
    for seed in everyone[:: max(1, inst.n // REGIONS)]:
        near = inst.way_um([seed], list(everyone))[0]
        regions.append([int(i) for i in np.argsort(near, kind="stable")[:REGION]])
    for tells in (False, True):
        whole = timed(inst, everyone, duals, room, tells)
        parts = np.array([timed(inst, members, duals, room, tells) for members in regions])
        print(f"{name}, pathways told apart: {tells}: whole {whole[0]:.2f} s, {whole[1]} columns; "
              f"{len(regions)} regions of {REGION}: {parts[:, 0].sum():.2f} s, "
              f"{int(parts[:, 1].sum())} columns", flush=True)  # fmt: skip


def main() -> None:
    measure("geometry-60", geometry_problem(60, 0))
    measure("street-sweeper", read_problem(ROOT / "problems" / "street-sweeper" / "problem.yaml"))


if __name__ == "__main__":
    main()
