"""Least delays of candidate segments, and what they imply before a segment is made.

A layout is judged as a whole, since what other segments hold back comes in bursts. A segment by
itself tells how long its legs take at the least, whatever is around it: the response-time analysis
grows its delays from nothing (:func:`partitioner.timing.layout_timing.analyse`), so with only what
is certain to come in, and no cable, it stays below what any layout with the segment is judged by.
Here a segment is refused only if that least is too much already.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import TypeVar

import numpy as np

from partitioner.model.problem import QueueOrder
from partitioner.solve.arrays import Ints
from partitioner.solve.instance import Instance
from partitioner.timing.constants import IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.frames import wire_ns
from partitioner.timing.line import (
    LegDelay,
    LineFlow,
    LineNode,
    LineSettings,
    collision_ns,
    deferral_ns,
    hold_ns,
    line_settings,
    linear_bound,
    load_ppm,
    miss_ns,
    not_pending_ns,
    propagation_ns,
    rounds,
    silent_ns,
    slot_ns,
    start_ns,
)
from partitioner.timing.link import (
    LinkQueue,
    linear_link_bound,
    link_load_ppm,
    priced_link_delays,
    response_link_bound,
)
from partitioner.timing.response import response_bound
from partitioner.units import PPM, ceil_div

PORT = "port"
"""Name of the switch port among the nodes of a line; device ids cannot clash with it, since
nodes are looked up by (node, stream) and a stream has one sender on a segment."""
EASY_SHARE = 0.3
"""Share of its time within which a leg is taken to be far from late: a first step of the analysis
does for it, which is all there is to it where no second frame of a stream comes meanwhile."""
EASY_LOAD_PPM = 500_000
STEPS = 3
"""Rounds in which delays of a segment grow; each is below what the next one finds."""

Legs = list[tuple[int, int]]
"""Pairs of a stream and its delay in ns."""


Key = TypeVar("Key")


@dataclass(frozen=True, slots=True)
class SegmentLegs:
    """Delays of the legs on one segment, in ns, and what the price of latency counts.

    ``up``: (stream, ns) sent by a device; ``down``: ((stream, device), ns) sent by the switch
    port. ``priced``: (stream, ns) of every leg, none where latency has no price. ``load_ppm`` is
    the load with the longest cable allowed.
    """

    up: tuple[tuple[int, int], ...]
    down: tuple[tuple[tuple[int, int], int], ...]
    priced: tuple[tuple[int, int], ...]
    load_ppm: int


@dataclass(frozen=True, slots=True)
class LeastFigures:
    """Figures per device (n,) that no line with the device can go below (above for budget)."""

    load_ppm: Ints
    slot_ns: Ints
    budget_ns: Ints
    base_cycle_ns: int


class SegmentLatency:
    """Legs of any segment, cached by the set of devices, since order does not matter to them.

    Lines have the usual PLCA node count (:meth:`usual_count`) where no other is given.
    """

    def __init__(self, instance: Instance):
        self.instance = instance
        problem = instance.problem
        self._lines: dict[tuple[int, frozenset[int], int], SegmentLegs | None] = {}
        self._links: dict[tuple[int, int], SegmentLegs | None] = {}
        self._most: dict[tuple[int, frozenset[int], int], SegmentLegs] = {}
        self._least: dict[int, LeastFigures] = {}
        self._settings: dict[tuple[int, bool], LineSettings] = {}
        self._least_up: dict[int, int] = {}
        self._least_down: dict[tuple[int, int], int] = {}
        self._spread: dict[int, int] = {}
        self._alone: dict[tuple[int, int], Legs | None] = {}
        self._sent_alone: dict[tuple[int, int], dict[int, int]] = {}
        self._longest_fits: dict[tuple[int, int], bool] = {}
        self._heard_alone: dict[tuple[int, LineNode, int, int, int], int | None] = {}
        self._incoming_flow: dict[int, LineFlow] = {}
        self._burst = problem.plca.burst_count
        self._has_price = bool(problem.objective.latency_price_per_ms_money)
        self.least_forward_ns = min(
            (s.forwarding_delay_ns for s in problem.switches.values()), default=0
        )
        self._flows = [
            LineFlow(s.id, s.frame_bytes, s.period_ns, s.jitter_ns, 1, s.pcp)
            for s in instance.streams
        ]
        self._nodes = [
            LineNode(
                id=device,
                flows=tuple(self._flows[j] for j in instance.sent_by[i]),
                queue=problem.devices[device].queue,
                burst_count=self._burst,
            )
            for i, device in enumerate(instance.device_ids)
        ]
        self._number = {s.id: j for j, s in enumerate(instance.streams)}

    # -- what segments have in common ---------------------------------------------------------

    def settings(self, grade: int, *, longest: bool = False) -> LineSettings:
        """Settings of lines of the grade, without cable or with the longest one allowed."""
        key = grade, longest
        if key not in self._settings:
            grade_id = self.instance.grades[grade].id
            length = self.instance.problem.limits[grade_id].length_um if longest else 0
            self._settings[key] = line_settings(self.instance.problem, grade_id, length)
        return self._settings[key]

    def incoming(self, devices: frozenset[int]) -> list[int]:
        """Streams the switch port sends to a segment: for a device on it, from outside it."""
        inst = self.instance
        streams = {j for i in devices for j in inst.received_by[i]}
        return sorted(j for j in streams if inst.streams[j].source_device not in devices)

    def _port(self, streams: Iterable[int]) -> LineNode:
        flows = tuple(self._flow_from_outside(j) for j in streams)
        return LineNode(PORT, flows, QueueOrder.PCP, self._burst)

    def _flow_from_outside(self, stream: int) -> LineFlow:
        flow = self._incoming_flow.get(stream)
        if flow is None:
            flow = replace(self._flows[stream], inherited_ns=self.least_spread(stream))
            self._incoming_flow[stream] = flow
        return flow

    def is_shared(self, grade: int) -> bool:
        """Whether segments of the grade are analysed as PLCA lines: all that are half duplex."""
        inst = self.instance
        return not inst.problem.catalogue.grades[inst.grades[grade].id].full_duplex

    # -- segments -----------------------------------------------------------------------------

    def usual_count(self, grade: int, devices: int) -> int:
        """Least PLCA node count of a line: switch port, devices, spare IDs of the reserve."""
        return 1 + devices + self.instance.grades[grade].spare_ids

    def line(
        self, grade: int, devices: frozenset[int], node_count: int | None = None
    ) -> SegmentLegs | None:
        """Legs on a line, or None if any layout with it breaks its load limit or a deadline."""
        count = self.usual_count(grade, len(devices)) if node_count is None else node_count
        key = (grade, devices, count)
        if key not in self._lines:
            self._lines[key] = self._line(grade, devices, count)
        return self._lines[key]

    def _line(self, grade: int, devices: frozenset[int], count: int) -> SegmentLegs | None:
        nodes = (
            self._port(self.incoming(devices)),
            *(self._nodes[i] for i in sorted(devices)),
        )
        if not any(n.flows for n in nodes):
            return SegmentLegs((), (), (), 0)
        if load_ppm(nodes, self.settings(grade)) > self._most_load(grade):
            return None
        up, down = self._legs(nodes, count, grade)
        if up is None or not self._in_time(devices, up, down):
            return None
        priced: Legs = []
        if self._has_price:
            found = linear_bound(nodes, count, self.settings(grade), priced=True)
            priced = [(self._number[f], leg.total_ns) for (_, f), leg in found.legs.items()]
        load = load_ppm(nodes, self.settings(grade, longest=True))
        return self._made(devices, up, down, priced, load)

    def dearest_leg_ns(self, grade: int) -> int:
        """More than the price of latency counts for any leg on a line of the grade, in ns.

        Every frame of every stream ahead, a whole cycle for each, all of them of the longest.
        """
        frames = sum(1 + ceil_div(f.jitter_ns, f.period_ns) for f in self._flows)
        if not frames:
            return 0
        data, settings = self.instance.grades[grade], self.settings(grade, longest=True)
        count = 1 + data.max_devices + data.spare_ids
        longest = slot_ns(max(f.frame_bytes for f in self._flows), settings, self._burst)
        cycle = start_ns(settings) + count * longest + collision_ns(count, settings)
        return (frames + 1) * cycle + deferral_ns(longest, count, settings) + settings.phy_ns

    def _most_load(self, grade: int) -> int:
        return min(self.instance.grades[grade].load_cap_ppm, PPM - 1)

    def nodes_of(self, devices: frozenset[int]) -> tuple[LineNode, ...]:
        """Nodes of a segment with these devices, the switch port first."""
        return self._port(self.incoming(devices)), *(self._nodes[i] for i in sorted(devices))

    def load_fits(self, grade: int, devices: frozenset[int], length_um: int) -> bool:
        """Whether a line keeps its load limit at its own length."""
        inst = self.instance
        nodes = self.nodes_of(devices)
        settings = line_settings(inst.problem, inst.grades[grade].id, length_um)
        return load_ppm(nodes, settings) <= self._most_load(grade)

    def _legs(
        self, nodes: tuple[LineNode, ...], count: int, grade: int
    ) -> tuple[Legs | None, Legs]:
        """Least legs sent by devices and by the port; None for the first: there is no bound."""
        settings = self.settings(grade)
        found: dict[tuple[str, str], int] | None = first_legs(nodes, count, settings)
        assert found is not None
        longest = max(found.values(), default=0)
        # No second frame of any stream comes while one waits and others live: that is all then.
        settled = all(
            2 * longest + f.jitter_ns + f.inherited_ns <= f.period_ns
            for n in nodes
            for f in n.flows
        )
        if not settled and not self._is_easy(nodes, settings, found):
            found = grown_legs(nodes, count, settings, found)
            if found is None:
                return None, []
        up: Legs = []
        down: Legs = []
        for (node, flow), ns in found.items():
            (down if node == PORT else up).append((self._number[flow], ns))
        return up, down

    def _is_easy(
        self, nodes: tuple[LineNode, ...], settings: LineSettings, legs: dict[tuple[str, str], int]
    ) -> bool:
        """Whether a line is so far from late and from full that a first step will do."""
        return load_ppm(nodes, settings) <= EASY_LOAD_PPM and all(
            ns <= EASY_SHARE * self.instance.streams[self._number[f]].limit_ns
            for (_, f), ns in legs.items()
        )

    def _made(
        self, devices: frozenset[int], up: Legs, down: Legs, priced: Legs, load: int
    ) -> SegmentLegs:
        streams = self.instance.streams
        by_device = sorted(
            ((j, target.device), ns)
            for j, ns in down
            for target in streams[j].targets
            if target.device in devices
        )
        return SegmentLegs(tuple(sorted(up)), tuple(by_device), tuple(priced), load)

    def _in_time(self, devices: frozenset[int], up: Legs, down: Legs) -> bool:
        """Whether every leg leaves what the rest of its stream's way takes at the very least."""
        streams = self.instance.streams
        for j, ns in up:
            stream = streams[j]
            for target in stream.targets:
                room = stream.limit_ns
                if target.device is None or target.device not in devices:
                    room -= self.least_forward_ns + self.least_down(j, target.device)
                if ns > room:
                    return False
        return all(
            ns <= streams[j].limit_ns - self.least_forward_ns - self.least_up(j) for j, ns in down
        )

    def link(self, grade: int, device: int) -> SegmentLegs | None:
        """Legs on a point-to-point link, or None if it cannot carry what the device needs."""
        key = (grade, device)
        if key not in self._links:
            self._links[key] = self._link(grade, device)
        return self._links[key]

    def _link(self, grade: int, device: int) -> SegmentLegs | None:
        legs = self.alone(grade, device)
        if legs is None:
            return None
        streams = self.instance.streams
        up = [(j, ns) for j, ns in legs if streams[j].source_device == device]
        down = [(j, ns) for j, ns in legs if streams[j].source_device != device]
        devices = frozenset({device})
        if not self._in_time(devices, up, down):
            return None
        priced = self._priced_link(grade, device) if self._has_price else []
        load = 0
        if self.is_shared(grade):
            nodes = (self._port(self.incoming(devices)), self._nodes[device])
            load = load_ppm(nodes, self.settings(grade, longest=True))
        return self._made(devices, up, down, priced, load)

    def _priced_link(self, grade: int, device: int) -> Legs:
        node, port = self._nodes[device], self._port(self.incoming(frozenset({device})))
        if self.is_shared(grade):
            found = linear_bound((port, node), 2, self.settings(grade), priced=True)
            return [(self._number[f], leg.total_ns) for (_, f), leg in found.legs.items()]
        return [
            (self._number[f], ns)
            for sender in (node, port)
            for f, ns in priced_link_delays(self._link_queue(grade, sender)).items()
        ]

    def _link_queue(self, grade: int, sender: LineNode, *, longest: bool = False) -> LinkQueue:
        problem = self.instance.problem
        grade_id = self.instance.grades[grade].id
        row = problem.catalogue.grades[grade_id]
        length = problem.limits[grade_id].length_um if longest else 0
        return LinkQueue(
            id=grade_id,
            flows=sender.flows,
            rate_bps=row.rate_bps,
            queue=sender.queue,
            phy_ns=row.phy_tx_ns + row.phy_rx_ns,
            propagation_ns=propagation_ns(problem, grade_id, length),
        )

    def alone(self, grade: int, device: int) -> Legs | None:
        """Least legs of a segment with this device only, whatever the deadlines say.

        None if the segment is overloaded or over its load limit.
        """
        key = grade, device
        if key not in self._alone:
            self.instance.look()
            port = self._port(self.incoming(frozenset({device})))
            self._alone[key] = self._pair(grade, self._nodes[device], port)
        return self._alone[key]

    def _pair(self, grade: int, node: LineNode, port: LineNode) -> Legs | None:
        """Least legs between one device and a port that sends it some streams."""
        if not node.flows and not port.flows:
            return []
        if self.is_shared(grade):
            data = self.instance.grades[grade]
            settings = self.settings(grade)
            count = 2 + (data.spare_ids if data.is_line else 0)
            if load_ppm((port, node), settings) > self._most_load(grade):
                return None
            found = grown_legs((port, node), count, settings)
            if found is None:
                return None
            return [(self._number[f], ns) for (_, f), ns in found.items()]
        legs: Legs = []
        for sender in (node, port):
            if sender.flows:
                queue = self._link_queue(grade, sender)
                if link_load_ppm(queue) > self._most_load(grade):
                    return None
                sent = grown_link_legs(queue)
                if sent is None:
                    return None
                legs += [(self._number[f], ns) for f, ns in sent.items()]
        return legs

    def most(
        self, grade: int, devices: frozenset[int], node_count: int | None = None
    ) -> SegmentLegs:
        """Linear bound of each leg of a segment if every stream keeps its limit.

        If all streams of a layout keep their limits by these, the analysis has them in time as
        well. A leg that has no such bound takes longer than its limit.
        """
        count = 2
        if self.instance.grades[grade].is_line:
            count = self.usual_count(grade, len(devices)) if node_count is None else node_count
        key = grade, devices, count
        if key not in self._most:
            self._most[key] = self._most_legs(grade, devices, count)
        return self._most[key]

    def _most_legs(self, grade: int, devices: frozenset[int], count: int) -> SegmentLegs:
        port = self._port(self.incoming(devices))
        nodes = [port, *(self._nodes[i] for i in sorted(devices))]
        limits = self.instance.streams
        nodes = [
            replace(
                n,
                flows=tuple(
                    replace(f, window_ns=limits[self._number[f.id]].limit_ns) for f in n.flows
                ),
            )
            for n in nodes
        ]
        port_node = nodes[0]
        if self.is_shared(grade):
            line = linear_bound(tuple(nodes), count, self.settings(grade, longest=True))
            found = {key: leg.total_ns for key, leg in line.legs.items()}
        else:
            found = {}
            for n in nodes:
                queue = self._link_queue(grade, n, longest=True)
                legs = linear_link_bound(queue).legs if n.flows else {}
                found |= {(n.id, f): leg.total_ns for f, leg in legs.items()}
        up: Legs = []
        down: Legs = []
        for n in nodes:
            for f in n.flows:
                j = self._number[f.id]
                ns = found.get((n.id, f.id), limits[j].limit_ns + 1)
                (down if n is port_node else up).append((j, ns))
        return self._made(devices, up, down, [], 0)

    def late_alone(self, grade: int, device: int) -> list[tuple[str, int, int]]:
        """Streams that are late even with the device alone: (id, least ns, limit ns), worst first.

        The least is that of the whole way: the leg, one switch and the leg at the other end.
        """
        streams = self.instance.streams
        late = []
        for j, ns in self.alone(grade, device) or ():
            rest = self.least_forward_ns
            if streams[j].source_device == device:
                rest += max(self.least_down(j, target.device) for target in streams[j].targets)
            else:
                rest += self.least_up(j)
            if ns + rest > streams[j].limit_ns:
                late.append((streams[j].limit_ns - ns - rest, streams[j].id, ns + rest, j))
        return [(id_, ns, streams[j].limit_ns) for _, id_, ns, j in sorted(late)]

    def fits_alone(self, grade: int, device: int) -> bool:
        """Whether the device's own streams leave a segment of the grade within its load limit."""
        return self.alone(grade, device) is not None

    # -- the least of one leg -----------------------------------------------------------------

    def least_up(self, stream: int) -> int:
        """Least any layout makes of the leg a stream's sender sends, in ns (0: a switch)."""
        if stream not in self._least_up:
            source = self.instance.streams[stream].source_device
            self._least_up[stream] = (
                0
                if source is None
                else min((ns for _, ns in self._legs_by_grade(source, stream)), default=0)
            )
        return self._least_up[stream]

    def least_down(self, stream: int, device: int | None) -> int:
        """Least any layout makes of the leg a switch port sends to a device, in ns."""
        if device is None:
            return 0
        key = (stream, device)
        if key not in self._least_down:
            rows = self._legs_by_grade(device, stream, down=True)
            self._least_down[key] = min((ns for _, ns in rows), default=0)
        return self._least_down[key]

    def least_spread(self, stream: int) -> int:
        """By how much the way of a stream varies at the least until a port sends it on, in ns."""
        if stream not in self._spread:
            source = self.instance.streams[stream].source_device
            least = self.least_forward_ns
            if source is not None:
                rows = self._legs_by_grade(source, stream)
                least += min((ns - self._bits_ns(stream, g) for g, ns in rows), default=0)
            self._spread[stream] = max(0, least)
        return self._spread[stream]

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

    def _sends(self, grade: int, device: int) -> dict[int, int]:
        """Legs a device sends on a segment with nobody else's traffic, by stream."""
        key = grade, device
        if key not in self._sent_alone:
            silent = LineNode(PORT, (), QueueOrder.PCP, self._burst)
            found = self._pair(grade, self._nodes[device], silent)
            self._sent_alone[key] = dict(found or ())
        return self._sent_alone[key]

    def _hears(self, grade: int, device: int, stream: int) -> int | None:
        """Leg of a stream that comes alone through the port of a device with a segment alone.

        Others may be heard directly. What the stream inherits is left out, since that is worked
        out from here; of what the device sends, the longest frame is enough for a least. None:
        there is no such segment.
        """
        flow, node = self._flows[stream], self._nodes[device]
        if node.flows:
            node = replace(node, flows=(max(node.flows, key=attrgetter("frame_bytes")),))
        if not self.is_shared(grade):
            # The directions do not hinder each other: what the device sends only has to fit.
            if (grade, device) not in self._longest_fits:
                silent = LineNode(PORT, (), QueueOrder.PCP, self._burst)
                fits = self._pair(grade, node, silent) is not None
                self._longest_fits[grade, device] = fits
            if not self._longest_fits[grade, device]:
                return None
            node = replace(node, id="", flows=())
        key = grade, node, flow.frame_bytes, flow.period_ns, flow.jitter_ns
        if key not in self._heard_alone:
            port = LineNode(PORT, (flow,), QueueOrder.PCP, self._burst)
            self._heard_alone[key] = dict(self._pair(grade, node, port) or ()).get(stream)
        return self._heard_alone[key]

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
        slot = np.array(
            [self._least_slot_ns(node, settings) for node in self._nodes], dtype=np.int64
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
        for i in range(inst.n):
            node = self._nodes[i]
            load[i] = sum(slot_ns(f.frame_bytes, settings) * PPM // f.period_ns for f in node.flows)
            for flow in node.flows:
                own, own_ns = _frames_at_once(node, flow, settings)
                more = rounds(own, self._burst, settings) - 1
                rest = beside + own_ns + more * (round_rest + each)
                room = self._room_up(self._number[flow.id], grade)
                budget[i] = min(budget[i], room - rest + slot[i])
            for j in inst.received_by[i]:
                flow = self._flows[j]
                source = inst.streams[j].source_device
                outside = self._never_share(source, i, grade)
                if outside and len(inst.streams[j].targets) == 1:
                    load[i] += slot_ns(flow.frame_bytes, settings) * PPM // flow.period_ns
                room = inst.streams[j].limit_ns
                if outside:
                    room -= self.least_forward_ns + self.least_up(j)
                # The sender's own slot counts if it sits on this very line.
                other = silent if outside or source is None else max(silent, int(slot[source]))
                rest = beside + slot_ns(flow.frame_bytes, settings)
                budget[i] = min(budget[i], room - rest + other)
        # The node count limit counts the port, whose silent TO is the least it costs.
        base = start_ns(settings) + (1 + data.spare_ids) * silent
        return LeastFigures(load, slot, budget, base)

    def _least_slot_ns(self, node: LineNode, settings: LineSettings) -> int:
        """What a node adds to the shortest cycle in which it sends what it may hold."""
        silent = silent_ns(settings)
        most = 1 if settings.burst_timer_bt <= IPG_BT else 1 + self._burst
        slots = sorted((slot_ns(f.frame_bytes, settings) for f in node.flows), reverse=True)
        return silent + sum(slot - silent for slot in slots[:most])

    def _room_up(self, stream: int, grade: int) -> int:
        """Most a leg of the sender may take on a line."""
        data = self.instance.streams[stream]
        rest = [
            self.least_forward_ns + self.least_down(stream, target.device)
            for target in data.targets
            if self._never_share(data.source_device, target.device, grade)
        ]
        return data.limit_ns - max(rest, default=0)

    def may_share_a_line(self, a: int | None, b: int | None) -> bool:
        """Whether two ends of a stream may be on one line of some grade."""
        return any(not self._never_share(a, b, g) for g in self.instance.line_grades)

    def _never_share(self, a: int | None, b: int | None, grade: int) -> bool:
        """Whether two ends of a stream can never be on one line of the grade."""
        inst = self.instance
        if a is None or b is None:
            return True
        return bool(inst.conflict[a, b]) or not (inst.can[a, grade] and inst.can[b, grade])


def _frames_at_once(node: LineNode, flow: LineFlow, settings: LineSettings) -> tuple[int, int]:
    """Frames of a node that can be there together, up to one of ``flow``, and their TOs in ns."""
    fifo = node.queue is QueueOrder.FIFO
    count = time = 0
    for f in node.flows:
        if fifo or f.pcp >= flow.pcp:
            frames = (f.jitter_ns + f.inherited_ns) // f.period_ns + 1
            count += frames
            time += frames * slot_ns(f.frame_bytes, settings)
    lower = [f.frame_bytes for f in node.flows if not fifo and f.pcp < flow.pcp]
    if lower:
        count += 1
        time += slot_ns(max(lower), settings)
    return count, time


def first_legs(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings
) -> dict[tuple[str, str], int]:
    """Delay of every leg of a line, in ns, if no second frame of any stream comes meanwhile.

    The first step of the response-time analysis and so never above what it ends with: the own
    frames that can be there at once, and of every other node as many of its frames, one of each
    stream, as the rounds for these allow.
    """
    silent = silent_ns(settings)
    each = collision_ns(node_count, settings)
    lone = settings.burst_timer_bt <= IPG_BT
    senders = [n for n in nodes if n.flows]
    costs = [
        sorted((slot_ns(f.frame_bytes, settings) - silent for f in n.flows), reverse=True)
        for n in senders
    ]
    sums = [[0, *itertools.accumulate(row)] for row in costs]
    largest = max((row[0] + silent for row in costs), default=0)
    first = 0
    if settings.logical_collision:
        idle = not_pending_ns(hold_ns(node_count, settings), settings) + silent
        idle -= IPG_BT * settings.bit_ns + each
        first = min(deferral_ns(largest, node_count, settings), idle)
    round_rest = start_ns(settings) + (node_count - 1) * silent
    after = miss_ns(settings) + first - settings.loop_delay_ns
    after += settings.phy_ns + settings.propagation_ns
    legs: dict[tuple[str, str], int] = {}
    for k, node in enumerate(senders):
        known: dict[int, int] = {}
        for flow in node.flows:
            rank = 0 if node.queue is QueueOrder.FIFO else flow.pcp
            if rank not in known:
                own, own_ns = _frames_at_once(node, flow, settings)
                turns = own if lone else ceil_div(own, 1 + node.burst_count)
                total = after + own_ns + turns * (round_rest + each)
                for other, row in enumerate(sums):
                    if other != k:
                        per_round = 1 if lone else 1 + senders[other].burst_count
                        total += row[min(turns * per_round, len(row) - 1)]
                known[rank] = total
            legs[node.id, flow.id] = known[rank]
    return legs


def grown_legs(
    nodes: tuple[LineNode, ...],
    node_count: int,
    settings: LineSettings,
    least: dict[tuple[str, str], int] | None = None,
) -> dict[tuple[str, str], int] | None:
    """Least delay of every leg of a line, in ns, by the whole analysis; None if there is none.

    ``least``: what no leg goes below, if known. Frames that come in carry ``inherited_ns``.
    """
    legs = first_legs(nodes, node_count, settings) if least is None else least
    for _ in range(STEPS):
        windows = tuple(
            replace(n, flows=tuple(
                replace(f, window_ns=legs[n.id, f.id] + f.inherited_ns) for f in n.flows
            ))
            for n in nodes
        )
        bound = response_bound(windows, node_count, settings)
        found = _all_found(bound.legs, sum(len(n.flows) for n in nodes))
        if found is None:
            return None
        grown = {key: max(ns, legs[key]) for key, ns in found.items()}
        if grown == legs:
            break
        legs = grown
    return legs


def grown_link_legs(queue: LinkQueue) -> dict[str, int] | None:
    """Least delay of every leg over a full-duplex link, in ns; None if there is no bound."""
    legs = {f.id: 1 for f in queue.flows}
    for _ in range(STEPS):
        windows = tuple(replace(f, window_ns=legs[f.id] + f.inherited_ns) for f in queue.flows)
        bound = response_link_bound(replace(queue, flows=windows))
        found = _all_found(bound.legs, len(queue.flows))
        if found is None:
            return None
        if found == legs:
            break
        legs = found
    return legs


def _all_found(legs: Mapping[Key, LegDelay | int], count: int) -> dict[Key, int] | None:
    if len(legs) < count:
        return None
    return {key: leg.total_ns if isinstance(leg, LegDelay) else leg for key, leg in legs.items()}
