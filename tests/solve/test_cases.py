"""Small invented problems on which the planner once meant something else than the check.

Each stands in ``tests/cases``, most with a layout that the check accepts; the name says what was
wrong.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.plan import plan
from partitioner.application.reading import read_problem
from partitioner.application.search import Search
from partitioner.errors import NoLayout
from partitioner.facts.growth import growth_of
from partitioner.model.outcome import Outcome, Status
from partitioner.replan.compare import compare
from partitioner.replan.reading import read_earlier_layout
from partitioner.replan.rerun import held_by, rerun
from partitioner.replan.searched import RerunSettings
from partitioner.runs import Budget
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.tradeoff.axes import AXES
from partitioner.tradeoff.search import TradeOffSettings, begin, trade_off
from tests.judged import judge

CASES = Path(__file__).parent.parent / "cases"
SECONDS = 30.0


def planned(name: str) -> Outcome:
    outcome = plan_layout(read_problem(CASES / f"{name}.yaml"), PlanSettings(time_limit_s=SECONDS))
    assert outcome.status is Status.OPTIMAL
    return outcome


@pytest.mark.parametrize(
    "name",
    [
        "failure-fixed", "failure-ring", "failure-transfer-no-layout", "gives-up-backbone",
        "gives-up-latency", "linear-cheaper", "linear-no-layout", "load-limit-length",
        "looser-deadline", "overload-candidate", "relay-no-layout", "spacing-no-layout",
    ],
)
def test_the_accepted_layout_or_a_cheaper_one_is_planned_and_proved(name):
    known = judge(CASES / f"{name}.yaml", CASES / f"{name}-cheaper-layout.yaml").assessment
    assert known.findings == ()
    assert planned(name).cost_money <= known.cost.objective_money


def test_a_link_between_switches_takes_room_in_a_pathway():
    problem = read_problem(CASES / "slip-ring.yaml")
    home = {d: s.switch for s in planned("slip-ring").layout.segments for d in s.devices}
    assert sorted(home[d] for d in "bc") == ["base", "top"]
    wide = tuple(replace(p, max_cables=3) for p in problem.pathways)
    outcome = plan_layout(replace(problem, pathways=wide), PlanSettings(time_limit_s=SECONDS))
    assert {s.switch for s in outcome.layout.segments} == {"top"}


def test_bulk_transfers_make_no_partners_in_a_failure():
    name = "failure-transfer-fault"
    refused = judge(CASES / f"{name}.yaml", CASES / f"{name}-rejected-layout.yaml").assessment
    assert {f.rule for f in refused.findings} == {"failure"}
    with pytest.raises(NoLayout):
        plan(read_problem(CASES / f"{name}.yaml"), Search(time_limit_s=SECONDS))


def test_a_transfer_needs_a_way():
    name = "transfer-no-way"
    found = judge(CASES / f"{name}.yaml", CASES / f"{name}-cheaper-layout.yaml").assessment
    assert {f.rule for f in found.findings} == {"stream-way"}
    with pytest.raises(NoLayout):
        plan(read_problem(CASES / f"{name}.yaml"), Search(time_limit_s=SECONDS))


def test_the_node_count_includes_the_reserve():
    name = "reserve-node-count"
    found = judge(CASES / f"{name}.yaml", CASES / f"{name}-layout.yaml").assessment
    assert {f.rule for f in found.findings} == {"plca-node-count"}
    with pytest.raises(NoLayout) as error:
        plan(read_problem(CASES / f"{name}.yaml"), Search(time_limit_s=SECONDS))
    assert {c.rule for c in error.value.conflicts} == {"deadline"}


def test_burst_counts_stay_those_of_the_problem_and_that_is_said():
    name = "burst-count"
    known = judge(CASES / f"{name}.yaml", CASES / f"{name}-layout.yaml").assessment
    assert known.findings == ()
    with pytest.raises(NoLayout) as error:
        plan(read_problem(CASES / f"{name}.yaml"), Search(time_limit_s=SECONDS))
    assert all(
        "with the PLCA settings of the problem" in c.sentence for c in error.value.conflicts
    )


def test_rules_that_a_smaller_build_breaks_are_broken():
    name = "failure-build"
    known = judge(CASES / f"{name}.yaml", CASES / f"{name}-plan-layout.yaml").assessment
    assert {f.rule for f in known.findings} == {"failure"}
    with pytest.raises(NoLayout):
        plan(read_problem(CASES / f"{name}.yaml"), Search(time_limit_s=SECONDS))


@pytest.mark.parametrize(
    ("name", "accepted", "freeze"),
    [("replan-ids", "better", []), ("replan-freeze", "accepted", ["d2"])],
)
def test_a_rerun_called_least_costs_no_more_than_the_known_layout(name, accepted, freeze):
    file = CASES / f"{name}.yaml"
    known = judge(file, CASES / f"{name}-{accepted}-layout.yaml")
    assert known.assessment.findings == ()
    before, _ = read_earlier_layout(CASES / f"{name}-old-layout.yaml", known.problem)
    change = compare(known.problem, before, known.assessment.layout)
    result = rerun(
        known.problem,
        before,
        RerunSettings(time_limit_s=SECONDS),
        held=held_by(known.problem, before, freeze),
    )
    assert result.best.found.is_proved
    most = known.assessment.cost.objective_money + change.total_money
    assert result.best.found.total_money <= most


def test_every_place_on_a_line_is_tried_for_a_later_device():
    result = judge(CASES / "growth-place.yaml", CASES / "growth-place-layout.yaml")
    assert all(guest.line is not None for guest in growth_of(result.facts).guests)


def test_the_floor_of_a_front_is_below_every_layout():
    name = "tradeoff-floor"
    problem = read_problem(CASES / f"{name}.yaml")
    axis = AXES["latency"]
    missing = judge(CASES / f"{name}.yaml", CASES / f"{name}-missing-layout.yaml").assessment
    assert missing.findings == ()
    state = trade_off(
        problem,
        begin(problem, axis),
        Budget(time.monotonic, time.monotonic() + SECONDS),
        TradeOffSettings(),
    )
    assert state.front.is_exact
    value, _ = axis.of(problem, missing)
    assert any(
        p.value <= value and p.cost_money <= missing.cost.objective_money
        for p in state.front.points
    )
