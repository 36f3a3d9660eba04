"""Columns below a threshold against all orders of all sets, one by one."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import combinations, permutations

import numpy as np
import pytest

from partitioner.model.problem import Basis, Option, Problem, SegmentLimits, SwitchPosition
from partitioner.solve.backbone import BackboneData
from partitioner.solve.bound.duals import Duals
from partitioner.solve.columns import Column, ColumnBuilder, TooManyColumns
from partitioner.solve.enumeration import columns_below
from partitioner.solve.instance import Instance
from partitioner.units import MONEY_STEPS
from tests.brute.parts import LINE
from tests.brute.random_problems import random_problem
from tests.brute.test_brute import KINDS, plain_problem

DEVICES = 5
NO_LIMIT = {"label_limit": 100_000, "column_limit": 100_000}


def random_duals(inst: Instance, rng: random.Random) -> Duals:
    """Prices of devices, of ports, and of some cuts."""
    cuts = tuple(
        (cut, rng.randrange(3 * MONEY_STEPS))
        for cut in rng.sample(list(combinations(range(inst.n), 3)), 5)
    )
    device = [float(rng.randrange(6 * MONEY_STEPS)) for _ in range(inst.n)]
    port = [-float(rng.randrange(MONEY_STEPS)) for _ in inst.port_classes]
    return Duals(np.array(device), np.array(port), cuts)


def every_column(builder: ColumnBuilder, members: list[int]) -> set[Column]:
    """Each order of each set at each switch, as far as rules let it be."""
    inst = builder.instance
    made: set[Column | None] = set()
    for switch, grade in inst.ports_of:
        if not inst.grades[grade].is_line:
            made.update(builder.link(switch, grade, i) for i in members)
            continue
        for size in range(1, min(len(members), inst.grades[grade].max_devices) + 1):
            for order in permutations(members, size):
                made.update(
                    builder.line(switch, grade, order[k:], order[:k][::-1]) for k in range(size)
                )
    return {column for column in made if column is not None}


def check(problem: Problem, seed: int, tells_pathways: bool) -> int:
    """Hold a listing against all columns; gives how many kinds of them were below."""
    rng = random.Random(seed)
    inst = Instance(problem)
    backbone = BackboneData(inst)
    duals = random_duals(inst, rng)
    members = sorted(rng.sample(range(inst.n), rng.choice([inst.n - 1, inst.n])))
    builder = ColumnBuilder(inst)

    def kind(column: Column) -> tuple[object, ...]:
        return (*column.segment, backbone.passes(column) if tells_pathways else ())

    below: dict[tuple[object, ...], int] = {}
    every = every_column(builder, members)
    threshold = float(np.median([duals.reduced(inst, c) for c in every])) if every else 0.0
    for column in every:
        if duals.reduced(inst, column) < threshold:
            below[kind(column)] = min(column.cost, below.get(kind(column), column.cost))
    listed = columns_below(
        ColumnBuilder(inst), members, duals, threshold, tells_pathways=tells_pathways, **NO_LIMIT
    )
    assert every.issuperset(listed)
    cost: dict[tuple[object, ...], int] = {}
    for column in listed:
        assert kind(column) not in cost
        cost[kind(column)] = column.cost
    assert {k: cost.get(k) for k in below} == below
    return len(below)


MORE_KINDS = {
    **KINDS,
    "options through a switch": {"options": 3, "anywhere": True, "spacing": True},
    "pathways through a switch": {"pathways": True, "capacities": True, "anywhere": True},
    "latency": {"latency": True, "anywhere": True},
}


@pytest.mark.parametrize("tells_pathways", [False, True])
@pytest.mark.parametrize("name", MORE_KINDS)
def test_the_cheapest_order_of_every_set_below_is_listed(name: str, tells_pathways: bool) -> None:
    problems = [random_problem(seed, DEVICES, **MORE_KINDS[name]) for seed in range(3)]
    assert sum(check(p, seed, tells_pathways) for seed, p in enumerate(problems)) > 0


def test_second_arms_whose_cost_is_known_at_their_end_only_are_told_apart() -> None:
    """Four devices on one side, three on the other that only some units have.

    By its own share of units the piece to the rare ``d4`` is the cheap one to begin with. But
    most of the units have ``d5``, and every piece before it goes into them too.
    """
    problem = plain_problem([-1, -2, -3, -4, 0, 0, 0], switch_position=SwitchPosition.ANYWHERE)
    devices = dict(problem.devices)
    for name, place, option in (
        ("d4", (2_000_000, 300_000, 0), "rare"),
        ("d5", (2_000_000, -300_000, 0), "usual"),
        ("d6", (2_600_000, 0, 0), "rarest"),
    ):
        devices[name] = replace(devices[name], position_um=place, option=option)
    takes = {"rare": 100_000, "usual": 900_000, "rarest": 50_000}
    problem = replace(
        problem,
        devices=devices,
        options={name: Option(name, ppm) for name, ppm in takes.items()},
        limits={LINE: SegmentLimits(Basis.ENGINEERED, 8, 25_000_000, 100_000, 500_000)},
    )
    builder = ColumnBuilder(Instance(problem))
    left, right = (0, 1, 2, 3), (4, 5, 6)
    listed = columns_below(
        builder, range(7), Duals.zero(builder), 2.0**60, tells_pathways=False, **NO_LIMIT
    )
    (column,) = (c for c in listed if len(c.devices) == 7)
    made = [builder.line(0, 0, left, order) for order in permutations(right)]
    assert column.cost == min(c.cost for c in made if c is not None)
    assert (5, 4, 6) in (column.out, column.back)


@pytest.mark.parametrize("limits", [{"label_limit": 2}, {"column_limit": 2}])
def test_a_listing_beyond_its_limits_says_nothing(limits: dict[str, int]) -> None:
    builder = ColumnBuilder(Instance(random_problem(1, DEVICES, links=True)))
    with pytest.raises(TooManyColumns):
        columns_below(
            builder, range(DEVICES), Duals.zero(builder), 2.0**60, tells_pathways=True,
            **{**NO_LIMIT, **limits},
        )  # fmt: skip


def test_a_listing_ends_when_asked() -> None:
    builder = ColumnBuilder(Instance(random_problem(1, DEVICES)))
    with pytest.raises(TooManyColumns):
        columns_below(
            builder, range(DEVICES), Duals.zero(builder), 2.0**60, tells_pathways=False,
            should_stop=lambda: True, **NO_LIMIT,
        )  # fmt: skip


def test_a_wish_to_stop_is_asked_for_within_each_size_of_line() -> None:
    problem = plain_problem([1, 2, 3, 4, 5, 6], switch_position=SwitchPosition.ANYWHERE)
    builder = ColumnBuilder(Instance(problem))
    looks = 0

    def stop() -> bool:
        nonlocal looks
        looks += 1
        return False

    columns_below(
        builder, range(builder.instance.n), Duals.zero(builder), 2.0**40, tells_pathways=False,
        should_stop=stop, **NO_LIMIT,
    )
    assert looks > 2 * builder.instance.n, "four times where it is asked once for each size"
