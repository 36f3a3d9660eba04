"""Least delays of segments against the whole analysis."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from partitioner.solve.instance import Instance
from partitioner.solve.latency import SegmentLatency
from partitioner.solve.leg_growth import first_legs
from partitioner.timing.response import response_bound
from tests.bench.planted import planted


@pytest.mark.parametrize("burst_count", [0, 2])
@pytest.mark.parametrize("collides", [False, True])
def test_first_legs_are_what_the_analysis_ends_with_where_no_second_frame_comes(
    collides: bool, burst_count: int
) -> None:
    problem = planted(20, 3).problem
    plca = replace(problem.plca, logical_collision=collides, burst_count=burst_count)
    inst = Instance(replace(problem, plca=plca))
    latency = SegmentLatency(inst)
    rng = random.Random(5)
    slow = [i for i in range(inst.n) if any(inst.can[i, g] for g in inst.line_grades)]
    equal = settled = 0
    for _ in range(60):
        devices = frozenset(rng.sample(slow, rng.randint(1, 6)))
        grade = inst.line_grades[0]
        nodes = latency.nodes_of(devices)
        count = latency.usual_count(grade, len(devices))
        settings = latency.settings(grade)
        first = first_legs(nodes, count, settings)
        whole = response_bound(
            tuple(
                replace(n, flows=tuple(
                    replace(f, window_ns=first[n.id, f.id] + f.inherited_ns) for f in n.flows
                ))
                for n in nodes
            ),
            count,
            settings,
        ).legs
        for key, ns in first.items():
            assert ns <= whole[key].total_ns
            settled += 1
            equal += ns == whole[key].total_ns
    assert settled > 100
    if not burst_count:
        assert equal >= 0.9 * settled
