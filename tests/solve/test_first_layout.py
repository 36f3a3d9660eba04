"""A first layout where length is what binds: geometry places nearly all, a walk the last few."""

from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.application.reading import read_problem
from partitioner.model.problem import Problem
from partitioner.solve import direct_run
from partitioner.solve.compact_search import LAST_FEW, CompactSearch
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.planner import PlanSettings

PROBLEMS = Path(__file__).parents[2] / "problems"


@pytest.fixture(scope="module")
def glasshouse() -> Problem:
    return read_problem(PROBLEMS / "glasshouse" / "problem.yaml")


def _with_proposals(problem: Problem) -> DirectRun:
    """A run that has tried what geometry proposes."""
    run = DirectRun(problem, PlanSettings(work_limit=2, seed=4))
    run.start_seeds()
    run.first_layout()
    return run


def test_ports_are_not_chosen_again_and_again_for_lines_that_are_too_long(
    glasshouse: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = DirectRun(glasshouse, PlanSettings(work_limit=40))
    search = CompactSearch(run.search)
    laid: list[set[int]] = []
    lay = search._lay

    def told() -> set[int]:
        laid.append(lay())
        return laid[-1]

    monkeypatch.setattr(search, "_lay", told)
    assert not search.run(lambda: False)
    assert len(laid) == 1
    assert len(laid[0]) > len(search._model.units) / 2


def test_the_few_that_geometry_leaves_out_find_a_place_before_ports_are_chosen(
    glasshouse: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = _with_proposals(glasshouse)
    nearly = run.search.incumbent
    assert nearly is not None
    assert 0 < len(nearly.left_out) <= LAST_FEW * run.instance.n
    monkeypatch.setattr(CompactSearch, "chooses_for_all", lambda *_: pytest.fail("all chosen for"))
    run._choose_ports(60.0)
    assert run.cost is not None


def test_ports_are_chosen_at_once_where_geometry_leaves_many_out(
    glasshouse: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = _with_proposals(glasshouse)
    nearly = run.search.incumbent
    assert nearly is not None
    left_out = len(nearly.left_out) / run.instance.n
    monkeypatch.setattr(direct_run, "LAST_FEW", 0.9 * left_out)
    assert not run._place_the_last(lambda: False)
    assert run.search.incumbent is nearly


