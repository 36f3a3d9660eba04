"""Estimates of legs against the first step of the analysis that they simplify."""

from __future__ import annotations

import pytest

from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.leg_estimates import USUAL_DEVICES, LegEstimates
from partitioner.solve.leg_growth import first_legs
from partitioner.solve.segment_traffic import PORT
from tests.bench.planted import planted

WITHOUT_COLLISIONS, WITH_COLLISIONS = 0, 1
"""Seeds of planted machines."""


@pytest.mark.parametrize("seed", [WITHOUT_COLLISIONS, WITH_COLLISIONS])
def test_legs_from_devices_are_those_of_the_first_step(seed: int) -> None:
    machine = planted(20, seed)
    inst = Instance(machine.problem)
    has_collisions = bool(machine.problem.plca.logical_collision)
    assert has_collisions == (seed == WITH_COLLISIONS)
    traffic = ColumnBuilder(inst).latency
    seen = 0
    for segment in machine.hidden.segments:
        g = inst.grade_index[segment.grade]
        devices = [inst.index[d] for d in segment.devices]
        if not inst.grades[g].is_line or len(devices) < 3:
            continue
        estimates = LegEstimates(traffic, g)
        nodes = tuple(traffic.nodes[i] for i in devices)
        legs = first_legs(nodes, traffic.usual_count(g, len(devices)), traffic.settings(g))
        for (_, id_), ns in legs.items():
            j = traffic.number[id_]
            turns = estimates.rounds_up(j)
            others = [i for i in devices if i != inst.streams[j].source_device]
            assert estimates.up(j) + int(estimates.adds(turns)[others].sum()) == ns
            seen += 1
    assert seen >= 6


@pytest.mark.parametrize("seed", [WITHOUT_COLLISIONS, WITH_COLLISIONS])
def test_legs_from_the_port_are_within_three_per_cent(seed: int) -> None:
    machine = planted(20, seed)
    inst = Instance(machine.problem)
    traffic = ColumnBuilder(inst).latency
    seen = 0
    for segment in machine.hidden.segments:
        g = inst.grade_index[segment.grade]
        devices = frozenset(inst.index[d] for d in segment.devices)
        if not inst.grades[g].is_line or abs(len(devices) - USUAL_DEVICES) > 2:
            continue
        estimates = LegEstimates(traffic, g)
        nodes = traffic.nodes_of(devices)
        legs = first_legs(nodes, traffic.usual_count(g, len(devices)), traffic.settings(g))
        coming = [traffic.number[f.id] for f in nodes[0].flows]
        for (node, id_), ns in legs.items():
            if node != PORT:
                continue
            pcp = traffic.flows[traffic.number[id_]].pcp
            ahead = [j for j in coming if traffic.flows[j].pcp >= pcp]
            below = [estimates.down_each(j) for j in coming if traffic.flows[j].pcp < pcp]
            leg = estimates.down_once + sum(map(estimates.down_each, ahead))
            leg += max(below, default=0) + int(estimates.adds(2)[sorted(devices)].sum())
            assert leg == pytest.approx(ns, rel=0.03)
            seen += 1
    assert seen >= 4
