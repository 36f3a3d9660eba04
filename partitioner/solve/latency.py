"""Linear latency bounds of candidate segments, and what they imply before a segment is made."""

from __future__ import annotations

from dataclasses import dataclass, replace
from operator import attrgetter

import numpy as np

from partitioner.model.problem import QueueOrder
from partitioner.solve.instance import Instance
from partitioner.timing.line import (
    LineBound,
    LineFlow,
    LineNode,
    LineSettings,
    collision_ns,
    leg_ns,
    line_settings,
    linear_bound,
    load_ppm,
    propagation_ns,
    rounds,
    silent_ns,
    slot_ns,
    start_ns,
    waiting_frames,
)
from partitioner.timing.link import LinkQueue, linear_link_bound
from partitioner.units import PPM

PORT = "port"
"""Name of the switch port among the nodes of a line; device ids cannot clash with it, since
nodes are looked up by (node, stream) and a stream has one sender on a segment."""


@dataclass(frozen=True, slots=True)
class SegmentLegs:
    """Linear bounds of the legs on one segment, in ns.

    ``up``: (stream, ns) sent by a device; ``down``: ((stream, device), ns) sent by the switch
    port; ``down_by_stream`` the same once per stream.
    """

    up: tuple[tuple[int, int], ...]
    down: tuple[tuple[tuple[int, int], int], ...]
    down_by_stream: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class LeastFigures:
    """Figures per device (n,) that no line with the device can go below (above for budget)."""

    load_ppm: np.ndarray
    slot_ns: np.ndarray
    budget_ns: np.ndarray
    base_cycle_ns: int


class SegmentLatency:
    """Legs of any segment, cached by the set of devices, since order does not matter to them."""

    def __init__(self, instance: Instance):
        self.instance = instance
        self._lines: dict[tuple[int, frozenset[int]], SegmentLegs | None] = {}
        self._links: dict[tuple[int, int], SegmentLegs | None] = {}
        self._least: dict[int, LeastFigures] = {}
        self._settings: dict[int, LineSettings] = {}
        self._least_up: dict[int, int] = {}
        self._least_down: dict[tuple[int, int], int] = {}
        self._own_load: dict[tuple[int, int], int] = {}
        self._up_alone: dict[tuple[int, int], dict[str, int]] = {}
        self._alone: dict[tuple[int, int], dict[int, int]] = {}
        self._least_forward = min(
            (s.forwarding_delay_ns for s in instance.problem.switches.values()), default=0
        )
        self._flows = [
            LineFlow(
                id=s.id,
                frame_bytes=s.frame_bytes,
                period_ns=s.period_ns,
                jitter_ns=s.jitter_ns,
                window_ns=s.deadline_ns,
                pcp=s.pcp,
                inherited_ns=s.deadline_ns,
            )
            for s in instance.streams
        ]
        self._nodes = [
            LineNode(
                id=device,
                flows=tuple(self._flows[j] for j in instance.sent_by[i]),
                queue=instance.problem.devices[device].queue,
                burst_count=instance.problem.plca.burst_count,
            )
            for i, device in enumerate(instance.device_ids)
        ]
        self._number = {s.id: j for j, s in enumerate(instance.streams)}

    def settings(self, grade: int) -> LineSettings:
        """Settings of lines of the grade, propagation over the longest line allowed."""
        if grade not in self._settings:
            grade_id = self.instance.grades[grade].id
            limit = self.instance.problem.limits[grade_id].length_um
            self._settings[grade] = line_settings(self.instance.problem, grade_id, limit)
        return self._settings[grade]

    def incoming(self, devices: frozenset[int]) -> list[int]:
        """Streams the switch port sends to a segment: for a device on it, from outside it."""
        inst = self.instance
        streams = {j for i in devices for j in inst.received_by[i]}
        return sorted(j for j in streams if inst.streams[j].source_device not in devices)

    def line(self, switch: int, grade: int, devices: frozenset[int]) -> SegmentLegs | None:
        """Legs on a line, or None if it is overloaded or a leg alone is over its deadline."""
        key = (grade, devices)
        if key not in self._lines:
            self._lines[key] = self._line(grade, devices)
        return self._lines[key]

    def _line(self, grade: int, devices: frozenset[int]) -> SegmentLegs | None:
        inst = self.instance
        data = inst.grades[grade]
        incoming = self.incoming(devices)
        if not incoming and not any(inst.sent_by[i] for i in devices):
            return SegmentLegs((), (), ())
        port = LineNode(
            id=PORT,
            flows=tuple(self._flows[j] for j in incoming),
            queue=QueueOrder.PCP,
            burst_count=inst.problem.plca.burst_count,
        )
        members = sorted(devices)
        nodes = (port, *(self._nodes[i] for i in members))
        bound = linear_bound(nodes, len(nodes) + data.spare_ids, self.settings(grade))
        if bound.overload is not None or bound.load_ppm > data.load_cap_ppm:
            return None
        up, by_stream = [], []
        for (node, flow), leg in bound.legs.items():
            (by_stream if node == PORT else up).append((self._number[flow], leg.total_ns))
        if not self._in_time(devices, up, by_stream):
            return None
        return _legs(inst, devices, up, by_stream)

    def _in_time(
        self,
        devices: frozenset[int],
        up: list[tuple[int, int]],
        down: list[tuple[int, int]],
    ) -> bool:
        """Whether every leg leaves what the rest of its stream's way takes at the very least."""
        streams = self.instance.streams
        for j, ns in up:
            stream = streams[j]
            for target in stream.targets:
                room = stream.limit_ns
                if target.device is None or target.device not in devices:
                    room -= self._least_forward + self.least_down(j, target.device)
                if ns > room:
                    return False
        return all(
            ns <= streams[j].limit_ns - self._least_forward - self.least_up(j) for j, ns in down
        )

    def least_up(self, stream: int) -> int:
        """Least any layout makes of the leg a stream's sender sends, in ns (0: a switch)."""
        if stream not in self._least_up:
            source = self.instance.streams[stream].source_device
            self._least_up[stream] = (
                0 if source is None else self._least_leg(source, stream, down=False)
            )
        return self._least_up[stream]

    def least_down(self, stream: int, device: int | None) -> int:
        """Least any layout makes of the leg a switch port sends to a device, in ns."""
        if device is None:
            return 0
        key = (stream, device)
        if key not in self._least_down:
            self._least_down[key] = self._least_leg(device, stream, down=True)
        return self._least_down[key]

    def _least_leg(self, device: int, stream: int, *, down: bool) -> int:
        """Least leg over the grades the device can have, on a line with nobody else's traffic."""
        inst = self.instance
        flow = self._flows[stream]
        least: list[int] = []
        for grade, data in enumerate(inst.grades):
            if not inst.can[device, grade]:
                continue
            if not data.is_line:
                least.append(self._alone_by_stream(grade, device).get(stream, 0))
            elif down:
                # Only the stream itself comes through the port: others may be heard directly.
                leg = self._with_port(grade, device, (flow,)).legs.get((PORT, flow.id))
                least.append(0 if leg is None else leg.total_ns)
            else:
                least.append(self._sent_alone(grade, device).get(flow.id, 0))
        return min(least, default=0)

    def _with_port(
        self, grade: int, device: int, through_port: tuple[LineFlow, ...]
    ) -> LineBound:
        """Bound of a line with one device, to which only some streams come through the port."""
        data, settings = self.instance.grades[grade], self.settings(grade)
        node, burst = self._nodes[device], self.instance.problem.plca.burst_count
        port = LineNode(PORT, through_port, QueueOrder.PCP, burst)
        if through_port and node.flows:
            key = grade, device
            if key not in self._own_load:
                self._own_load[key] = load_ppm((node,), settings)
            if self._own_load[key] + load_ppm((port,), settings) < PPM:
                # With room for all, only its longest frame counts for the legs of the port.
                longest = max(node.flows, key=attrgetter("frame_bytes"))
                node = replace(node, flows=(longest,))
        return linear_bound((port, node), 2 + data.spare_ids, settings)

    def _sent_alone(self, grade: int, device: int) -> dict[str, int]:
        """Legs a device sends on a line with nobody else's traffic, by stream id."""
        key = grade, device
        if key not in self._up_alone:
            bound = self._with_port(grade, device, ())
            self._up_alone[key] = {f: leg.total_ns for (_, f), leg in bound.legs.items()}
        return self._up_alone[key]

    def _alone_by_stream(self, grade: int, device: int) -> dict[int, int]:
        key = grade, device
        if key not in self._alone:
            self._alone[key] = dict(self.alone(grade, device) or ())
        return self._alone[key]

    def link(self, switch: int, grade: int, device: int) -> SegmentLegs | None:
        """Legs on a point-to-point link, or None if it cannot carry what the device needs."""
        key = (grade, device)
        if key not in self._links:
            self._links[key] = self._link(grade, device)
        return self._links[key]

    def _link(self, grade: int, device: int) -> SegmentLegs | None:
        inst = self.instance
        legs = self.alone(grade, device)
        if legs is None:
            return None
        up = [(j, ns) for j, ns in legs if inst.streams[j].source_device == device]
        by_stream = [(j, ns) for j, ns in legs if inst.streams[j].source_device != device]
        if not self._in_time(frozenset({device}), up, by_stream):
            return None
        return _legs(inst, frozenset({device}), up, by_stream)

    def _link_queue(
        self, grade: int, flows: tuple[LineFlow, ...], order: QueueOrder
    ) -> LinkQueue:
        problem = self.instance.problem
        grade_id = self.instance.grades[grade].id
        row = problem.catalogue.grades[grade_id]
        return LinkQueue(
            id=grade_id,
            flows=flows,
            rate_bps=row.rate_bps,
            queue=order,
            phy_ns=row.phy_tx_ns + row.phy_rx_ns,
            propagation_ns=propagation_ns(problem, grade_id, problem.limits[grade_id].length_um),
        )

    def alone(self, grade: int, device: int) -> list[tuple[int, int]] | None:
        """Legs (stream, ns) of a segment with this device only, whatever the deadlines say.

        None if the segment is overloaded or over its load limit.
        """
        inst = self.instance
        data = inst.grades[grade]
        port_flows = tuple(self._flows[j] for j in self.incoming(frozenset({device})))
        node = self._nodes[device]
        if not node.flows and not port_flows:
            return []
        if data.is_line or not inst.problem.catalogue.grades[data.id].full_duplex:
            port = LineNode(PORT, port_flows, QueueOrder.PCP, inst.problem.plca.burst_count)
            spare = data.spare_ids if data.is_line else 0
            line = linear_bound((port, node), 2 + spare, self.settings(grade))
            if line.overload is not None or line.load_ppm > data.load_cap_ppm:
                return None
            return [(self._number[f], leg.total_ns) for (_, f), leg in line.legs.items()]
        legs: list[tuple[int, int]] = []
        for flows, order in ((node.flows, node.queue), (port_flows, QueueOrder.PCP)):
            if flows:
                bound = linear_link_bound(self._link_queue(grade, flows, order))
                if bound.overload is not None or bound.load_ppm > data.load_cap_ppm:
                    return None
                legs += [(self._number[f], leg.total_ns) for f, leg in bound.legs.items()]
        return legs

    def late_alone(self, grade: int, device: int) -> tuple[str, int, int] | None:
        """Worst stream that is late even with the device alone: (id, bound ns, limit ns)."""
        late = [
            (ns - self.instance.streams[j].limit_ns, j, ns)
            for j, ns in self.alone(grade, device) or ()
            if ns > self.instance.streams[j].limit_ns
        ]
        if not late:
            return None
        _, j, ns = max(late)
        return self.instance.streams[j].id, ns, self.instance.streams[j].limit_ns

    def fits_alone(self, grade: int, device: int) -> bool:
        """Whether the device's own streams leave a segment of the grade within its load limit."""
        return self.alone(grade, device) is not None

    # -- relaxations for the enumeration ------------------------------------------------------

    def least(self, grade: int) -> LeastFigures:
        """What a device adds to a line of the grade at the very least."""
        if grade not in self._least:
            self._least[grade] = self._least_figures(grade)
        return self._least[grade]

    def _least_figures(self, grade: int) -> LeastFigures:
        inst = self.instance
        data = inst.grades[grade]
        settings = self.settings(grade)
        silent = silent_ns(settings)
        load = np.zeros(inst.n, dtype=np.int64)
        slot = np.full(inst.n, silent, dtype=np.int64)
        budget = np.full(inst.n, 2**50, dtype=np.int64)
        burst = inst.problem.plca.burst_count
        for i in range(inst.n):
            sent = [self._flows[j] for j in inst.sent_by[i]]
            if sent:
                slot[i] = slot_ns(max(f.frame_bytes for f in sent), settings, burst)
            load[i] = sum(slot_ns(f.frame_bytes, settings) * PPM // f.period_ns for f in sent)
            for j in inst.received_by[i]:
                flow = self._flows[j]
                alone = len(inst.streams[j].targets) == 1
                if alone and self._surely_outside(j):
                    load[i] += slot_ns(flow.frame_bytes, settings) * PPM // flow.period_ns
                budget[i] = min(budget[i], self._cycle_budget(flow, waiting_frames(flow), grade))
            for flow in sent:
                frames = self._least_frames(self._nodes[i], flow)
                budget[i] = min(budget[i], self._cycle_budget(flow, frames, grade))
        # The node count limit counts the port, whose silent TO is the least it costs.
        base = start_ns(settings) + (1 + data.spare_ids) * silent
        return LeastFigures(load, slot, budget, base)

    def _surely_outside(self, stream: int) -> bool:
        """Whether the sender can never be on a shared line."""
        source = self.instance.streams[stream].source_device
        inst = self.instance
        return source is None or not any(inst.can[source, g] for g in inst.line_grades)

    @staticmethod
    def _least_frames(node: LineNode, flow: LineFlow) -> int:
        if node.queue is QueueOrder.FIFO:
            return sum(waiting_frames(f) for f in node.flows)
        return sum(waiting_frames(f) for f in node.flows if f.pcp >= flow.pcp)

    def _cycle_budget(self, flow: LineFlow, frames: int, grade: int) -> int:
        """Longest cycle under which a flow with at least so many frames to serve can be in time."""
        settings = self.settings(grade)
        needed = rounds(frames, self.instance.problem.plca.burst_count, settings)
        collision = collision_ns(2, settings)
        limit = self.instance.streams[self._number[flow.id]].limit_ns
        rest = limit - leg_ns(needed, 0, collision, settings)
        return max(0, rest) // needed if rest >= 0 else 0


def _legs(
    inst: Instance,
    devices: frozenset[int],
    up: list[tuple[int, int]],
    by_stream: list[tuple[int, int]],
) -> SegmentLegs:
    down = [
        ((j, target.device), ns)
        for j, ns in by_stream
        for target in inst.streams[j].targets
        if target.device in devices
    ]
    return SegmentLegs(tuple(sorted(up)), tuple(sorted(down)), tuple(sorted(by_stream)))


