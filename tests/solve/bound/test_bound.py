"""The lower bound against trying everything, and against how it is built."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from partitioner.model.problem import BackboneShape, Problem
from partitioner.solve.bound.lower_bound import BoundResult, lower_bound
from partitioner.solve.bound.openings import openings_of
from partitioner.solve.bound.regions import RegionalBound
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from tests.brute.brute import best_layout
from tests.brute.random_problems import random_problem


def proven(problem: Problem, rounds: int | None = None) -> tuple[BoundResult, ColumnBuilder]:
    """Run the bound to its end, or for a number of looks at the clock."""
    builder = ColumnBuilder(Instance(problem))
    looks = iter(range(10**9))

    def remaining() -> float:
        return 1.0 if rounds is None or next(looks) < rounds else 0.0

    result = lower_bound(builder, remaining=remaining)
    return result, builder


def any_problem(seed: int) -> Problem:
    """A random problem of two to five devices with a random set of rules in play."""
    rng = random.Random(seed)
    some = {
        name: rng.random() < 0.4
        for name in (
            "pathways", "groups", "pins", "sharing", "candidates", "streams", "links",
            "only_links", "anywhere", "option_tail", "mass", "latency", "reserve", "spacing",
        )
    }
    problem = random_problem(
        seed,
        rng.choice([2, 3, 4, 4, 5]),
        switches=rng.choice([1, 2, 2]),
        options=rng.choice([0, 0, 1, 2]),
        nodes=rng.choice([3, 4, 5, 6]),
        deadlines=rng.choice(["loose", "mixed"]),
        backbone=rng.choice([None, BackboneShape.TREE, BackboneShape.FIXED]),
        **some,
    )
    # Stubs on links are read in two ways yet; keep them to devices that only know lines.
    devices = {
        d.id: replace(d, stub_um=0) if len(d.grades) > 1 or "multidrop" not in d.grades[0].grade
        else d
        for d in problem.devices.values()
    }
    return replace(problem, devices=devices)


def check_below_optimum(seed: int) -> float | None:
    """Compare one problem; the bound's share of the optimum, None without a layout."""
    problem = any_problem(seed)
    best = best_layout(problem)
    result, builder = proven(problem)
    if best is None:
        return None
    assert result.value <= best[0]
    early, _ = proven(problem, rounds=3)
    assert early.value <= best[0]
    # Every column's reduced cost under the duals given is at least 0.
    for column in (builder.line(*o) for o in result.orders):
        assert column is not None
        for p in builder.instance.ports_of[column.switch, column.grade]:
            value = column.cost + builder.instance.port_classes[p].value
            value -= result.duals.port[p] + result.duals.device[list(column.devices)].sum()
            inside = set(column.devices)
            value += sum(p for cut, p in result.duals.cuts if len(inside & set(cut)) >= 2)
            value += sum(
                price * len(inside & devices)
                for switch, devices, price in result.duals.caps
                if switch == column.switch
            )
            assert value >= 0
    return result.value / best[0]


def test_never_above_the_optimum() -> None:
    shares = [s for s in map(check_below_optimum, range(60)) if s is not None]
    assert len(shares) >= 30
    # It is no use if it is far below, either.
    assert sorted(shares)[len(shares) // 2] > 0.97
    assert min(shares) > 0.4


@pytest.mark.slow
@pytest.mark.parametrize("block", range(20))
def test_never_above_the_optimum_on_many(block: int) -> None:
    for seed in range(1_000 + 25 * block, 1_025 + 25 * block):
        check_below_optimum(seed)


def check_regions_below_optimum(seed: int) -> float | None:
    """Compare the bound by regions of two devices; its share of the optimum."""
    problem = any_problem(seed)
    best = best_layout(problem)
    if best is None:
        return None
    builder = ColumnBuilder(Instance(problem))
    run = RegionalBound(builder, [], lambda: 1.0, core=2, halo=2)
    constant = openings_of(builder.instance).constant
    value = 0
    for first in (True, False):
        run.sweep(first=first)
        run.dual, total = run.prove()
        assert constant + total <= best[0]
        value = max(value, constant + total)
    return value / best[0]


def test_regions_never_above_the_optimum() -> None:
    shares = [s for s in map(check_regions_below_optimum, range(100, 160)) if s is not None]
    assert len(shares) >= 30
    assert sorted(shares)[len(shares) // 2] > 0.85


@pytest.mark.slow
@pytest.mark.parametrize("block", range(8))
def test_regions_never_above_the_optimum_on_many(block: int) -> None:
    for seed in range(3_000 + 25 * block, 3_025 + 25 * block):
        check_regions_below_optimum(seed)
