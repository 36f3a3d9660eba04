"""Lines laid over given devices against all orders of them."""

from __future__ import annotations

import random

import pytest

from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.laying import laid_line
from tests.bench.planted import planted

END, ANYWHERE = 1, 0
"""Seeds of planted machines whose switches sit at the end of a line, and anywhere along it."""


@pytest.mark.parametrize("seed", [END, ANYWHERE])
def test_lines_are_hardly_longer_than_the_shortest_order(seed: int) -> None:
    inst = Instance(planted(20, seed).problem)
    assert inst.line_may_pass_through == (seed == ANYWHERE)
    builder = ColumnBuilder(inst)
    rng = random.Random(seed)
    (grade,) = inst.line_grades
    longer = []
    for _ in range(120):
        devices = rng.sample(range(inst.n), rng.randint(2, 4))
        orders = builder.orders(rng.randrange(inst.switch_count), grade, devices)
        if not orders:
            continue
        shortest = min(c.length_um for c in orders)
        laid = laid_line(builder, orders[0].switch, grade, devices)
        # A longer order may be over the limit where the shortest is not.
        assert laid is None or set(laid.devices) == set(devices)
        longer.append(2.0 if laid is None else laid.length_um / shortest)
    assert len(longer) >= 15
    assert min(longer) >= 1.0
    assert sorted(longer)[len(longer) * 9 // 10] <= 1.02


def test_what_breaks_a_rule_is_not_laid() -> None:
    inst = Instance(planted(20, END).problem)
    builder = ColumnBuilder(inst)
    (grade,) = inst.line_grades
    fast = [i for i in range(inst.n) if not inst.can[i, grade]]
    assert laid_line(builder, 0, grade, fast[:2]) is None
