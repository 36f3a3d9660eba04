"""What a choice of ports is estimated to cost, against the bill of the segments laid for it."""

from __future__ import annotations

import pytest

from partitioner.solve.compact_cost import estimated_cost
from partitioner.solve.compact_model import CompactModel
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.cpsat import run as solve
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.planner import PlanSettings
from tests.bench.planted import planted


def _never() -> bool:
    return False


def _estimated(model: CompactModel, slots: dict[int, int]) -> int:
    """Least that the model says of a choice."""
    for (u, k), var in model.hangs.items():
        model.model.add(var == int(slots[u] == k))
    model.model.minimize(estimated_cost(model))
    found = solve(
        model.model, list(model.hangs.values()), seconds=60.0, workers=1, seed=0, work_limit=20.0
    )
    assert found.proved
    assert found.bound is not None
    return found.bound


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
    # A tree is shorter than the line through its devices.
    assert 0.85 * paid <= _estimated(model, search._slots) <= 1.02 * paid


def test_of_two_places_the_one_with_less_cable_is_estimated_lower() -> None:
    run = DirectRun(planted(20, 1).problem, PlanSettings(work_limit=40))
    search = CompactSearch(run.search)
    assert search.run(_never)
    model = search._model
    cost = estimated_cost(model)
    before = model.solve(
        search._slots, None, seconds=60.0, workers=1, seed=0, should_stop=_never, work_limit=20.0,
        least=cost,
    )
    assert before is not None
    search._slots = before
    assert not search._lay()
    cheapest = sum(c.cost for c in search.columns)
    best = run.search.incumbent
    assert best is not None
    assert cheapest < sum(c.column.cost for c in best.choices)
