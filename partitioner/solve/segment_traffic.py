"""What is sent on a segment, as the timing analysis takes it, and the least of its legs.

A leg takes the least where nobody else's traffic is on its segment and nothing comes in with more
jitter than is sure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from operator import attrgetter

from partitioner.model.problem import QueueOrder
from partitioner.solve.instance import Instance
from partitioner.solve.kept import kept
from partitioner.solve.leg_growth import grown_legs, grown_link_legs
from partitioner.timing.constants import PREAMBLE_SFD_BT
from partitioner.timing.frames import wire_ns
from partitioner.timing.line import (
    LineFlow,
    LineNode,
    LineSettings,
    line_settings,
    load_ppm,
    propagation_ns,
)
from partitioner.timing.link import LinkQueue, link_load_ppm
from partitioner.units import PPM

PORT = "port"
"""Name of the switch port among the nodes of a line; device ids cannot clash with it, since
nodes are looked up by (node, stream) and a stream has one sender on a segment."""

Legs = list[tuple[int, int]]
"""Pairs of a stream and its delay in ns."""


class SegmentTraffic:
    """Nodes and streams of the segments of one instance."""

    def __init__(self, instance: Instance):
        self.instance = instance
        problem = instance.problem
        self.burst = problem.plca.burst_count
        self.least_forward_ns = min(instance.forward_ns, default=0)
        self.flows = [
            LineFlow(s.id, s.frame_bytes, s.period_ns, s.jitter_ns, 1, s.pcp)
            for s in instance.streams
        ]
        self.nodes = [
            LineNode(
                id=device,
                flows=tuple(self.flows[j] for j in instance.sent_by[i]),
                queue=problem.devices[device].queue,
                burst_count=self.burst,
            )
            for i, device in enumerate(instance.device_ids)
        ]
        self.number = {s.id: j for j, s in enumerate(instance.streams)}

    # -- what segments have in common ---------------------------------------------------------

    @kept
    def settings(self, grade: int, *, longest: bool = False) -> LineSettings:
        """Settings of lines of the grade, without cable or with the longest one allowed."""
        problem, grade_id = self.instance.problem, self.instance.grades[grade].id
        length = problem.limits[grade_id].length_um if longest else 0
        return line_settings(problem, grade_id, length)

    def is_shared(self, grade: int) -> bool:
        """Whether segments of the grade are analysed as PLCA lines: all that are half duplex."""
        inst = self.instance
        return not inst.problem.catalogue.grades[inst.grades[grade].id].full_duplex

    def usual_count(self, grade: int, devices: int) -> int:
        """Least PLCA node count of a line: switch port, devices, spare IDs of the reserve."""
        return 1 + devices + self.instance.grades[grade].spare_ids

    def most_load(self, grade: int) -> int:
        """Most load that a segment of the grade may have, in ppm."""
        return min(self.instance.grades[grade].load_cap_ppm, PPM - 1)

    def _sender(self, flows: Iterable[LineFlow]) -> LineNode:
        """The switch port that sends some streams."""
        return LineNode(PORT, tuple(flows), QueueOrder.PCP, self.burst)

    def nodes_of(self, devices: frozenset[int]) -> tuple[LineNode, ...]:
        """Nodes of a segment with these devices, the switch port first.

        The port sends what comes for a device on the segment from outside it.
        """
        inst = self.instance
        streams = {j for i in devices for j in inst.received_by[i]}
        incoming = sorted(j for j in streams if inst.streams[j].source_device not in devices)
        port = self._sender(self._flow_from_outside(j) for j in incoming)
        return port, *(self.nodes[i] for i in sorted(devices))

    @kept
    def _flow_from_outside(self, stream: int) -> LineFlow:
        return replace(self.flows[stream], inherited_ns=self.least_spread(stream))

    def link_queue(self, grade: int, sender: LineNode, *, longest: bool = False) -> LinkQueue:
        """One direction of a link, without cable or with the longest one allowed."""
        problem = self.instance.problem
        grade_id = self.instance.grades[grade].id
        row = problem.catalogue.grades[grade_id]
        length = problem.limits[grade_id].length_um if longest else 0
        along_ns = propagation_ns(problem, grade_id, length)
        return LinkQueue.of_grade(row, sender.flows, sender.queue, along_ns)

    # -- one device alone ---------------------------------------------------------------------

    @kept
    def alone(self, grade: int, device: int) -> Legs | None:
        """Least legs of a segment with this device only, whatever the deadlines say.

        None if the segment is overloaded or over its load limit.
        """
        self.instance.look()
        port, node = self.nodes_of(frozenset({device}))
        found = self._pair(grade, node, port)
        return None if found is None else [(self.number[f], ns) for f, ns in found.items()]

    def _pair(self, grade: int, node: LineNode, port: LineNode) -> dict[str, int] | None:
        """Least leg, by stream id, between one device and a port that sends it some streams."""
        if not node.flows and not port.flows:
            return {}
        if self.is_shared(grade):
            data = self.instance.grades[grade]
            settings = self.settings(grade)
            count = 2 + (data.spare_ids if data.is_line else 0)
            if load_ppm((port, node), settings) > self.most_load(grade):
                return None
            found = grown_legs((port, node), count, settings)
            return None if found is None else {flow: ns for (_, flow), ns in found.items()}
        legs: dict[str, int] = {}
        for sender in (node, port):
            if sender.flows:
                queue = self.link_queue(grade, sender)
                if link_load_ppm(queue) > self.most_load(grade):
                    return None
                sent = grown_link_legs(queue)
                if sent is None:
                    return None
                legs |= sent
        return legs

    # -- the least of one leg -----------------------------------------------------------------

    @kept
    def least_up(self, stream: int) -> int:
        """Least any layout makes of the leg a stream's sender sends, in ns (0: a switch)."""
        source = self.instance.streams[stream].source_device
        if source is None:
            return 0
        return min((ns for _, ns in self._legs_by_grade(source, stream)), default=0)

    @kept
    def least_down(self, stream: int, device: int | None) -> int:
        """Least any layout makes of the leg a switch port sends to a device, in ns."""
        if device is None:
            return 0
        rows = self._legs_by_grade(device, stream, down=True)
        return min((ns for _, ns in rows), default=0)

    @kept
    def least_spread(self, stream: int) -> int:
        """By how much the way of a stream varies at the least until a port sends it on, in ns."""
        source = self.instance.streams[stream].source_device
        least = self.least_forward_ns
        if source is not None:
            rows = self._legs_by_grade(source, stream)
            least += min((ns - self._bits_ns(stream, g) for g, ns in rows), default=0)
        return max(0, least)

    def _bits_ns(self, stream: int, grade: int) -> int:
        """Least time of a leg: the bits of the frame, nothing else."""
        length = self.instance.streams[stream].frame_bytes
        if self.is_shared(grade):
            return (PREAMBLE_SFD_BT + 8 * length) * self.settings(grade).bit_ns
        row = self.instance.problem.catalogue.grades[self.instance.grades[grade].id]
        return wire_ns(length, row.rate_bps) - 1

    def _legs_by_grade(
        self, device: int, stream: int, *, down: bool = False
    ) -> list[tuple[int, int]]:
        """Least leg in each grade the device can have, with nobody else's traffic."""
        self.instance.look()
        rows = []
        for grade in range(len(self.instance.grades)):
            if self.instance.can[device, grade]:
                leg = (
                    self._hears(grade, device, stream)
                    if down
                    else self._sends(grade, device).get(stream)
                )
                if leg is not None:
                    rows.append((grade, leg))
        return rows

    @kept
    def _sends(self, grade: int, device: int) -> dict[int, int]:
        """Legs a device sends on a segment with nobody else's traffic, by stream."""
        found = self._pair(grade, self.nodes[device], self._sender(())) or {}
        return {self.number[f]: ns for f, ns in found.items()}

    def _hears(self, grade: int, device: int, stream: int) -> int | None:
        """Leg of a stream that comes alone through the port of a device with a segment alone.

        Others may be heard directly. What the stream inherits is left out, since that is worked
        out from here. None: there is no such segment.
        """
        node = self._with_longest_frame(device)
        if not self.is_shared(grade):
            # The directions do not hinder each other: what the device sends only has to fit.
            if not self._longest_fits(grade, device):
                return None
            node = replace(node, id="", flows=())
        # Neither its name nor its class matters to a stream that comes alone.
        return self._heard_alone(grade, node, replace(self.flows[stream], id="", pcp=0))

    @kept
    def _heard_alone(self, grade: int, node: LineNode, flow: LineFlow) -> int | None:
        return (self._pair(grade, node, self._sender((flow,))) or {}).get(flow.id)

    def _with_longest_frame(self, device: int) -> LineNode:
        """A device that sends its longest frame only, which is enough for a least."""
        node = self.nodes[device]
        if node.flows:
            node = replace(node, flows=(max(node.flows, key=attrgetter("frame_bytes")),))
        return node

    @kept
    def _longest_fits(self, grade: int, device: int) -> bool:
        node = self._with_longest_frame(device)
        return self._pair(grade, node, self._sender(())) is not None
