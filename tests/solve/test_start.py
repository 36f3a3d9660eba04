"""A run that starts from a layout: never worse at the end, and what cannot be used is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.reading import read_layout_of, read_problem
from partitioner.check.judge import assess
from partitioner.errors import NoAnswer
from partitioner.model.layout import BuiltLink, Layout
from partitioner.model.outcome import Status
from partitioner.model.problem import Problem
from partitioner.solve import run as run_module
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.instance import Instance
from partitioner.solve.layout_in import columns_of, read_start
from partitioner.solve.planner import PlanSettings, plan_layout
from tests.brute.random_problems import random_problem
from tests.judged import judge

CASES = Path(__file__).parent.parent / "cases"
NO_TIME = PlanSettings(time_limit_s=1e-6)
COUNTED = PlanSettings(work_limit=2)
ACCEPTED = (
    "failure-fixed", "failure-ring", "gives-up-backbone", "gives-up-latency", "linear-cheaper",
    "linear-no-layout", "load-limit-length", "looser-deadline", "overload-candidate",
    "relay-no-layout", "spacing-no-layout",
)  # fmt: skip


@pytest.fixture(scope="module")
def sprayer() -> tuple[Problem, Layout]:
    """Eight devices, and a layout of theirs from a very short run."""
    problem = random_problem(3, 8, switches=3, links=True, backbone=None)
    return problem, plan_layout(problem, COUNTED).layout


@pytest.mark.parametrize("name", ACCEPTED)
def test_an_accepted_start_is_never_given_up_for_a_worse_layout(name):
    path = CASES / f"{name}-cheaper-layout.yaml"
    known = judge(CASES / f"{name}.yaml", path).assessment
    assert known.findings == ()
    problem = read_problem(CASES / f"{name}.yaml")
    with pytest.raises(NoAnswer):
        plan_layout(problem, NO_TIME)
    start = read_layout_of(problem, path).layout
    outcome = plan_layout(problem, NO_TIME, start=start)
    assert outcome.start_unusable == ()
    assert outcome.cost_money <= known.cost.objective_money
    assert assess(problem, outcome.layout).findings == ()


def test_a_start_that_is_known_to_be_the_cheapest_ends_the_run(sprayer):
    problem, layout = sprayer
    cost = assess(problem, layout).cost.objective_money
    settings = PlanSettings(time_limit_s=1e-6, known_bound_money=cost)
    outcome = plan_layout(problem, settings, start=layout)
    assert (outcome.status, outcome.cost_money) == (Status.OPTIMAL, cost)


def test_names_that_the_problem_does_not_have_are_told_and_the_rest_is_used(sprayer):
    problem, layout = sprayer
    first = layout.segments[0]
    start = replace(
        layout,
        segments=(
            replace(first, devices=(*first.devices, "nobody")),
            replace(first, id="far", switch="nowhere", devices=("nobody",)),
            replace(first, id="gone", grade="1000BASE-T1", devices=("no one",)),
            *layout.segments[1:],
        ),
        open_switches=(*layout.open_switches, "nowhere"),
        backbone=(BuiltLink(("nowhere", first.switch), "1000BASE-T1"),),
    )
    outcome = plan_layout(problem, COUNTED, start=start)
    assert outcome.start_unusable == (
        "far: the problem has no switch nowhere",
        "gone: the problem has none of its devices",
        f"{first.id}: the problem has no device nobody; the rest of it is used",
        f"no 1000BASE-T1 link of the backbone may be built between nowhere and {first.switch}",
        "the problem has no switch nowhere, which is open",
    )
    assert outcome.cost_money <= assess(problem, layout).cost.objective_money


def test_a_partial_start_is_told_and_what_there_is_of_it_is_used(sprayer):
    problem, layout = sprayer
    gone = layout.segments[0].devices
    start = replace(layout, segments=layout.segments[1:])
    named = ", ".join(d for d in problem.devices if d in gone)
    run = DirectRun(problem, COUNTED, start=start)
    outcome = run.go()
    assert outcome.start_unusable == (f"no segment has the devices {named}",)
    names = run.instance.device_ids
    used = {frozenset(names[i] for i in c.devices) for c in run.search.pool}
    assert used >= {frozenset(s.devices) for s in start.segments}


def test_a_layout_of_another_problem_is_told_in_one_sentence(sprayer):
    problem, layout = sprayer
    run = DirectRun(problem, COUNTED)
    segments = tuple(
        replace(s, devices=tuple(f"other-{d}" for d in s.devices)) for s in layout.segments
    )
    start = read_start(run.builder, run.backbone, replace(layout, segments=segments))
    assert start.unusable == ["nothing of it can be used: the problem has none of its devices"]
    assert not start.columns


def test_a_line_that_breaks_a_rule_is_cut_into_pieces_that_keep_it(sprayer):
    problem, layout = sprayer
    line = max(layout.segments, key=lambda s: len(s.devices))
    # The switch port is a node too.
    shorter = replace(problem.limits[line.grade], nodes=len(line.devices))
    limits = {**problem.limits, line.grade: shorter}
    run = DirectRun(replace(problem, limits=limits), COUNTED, start=layout)
    outcome = run.go()
    count = len(line.devices)
    told = (
        f"{line.id}: it has {count} devices, of which {count - 1} may be on a line; pieces of it "
        "are used"
    )
    assert told in outcome.start_unusable
    names = run.instance.device_ids
    used = {tuple(names[i] for i in c.devices) for c in run.given}
    assert {line.devices[:-1], line.devices[-1:]} <= used


def test_a_line_that_is_too_long_is_told_so(sprayer):
    problem, layout = sprayer
    line = max(layout.segments, key=lambda s: len(s.devices))
    shorter = replace(problem.limits[line.grade], length_um=1_000_000)
    limits = {**problem.limits, line.grade: shorter}
    run = DirectRun(replace(problem, limits=limits), COUNTED, start=layout)
    told = read_start(run.builder, run.backbone, layout).unusable
    assert any(t.startswith(f"{line.id}: it is too long, or its cable breaks") for t in told)


def test_a_start_with_one_device_twice_is_not_taken_as_it_is(sprayer):
    problem, layout = sprayer
    a, b = layout.segments[:2]
    start = replace(
        layout,
        segments=(a, replace(b, devices=(*b.devices, a.devices[0])), *layout.segments[2:]),
    )
    outcome = plan_layout(problem, COUNTED, start=start)
    assert f"{a.devices[0]} is there twice, on {a.id} and {b.id}" in outcome.start_unusable
    assert assess(problem, outcome.layout).findings == ()


def test_a_start_whose_segments_do_not_go_together_is_told(sprayer):
    problem, layout = sprayer
    line = next(s for s in layout.segments if len(s.devices) > 1)
    each = tuple(
        replace(line, id=f"alone-{d}", devices=(d,), switch_index=0) for d in problem.devices
    )
    outcome = plan_layout(problem, COUNTED, start=replace(layout, segments=each))
    assert outcome.start_unusable == (
        "as a whole it does not do: its segments, switches and backbone together break a rule",
    )
    assert assess(problem, outcome.layout).findings == ()


def test_a_choice_among_given_segments_uses_no_other(sprayer):
    problem, layout = sprayer
    columns = columns_of(ColumnBuilder(Instance(problem)), layout)
    outcome = plan_layout(problem, COUNTED, only=columns)
    placed = {frozenset(s.devices) for s in outcome.layout.segments}
    assert placed == {frozenset(s.devices) for s in layout.segments}
    with pytest.raises(NoAnswer):
        plan_layout(problem, COUNTED, only=columns[1:])


def test_a_whole_start_is_proof_enough_that_there_is_a_layout(sprayer, monkeypatch) -> None:
    problem, layout = sprayer
    asked: list[str] = []
    monkeypatch.setattr(run_module, "hopeless", lambda *_: asked.append("asked") or [])
    plan_layout(problem, NO_TIME, start=layout)
    assert not asked
    plan_layout(problem, COUNTED)
    assert asked == ["asked"]
