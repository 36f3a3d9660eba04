"""What each device adds to a line at the very least: what refuses lines before they are made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from partitioner.solve.arrays import Ints
from partitioner.solve.leg_growth import frames_at_once
from partitioner.solve.segment_traffic import SegmentTraffic
from partitioner.timing.constants import IPG_BT
from partitioner.timing.line import (
    LineNode,
    LineSettings,
    collision_ns,
    miss_ns,
    rounds,
    silent_ns,
    slot_ns,
    start_ns,
)
from partitioner.units import PPM


@dataclass(frozen=True, slots=True)
class LeastFigures:
    """Figures per device (n,) that no line with the device can go below (above for budget)."""

    load_ppm: Ints
    slot_ns: Ints
    budget_ns: Ints
    base_cycle_ns: int


def least_figures(traffic: SegmentTraffic, grade: int) -> LeastFigures:
    """Least figures of every device on lines of a grade."""
    inst, burst = traffic.instance, traffic.burst
    data, streams = inst.grades[grade], inst.streams
    settings = traffic.settings(grade)
    silent = silent_ns(settings)
    load = np.zeros(inst.n, dtype=np.int64)
    slot = np.array(
        [_least_slot_ns(node, settings, burst) for node in traffic.nodes], dtype=np.int64
    )
    budget = np.full(inst.n, 2**50, dtype=np.int64)
    count = 2 + data.spare_ids
    each = collision_ns(count, settings)
    round_rest = start_ns(settings) + (count - 1) * silent
    # See first_legs: what a leg takes besides the cycle, with the fewest rounds there can be.
    beside = miss_ns(settings) - settings.loop_delay_ns + settings.phy_ns + each
    if settings.logical_collision:
        # A frame that finds the line idle has waited its gap already.
        beside -= IPG_BT * settings.bit_ns
    for i, node in enumerate(traffic.nodes):
        load[i] = sum(slot_ns(f.frame_bytes, settings) * PPM // f.period_ns for f in node.flows)
        for flow in node.flows:
            own, own_ns = frames_at_once(node, flow, settings)
            more = rounds(own, burst, settings) - 1
            rest = beside + own_ns + more * (round_rest + each)
            room = _room_up(traffic, traffic.number[flow.id], grade)
            budget[i] = min(budget[i], room - rest + slot[i])
        for j in inst.received_by[i]:
            flow, source = traffic.flows[j], streams[j].source_device
            outside = inst.never_share(source, i, grade)
            if outside and len(streams[j].targets) == 1:
                load[i] += slot_ns(flow.frame_bytes, settings) * PPM // flow.period_ns
            room = streams[j].limit_ns
            if outside:
                room -= traffic.least_forward_ns + traffic.least_up(j)
            # The sender's own slot counts if it sits on this very line.
            other = silent if outside or source is None else max(silent, int(slot[source]))
            rest = beside + slot_ns(flow.frame_bytes, settings)
            budget[i] = min(budget[i], room - rest + other)
    # The node count limit counts the port, whose silent TO is the least it costs.
    base = start_ns(settings) + (1 + data.spare_ids) * silent
    return LeastFigures(load, slot, budget, base)


def _least_slot_ns(node: LineNode, settings: LineSettings, burst: int) -> int:
    """What a node adds to the shortest cycle in which it sends what it may hold."""
    silent = silent_ns(settings)
    most = 1 if settings.burst_timer_bt <= IPG_BT else 1 + burst
    slots = sorted((slot_ns(f.frame_bytes, settings) for f in node.flows), reverse=True)
    return silent + sum(slot - silent for slot in slots[:most])


def _room_up(traffic: SegmentTraffic, stream: int, grade: int) -> int:
    """Most a leg of the sender may take on a line."""
    data = traffic.instance.streams[stream]
    rest = [
        traffic.least_forward_ns + traffic.least_down(stream, target.device)
        for target in data.targets
        if traffic.instance.never_share(data.source_device, target.device, grade)
    ]
    return data.limit_ns - max(rest, default=0)
