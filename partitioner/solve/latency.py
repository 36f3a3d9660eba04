"""Least delays of candidate segments.

A layout is judged as a whole, since what other segments hold back comes in bursts. A segment by
itself tells how long its legs take at the least, whatever is around it: the response-time analysis
grows its delays from nothing (:func:`partitioner.timing.layout_timing.analyse`), so with only what
is certain to come in, and no cable, it stays below what any layout with the segment is judged by.
Here a segment is refused only if that least is too much already.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from partitioner.solve.kept import kept
from partitioner.solve.least_figures import LeastFigures, least_figures
from partitioner.solve.leg_growth import first_legs, grown_legs
from partitioner.solve.segment_traffic import PORT, Legs, SegmentTraffic
from partitioner.timing.line import (
    LineNode,
    LineSettings,
    collision_ns,
    deferral_ns,
    line_settings,
    linear_bound,
    load_ppm,
    slot_ns,
    start_ns,
)
from partitioner.timing.link import linear_link_bound, priced_link_delays
from partitioner.units import ceil_div

EASY_SHARE = 0.3
"""Share of its time within which a leg is taken to be far from late: a first step of the analysis
does for it, which is all there is to it where no second frame of a stream comes meanwhile."""
EASY_LOAD_PPM = 500_000


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


class SegmentLatency(SegmentTraffic):
    """Legs of any segment, kept by the set of devices, since order does not matter to them.

    Lines have the usual PLCA node count (:meth:`usual_count`) where no other is given.
    """

    @property
    def _has_price(self) -> bool:
        return bool(self.instance.problem.objective.latency_price_per_ms_money)

    def line(
        self, grade: int, devices: frozenset[int], node_count: int | None = None
    ) -> SegmentLegs | None:
        """Legs on a line, or None if any layout with it breaks its load limit or a deadline."""
        count = self.usual_count(grade, len(devices)) if node_count is None else node_count
        return self._line(grade, devices, count)

    @kept
    def _line(self, grade: int, devices: frozenset[int], count: int) -> SegmentLegs | None:
        nodes = self.nodes_of(devices)
        if not any(n.flows for n in nodes):
            return SegmentLegs((), (), (), 0)
        if load_ppm(nodes, self.settings(grade)) > self.most_load(grade):
            return None
        found = self._both_ways(nodes, count, grade)
        if found is None or not self._in_time(devices, *found):
            return None
        priced = self._priced_line(grade, nodes, count)
        load = load_ppm(nodes, self.settings(grade, longest=True))
        return self._made(devices, *found, priced, load)

    def late_on_line(self, grade: int, devices: frozenset[int]) -> list[str]:
        """Ids of the streams that are late on a line of these devices; none without a bound."""
        found = self._both_ways(
            self.nodes_of(devices), self.usual_count(grade, len(devices)), grade
        )
        up, down = found or ([], [])
        late = {leg[0] for leg in up if not self._in_time(devices, [leg], [])}
        late |= {leg[0] for leg in down if not self._in_time(devices, [], [leg])}
        return [self.instance.streams[j].id for j in sorted(late)]

    def _both_ways(
        self, nodes: tuple[LineNode, ...], count: int, grade: int
    ) -> tuple[Legs, Legs] | None:
        """Least legs towards the switch and from it, or None if there is no bound."""
        found = self._legs(nodes, count, grade)
        if found is None:
            return None
        up = [(self.number[flow], ns) for (node, flow), ns in found.items() if node != PORT]
        down = [(self.number[flow], ns) for (node, flow), ns in found.items() if node == PORT]
        return up, down

    def _priced_line(self, grade: int, nodes: tuple[LineNode, ...], count: int) -> Legs:
        if not self._has_price:
            return []
        found = linear_bound(nodes, count, self.settings(grade), priced=True)
        return [(self.number[f], leg.total_ns) for (_, f), leg in found.legs.items()]

    def dearest_leg_ns(self, grade: int) -> int:
        """More than the price of latency counts for any leg on a line of the grade, in ns.

        Every frame of every stream ahead, a whole cycle for each, all of them of the longest.
        """
        frames = sum(1 + ceil_div(f.jitter_ns, f.period_ns) for f in self.flows)
        if not frames:
            return 0
        data, settings = self.instance.grades[grade], self.settings(grade, longest=True)
        count = 1 + data.max_devices + data.spare_ids
        longest = slot_ns(max(f.frame_bytes for f in self.flows), settings, self.burst)
        cycle = start_ns(settings) + count * longest + collision_ns(count, settings)
        return (frames + 1) * cycle + deferral_ns(longest, count, settings) + settings.phy_ns

    def load_fits(self, grade: int, devices: frozenset[int], length_um: int) -> bool:
        """Whether a line keeps its load limit at its own length."""
        inst = self.instance
        settings = line_settings(inst.problem, inst.grades[grade].id, length_um)
        return load_ppm(self.nodes_of(devices), settings) <= self.most_load(grade)

    def _legs(
        self, nodes: tuple[LineNode, ...], count: int, grade: int
    ) -> dict[tuple[str, str], int] | None:
        """Least leg by (node, stream); None: there is no bound."""
        settings = self.settings(grade)
        found = first_legs(nodes, count, settings)
        longest = max(found.values(), default=0)
        # No second frame of any stream comes while one waits and others live: that is all then.
        settled = all(
            2 * longest + f.jitter_ns + f.inherited_ns <= f.period_ns
            for n in nodes
            for f in n.flows
        )
        if settled or self._is_easy(nodes, settings, found):
            return found
        return grown_legs(nodes, count, settings, found)

    def _is_easy(
        self, nodes: tuple[LineNode, ...], settings: LineSettings, legs: dict[tuple[str, str], int]
    ) -> bool:
        """Whether a line is so far from late and from full that a first step will do."""
        return load_ppm(nodes, settings) <= EASY_LOAD_PPM and all(
            ns <= EASY_SHARE * self.instance.streams[self.number[f]].limit_ns
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

    @kept
    def link(self, grade: int, device: int) -> SegmentLegs | None:
        """Legs on a point-to-point link, or None if it cannot carry what the device needs."""
        legs = self.alone(grade, device)
        if legs is None:
            return None
        streams = self.instance.streams
        up = [(j, ns) for j, ns in legs if streams[j].source_device == device]
        down = [(j, ns) for j, ns in legs if streams[j].source_device != device]
        devices = frozenset({device})
        if not self._in_time(devices, up, down):
            return None
        nodes = self.nodes_of(devices)
        load = 0
        if self.is_shared(grade):
            priced = self._priced_line(grade, nodes, 2)
            load = load_ppm(nodes, self.settings(grade, longest=True))
        else:
            priced = [
                (self.number[f], ns)
                for sender in reversed(nodes) if self._has_price
                for f, ns in priced_link_delays(self.link_queue(grade, sender)).items()
            ]
        return self._made(devices, up, down, priced, load)

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
        return self._most(grade, devices, count)

    @kept
    def _most(self, grade: int, devices: frozenset[int], count: int) -> SegmentLegs:
        limits = self.instance.streams
        port, *others = (
            replace(
                node,
                flows=tuple(
                    replace(f, window_ns=limits[self.number[f.id]].limit_ns) for f in node.flows
                ),
            )
            for node in self.nodes_of(devices)
        )
        if self.is_shared(grade):
            line = linear_bound((port, *others), count, self.settings(grade, longest=True))
            found = {key: leg.total_ns for key, leg in line.legs.items()}
        else:
            found = {}
            for node in (port, *others):
                queue = self.link_queue(grade, node, longest=True)
                legs = linear_link_bound(queue).legs if node.flows else {}
                found |= {(node.id, f): leg.total_ns for f, leg in legs.items()}

        def sent_by(node: LineNode) -> Legs:
            numbers = [(self.number[f.id], f.id) for f in node.flows]
            return [(j, found.get((node.id, f), limits[j].limit_ns + 1)) for j, f in numbers]

        up = [leg for node in others for leg in sent_by(node)]
        return self._made(devices, up, sent_by(port), [], 0)

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

    @kept
    def least(self, grade: int) -> LeastFigures:
        """What a device adds to a line of the grade at the very least."""
        return least_figures(self, grade)
