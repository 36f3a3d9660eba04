"""The planner against trying everything: optimum equal to the money step, check agrees."""

import pytest

from partitioner.check.judge import assess
from partitioner.errors import NoLayout
from partitioner.model.outcome import Status
from partitioner.solve import direct_run
from partitioner.solve.planner import PlanSettings, plan_layout
from tests.brute.brute import best_layout
from tests.brute.random_problems import random_problem
from tests.brute.test_brute import KINDS


def compare(problem):
    """Plan with counted work and compare cost, proof and findings with the brute force."""
    best = best_layout(problem)
    settings = PlanSettings(time_limit_s=60, seed=0, workers=1, work_limit=60)
    if best is None:
        with pytest.raises(NoLayout):
            plan_layout(problem, settings)
        return
    outcome = plan_layout(problem, settings)
    assessment = assess(problem, outcome.layout)
    assert [f.sentence for f in assessment.findings] == []
    assert assessment.cost.objective_money == outcome.cost_money
    assert outcome.bound_money <= best[0], "the bound is above the optimum"
    assert outcome.cost_money == best[0]
    assert outcome.status is Status.OPTIMAL


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [11, 12])
def test_optimum_equals_brute_force(kind, seed):
    compare(random_problem(seed, 5, **KINDS[kind]))


@pytest.mark.parametrize(
    ("kind", "seed", "devices"),
    [("builds", 13, 5), ("failures", 435, 5)],
)
def test_problems_that_were_once_proved_wrongly_or_not_at_all(kind, seed, devices):
    compare(random_problem(seed, devices, **KINDS[kind]))


@pytest.mark.parametrize("kind", KINDS)
def test_proofs_by_less_room_first_end_at_the_same_optimum(kind, monkeypatch):
    monkeypatch.setattr(direct_run, "FEW_COLUMNS", 0)
    compare(random_problem(13, 5, **KINDS[kind]))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [14, 15])
def test_a_run_to_a_gap_claims_no_more_than_is_true(kind, seed, monkeypatch):
    problem = random_problem(seed, 5, **KINDS[kind])
    best = best_layout(problem)
    if best is None:
        pytest.skip("this problem has no layout")
    monkeypatch.setattr(direct_run, "FEW_COLUMNS", 0)
    settings = PlanSettings(time_limit_s=60, seed=0, workers=1, work_limit=60, enough_gap=0.1)
    outcome = plan_layout(problem, settings)
    assert outcome.bound_money <= best[0] <= outcome.cost_money
    assert outcome.bound_money >= 0.9 * outcome.cost_money - 1


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(20, 24))
def test_optimum_equals_brute_force_with_seven_devices(kind, seed):
    compare(random_problem(seed, 7, **KINDS[kind]))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("few", [0, 8_000])
def test_optimum_equals_brute_force_on_many(kind, few, monkeypatch):
    monkeypatch.setattr(direct_run, "FEW_COLUMNS", few)
    for seed in range(100 + few, 140 + few):
        compare(random_problem(seed, 5, **KINDS[kind]))
