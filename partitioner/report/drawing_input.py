"""What the layout drawing shows, in plain data: positions in µm and the ways of the cables."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from partitioner.model.assessment import Assessment, SegmentFigures
from partitioner.model.catalogue import Medium
from partitioner.model.problem import Problem

Point = tuple[int, int, int]
"""x, y, z in µm."""


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
class DrawnBackbone:
    """A link between switches, drawn straight from one to the other."""

    ends: tuple[str, str]
    grade: str


@dataclass(frozen=True, slots=True)
class DrawingInput:
    """Everything on one layout drawing. Devices and segments in the order of the layout.

    ``unplaced`` are devices that an incomplete layout has on no segment.
    """

    name: str
    places: tuple[tuple[str, Point], ...]
    pathways: tuple[DrawnPathway, ...]
    switches: tuple[DrawnSwitch, ...]
    devices: tuple[DrawnDevice, ...]
    segments: tuple[DrawnSegment, ...]
    backbone: tuple[DrawnBackbone, ...] = ()
    unplaced: tuple[tuple[str, Point], ...] = ()

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
    position = _Positions(problem)
    devices: list[DrawnDevice] = []
    segments: list[DrawnSegment] = []
    for figures in assessment.segments:
        segment = figures.segment
        visits = list(segment.devices)
        visits.insert(segment.switch_index, segment.switch)
        nodes = figures.route or tuple(dict.fromkeys(position.node(v, on_graph) for v in visits))
        route = tuple((n, position.of(n)) for n in nodes)
        stops = _stops([position.node(v, on_graph) for v in visits], nodes)
        is_shared = problem.catalogue.grades[segment.grade].medium is Medium.MIXING
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
        devices.extend(_devices(problem, figures, stops, position, is_shared))
    placed = {d.id for d in devices}
    used_places = tuple((p.id, p.position_um) for p in problem.places.values() if p.id in on_graph)
    return DrawingInput(
        name=problem.name,
        places=used_places,
        pathways=tuple(
            DrawnPathway(p.id, p.ends, position.of(p.ends[0]), position.of(p.ends[1]), p.max_cables)
            for p in problem.pathways
        ),
        switches=tuple(
            DrawnSwitch(s.id, position.of(s.id), s.id in layout.open_switches, s.port_count)
            for s in problem.switches.values()
        ),
        devices=tuple(devices),
        segments=tuple(segments),
        backbone=tuple(DrawnBackbone(b.ends, b.grade) for b in layout.backbone),
        unplaced=tuple((d, position.of(d)) for d in problem.devices if d not in placed),
    )


def site_input(problem: Problem) -> DrawingInput:
    """Collect what stands where, for a problem without a layout."""
    position = _Positions(problem)
    on_graph = {end for p in problem.pathways for end in p.ends}
    return DrawingInput(
        name=problem.name,
        places=tuple((p.id, p.position_um) for p in problem.places.values() if p.id in on_graph),
        pathways=tuple(
            DrawnPathway(p.id, p.ends, position.of(p.ends[0]), position.of(p.ends[1]), p.max_cables)
            for p in problem.pathways
        ),
        switches=tuple(
            DrawnSwitch(s.id, position.of(s.id), s.required, s.port_count)
            for s in problem.switches.values()
        ),
        devices=(),
        segments=(),
        unplaced=tuple((d, position.of(d)) for d in problem.devices),
    )


def fitted_input(data: DrawingInput, fitted: Collection[str]) -> DrawingInput:
    """Cut a drawing down to a unit that carries only some devices.

    Parameters
    ----------
    data
        The drawing with every device.
    fitted
        Ids of the devices that the unit carries.

    Returns
    -------
    DrawingInput
        Every segment is built from its switch up to its last fitted device on either side; one
        without a fitted device is gone. A segment that is cut back counts its length without
        the slack at its new end.
    """
    devices = {d.id: d for d in data.devices if d.id in fitted}
    kept_devices: list[DrawnDevice] = []
    segments: list[DrawnSegment] = []
    for segment in data.segments:
        own = [devices[d] for d in segment.devices if d in devices]
        if not own:
            continue
        if len(own) == len(segment.devices):
            segments.append(segment)
            kept_devices += own
            continue
        stops = [d.stop for d in own] + [segment.switch_stop]
        along = [d.along_um for d in own] + [segment.switch_along_um]
        first_stop, first_um = min(stops), min(along)
        segments.append(
            replace(
                segment,
                route=segment.route[first_stop : max(stops) + 1],
                switch_stop=segment.switch_stop - first_stop,
                devices=tuple(d.id for d in own),
                length_um=max(along) - first_um,
                switch_along_um=segment.switch_along_um - first_um,
                switch_index=sum(d in devices for d in segment.devices[: segment.switch_index]),
            )
        )
        kept_devices += [
            replace(d, stop=d.stop - first_stop, along_um=d.along_um - first_um) for d in own
        ]
    unplaced = tuple((id_, at) for id_, at in data.unplaced if id_ in fitted)
    return replace(
        data, devices=tuple(kept_devices), segments=tuple(segments), unplaced=unplaced
    )


def _devices(
    problem: Problem,
    figures: SegmentFigures,
    stops: Sequence[int],
    position: _Positions,
    is_shared: bool,
) -> list[DrawnDevice]:
    segment = figures.segment
    found = []
    for order, id_ in enumerate(segment.devices):
        device = problem.devices[id_]
        found.append(
            DrawnDevice(
                id=id_,
                at_um=position.of(id_),
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


class _Positions:
    """Positions of places, devices and switches by name; places win, as in cable ways."""

    def __init__(self, problem: Problem):
        self._problem = problem

    def of(self, node: str) -> Point:
        problem = self._problem
        if node in problem.places:
            return problem.places[node].position_um
        item = problem.devices.get(node) or problem.switches[node]
        if item.place is not None:
            return problem.places[item.place].position_um
        if item.position_um is None:
            raise ValueError(f"{node} has no position")
        return item.position_um

    def node(self, id_: str, on_graph: set[str]) -> str:
        """Route node of a device or switch: its place if pathways meet there, else itself."""
        item = self._problem.devices.get(id_) or self._problem.switches[id_]
        return item.place if item.place is not None and item.place in on_graph else id_


def _stops(wanted: Sequence[str], route: Sequence[str]) -> list[int]:
    """Indices into ``route`` where the cable meets each wanted node, in order."""
    stops: list[int] = []
    at = 0
    for node in wanted:
        ahead = [i for i in range(at, len(route)) if route[i] == node]
        at = ahead[0] if ahead else at
        stops.append(at)
    return stops
