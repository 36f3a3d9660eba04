"""Delays of a selection, whole or in part, by the analysis that judges layouts.

Of a part only what is certain is described: the segments that are there, all that their devices
send, and what is sure to come in. The analysis grows with all it is given, so what a part is judged
by is never above what any layout that holds it is judged by.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from partitioner.model.assessment import LegKind
from partitioner.model.problem import QueueOrder
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.instance import Delivery, End
from partitioner.solve.segment_traffic import PORT
from partitioner.timing.frames import slot_on_link_ns
from partitioner.timing.layout_timing import (
    Hop,
    LineMedium,
    LineSender,
    LinkMedium,
    NetworkTraffic,
    Route,
    Settled,
    StreamTraffic,
    analyse,
)
from partitioner.timing.line import line_settings, propagation_ns

Pair = tuple[int, int]
Ways = Mapping[Pair, Sequence[int]]
"""Switches passed, both ends included, by (from, to)."""
Behind = Mapping[Pair, Mapping[int, int]]
"""By backbone link and direction, by PCP: longest wait with the own frame's time on the link, in
ns. That is about what a frame of that PCP waits that comes in addition."""


@dataclass(frozen=True, slots=True)
class Delays:
    """Worst-case delays, in ns; None where there is no bound."""

    total_ns: Mapping[Delivery, int | None]
    behind_ns: Behind


NO_DELAYS = Delays({}, {})


class SelectionDelays:
    """Delays over segments of one instance."""

    def __init__(self, builder: ColumnBuilder, backbone: BackboneData):
        self._builder, self._backbone = builder, backbone
        self._instance = builder.instance
        self._settled: Settled | None = None
        """Where the delays settled that were last begun near others, if any."""

    def of(
        self,
        columns: Sequence[Column],
        ways: Ways | None = None,
        built: Collection[tuple[int, str]] = (),
        *,
        as_built: bool = True,
        outside: bool = False,
        near: bool = False,
    ) -> Delays:
        """Delays of every stream that has its two ends on the columns.

        Parameters
        ----------
        columns
            Segments that are there.
        ways, built
            Ways between switches over the backbone links built. Without ways, streams cross the
            backbone in the least time there is.
        as_built
            With the cable lengths and PLCA node counts that the columns have; else without cable
            and with the least node counts there can be.
        outside
            Let in what is sure to come from devices on none of the columns. Their jitter is the
            least there is.
        near
            Begin where the delays settled the last time that this was asked for. What is in time
            then is in time, but what is late need not be.
        """
        inst = self._instance
        home: dict[int, int] = {i: k for k, c in enumerate(columns) for i in c.devices}
        lines: list[LineMedium] = []
        links: list[LinkMedium] = []
        for column in columns:
            self._describe(column, as_built, lines, links)
        if ways is not None:
            links += self._backbone_links(built)
        streams = []
        complete: list[tuple[Delivery, int]] = []
        for j, stream in enumerate(inst.streams):
            routes = []
            for target in stream.targets:
                made = self._route(j, target.key, columns, home, ways, outside)
                if made is not None:
                    hops, besides_ns = made
                    routes.append(Route(_name(target.key), hops))
                    if besides_ns is not None:
                        complete.append(((j, target.key), besides_ns))
            if routes:
                streams.append(
                    StreamTraffic(
                        stream.id,
                        stream.frame_bytes,
                        stream.period_ns,
                        stream.jitter_ns,
                        stream.deadline_ns,
                        stream.pcp,
                        tuple(routes),
                    )
                )
        traffic = NetworkTraffic(tuple(lines), tuple(links), tuple(streams))
        found = analyse(traffic, linear=False, near=self._settled if near else None)
        if near:  # All others are mostly of a part, which is no good beginning for a whole.
            self._settled = found.settled
        rates = {link.id: link.rate_bps for link in links}
        total: dict[Delivery, int | None] = {}
        behind: dict[str, dict[int, int]] = defaultdict(dict)
        for (j, key), besides_ns in complete:
            stream = inst.streams[j]
            figures = found.bounds[stream.id, _name(key)]
            ns = figures.response_ns
            total[j, key] = None if ns is None else ns + besides_ns
            for leg in figures.legs:
                if leg.kind is LegKind.BACKBONE:
                    own = slot_on_link_ns(stream.frame_bytes, rates[leg.where])
                    there = behind[leg.where]
                    waits = leg.queue_ns + leg.access_ns + own
                    there[stream.pcp] = max(there.get(stream.pcp, 0), waits)
        ends = [self._backbone.links[k].ends for k, _ in built]
        pairs = [*ends, *((b, a) for a, b in ends)]
        return Delays(total, {p: behind[_between(*p)] for p in pairs if _between(*p) in behind})

    # -- media --------------------------------------------------------------------------------

    def _describe(
        self,
        column: Column,
        as_built: bool,
        lines: list[LineMedium],
        links: list[LinkMedium],
    ) -> None:
        inst = self._instance
        problem = inst.problem
        data = inst.grades[column.grade]
        row = problem.catalogue.grades[data.id]
        length = column.length_um if as_built else 0
        if row.full_duplex:
            device = inst.device_ids[column.devices[0]]
            along = propagation_ns(problem, data.id, length)
            for way, sender, queue in (
                ("up", device, problem.devices[device].queue),
                ("down", PORT, QueueOrder.PCP),
            ):
                place = _medium(column, way), sender, row, queue
                links.append(LinkMedium.of_grade(*place, along, along))
            return
        burst = problem.plca.burst_count
        senders = [LineSender(PORT, 0, QueueOrder.PCP, burst)]
        for id_, i in enumerate(column.devices, 1):
            device = inst.device_ids[i]
            senders.append(LineSender(device, id_, problem.devices[device].queue, burst))
        settings = line_settings(problem, data.id, length)
        count = 2
        if data.is_line:
            least = self._builder.latency.usual_count(column.grade, len(column.devices))
            count = column.node_count if as_built else least
        lines.append(LineMedium(_medium(column, ""), tuple(senders), count, settings, settings))

    def _backbone_links(self, built: Iterable[tuple[int, str]]) -> list[LinkMedium]:
        problem = self._instance.problem
        made = []
        for index, grade_id in built:
            link = self._backbone.links[index]
            row = problem.catalogue.grades[grade_id]
            along = propagation_ns(problem, grade_id, link.length_um)
            for a, b in (link.ends, link.ends[::-1]):
                place = _between(a, b), PORT, row, QueueOrder.PCP
                made.append(LinkMedium.of_grade(*place, along, along))
        return made

    # -- routes -------------------------------------------------------------------------------

    def _route(
        self,
        j: int,
        to: End,
        columns: Sequence[Column],
        home: Mapping[int, int],
        ways: Ways | None,
        outside: bool,
    ) -> tuple[tuple[Hop, ...], int | None] | None:
        """Hops of a stream to one target and what its way takes besides, in ns.

        None for the second: the way is not there as a whole; for both: nothing of it is certain.
        """
        inst, forward = self._instance, self._instance.forward_ns
        stream, (device, switch) = inst.streams[j], to
        source = stream.source_device
        hops: list[Hop] = []
        start: int | None = stream.source_switch
        up = None
        if source is not None:
            up = home.get(source)
            start = None if up is None else columns[up].switch
            if up is not None:
                hops.append(self._hop(columns[up], inst.device_ids[source], down=False))
        down = None if device is None else home.get(device)
        end = switch if device is None else None if down is None else columns[down].switch
        if up is not None and up == down:
            return tuple(hops), 0
        besides = 0
        if start is None and (end is None or not outside or down is None):
            return None
        if end is None:
            return (tuple(hops), None) if hops else None
        if start is None:
            # From somewhere: what its way varies by at the least stands for the way.
            spread = self._builder.latency.least_spread(j)
            hops.append(Hop(LegKind.SWITCH, "outside", delay_ns=spread))
        elif ways is None:
            # The bits on the links do not vary, so only the switches count for the jitter.
            least = self._backbone.hop_function(j)(start, end)
            inside = forward[start] + (forward[end] if end != start else 0)
            hops.append(Hop(LegKind.SWITCH, "between", delay_ns=inside))
            besides = least - inside
        else:
            way = ways.get((start, end))
            if way is None:
                return (tuple(hops), None) if hops else None
            hops.append(Hop(LegKind.SWITCH, "", delay_ns=forward[way[0]]))
            for a, b in pairwise(way):
                name = _between(a, b)
                hops.append(Hop(LegKind.BACKBONE, name, name, PORT))
                hops.append(Hop(LegKind.SWITCH, "", delay_ns=forward[b]))
        if down is not None:
            hops.append(self._hop(columns[down], PORT, down=True))
        return tuple(hops), None if start is None else besides

    def _hop(self, column: Column, sender: str, *, down: bool) -> Hop:
        data = self._instance.grades[column.grade]
        if self._builder.latency.is_shared(column.grade):
            medium = _medium(column, "")
        else:
            medium = _medium(column, "down" if down else "up")
        kinds = (
            (LegKind.LINE, LegKind.LINE_DOWN) if data.is_line else (LegKind.LINK, LegKind.LINK_DOWN)
        )
        return Hop(kinds[down], medium, medium, sender)


def _medium(column: Column, way: str) -> str:
    return f"segment of {min(column.devices)} {way}"


def _between(a: int, b: int) -> str:
    return f"backbone {a} to {b}"


def _name(end: End) -> str:
    device, switch = end
    return f"switch {switch}" if device is None else f"device {device}"
