"""Faster layouts near one that is known: the check accepts them, and no run has to find any."""

from __future__ import annotations

import pytest

from partitioner.check.judge import assess
from partitioner.model.outcome import Outcome, Status
from partitioner.runs import SMALL, Answer, Budget, Result
from partitioner.tradeoff.axes import AXES
from partitioner.tradeoff.known_segments import Found
from partitioner.tradeoff.nearby import nearby
from partitioner.tradeoff.search import TradeOffSettings, begin, trade_off
from tests.bench.planted import Planted, planted


@pytest.fixture(scope="module")
def machine() -> Planted:
    return planted(20, 3)


def found_of(machine: Planted, axis: str) -> Found:
    judged = assess(machine.problem, machine.hidden)
    one = AXES[axis]
    return Found(machine.hidden, judged.cost.objective_money, *one.of(machine.problem, judged))


@pytest.mark.parametrize("axis", ["latency", "margin"])
def test_a_layout_nearby_keeps_all_rules_and_is_better(machine, axis) -> None:
    before = found_of(machine, axis)
    after = nearby(machine.problem, AXES[axis], before, lambda: False)
    assert after is not None
    judged = assess(machine.problem, after.layout)
    assert judged.findings == ()
    assert judged.cost.objective_money == after.cost_money
    assert AXES[axis].of(machine.problem, judged) == (after.value, after.stream)
    assert after.value < before.value


def test_nothing_is_judged_when_it_should_stop(machine) -> None:
    before = found_of(machine, "latency")
    assert nearby(machine.problem, AXES["latency"], before, lambda: True) is None


def test_where_runs_under_a_limit_find_nothing_there_are_faster_layouts(machine) -> None:
    problem = machine.problem
    assert len(problem.devices) > SMALL
    judged = assess(problem, machine.hidden)
    cost = judged.cost.objective_money
    outcome = Outcome(
        Status.FEASIBLE, machine.hidden, cost, cost // 2, 0, 0, 0, 1, "", "", (), ()
    )
    starts = []

    class OnlyTheCheapest(Budget):
        now = 0.0

        def run(self, problem, seconds, *, study=None, start=None, only=None, **more):
            self.now += 4.0
            if only is None and study.latency_limit is None:
                return Result(Answer.FOUND, outcome, judged, bound_money=cost // 2)
            if only is None:
                starts.append((study.latency_limit(next(iter(problem.streams.values()))), start))
            return Result(Answer.UNKNOWN)

    axis = AXES["latency"]
    state = begin(problem, axis)
    calm = OnlyTheCheapest(lambda: calm.now, 20.0)
    trade_off(problem, state, calm, TradeOffSettings(points=4))
    points = state.front.points
    assert points[-1].value < axis.of(problem, judged)[0]
    for point in points:
        assert assess(problem, point.layout).findings == ()
        assert point.bound_money == cost // 2, "nothing is proved of it but what was before"
    within = [(limit, start) for limit, start in starts if start is not None]
    assert within, "a run begins with what was found within its limit"
    for limit, start in within:
        assert axis.of(problem, assess(problem, start))[0] <= limit
