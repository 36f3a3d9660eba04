"""The large demo problem with five devices more; takes about two minutes."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.reading import read_problem
from partitioner.check.judge import assess
from partitioner.model.problem import Problem
from partitioner.replan.compare import Kind
from partitioner.replan.rerun import held_by, rerun
from partitioner.replan.searched import RerunSettings
from partitioner.solve.planner import PlanSettings, plan_layout

BUS = Path(__file__).parents[2] / "problems" / "city-bus" / "problem.yaml"
NEW = {
    "marker-left-9": "floor-left-3",
    "marker-right-9": "floor-right-5",
    "reading-lamp-9": "roof-left-4",
    "reading-lamp-10": "roof-right-2",
    "step-lamp-9": "floor-right-2",
}


def with_lamps(problem: Problem) -> Problem:
    """Five lamps more, each like one that is there, with its streams."""
    model = "marker-left-2"
    devices, streams = dict(problem.devices), dict(problem.streams)
    for name, place in NEW.items():
        devices[name] = replace(problem.devices[model], id=name, place=place)
        for stream in problem.streams.values():
            ends = (stream.source, *stream.destinations)
            if model in ends:
                id_ = stream.id.replace(model, name)
                streams[id_] = replace(
                    stream,
                    id=id_,
                    source=stream.source.replace(model, name),
                    destinations=tuple(d.replace(model, name) for d in stream.destinations),
                )
    return replace(problem, devices=devices, streams=streams)


@pytest.mark.slow
def test_five_lamps_more_on_the_bus():
    problem = read_problem(BUS)
    # Processor time in place of the clock: what else runs on the machine does not matter then.
    settings = PlanSettings(time_limit_s=30, workers=1)
    before = plan_layout(problem, settings, clock=time.process_time).layout
    changed = with_lamps(problem)
    frozen = before.segments[0].id
    held = held_by(changed, before, [frozen])
    result = rerun(
        changed, before, RerunSettings(time_limit_s=60, workers=1, points=6), held=held,
        clock=time.process_time,
    )
    assert result.searched.outcome.seconds < 65
    # No layout gets by with less change than the first one of the front.
    least = result.front[0]
    assert least.found.change_money == result.searched.least_change_money
    assert least.comparison.total_money == least.found.change_money
    assert least.comparison.count(Kind.ADDED) == len(NEW)
    assert len(result.front) >= 4
    for point in result.front:
        assert assess(changed, point.layout).findings == ()
        same = next(s for s in point.layout.segments if s.id == frozen)
        assert same.devices == before.segments[0].devices
        assert same.plca_ids == before.segments[0].plca_ids
