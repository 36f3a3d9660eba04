"""Certain waits on the backbone against what whole layouts have."""

from __future__ import annotations

import random

import pytest

from partitioner.model.problem import BackboneShape
from partitioner.solve.backbone import BackboneData
from partitioner.solve.basics import basic_columns
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.layout_in import columns_of
from partitioner.solve.master import Choice, Selection
from partitioner.solve.verify import verify
from partitioner.solve.waits import certain_waits
from tests.brute.brute import best_layout
from tests.brute.random_problems import random_problem


def seen_waits(problem, columns) -> list[dict[tuple[int, int, int], int]]:
    """By (stream, from, to) the delay beyond the least, for each choice of backbone grades."""
    # With next to no time every stream is late, and the verdict tells what each one waits.
    instance = Instance(problem, latency_limit=lambda stream: 1)
    backbone = BackboneData(instance)
    choices = tuple(Choice(c, instance.ports_of[c.switch, c.grade][0]) for c in columns)
    opened = tuple(range(instance.switch_count))
    seen = []
    for pick in (0, -1):
        built = tuple((k, link.grades[pick]) for k, link in enumerate(backbone.links))
        verdict = verify(instance, backbone, Selection(choices, opened, built, 0))
        seen.append(verdict.extra)
    return seen


def case(seed: int):
    problem = random_problem(
        seed, 5, switches=3, backbone=BackboneShape.FIXED, links=True, deadlines="loose"
    )
    best = best_layout(problem)
    assert best is not None, "each of these problems has a layout"
    builder = ColumnBuilder(Instance(problem))
    return problem, builder, columns_of(builder, best[1])


@pytest.mark.parametrize("seed", range(12))
def test_with_every_home_known_they_are_the_waits_of_the_quicker_grades(seed) -> None:
    problem, builder, columns = case(seed)
    waits = certain_waits(builder.instance, BackboneData(builder.instance), columns)
    slow, fast = seen_waits(problem, columns)
    for key in slow:
        got = waits.get(key, 0)
        # The verdict tells of 1 ns at least.
        assert got <= max(1, min(slow[key], fast[key]))
        if all(len(link.grades) == 1 for link in problem.backbone.links):
            assert max(1, got) == slow[key]


@pytest.mark.parametrize("seed", range(12))
def test_more_columns_never_make_more_certain(seed) -> None:
    _, builder, columns = case(seed)
    instance = builder.instance
    backbone = BackboneData(instance)
    before = certain_waits(instance, backbone, columns)
    others = basic_columns(builder, 3)
    random.Random(seed).shuffle(others)
    for more in range(1, len(others), 3):
        after = certain_waits(instance, backbone, columns + others[:more])
        assert all(wait <= before.get(key, 0) for key, wait in after.items())
        before = after


def test_some_streams_wait_for_certain() -> None:
    found = 0
    for seed in range(12):
        _, builder, columns = case(seed)
        found += bool(certain_waits(builder.instance, BackboneData(builder.instance), columns))
    assert found >= 3


def test_nothing_is_certain_while_the_backbone_is_open() -> None:
    problem = random_problem(3, 5, switches=3, backbone=BackboneShape.TREE, links=True)
    builder = ColumnBuilder(Instance(problem))
    backbone = BackboneData(builder.instance)
    assert certain_waits(builder.instance, backbone, basic_columns(builder, 1)) == {}
