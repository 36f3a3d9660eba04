"""Why a trade-off ends: one that has not found what was asked for uses its whole time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from partitioner.application.reading import read_problem
from partitioner.check.judge import assess
from partitioner.model.outcome import Outcome, Status
from partitioner.model.problem import Problem
from partitioner.pages.tradeoff import front_text, seeking_text, tradeoff_section, verdict_of
from partitioner.report.verdict import total_text
from partitioner.runs import Answer, Budget, Result
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.tradeoff import search
from partitioner.tradeoff.axes import AXES
from partitioner.tradeoff.front import Step
from partitioner.tradeoff.search import Ending, TradeOffSettings, begin, trade_off

CASE = Path(__file__).parent.parent / "gold" / "small-sprayer" / "problem.yaml"
LIMIT_S = 40.0


class ShortRuns(Budget):
    """Runs of a second at most: one layout, ``proved`` so far, and none below a limit."""

    def __init__(
        self, problem: Problem, outcome: Outcome, stops_at: float = 1e9, proved: float = 0.9
    ):
        super().__init__(self.read, LIMIT_S, should_stop=lambda: self.now >= stops_at)
        self.now = 0.0
        self.asked: list[tuple[float, int]] = []
        """Share of the time left and number of each run without a limit."""
        self.limited = 0
        low = int(outcome.cost_money * proved)
        self.result = Result(
            Answer.FOUND,
            replace(outcome, status=Status.FEASIBLE, bound_money=low),
            assess(problem, outcome.layout),
            bound_money=low,
        )

    def read(self) -> float:
        return self.now

    def run(self, problem: Problem, seconds: float, **more: Any) -> Result:  # type: ignore[override]
        share = seconds / self.left_s
        self.now += min(seconds, 1.0)
        if more.get("only") is not None:
            return Result(Answer.UNKNOWN)
        if more["study"].latency_limit is not None:
            self.limited += 1
            return Result(Answer.UNKNOWN)
        self.asked.append((share, more["attempt"]))
        return self.result


@pytest.fixture(scope="module")
def problem() -> Problem:
    return read_problem(CASE)


@pytest.fixture(scope="module")
def outcome(problem: Problem) -> Outcome:
    return plan_layout(problem, PlanSettings(work_limit=20))


def test_without_a_point_it_goes_on_until_the_time_is_up(problem, outcome) -> None:
    budget = ShortRuns(problem, outcome)
    state = trade_off(problem, begin(problem, AXES["latency"]), budget, TradeOffSettings(8, 0.01))
    assert budget.left_s <= 0.05
    assert (state.is_finished, state.ended_by) == (False, Ending.TIME)
    attempts = [attempt for _, attempt in budget.asked]
    assert attempts == list(range(len(attempts)))
    assert len(attempts) + budget.limited > 10
    assert budget.limited > 0, "what others cost is looked for besides"
    assert budget.asked[2][0] > budget.asked[0][0], "later tries get more of what is left"


def test_what_a_run_found_is_told_unless_it_was_the_last(problem, outcome) -> None:
    """The caller writes what the last one found, and a page takes seconds to draw."""
    budget = ShortRuns(problem, outcome)
    told: list[float] = []
    trade_off(
        problem, begin(problem, AXES["latency"]), budget, TradeOffSettings(8, 0.01),
        lambda _: told.append(budget.left_s),
    )  # fmt: skip
    assert len(told) > 10
    assert all(left_s > 0.05 for left_s in told)


def test_a_stop_is_told_as_one(problem, outcome) -> None:
    budget = ShortRuns(problem, outcome, stops_at=5.0)
    state = trade_off(problem, begin(problem, AXES["latency"]), budget, TradeOffSettings(8, 0.01))
    assert (state.is_finished, state.ended_by) == (False, Ending.USER)


def test_one_point_asked_for_and_found_ends_it(problem, outcome) -> None:
    budget = ShortRuns(problem, outcome)
    state = trade_off(problem, begin(problem, AXES["latency"]), budget, TradeOffSettings(1, 0.2))
    assert (state.is_finished, state.ended_by) == (True, Ending.FOUND)
    assert budget.left_s > LIMIT_S / 2
    lead = " ".join(verdict_of(problem, state)[2])
    assert "The search ended with 1\u00a0point: all that were asked for" in lead


def test_where_a_good_layout_is_known_a_run_looks_for_a_cheaper_one(
    problem, outcome, monkeypatch
) -> None:
    """With the gap as its goal it ended at once, with what is known."""
    asked: list[tuple[int, float]] = []

    class Noting(ShortRuns):
        def run(self, problem: Problem, seconds: float, **more: Any) -> Result:  # type: ignore[override]
            limit = more["study"].latency_limit
            if more.get("only") is None and limit is not None:
                asked.append((limit(None), more["enough_gap"]))
            return super().run(problem, seconds, **more)

    monkeypatch.setattr(search, "SMALL", 5)
    state, axis, cost = begin(problem, AXES["latency"]), AXES["latency"], outcome.cost_money
    slow = axis.of(problem, assess(problem, outcome.layout))[0]
    fast = (state.floor + slow) // 2
    state.steps += [
        Step(None, cost, outcome.layout, cost, slow),
        Step(fast, cost, outcome.layout, cost + cost // 100, fast),
    ]
    trade_off(problem, state, Noting(problem, outcome), TradeOffSettings(8, 0.05))
    assert {enough for limit, enough in asked if limit >= fast} == {0.0}
    assert {enough for limit, enough in asked if limit < fast} == {0.05}


def test_progress_tells_points_found_and_what_is_sought(problem, outcome) -> None:
    state = begin(problem, AXES["latency"])

    def seeking(cost_money: int | None = None) -> str:
        return seeking_text(problem, state, 8, cost_money)

    assert seeking() == "no layout yet; seeking the cheapest layout"
    assert seeking(471_490) == "one of 47.15 EUR found; seeking the cheapest layout"
    trade_off(problem, state, ShortRuns(problem, outcome), TradeOffSettings(8, 0.01))
    state.sought = None
    assert seeking() == (
        "1 layout, none proved within 1.0 % yet; seeking the cheapest layout"
    )
    state.goal, state.sought = 0.2, 1_250_000
    assert seeking() == (
        "1 of 8 points found; seeking the cheapest with a worst latency of at most 1.25 ms"
    )


def test_the_head_names_what_is_made_small_and_why_it_ended(problem, outcome) -> None:
    state = trade_off(
        problem, begin(problem, AXES["latency"]), ShortRuns(problem, outcome),
        TradeOffSettings(1, 0.2),
    )
    state.ended_by, state.is_finished = Ending.TIME, False
    lead = " ".join(verdict_of(problem, state)[2])
    assert "The time was up before all points were found." in lead
    assert total_text(problem, outcome.cost_money) in lead
    state.ended_by = Ending.USER
    assert "Stopped by you before all points were found." in " ".join(verdict_of(problem, state)[2])
    priced = replace(problem, objective=replace(problem.objective, mass_price_per_kg_money=100))
    assert "priced total against" in tradeoff_section(priced, state).title.lower()
    unpriced = replace(
        problem,
        objective=replace(
            problem.objective, mass_price_per_kg_money=0, latency_price_per_ms_money=0
        ),
    )
    assert tradeoff_section(unpriced, state).title.startswith("Cost against")
    assert "a cost of" in " ".join(verdict_of(unpriced, state)[2])


def test_layouts_not_good_enough_are_told_so_once(problem, outcome) -> None:
    state = trade_off(
        problem, begin(problem, AXES["latency"]), ShortRuns(problem, outcome),
        TradeOffSettings(8, 0.01),
    )
    text = front_text(problem, state, lambda layout: assess(problem, layout))
    caption = "Layouts not proved within 1.0 % of the cheapest of their value, cheapest first:"
    assert f"\n{caption}\n" in text
    rows = text.partition(caption)[2].partition("\n\n")[0]
    assert "10.0 %" in rows
    assert state.front.points[0].stream in rows.split()
    good = trade_off(
        problem, begin(problem, AXES["latency"]), ShortRuns(problem, outcome),
        TradeOffSettings(1, 0.2),
    )
    text = front_text(problem, good, lambda layout: assess(problem, layout))
    assert "10.0 %" in text.partition("\nPoints, cheapest first:\n")[2]


def test_where_nothing_is_proved_of_a_point_no_gap_is_told(problem, outcome) -> None:
    runs = ShortRuns(problem, outcome, proved=0.0)
    state = trade_off(problem, begin(problem, AXES["latency"]), runs, TradeOffSettings(8, 0.01))
    text = front_text(problem, state, lambda layout: assess(problem, layout))
    assert "no time to prove how much could be saved with the same" in " ".join(text.split())
    assert "100" not in text.partition("Layouts not proved")[2]
    section = tradeoff_section(problem, state)
    rows = [row for table in section.tables for row in table.records()]
    assert [(r["bound"], r["gap_share"]) for r in rows] == [(None, None)]
    assert "proved bound" not in str(section.figures)
