"""What a choice of ports is estimated to cost, against the bill of the segments laid for it."""

from __future__ import annotations

import pytest

from partitioner.solve.compact_cost import EstimatedCost
from partitioner.solve.compact_model import CompactModel
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.cpsat import Effort
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.planner import PlanSettings
from tests.bench.planted import planted


def _never() -> bool:
    return False


def _is_at_most(
    model: CompactModel, cost: EstimatedCost, slots: dict[int, int], money: int
) -> bool:
    """Whether the rows of the model say that a choice costs no more."""
    found = model.solve(
        slots, (), Effort(60.0, work_limit=20.0), rows=[cost.at_most(money)],
    )
    assert found in (None, slots)
    return found is not None


@pytest.mark.parametrize("seed", [0, 1, 5])
def test_the_estimate_is_near_the_bill(seed: int) -> None:
    run = DirectRun(planted(20, seed).problem, PlanSettings(work_limit=40))
    search = CompactSearch(run.search)
    assert search.run(_never)
    best = run.search.incumbent
    assert best is not None
    paid = sum(
        c.column.cost + run.instance.port_classes[c.port].value for c in best.choices
    )
    model = CompactModel(run.builder, run.backbone, dict(best.backbone), 3, {}, 0.05)
    model.deadlines_hold({})
    cost = EstimatedCost(model)
    estimated = cost.of(search._slots)
    # A tree is shorter than the line through its devices.
    assert 0.85 * paid <= estimated <= 1.02 * paid
    assert _is_at_most(model, cost, search._slots, estimated)
    assert not _is_at_most(model, cost, search._slots, estimated - 1)


def test_a_choice_that_is_estimated_lower_costs_less() -> None:
    run = DirectRun(planted(20, 0).problem, PlanSettings(work_limit=40))
    search = CompactSearch(run.search)
    assert search.run(_never)
    best = run.search.incumbent
    assert best is not None
    cost = EstimatedCost(search._model)
    before = cost.of(search._slots)
    found = search._model.solve(
        search._slots, range(len(search._model.units)), Effort(60.0, work_limit=20.0),
        rows=[cost.at_most(int(0.99 * before))],
    )
    assert found is not None
    assert cost.of(found) <= 0.99 * before
    search._slots = found
    assert not search._lay()
    paid = sum(c.column.cost + run.instance.port_classes[c.port].value for c in best.choices)
    least_port = min(p.value for p in run.instance.port_classes)
    assert sum(c.cost + least_port for c in search.columns) < paid
