"""What arithmetic proves before any search: conflicts of one rule or several, and no others."""

from __future__ import annotations

import pytest

from partitioner.check.judge import assess
from partitioner.errors import Conflict
from partitioner.model.problem import Problem
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.hopeless import hopeless
from tests.solve.conflict_table import IMPOSSIBLE, KEPT, Case, machine


def conflicts(problem: Problem) -> list[Conflict]:
    return hopeless(ColumnBuilder(Instance(problem)))


@pytest.mark.parametrize("case", IMPOSSIBLE, ids=lambda case: case.name)
def test_what_rules_make_impossible_is_proved_with_rules_and_names(case: Case) -> None:
    problem, layout, names = case.change(machine(case.devices, case.seed))
    assert assess(problem, layout).findings
    found = conflicts(problem)
    assert case.rules <= {c.rule for c in found}, [(c.rule, c.sentence) for c in found]
    assert names <= {id_ for c in found for id_ in c.subjects}


@pytest.mark.parametrize("case", KEPT, ids=lambda case: case.name)
def test_what_keeps_a_layout_is_not_called_impossible(case: Case) -> None:
    problem, layout, _ = case.change(machine(case.devices, case.seed))
    assert not assess(problem, layout).findings
    assert not conflicts(problem)
