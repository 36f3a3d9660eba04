"""Relations that must hold between problems, and around the best layout of one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.model.catalogue import Medium
from partitioner.model.layout import Layout
from partitioner.model.problem import BackboneShape, Problem
from tests.brute.brute import best_layout
from tests.brute.parts import LINE
from tests.brute.random_problems import random_problem

SEEDS = range(6)


def best_cost(problem: Problem) -> float:
    found = best_layout(problem)
    return float("inf") if found is None else found[0]


def mixed_problem(seed: int) -> Problem:
    return random_problem(
        seed, 5, links=True, options=2, groups=True, backbone=BackboneShape.FIXED, anywhere=True
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_one_more_node_on_a_line_never_costs_more(seed):
    problem = mixed_problem(seed)
    wider = replace(
        problem,
        limits={**problem.limits, LINE: replace(problem.limits[LINE], nodes=6)},
    )
    assert best_cost(wider) <= best_cost(problem)


@pytest.mark.parametrize("seed", SEEDS)
def test_renaming_and_reordering_devices_changes_no_cost(seed):
    problem = mixed_problem(seed)
    name = {d: f"x{9 - k}" for k, d in enumerate(problem.devices)}

    def renamed(end: str) -> str:
        return name.get(end, end)

    other = replace(
        problem,
        devices={
            name[d.id]: replace(d, id=name[d.id]) for d in reversed(problem.devices.values())
        },
        groups=tuple(
            replace(g, devices=tuple(name[d] for d in reversed(g.devices)))
            for g in problem.groups
        ),
        streams={
            s.id: replace(
                s, source=renamed(s.source), destinations=tuple(map(renamed, s.destinations))
            )
            for s in problem.streams.values()
        },
    )
    assert best_cost(other) == best_cost(problem)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("part", [
    "phy-line", "connector-line", "port-phy-line", "terminator", "junction",
])
def test_a_dearer_part_never_lowers_the_cost(seed, part):
    problem = mixed_problem(seed)
    parts = problem.catalogue.parts
    dearer = {**parts, part: replace(parts[part], price_money=parts[part].price_money + 5_000)}
    other = replace(problem, catalogue=replace(problem.catalogue, parts=dearer))
    assert best_cost(other) >= best_cost(problem)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_looser_deadline_never_costs_more(seed):
    problem = random_problem(seed, 5, deadlines="tight", links=True)

    def relaxed(factor: int) -> Problem:
        # The backlog of a stream grows with its deadline, so its period grows along.
        streams = {
            k: replace(s, deadline_ns=s.deadline_ns * factor, period_ns=s.period_ns * factor)
            for k, s in problem.streams.items()
        }
        return replace(problem, streams=streams)

    assert best_cost(relaxed(2)) <= best_cost(problem)


def moved(layout: Layout, problem: Problem):
    """Every layout with one device put elsewhere on a shared line, IDs given afresh."""
    is_line = {
        s.id: problem.catalogue.grades[s.grade].medium is Medium.MIXING for s in layout.segments
    }
    for source in layout.segments:
        for device in source.devices:
            for target in layout.segments:
                if not is_line[target.id] or not is_line[source.id]:
                    continue
                for place in range(len(target.devices) + 1):
                    segments = []
                    for s in layout.segments:
                        devices = [d for d in s.devices if d != device]
                        if s.id == target.id:
                            devices.insert(min(place, len(devices)), device)
                        if not devices:
                            continue
                        if is_line[s.id]:
                            spare = s.node_count - len(s.devices) - 1
                            s = replace(
                                s,
                                switch_index=0,
                                plca_ids=tuple(range(1, len(devices) + 1)),
                                node_count=len(devices) + 1 + spare,
                            )
                        segments.append(replace(s, devices=tuple(devices)))
                    yield replace(layout, segments=tuple(segments))


@pytest.mark.parametrize("seed", SEEDS)
def test_moving_one_device_is_noticed(seed):
    problem = random_problem(seed, 5, groups=True, sharing=True, links=True)
    found = best_layout(problem)
    if found is None:
        return
    cost, layout = found
    for other in moved(layout, problem):
        assessment = assess(problem, other)
        assert assessment.findings or assessment.cost.objective_money >= cost


@pytest.mark.parametrize("seed", SEEDS)
def test_leaving_one_device_out_is_noticed(seed):
    problem = random_problem(seed, 5, links=True)
    found = best_layout(problem)
    if found is None:
        return
    layout = found[1]
    for segment in layout.segments:
        less = replace(layout, segments=tuple(s for s in layout.segments if s != segment))
        missing = {f.subjects[0] for f in assess(problem, less).findings if f.rule == "complete"}
        assert missing == set(segment.devices)
