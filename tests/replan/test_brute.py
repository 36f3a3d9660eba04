"""Reruns of small problems against every layout the check accepts, to the money step."""

from __future__ import annotations

import pytest

from partitioner.errors import NoLayout
from partitioner.replan.rerun import rerun
from partitioner.replan.searched import RerunSettings
from tests.brute.oracle import accepts
from tests.replan.brute import RerunOracle
from tests.replan.random_reruns import KINDS, random_rerun

SETTINGS = RerunSettings(time_limit_s=60, points=100)


def compare(seed: int, kind: str) -> None:
    """Plan again, have the oracle plan again, and compare all that is said."""
    case = random_rerun(seed, kind)
    if case is None:
        pytest.skip("the earlier problem has no layout")
    problem, before, held = case
    oracle = RerunOracle(problem, before, held)
    best = oracle.best()
    if best is None:
        with pytest.raises(NoLayout):
            rerun(problem, before, SETTINGS, held=held)
        return
    result = rerun(problem, before, SETTINGS, held=held)
    assert accepts(problem, result.best.layout)
    assert result.best.found.total_money == best
    assert result.best.found.is_proved
    assert result.searched.total_bound_money == best
    front = oracle.front()
    assert [(p.found.plan_money, p.found.change_money) for p in result.front] == front
    assert result.searched.is_front_whole
    assert result.searched.outcome.bound_money == min(plan for plan, _ in front)
    assert result.searched.least_change_money == min(change for _, change in front)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3))
def test_best_rerun_equals_the_oracle(kind, seed):
    compare(seed, kind)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3, 60))
def test_many_reruns_equal_the_oracle(kind, seed):
    compare(seed, kind)
