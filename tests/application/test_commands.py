"""Each command as a call from Python: typed answer, nothing printed, nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.application.check import check
from partitioner.application.explain import explain
from partitioner.application.plan import plan
from partitioner.application.reading import read_layout, read_problem
from partitioner.application.replan import Question, replan
from partitioner.application.report import report
from partitioner.application.search import PAGE_SHARE, Search, finishing_s
from partitioner.application.tradeoff import tradeoff
from partitioner.model.outcome import Status
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.tradeoff.search import Ending

TESTS = Path(__file__).parent.parent
CASE = TESTS / "gold" / "small-sprayer"
CASES = TESTS / "cases"


@pytest.mark.usefixtures("silent_and_clean")
def test_each_command_answers_without_a_word() -> None:
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    planned = plan(read.problem, work_limit=20)
    assert planned.outcome.status is Status.OPTIMAL
    checked = check(read.problem, planned.outcome.layout, simulate_s=0.01)
    assert checked.assessment.cost == planned.assessment.cost
    assert set(checked.data()) > {"simulation", "cost"}
    assert set(report(read.problem, read.layout).files()) >= {"report.html", "layout.yaml"}
    held = replan(read.problem, read.layout, question=Question(complete=True))
    assert held.data()["change"] == 0
    # All that a plan writes, the change order beside it.
    # Where something was held there is no search of a plan to draw.
    # Nor has the other layout the same lines, of which each has a drawing.
    own = ("drawing-timeline", "drawing-sheet-", "drawing-strip-")
    wanted = {name for name in planned.files() if not name.startswith(own)}
    assert held.files().keys() > wanted | {"replan.json", "order-pieces.csv"}
    beside = report(read.problem, read.layout, against=("planned", planned.outcome.layout)).files()
    assert "Against planned" in beside["report.html"]
    assert beside["order-lines.csv"].count("\n") > 2
    why = explain(read_problem(CASES / "explain-links.yaml"))
    assert why.data()["status"] == "optimal"
    assert "explain.json" in why.files()
    traded = tradeoff(
        read_problem(CASES / "tradeoff-floor.yaml"), Search(time_limit_s=60), points=None
    )
    assert traded.state.ended_by is Ending.PROOF
    assert "tradeoff.json" in traded.files()


def test_the_time_limit_counts_from_the_beginning_of_all() -> None:
    now = [100.0]

    def clock() -> float:
        return now[0]

    search = Search(time_limit_s=10.0, clock=clock, begun_s=97.0)
    assert search.left_s == 7.0
    begun = Search(time_limit_s=10.0, clock=clock).begun()
    now[0] += 4.0
    assert begun.left_s == 6.0
    problem = read_problem(CASE / "problem.yaml")
    kept_s = finishing_s(problem, 6.0, PAGE_SHARE)
    assert 0.0 < kept_s < 6.0
    assert begun.budget(problem, str).left_s == pytest.approx(6.0 - kept_s)
    hurries = begun.hurries(problem)
    assert not hurries()
    now[0] += 6.0
    assert hurries(), "time is up: what a report can do without is left out"


class Seconds:
    """A clock that goes on by a thousandth each time it is read."""

    now = 0.0

    def __call__(self) -> float:
        self.now += 0.001
        return self.now


def test_a_search_leaves_time_for_the_check() -> None:
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    settings = PlanSettings(time_limit_s=20.0, finishing_s=19.9)
    clock = Seconds()
    outcome = plan_layout(read.problem, settings, clock, start=read.layout)
    assert outcome.stopped_by == "time limit"
    assert clock.now < 1.0
