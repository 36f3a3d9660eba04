"""Fronts of small problems against trying everything, and what a trade-off claims."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.problem import BackboneShape, Problem
from partitioner.runs import Answer, Budget, Result
from partitioner.solve.racing_run import RacingRun
from partitioner.tradeoff.axes import AXES, least_delays_ns
from partitioner.tradeoff.known_segments import SeenSegments
from partitioner.tradeoff.search import Ending, TradeOff, TradeOffSettings, begin, trade_off
from tests.bench.planted import planted
from tests.brute.front import latency_front, line_front, port_front
from tests.brute.random_problems import random_problem

KINDS: dict[str, dict] = {
    "plain": {},
    "links": {"links": True, "anywhere": True},
    "tight": {"backbone": BackboneShape.FIXED, "deadlines": "mixed", "queue_pcp": True},
    "tree": {"candidates": True, "backbone": BackboneShape.TREE, "anywhere": True},
    "options": {"options": 2, "reserve": True},
    "rules": {"groups": True, "pins": True, "sharing": True, "links": True},
}


def budget(seconds: float = 120.0, **how) -> Budget:
    return Budget(time.monotonic, time.monotonic() + seconds, **how)


def whole(problem: Problem, axis: str = "latency", **settings) -> TradeOff:
    state = begin(problem, AXES[axis])
    return trade_off(problem, state, budget(), TradeOffSettings(**settings))


def points(state: TradeOff) -> list[tuple[int, int]]:
    return [(p.cost_money, p.value) for p in state.front.points]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(2))
def test_latency_front_equals_brute_force(kind, seed):
    problem = random_problem(seed, 3, **KINDS[kind])
    expected = latency_front(problem)
    if not expected:
        with pytest.raises(NoLayout):
            whole(problem)
        return
    state = whole(problem)
    assert points(state) == expected
    assert state.front.is_exact
    last = state.front.points[-1]
    assert last.value <= state.front.floor or last.is_next_proved


@pytest.mark.parametrize("seed", [1, 3])
@pytest.mark.parametrize(("axis", "brute"), [("lines", line_front), ("ports", port_front)])
def test_fronts_of_counts_equal_brute_force(axis, brute, seed):
    problem = random_problem(seed, 3, links=True, anywhere=True)
    state = whole(problem, axis)
    assert points(state) == brute(problem)
    assert state.front.is_exact


@pytest.fixture(scope="module")
def rich() -> Problem:
    """Six devices whose front has about ten points."""
    return random_problem(1, 6, links=True, anywhere=True, deadlines="mixed")


@pytest.fixture(scope="module")
def rich_front(rich: Problem) -> TradeOff:
    return whole(rich)


def test_every_point_is_a_layout_that_keeps_all_rules(rich, rich_front):
    for point in rich_front.front.points:
        assessment = assess(rich, point.layout)
        assert assessment.findings == ()
        assert assessment.cost.objective_money == point.cost_money
        assert AXES["latency"].of(rich, assessment)[0] == point.value


def test_margin_front_is_about_shares_of_deadlines(rich):
    state = whole(rich, "margin")
    assert state.front.is_exact
    assert len(state.front.points) > 2
    for point in state.front.points:
        tightest = max(
            (-(-f.bound_ns * 1_000_000 // f.deadline_ns), f.stream)
            for f in assess(rich, point.layout).streams
        )
        assert tightest[0] == point.value


def test_mass_limits_hold_to_the_milligram(rich):
    problem = random_problem(5, 6, links=True, anywhere=True, candidates=True, mass=False)
    axis = AXES["mass"]
    cheapest = whole(problem, "mass", points=2).front.points[0]
    result = budget().run(problem, 60, study=axis.limit(problem, cheapest.value))
    # The limit counts what the check counts: at its own mass the layout is still allowed.
    assert result.outcome.cost_money == cheapest.cost_money
    tighter = budget().run(problem, 60, study=axis.limit(problem, cheapest.value - 1))
    assert tighter.outcome is None or (
        tighter.assessment.cost.mass_mg < cheapest.value
        and tighter.outcome.cost_money >= cheapest.cost_money
    )


def test_a_spread_keeps_to_points_of_the_front(rich, rich_front):
    state = whole(rich, points=4)
    assert state.is_finished
    assert len(state.front.points) == 4
    exact = points(rich_front)
    for cost, value in points(state):
        # Cheapest of its value, proved; a point of the same cost may be a little faster.
        assert cost == min(c for c, v in exact if v <= value)
    spread = [v for _, v in points(state)]
    assert max(spread) - min(spread) > 0.5 * (exact[0][1] - exact[-1][1])


def test_stopping_and_going_on_ends_at_the_same_front(rich, rich_front):
    state = begin(rich, AXES["latency"])
    calls = 0
    while not state.is_finished:
        asked = iter(range(10**9))
        # Each call is stopped in the middle of a run, a little later every time.
        one = budget(should_stop=lambda asked=asked, most=20 + 25 * calls: next(asked) > most)
        try:
            trade_off(rich, state, one, TradeOffSettings())
        except NoAnswer:
            assert not state.front.points
        calls += 1
        assert calls < 60
    assert calls > 2
    assert points(state) == points(rich_front)
    assert state.front.is_exact


def test_no_layout_is_said(rich):
    problem = random_problem(1, 6, switches=1, nodes=2)
    with pytest.raises(NoLayout):
        whole(problem)


def test_a_cheapest_that_is_hardly_proved_does_not_use_up_all_the_time(rich, rich_front):
    asked: list[int | None] = []

    class InVain(Budget):
        """Nothing new comes out of any run, and after the third all time is over."""

        def run(self, problem, seconds, **how) -> Result:
            if "only" not in how:
                asked.append(state.sought)
                if len(asked) == 3:
                    self.ends_at = self.clock()
            return Result(Answer.UNKNOWN)

    cheapest = rich_front.steps[0]
    assert cheapest.cost_money is not None
    state = begin(rich, AXES["latency"])
    state.steps.append(replace(cheapest, limit=None, bound_money=cheapest.cost_money // 2))
    vain = InVain(time.monotonic, time.monotonic() + 60.0)
    trade_off(rich, state, vain, TradeOffSettings(points=4))
    assert asked[0] is None, "first the cheapest"
    assert asked[1] is not None, "then what others cost"
    assert state.ended_by is Ending.TIME
    assert not state.is_finished, "the cheapest is not as well proved as was asked"


def test_out_of_time_says_so(rich):
    with pytest.raises(NoAnswer):
        trade_off(rich, begin(rich, AXES["latency"]), budget(0.0), TradeOffSettings())


@pytest.mark.parametrize("kind", KINDS)
def test_no_layout_is_faster_than_the_floor(kind):
    problem = random_problem(4, 5, **KINDS[kind])
    least = least_delays_ns(problem)
    result = budget().run(problem, 60)
    assert set(least) == set(problem.streams)
    if result.assessment is None:
        pytest.skip("this problem has no layout")
    for f in result.assessment.streams:
        assert least[f.stream] <= max(
            g.bound_ns for g in result.assessment.streams if g.stream == f.stream
        )


def test_only_the_run_without_a_limit_has_searches_beside_it(monkeypatch):
    races = []

    class Race(RacingRun):
        def go(self):
            races.append(self.study)
            raise NoAnswer("stopped")

    monkeypatch.setattr("partitioner.solve.planner.RacingRun", Race)
    problem, axis = planted(20, 3).problem, AXES["latency"]
    two = budget(workers=2, should_stop=lambda: bool(races))
    with pytest.raises(NoAnswer, match="stopped"):
        trade_off(problem, begin(problem, axis), two, TradeOffSettings())
    assert len(races) == 1
    # What is found beside keeps no limit.
    assert not SeenSegments(problem, axis).watch(axis.limit(problem, 10**6)).only_watches
