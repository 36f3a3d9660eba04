"""What the layout drawing shows, in plain data: positions in µm and the ways of the cables."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from partitioner.model.assessment import Assessment, SegmentFigures
from partitioner.model.layout import BuiltLink
from partitioner.model.problem import Problem
from partitioner.report.projection import Point


@dataclass(frozen=True, slots=True)
class DrawnPathway:
    """A channel between two places; ``most_lines`` None: no limit."""

    id: str
    ends: tuple[str, str]
    start_um: Point
    end_um: Point
    most_lines: int | None = None


@dataclass(frozen=True, slots=True)
class DrawnSwitch:
    """A switch; one that is not ``is_open`` is a candidate that is left out."""

    id: str
    at_um: Point
    is_open: bool
    port_count: int = 0


@dataclass(frozen=True, slots=True)
class DrawnDevice:
    """A device on its segment.

    ``stop`` is the index into the segment's route where the cable meets it. ``plca_id`` is None
    on links; ``option`` names the equipment option that brings it.
    """

    id: str
    at_um: Point
    segment: str
    grade: str
    stop: int
    plca_id: int | None = None
    option: str | None = None
    stub_um: int = 0
    along_um: int = 0


@dataclass(frozen=True, slots=True)
class DrawnSegment:
    """A shared line or a link with the way of its cable.

    ``route`` holds (node name, position); equal names are one point. ``switch_stop`` is the index
    into the route where the switch port sits.
    """

    id: str
    switch: str
    port: int
    grade: str
    is_shared: bool
    route: tuple[tuple[str, Point], ...]
    switch_stop: int
    devices: tuple[str, ...]
    length_um: int
    switch_along_um: int = 0
    switch_index: int = 0


@dataclass(frozen=True, slots=True)
class DrawingInput:
    """Everything on one layout drawing. Devices and segments in the order of the layout.

    ``unplaced`` are devices that an incomplete layout has on no segment; all of them where nothing
    ``is_planned`` yet.
    """

    name: str
    places: tuple[tuple[str, Point], ...]
    pathways: tuple[DrawnPathway, ...]
    switches: tuple[DrawnSwitch, ...]
    devices: tuple[DrawnDevice, ...]
    segments: tuple[DrawnSegment, ...]
    backbone: tuple[BuiltLink, ...] = ()
    unplaced: tuple[tuple[str, Point], ...] = ()
    is_planned: bool = True

    @property
    def points_um(self) -> list[Point]:
        """All points of places, switches, placed devices and ways of cables."""
        points = [p for _, p in self.places] + [s.at_um for s in self.switches]
        points += [d.at_um for d in self.devices] + [p for s in self.segments for _, p in s.route]
        return points


def drawing_input(problem: Problem, assessment: Assessment) -> DrawingInput:
    """Collect the drawing's data from a problem and what was worked out about its layout."""
    layout = assessment.layout
    on_graph = {end for p in problem.pathways for end in p.ends}
    devices: list[DrawnDevice] = []
    segments: list[DrawnSegment] = []
    for figures in assessment.segments:
        segment = figures.segment
        visits = list(segment.devices)
        visits.insert(segment.switch_index, segment.switch)
        met = [_node(problem, v, on_graph) for v in visits]
        nodes = figures.route or tuple(dict.fromkeys(met))
        route = tuple((n, _node_um(problem, n)) for n in nodes)
        stops = _stops(met, nodes)
        is_shared = problem.catalogue.is_line(segment.grade)
        segments.append(
            DrawnSegment(
                id=segment.id,
                switch=segment.switch,
                port=segment.port,
                grade=segment.grade,
                is_shared=is_shared,
                route=route,
                switch_stop=stops[segment.switch_index],
                devices=segment.devices,
                length_um=figures.length_um,
                switch_along_um=figures.switch_position_um,
                switch_index=segment.switch_index,
            )
        )
        devices.extend(_devices(problem, figures, stops, is_shared))
    placed = {d.id for d in devices}
    sites = site_input(problem)
    return replace(
        sites,
        switches=tuple(replace(s, is_open=s.id in layout.open_switches) for s in sites.switches),
        devices=tuple(devices),
        segments=tuple(segments),
        backbone=layout.backbone,
        unplaced=tuple(site for site in sites.unplaced if site[0] not in placed),
        is_planned=True,
    )


def site_input(problem: Problem) -> DrawingInput:
    """Collect what stands where, for a problem without a layout."""
    places = problem.places
    on_graph = {end for p in problem.pathways for end in p.ends}
    return DrawingInput(
        name=problem.name,
        places=tuple((p.id, p.position_um) for p in places.values() if p.id in on_graph),
        pathways=tuple(
            DrawnPathway(p.id, p.ends, a.position_um, b.position_um, p.max_cables)
            for p in problem.pathways
            for a, b in [(places[p.ends[0]], places[p.ends[1]])]
        ),
        switches=tuple(
            DrawnSwitch(s.id, problem.position_um(s), s.required, s.port_count)
            for s in problem.switches.values()
        ),
        devices=(),
        segments=(),
        unplaced=tuple((d.id, problem.position_um(d)) for d in problem.devices.values()),
        is_planned=False,
    )


def built_segments(data: DrawingInput, fitted: Collection[str]) -> tuple[DrawnSegment, ...]:
    """The segments of a unit that carries only some of the devices, each with these and its way.

    Every segment is built from its switch up to its last fitted device on either side; one without
    a fitted device is gone.
    """
    stop_of = {device.id: device.stop for device in data.devices}
    found = []
    for segment in data.segments:
        own = tuple(device for device in segment.devices if device in fitted)
        if own:
            stops = [segment.switch_stop, *(stop_of[device] for device in own)]
            route = segment.route[min(stops) : max(stops) + 1]
            found.append(replace(segment, route=route, devices=own))
    return tuple(found)


def _devices(
    problem: Problem,
    figures: SegmentFigures,
    stops: Sequence[int],
    is_shared: bool,
) -> list[DrawnDevice]:
    segment = figures.segment
    found = []
    for order, id_ in enumerate(segment.devices):
        device = problem.devices[id_]
        found.append(
            DrawnDevice(
                id=id_,
                at_um=problem.position_um(device),
                segment=segment.id,
                grade=segment.grade,
                stop=stops[order if order < segment.switch_index else order + 1],
                plca_id=segment.plca_ids[order] if is_shared and segment.plca_ids else None,
                option=device.option,
                stub_um=device.stub_um,
                along_um=figures.positions_um[order] if figures.positions_um else 0,
            )
        )
    return found


def _node(problem: Problem, id_: str, on_graph: Collection[str]) -> str:
    """Route node of a device or switch: its place if pathways meet there, else itself."""
    place = (problem.devices.get(id_) or problem.switches[id_]).place
    return place if place is not None and place in on_graph else id_


def _node_um(problem: Problem, node: str) -> Point:
    """Where a route node is; places win, as in cable ways."""
    if node in problem.places:
        return problem.places[node].position_um
    return problem.position_um(problem.devices.get(node) or problem.switches[node])


def _stops(wanted: Sequence[str], route: Sequence[str]) -> list[int]:
    """Indices into ``route`` where the cable meets each wanted node, in order."""
    stops: list[int] = []
    at = 0
    for node in wanted:
        ahead = [i for i in range(at, len(route)) if route[i] == node]
        at = ahead[0] if ahead else at
        stops.append(at)
    return stops
