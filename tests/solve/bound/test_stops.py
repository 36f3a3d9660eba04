"""The bound asks often whether to stop, in all its parts, and then does."""

from __future__ import annotations

import pytest

from partitioner.errors import PartitionerError
from partitioner.model.problem import BackboneShape
from partitioner.solve.bound.completions import CELLS
from partitioner.solve.bound.duals import Duals
from partitioner.solve.bound.labels import LabelSearch
from partitioner.solve.bound.lower_bound import lower_bound
from partitioner.solve.bound.pricing_problem import PricingProblem
from partitioner.solve.columns import ColumnBuilder, TooManyColumns
from partitioner.solve.enumeration import columns_below
from partitioner.solve.instance import Instance
from tests.brute.random_problems import random_problem
from tests.work import WorkClock

LONGEST_S = 0.05
"""Most work between two questions, as the clock of calls counts it."""


def crowd() -> ColumnBuilder:
    """Lines that pass their switch, options, groups, candidates, a backbone to be chosen."""
    problem = random_problem(
        5, 12, switches=3, candidates=True, links=True, anywhere=True, options=2, groups=True,
        backbone=BackboneShape.TREE, nodes=8,
    )  # fmt: skip
    return ColumnBuilder(Instance(problem))


@pytest.fixture(scope="module")
def builder() -> ColumnBuilder:
    return crowd()


class Asked:
    """Says to stop from the n-th question on, and counts those after that."""

    def __init__(self, yes_from: int):
        self.times, self.yes_from = 0, yes_from

    def __call__(self) -> bool:
        self.times += 1
        return self.times >= self.yes_from

    @property
    def in_vain(self) -> int:
        """Questions after the first that was answered with yes."""
        return max(0, self.times - self.yes_from)


def test_no_step_is_long(builder: ColumnBuilder) -> None:
    with WorkClock() as clock:
        lower_bound(
            builder, remaining=lambda: 0.2 - clock(), should_stop=lambda: clock() < 0.0
        )
    assert clock.longest_s < LONGEST_S


@pytest.mark.parametrize("yes_from", [1, 2, 3, 5, 8, 30, 100, 300])
def test_what_is_proved_by_then_is_given(builder: ColumnBuilder, yes_from: int) -> None:
    asked = Asked(yes_from)
    told: list[int] = []
    result = lower_bound(
        builder, remaining=lambda: 1.0, should_stop=asked,
        on_bound=lambda value, _: told.append(value),
    )  # fmt: skip
    assert asked.times >= yes_from
    # Prices of candidates are asked for by themselves.
    assert asked.in_vain <= 1
    assert result.value == max(told, default=0)


class Stopped(PartitionerError):
    """Raised by a look."""


def test_labels_are_not_set_up_in_vain(builder: ColumnBuilder) -> None:
    asked = Asked(10**9)

    def look() -> None:
        if asked():
            raise Stopped

    model = max(PricingProblem(builder).models, key=lambda m: m.k)
    LabelSearch(model, look=look, cells=CELLS)
    tables = asked.times
    # One question for each device that is remembered, and one for each of three tables.
    assert tables > 3
    for yes_from in range(1, tables + 1):
        asked = Asked(yes_from)
        with pytest.raises(Stopped):
            LabelSearch(model, look=look, cells=CELLS)
        assert asked.in_vain == 0


@pytest.mark.parametrize("yes_from", [1, 20, 35, 60])
def test_all_columns_are_not_listed_in_vain(builder: ColumnBuilder, yes_from: int) -> None:
    asked = Asked(yes_from)
    everyone = range(builder.instance.n)
    with pytest.raises(TooManyColumns):
        columns_below(
            builder, everyone, Duals.zero(builder), 1e12, tells_pathways=False,
            label_limit=10**6, column_limit=10**6, should_stop=asked,
        )  # fmt: skip
    assert asked.in_vain == 0
