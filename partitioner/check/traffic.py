"""Timing of a layout: who sends on what, handed to the timing analysis, and its answer by name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from partitioner.check.laid import LaidSegment
from partitioner.model.assessment import LegKind, StreamFigures
from partitioner.model.catalogue import Grade
from partitioner.model.frames import stream_frame_bytes
from partitioner.model.layout import Layout
from partitioner.model.plca import HIGHEST_ID
from partitioner.model.problem import Problem, QueueOrder, ReleaseKind, Stream
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import StreamWay, backbone_length_um
from partitioner.network.transfers import carried_streams
from partitioner.timing.layout_timing import (
    Hop,
    LineMedium,
    LineSender,
    LinkMedium,
    NetworkTraffic,
    Route,
    StreamTraffic,
    analyse,
)
from partitioner.timing.line import line_settings, propagation_ns


@dataclass(frozen=True, slots=True)
class LayoutTiming:
    """Timing of a layout by name.

    ``load_ppm`` and ``cycle_ns`` by segment id (a full-duplex link's load is that of its busier
    direction; the cycle of a link is 0). ``link_load_ppm`` by backbone link and direction
    (from, to), links without traffic included. ``streams`` in the order of the problem, without
    those that the layout gives no way; ``transfers`` the same for the streams that stand for bulk
    transfers. All bounds and loads hold while the transfers run. ``overloads``: a sentence for each
    medium that is asked to carry more than it can.
    """

    traffic: NetworkTraffic
    streams: tuple[StreamFigures, ...]
    transfers: tuple[StreamFigures, ...]
    load_ppm: Mapping[str, int]
    cycle_ns: Mapping[str, int]
    link_load_ppm: Mapping[tuple[str, str], int]
    overloads: Mapping[str, str]


def _up(segment: str) -> str:
    return f"{segment} towards the switch"


def _down(segment: str) -> str:
    return f"{segment} from the switch"


def _between(a: str, b: str) -> str:
    return f"backbone {a} to {b}"


def is_plca(grade: Grade) -> bool:
    """Whether segments of the grade are analysed as a PLCA line: all that are half duplex."""
    return not grade.full_duplex


def network_traffic(
    problem: Problem,
    sound: Layout,
    laid: Iterable[LaidSegment],
    ways: Iterable[StreamWay],
    network: CableNetwork,
) -> NetworkTraffic:
    """Describe a layout the way the timing analysis takes it.

    ``ways`` may be those of streams and of transfers. ``sound`` names known switches, devices and
    grades only. Devices queue as the problem says; every switch port queues by PCP. A half-duplex
    link is a line of two nodes to the analysis, with the PLCA settings of the problem.
    """
    lines: list[LineMedium] = []
    links: list[LinkMedium] = []
    half_duplex: set[str] = set()
    for segment in laid:
        if is_plca(segment.grade):
            half_duplex.add(segment.segment.id)
            lines.append(_line(problem, segment))
        else:
            links += _both_directions(problem, segment)
    for link in sound.backbone:
        grade = problem.catalogue.grades[link.grade]
        along_ns = propagation_ns(
            problem, grade.id, backbone_length_um(problem, network, link.ends)
        )
        for a, b in (link.ends, link.ends[::-1]):
            place = _between(a, b), a, grade, QueueOrder.PCP
            links.append(LinkMedium.of_grade(*place, along_ns, along_ns))
    by_stream: dict[str, list[StreamWay]] = {}
    for way in ways:
        by_stream.setdefault(way.stream, []).append(way)
    is_line = {s.segment.id: s.is_line for s in laid}
    carried = carried_streams(problem)
    streams = tuple(
        _stream(problem, carried[id_], rows, is_line, half_duplex)
        for id_, rows in by_stream.items()
    )
    return NetworkTraffic(tuple(lines), tuple(links), streams)


def _line(problem: Problem, laid: LaidSegment) -> LineMedium:
    segment, grade = laid.segment, laid.grade
    burst = dict(segment.burst_counts)
    usual = problem.plca.burst_count
    ids = _plca_ids(laid)
    senders = [LineSender(segment.switch, 0, QueueOrder.PCP, burst.get(segment.switch, usual))]
    for device in segment.devices:
        senders.append(
            LineSender(device, ids[device], problem.devices[device].queue, burst.get(device, usual))
        )
    length_um = laid.geometry.length_um
    most_um = max(laid.length_limit_um, length_um)
    return LineMedium(
        id=segment.id,
        senders=tuple(senders),
        node_count=max(segment.node_count if laid.is_line else 0, max(ids.values(), default=0) + 1),
        limit_settings=line_settings(problem, grade.id, most_um),
        settings=line_settings(problem, grade.id, length_um),
    )


def _plca_ids(laid: LaidSegment) -> dict[str, int]:
    """PLCA ID of each device: as written if that can be set, else outward from the switch."""
    segment = laid.segment
    ids = segment.plca_ids
    can_be_set = len(set(ids)) == len(ids) and all(1 <= i <= HIGHEST_ID for i in ids)
    if len(ids) == len(segment.devices) and can_be_set:
        return dict(zip(segment.devices, ids, strict=True))
    return {piece.owner: k for k, piece in enumerate(laid.geometry.pieces, 1)}


def _both_directions(problem: Problem, laid: LaidSegment) -> list[LinkMedium]:
    segment, grade = laid.segment, laid.grade
    length_um = laid.geometry.length_um
    actual_ns = propagation_ns(problem, grade.id, length_um)
    most_ns = propagation_ns(problem, grade.id, max(laid.length_limit_um, length_um))
    found = []
    if segment.devices:
        device = problem.devices[segment.devices[0]]
        up = _up(segment.id), device.id, grade, device.queue
        found.append(LinkMedium.of_grade(*up, most_ns, actual_ns))
    down = _down(segment.id), segment.switch, grade, QueueOrder.PCP
    return [*found, LinkMedium.of_grade(*down, most_ns, actual_ns)]


def _stream(
    problem: Problem,
    stream: Stream,
    ways: list[StreamWay],
    is_line: Mapping[str, bool],
    half_duplex: set[str],
) -> StreamTraffic:
    def on_segment(
        line: LegKind, link: LegKind, where: str, direction: Callable[[str], str], sender: str
    ) -> Hop:
        medium = where if where in half_duplex else direction(where)
        return Hop(line if is_line[where] else link, where, medium, sender)

    routes = []
    for way in ways:
        hops: list[Hop] = []
        if way.up_segment is not None:
            up = LegKind.LINE, LegKind.LINK, way.up_segment, _up
            hops.append(on_segment(*up, stream.source))
        for place, switch in enumerate(way.switches):
            if place:
                before = way.switches[place - 1]
                hops.append(
                    Hop(LegKind.BACKBONE, f"{before}-{switch}", _between(before, switch), before)
                )
            hops.append(
                Hop(LegKind.SWITCH, switch, delay_ns=problem.switches[switch].forwarding_delay_ns)
            )
        if way.down_segment is not None:
            down = LegKind.LINE_DOWN, LegKind.LINK_DOWN, way.down_segment, _down
            hops.append(on_segment(*down, way.switches[-1]))
        routes.append(Route(way.destination, tuple(hops)))
    return StreamTraffic(
        id=stream.id,
        frame_bytes=stream_frame_bytes(stream),
        period_ns=stream.period_ns,
        jitter_ns=stream.jitter_ns,
        deadline_ns=stream.deadline_ns,
        pcp=stream.pcp,
        routes=tuple(routes),
        sporadic=stream.kind is ReleaseKind.SPORADIC,
    )


def layout_timing(
    problem: Problem,
    sound: Layout,
    laid: tuple[LaidSegment, ...],
    ways: tuple[StreamWay, ...],
    network: CableNetwork,
    *,
    linear: bool = True,
) -> LayoutTiming:
    """Analyse a layout and give the answer by segment, backbone link and stream.

    Without ``linear`` there are no linear bounds and no prices of delays, which no rule asks for;
    it takes half the time.
    """
    traffic = network_traffic(problem, sound, laid, ways, network)
    bounds = analyse(traffic, linear=linear)
    load_ppm: dict[str, int] = {}
    cycle_ns: dict[str, int] = {}
    for segment in laid:
        id_ = segment.segment.id
        media = (id_,) if is_plca(segment.grade) else (_up(id_), _down(id_))
        figures = [bounds.media[m] for m in media if m in bounds.media]
        load_ppm[id_] = max((f.load_ppm for f in figures), default=0)
        cycle_ns[id_] = max((f.cycle_ns for f in figures), default=0) if segment.is_line else 0
    link_load_ppm = {}
    for link in sound.backbone:
        for a, b in (link.ends, link.ends[::-1]):
            if _between(a, b) in bounds.media:
                link_load_ppm[a, b] = bounds.media[_between(a, b)].load_ppm
    found = [bounds.bounds[way.stream, way.destination] for way in ways]
    return LayoutTiming(
        traffic=traffic,
        streams=tuple(f for f in found if f.stream in problem.streams),
        transfers=tuple(f for f in found if f.stream not in problem.streams),
        load_ppm=load_ppm,
        cycle_ns=cycle_ns,
        link_load_ppm=link_load_ppm,
        overloads=bounds.overloads,
    )
