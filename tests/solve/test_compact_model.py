"""Choices of ports: those that differ by ports that are alike only are there once."""

from __future__ import annotations

import random
from collections import defaultdict

import pytest

from partitioner.solve.compact_cost import EstimatedCost
from partitioner.solve.compact_model import CompactModel
from partitioner.solve.compact_ports import by_slot
from partitioner.solve.cpsat import Effort
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.planner import PlanSettings
from tests.bench.planted import planted

EFFORT = Effort(60.0, work_limit=20.0)


def _model(seed: int) -> tuple[CompactModel, dict[int, int]]:
    """A model, and a choice that it allows."""
    run = DirectRun(planted(20, seed).problem, PlanSettings(work_limit=40))
    built = run.backbone.quick_backbones()[0]
    model = CompactModel(run.builder, run.backbone, built, 3, {}, 0.0)
    model.deadlines_hold({})
    choice = model.solve({}, None, EFFORT)
    assert choice is not None
    return model, choice


def _with_ports_changed(
    model: CompactModel, choice: dict[int, int], rng: random.Random
) -> dict[int, int]:
    """The same segments, each on any port of its class."""
    alike: dict[int, list[int]] = defaultdict(list)
    for k, slot in enumerate(model.slots):
        alike[slot.port].append(k)
    other: dict[int, int] = {}
    for slots in alike.values():
        other |= dict(zip(slots, rng.sample(slots, len(slots)), strict=True))
    return {u: other[k] for u, k in choice.items()}


def _is_there(model: CompactModel, start: dict[int, int], choice: dict[int, int]) -> bool:
    rows = [model.hangs[u, k] == 1 for u, k in choice.items()]
    return model.solve(start, None, EFFORT, rows=rows) is not None


@pytest.mark.parametrize("seed", [0, 1])
def test_of_choices_that_differ_by_ports_alike_the_one_in_order_is_there(seed: int) -> None:
    model, choice = _model(seed)
    rng = random.Random(seed)
    left_out = 0
    for _ in range(12):
        other = _with_ports_changed(model, choice, rng)
        # Whatever order it begins with is the one that counts.
        assert _is_there(model, other, other)
        assert _is_there(model, choice, other) == (other == choice)
        left_out += other != choice
    assert left_out


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_least_is_the_same_with_ports_in_any_order(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    model, choice = _model(seed)
    cost = EstimatedCost(model)
    rng = random.Random(seed)
    on = by_slot(choice)
    for _ in range(6):
        free = {u for k in rng.sample(sorted(on), min(3, len(on))) for u in on[k]}
        found = model.solve(choice, free, EFFORT, least=cost.total)
        with monkeypatch.context() as patch:
            patch.setattr(CompactModel, "_number_alike", lambda *_: None)
            other = model.solve(choice, free, EFFORT, least=cost.total)
        assert found is not None
        assert other is not None
        assert cost.of(found) == cost.of(other)


def test_a_unit_that_is_to_stay_may_stay_on_any_port_in_use() -> None:
    """Where few are to move, the first one of a line may leave it and the others stay."""
    model, choice = _model(1)
    lines = [units for units in by_slot(choice).values() if len(units) > 1]
    left = 0
    for units in lines:
        first = min(units)
        rows = [model.hangs[first, choice[first]] == 0]
        found = model.solve(choice, None, EFFORT, rows=rows, few_move=True)
        if found is not None:
            left += sum(found[u] != k for u, k in choice.items()) == 1
    assert left
