"""The layout drawing: lines in their channels, devices, switches with ports, ends, backbone.

Line widths, marks and letters keep their size whatever the scale, and everything is placed anew
for each view, so a detail drawing is not a blown-up overview but a drawing in its own right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from xml.etree import ElementTree as ET

from partitioner.model.layout import link_name
from partitioner.report.amounts import count_text
from partitioner.report.drawing_input import DrawingInput, DrawnDevice, DrawnPathway, DrawnSegment
from partitioner.report.lanes import Nodes, Track, lay_tracks
from partitioner.report.legend import legend_figure
from partitioner.report.marks import MARK_RADIUS, draw_cable, draw_mark, draw_unplaced, link_grades
from partitioner.report.placing import Sheet, Wish, around, ring
from partitioner.report.projection import (
    Point,
    View,
    choose_views,
    clearest,
    enclosing,
    nice_length_m,
)
from partitioner.report.sections import Figure
from partitioner.report.strokes import Stroke, line_stroke, link_stroke
from partitioner.report.svg import WHOLE_WIDTH, XY, Canvas, lines_text, points_text, text_width

MARGIN = 64.0
PITCH = 4.6
"""Distance of neighbouring lanes in px where there is room."""
BUNDLE = 46.0
"""Widest bundle in px; fuller pathways get narrower lanes."""
CHANNEL = 5.0
"""Width in px of a pathway without cables, and what it shows beside those that it has."""
NAMES_UP_TO = 56
"""With more devices than this in one view they are numbered and listed beside it."""
DETAIL_NAMES_UP_TO = 90
"""As above for the detail drawing of one switch, which has more room."""
NUMBERS_UP_TO = 400
"""With more devices than this in one view no label can be read; marks and strokes are drawn."""
HINTS_UP_TO = 60
"""With more segments than this, details no longer hint at those of other switches."""
LABEL_SIZE = 10.5
NUMBER_SIZE = 9.0


@dataclass(frozen=True, slots=True)
class Shown:
    """What one view shows.

    ``focus`` holds the segments drawn in full; the others are only hinted at. ``numbers`` gives
    the number that stands for a device's name; a device without one is named.
    """

    id: str
    title: str
    desc: str
    focus: frozenset[str]
    numbers: dict[str, int]
    is_detail: bool = False


def layout_figures(
    data: DrawingInput, id: str = "layout", looks: Looks | None = None
) -> tuple[Figure, ...]:
    """Draw a layout: the views it needs, and a detail for each switch where it is dense.

    Each has its legend for where it stands alone. The ids of the figures begin with ``id``.
    ``looks`` are those of the whole layout when ``data`` is a part of it; None: ``data`` is whole.
    """
    if not data.segments:
        return ()
    looks = looks or Looks.of(data)
    legend = legend_figure(
        data, data.segments, looks.strokes, looks.link_grades, f"{id}-legend"
    )
    numbers = device_numbers(data)
    everything = frozenset(s.id for s in data.segments)
    lines = sum(s.is_shared for s in data.segments)
    counted = (
        f"{count_text(len(data.devices), 'device')} on {count_text(lines, 'shared line')} and "
        f"{count_text(len(data.segments) - lines, 'link')}"
    )
    views = choose_views(_all_points(data), WHOLE_WIDTH, MARGIN)
    figures = []
    for view in views:
        key = "side" if view.name == "Side view" else "top"
        shown = Shown(
            f"{id}-{key}",
            f"{view.name} of {data.name}",
            f"{counted}; {view.note}. The tables of segments and drops hold the same facts.",
            everything,
            numbers,
        )
        caption = f"{view.name}, {view.note}."
        if len(data.devices) > NUMBERS_UP_TO:
            caption += " Devices and lines are marked only; each switch's own drawing names them."
        elif numbers:
            caption += " Devices are numbered; the list of device numbers gives their names."
        figures.append(_figure(data, view, shown, looks, caption, legend))
    if numbers:
        figures += _details(data, id, looks)
    return tuple(figures)


def site_figures(data: DrawingInput) -> tuple[Figure, ...]:
    """Draw where everything stands before there is a layout: the views that are needed."""
    made = []
    legend = legend_figure(data, (), {}, (), "sites-legend")
    for view in choose_views(_all_points(data), WHOLE_WIDTH, MARGIN):
        shown = Shown(
            f"sites-{view.name.split()[0].lower()}",
            f"{view.name} of the devices of {data.name}",
            f"{count_text(len(data.unplaced), 'device')} and "
            f"{count_text(len(data.switches), 'place for a switch', 'places for switches')}.",
            frozenset(),
            {},
        )
        caption = f"{view.name}, {view.note}. Nothing is planned yet."
        made.append(_figure(data, view, shown, Looks.of(data), caption, legend))
    return tuple(made)


def device_numbers(data: DrawingInput) -> dict[str, int]:
    """Numbers of the devices where there are too many for names; empty otherwise.

    They run along the lines, switch by switch, so neighbours have neighbouring numbers.
    """
    if len(data.devices) <= NAMES_UP_TO:
        return {}
    return {d.id: n for n, d in enumerate(data.devices, 1)}


def _details(data: DrawingInput, id: str, looks: Looks) -> list[Figure]:
    figures = []
    hints = len(data.segments) <= HINTS_UP_TO
    numbers = device_numbers(data)
    for number, switch in enumerate(data.switches, 1):
        own = [s for s in data.segments if s.switch == switch.id]
        if not own:
            continue
        focus = frozenset(s.id for s in own)
        devices = [d for d in data.devices if d.segment in focus]
        points = [p for s in own for _, p in s.route] + [d.at_um for d in devices]
        points.append(switch.at_um)
        view = clearest(choose_views(points, WHOLE_WIDTH, MARGIN + 14), points, 8)
        shown = Shown(
            f"{id}-at-{number}",
            f"{view.name} of the lines at {switch.id}",
            f"{count_text(len(devices), 'device')} on {count_text(len(own), 'segment')} of "
            f"switch {switch.id}; {view.note}. Segments of other switches are "
            f"{'only hinted at' if hints else 'left out'}.",
            focus,
            numbers if len(devices) > DETAIL_NAMES_UP_TO else {},
            is_detail=True,
        )
        drawn = data if hints else replace(data, segments=tuple(own), devices=tuple(devices))
        caption = f"{switch.id}: {view.name.lower()}, {view.note}."
        legend = legend_figure(
            drawn, own, looks.strokes, looks.link_grades, f"{shown.id}-legend",
            has_backbone=False,
        )  # fmt: skip
        figures.append(_figure(drawn, view, shown, looks, caption, legend))
    return figures


def _all_points(data: DrawingInput) -> list[Point]:
    return [*data.points_um, *(at_um for _, at_um in data.unplaced)]


@dataclass(frozen=True, slots=True)
class Looks:
    """Strokes of segments and the grades that device shapes stand for, alike in every view."""

    strokes: Mapping[str, Stroke]
    link_grades: tuple[str, ...]

    @classmethod
    def of(cls, data: DrawingInput) -> Looks:
        """Looks of a whole layout."""
        return cls({}, ()).of_another(data, {})

    def of_another(self, data: DrawingInput, same: Mapping[str, str]) -> Looks:
        """Looks of another layout; ``same`` says which line here goes on as one of its lines."""
        grades = tuple(dict.fromkeys((*self.link_grades, *link_grades(data))))
        unused = count(sum(stroke.hue is not None for stroke in self.strokes.values()))
        strokes = {}
        for segment in data.segments:
            stroke = self.strokes.get(same.get(segment.id, ""))
            if not segment.is_shared:
                stroke = link_stroke(grades.index(segment.grade))
            elif stroke is None or stroke.hue is None:
                stroke = line_stroke(next(unused))
            strokes[segment.id] = stroke
        return Looks(strokes, grades)


def _figure(
    data: DrawingInput, view: View, shown: Shown, looks: Looks, caption: str, legend: Figure
) -> Figure:
    """Draw one view."""
    svg = _Drawing(data, view, shown, looks).markup()
    return Figure(shown.id, caption, svg, wide=True, legend=legend)


@dataclass(frozen=True, slots=True)
class _Label:
    """Words that want to stand somewhere; ``about``: attributes that say what they name."""

    wish: Wish
    words: str
    size: float
    weight: str = ""
    cls: str = ""
    about: Mapping[str, str] = field(default_factory=dict)


class _Drawing:
    """One view under construction; the steps are in :meth:`markup`, back to front."""

    def __init__(self, data: DrawingInput, view: View, shown: Shown, looks: Looks):
        self.data, self.view, self.shown = data, view, shown
        self.canvas = Canvas(shown.id, shown.title, shown.desc, view.width)
        self.link_grades = looks.link_grades
        self.strokes = looks.strokes
        self._index = {s.id: i for i, s in enumerate(data.segments)}
        self._on: dict[str, list[DrawnDevice]] = {}
        for device in data.devices:
            self._on.setdefault(device.segment, []).append(device)
        self.focused = [s for s in data.segments if s.id in shown.focus]
        self.is_detail = shown.is_detail
        shown_devices = sum(d.segment in shown.focus for d in data.devices)
        self.is_crowded = shown_devices > NUMBERS_UP_TO
        self.bounds = (4.0, 4.0, view.width - 4.0, view.height - 4.0)
        self._nodes = Nodes(view, 2)
        self._lay_tracks()
        self.sheet = Sheet(self.bounds)
        self.device_xy: dict[str, XY] = {}

    def _lay_tracks(self) -> None:
        ids = [segment.id for segment in self.data.segments]
        ways = [segment.route for segment in self.data.segments]
        self.lanes, self.pitch, tracks, stops = lay_tracks(self._nodes, ways, PITCH, BUNDLE)
        self.tracks = dict(zip(ids, tracks, strict=True))
        self.stop_of = dict(zip(ids, stops, strict=True))
        self._switch_node = {
            s.switch: self._nodes.of(*s.route[s.switch_stop]) for s in self.data.segments
        }
        self.bundle_at: dict[int, int] = {}
        for (a, b), width in self.lanes.width.items():
            for node in (a, b):
                self.bundle_at[node] = max(self.bundle_at.get(node, 0), width)

    def markup(self) -> str:
        # What the page may write beside a mark when one has zoomed in.
        labels = "marks" if self.is_crowded else "numbers" if self.shown.numbers else "names"
        self.canvas.root.set("data-labels", labels)
        inside = self._clip()
        if self.is_crowded:
            self._draw_zones()
        self._draw_pathways(inside)
        self._draw_backbone(inside)
        self._draw_hinted(inside)
        for i, segment in enumerate(self.data.segments):
            if segment.id in self.shown.focus:
                self.sheet.add_strokes(self.tracks[segment.id].pieces, i)
        # Groups in the order in which they cover each other; they are filled in the order in
        # which their contents claim room.
        lines, spurs, switches, tags, marks, names = (
            self.canvas.group(cls=cls)
            for cls in ("cables", "spurs", "switches", "tags", "marks", "labels")
        )
        for segment in sorted(self.focused, key=lambda s: s.is_shared):
            self._draw_segment(lines, segment)
        self._draw_switches(switches)
        if not self.is_crowded:
            self._draw_port_tags(tags)
        self._draw_devices(spurs, marks)
        self._draw_unplaced(marks)
        self._draw_names(names)
        return self.canvas.finish(self._draw_scale(self.view.height))

    def _clip(self) -> ET.Element:
        """Group for what may reach beyond the view of a detail."""
        name = f"{self.shown.id}-clip"
        clip = self.canvas.add("clipPath", id=name)
        self.canvas.rect((0, 0, self.view.width, self.view.height), clip)
        return self.canvas.group(clip_path=f"url(#{name})")

    def _is_in_view(self, points: Sequence[XY]) -> bool:
        """Whether what has these corners can reach into the view; a detail cuts off the rest."""
        xs, ys = [x for x, _ in points], [y for _, y in points]
        return (
            min(xs) < self.view.width + BUNDLE
            and max(xs) > -BUNDLE
            and min(ys) < self.view.height + BUNDLE
            and max(ys) > -BUNDLE
        )

    def _draw_zones(self) -> None:
        """What hangs on each switch, enclosed: shown from afar by the script of the page."""
        group = self.canvas.group(cls="zones")
        switch_of = {s.id: s.switch for s in self.focused}
        points: dict[str, list[XY]] = {}
        for device in self.data.devices:
            if device.segment in switch_of:
                own = points.setdefault(switch_of[device.segment], [])
                own.append(self.view.xy(device.at_um))
        for switch in self.data.switches:
            if switch.id in points:
                corners = enclosing([*points[switch.id], self.view.xy(switch.at_um)])
                self.canvas.add(
                    "polygon", group, points=points_text(corners), data_switch=switch.id
                )

    def _draw_pathways(self, parent: ET.Element) -> None:
        along: dict[tuple[int, int], list[str]] = {}
        first: dict[tuple[int, int], DrawnPathway] = {}
        for pathway in self.data.pathways:
            a = self._nodes.of(pathway.ends[0], pathway.start_um)
            b = self._nodes.of(pathway.ends[1], pathway.end_um)
            if a != b:
                stretch = (min(a, b), max(a, b))
                first.setdefault(stretch, pathway)
                along.setdefault(stretch, []).append(pathway.id)
        unused = []
        for stretch, pathway in first.items():
            start, end = (self._nodes.xy[node] for node in stretch)
            if not self._is_in_view((start, end)):
                continue
            lanes = self.lanes.width.get(stretch, 0)
            if lanes or not self.is_detail:
                self.canvas.line(
                    start,
                    end,
                    parent,
                    cls="channel",
                    width=lanes * self.pitch + CHANNEL,
                    # A detail does not know how many cables of other switches pass.
                    title=""
                    if self.is_detail
                    else f"pathway {pathway.id}: {count_text(lanes, 'cable')}",
                    data_pathway=" ".join(along[stretch]),
                )
            else:
                unused.append((start, end))
            if pathway.most_lines is not None:
                self._pathway_limit(parent, pathway.most_lines, lanes, start, end)
        if unused:
            # In one piece: most of the pathways of a large layout are such.
            data = lines_text(unused)
            self.canvas.add("path", parent, d=data, cls="channel", stroke_width=CHANNEL)

    def _pathway_limit(self, parent: ET.Element, most: int, lanes: int, a: XY, b: XY) -> None:
        """Two short bars across a pathway that holds a limited number of cables."""
        x, y = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
        size = math.dist(a, b) or 1.0
        nx, ny = -(b[1] - a[1]) / size, (b[0] - a[0]) / size
        reach = max(5.0, lanes * self.pitch / 2 + 4.0)
        for side in (1, -1):
            self.canvas.line(
                (x + nx * side * reach - ny * 4, y + ny * side * reach + nx * 4),
                (x + nx * side * reach + ny * 4, y + ny * side * reach - nx * 4),
                parent,
                cls="axis",
                width=1.6,
                title=f"holds at most {most} cables",
            )

    def _draw_backbone(self, parent: ET.Element) -> None:
        at = {s.id: s.at_um for s in self.data.switches}
        self._backbone_labels: list[tuple[XY, str]] = []
        for link in self.data.backbone:
            (x0, y0), (x1, y1) = self.view.xy(at[link.ends[0]]), self.view.xy(at[link.ends[1]])
            size = math.hypot(x1 - x0, y1 - y0)
            if size < 1:
                continue
            bulge = min(0.12 * size, 46.0)
            cx = (x0 + x1) / 2 - (y1 - y0) / size * bulge * 2
            cy = (y0 + y1) / 2 + (x1 - x0) / size * bulge * 2
            path = f"M{x0:.1f} {y0:.1f}Q{cx:.1f} {cy:.1f} {x1:.1f} {y1:.1f}"
            name = f"backbone link {link.ends[0]} to {link.ends[1]}, {link.grade}"
            own = self.canvas.group(parent, data_backbone=link_name(*link.ends))
            if self.is_detail:
                self.canvas.add("path", own, title=name, d=path, cls="dim", stroke_width=1.4)
                continue
            self.canvas.add("path", own, title=name, d=path, cls="back", stroke_width=4.4)
            self.canvas.add("path", own, d=path, cls="halo", stroke_width=2)
            middle = ((x0 + x1) / 4 + cx / 2, (y0 + y1) / 4 + cy / 2)
            self._backbone_labels.append((middle, link.grade))

    def _draw_hinted(self, parent: ET.Element) -> None:
        for segment in self.data.segments:
            track = self.tracks[segment.id]
            if segment.id in self.shown.focus or not track.path:
                continue
            if self._is_in_view(track.at):
                self.canvas.add(
                    "path", parent, d=track.path, cls="dim", stroke_width=1,
                    data_segment=segment.id,
                )  # fmt: skip

    def _draw_segment(self, parent: ET.Element, segment: DrawnSegment) -> None:
        track, stroke = self.tracks[segment.id], self.strokes[segment.id]
        if not track.path:
            return
        width = min(stroke.width, self.pitch * 0.72) if segment.is_shared else stroke.width
        group = self.canvas.group(
            parent, data_segment=segment.id, data_stops=self._stops_along(segment, track)
        )
        title = ET.SubElement(group, "title")
        title.text = (
            f"{segment.id}: {segment.grade} at {segment.switch} port {segment.port}, "
            f"{count_text(len(segment.devices), 'device')}"
        )
        self.canvas.add("path", group, d=track.path, cls="halo", stroke_width=width + 1.6)
        draw_cable(self.canvas, group, track.path, stroke, width)
        if segment.is_shared:
            self._draw_ends(group, segment, track, stroke)

    def _stops_along(self, segment: DrawnSegment, track: Track) -> str:
        """Where the cable meets the switch and then each device, in per mille of its way.

        Only lines that not every unit has in full need it: the page cuts them back.
        """
        devices = self._on.get(segment.id, [])
        if not any(d.option for d in devices):
            return ""
        stops = self.stop_of[segment.id]
        met = [segment.switch_stop, *(d.stop for d in devices)]
        return " ".join(str(round(1000 * track.along[stops[s]] / track.length)) for s in met)

    def _draw_ends(
        self, parent: ET.Element, segment: DrawnSegment, track: Track, stroke: Stroke
    ) -> None:
        """Terminator bars at both ends of a line."""
        cls = f"run bar {stroke.css_class}"
        stops = self.stop_of[segment.id]
        for backwards, stop in ((False, 0), (True, len(track.at) - 1)):
            at_switch = stops[segment.switch_stop] == stop and (
                segment.switch_index == (len(segment.devices) if backwards else 0)
            )
            if at_switch:
                reach = self._switch_half(segment.switch) + 4.0
                if reach > track.length:
                    continue
                (x, y), (ux, uy) = track.point_along(reach, backwards)
            else:
                (x, y), (ux, uy) = track.point_along(0.0, backwards)
                x0, y0 = x, y
                x, y = x - ux * 12.5, y - uy * 12.5
                self.canvas.line((x0, y0), (x, y), parent, cls=cls, width=1.6)
            self.canvas.line(
                (x - uy * 4.5, y + ux * 4.5),
                (x + uy * 4.5, y - ux * 4.5),
                parent,
                cls=cls,
                width=2.4,
                title=f"terminator of {segment.id}",
            )
            self.sheet.add_rect((x - 4, y - 4, x + 4, y + 4))

    def _switch_half(self, switch: str) -> float:
        """Half the size of a switch's box: as wide as the bundle that ends there."""
        bundle = self.bundle_at.get(self._switch_node.get(switch, -1), 0)
        return max(8.0, bundle * self.pitch / 2 + 3.0)

    def _draw_switches(self, parent: ET.Element) -> None:
        self._switch_labels: list[tuple[XY, str, float]] = []
        at_focus = {s.switch for s in self.focused}
        for switch in self.data.switches:
            x, y = self.view.xy(switch.at_um)
            if not (0 <= x <= self.view.width and 0 <= y <= self.view.height):
                continue
            half = self._switch_half(switch.id)
            used = sum(s.switch == switch.id for s in self.data.segments)
            state = f"{used} of {switch.port_count} ports used"
            if not switch.is_open:
                state = "left out" if self.data.is_planned else "candidate"
            hinted = switch.id not in at_focus
            self.canvas.add(
                "rect",
                parent,
                title=f"switch {switch.id}: {state}",
                data_switch=switch.id,
                x=x - half,
                y=y - half,
                width=2 * half,
                height=2 * half,
                rx=2.5,
                cls="closed" if not switch.is_open or hinted else "switch",
                stroke_width=1.5,
                stroke_dasharray="" if switch.is_open else "3 2",
            )
            self.sheet.add_rect((x - half - 1, y - half - 1, x + half + 1, y + half + 1))
            self._switch_labels.append(((x, y), switch.id, half))

    def _draw_port_tags(self, parent: ET.Element) -> None:
        """Port numbers on the cables, just outside the switch."""
        for segment in self.focused:
            track, stroke = self.tracks[segment.id], self.strokes[segment.id]
            stops = self.stop_of[segment.id]
            if not track.path:
                continue
            here = stops[segment.switch_stop]
            start = track.along[here]
            half = self._switch_half(segment.switch)
            radius = 5.2 if segment.port < 10 else 6.2
            wishes = []
            for direction in (1, -1):
                candidates = []
                for step in range(9):
                    along = start + direction * (half + 12.0 + 7.0 * step)
                    if 0 <= along <= track.length:
                        candidates.append(track.point_along(along)[0])
                if candidates:
                    wishes.append(
                        Wish(
                            candidates[0],
                            2 * radius,
                            2 * radius,
                            tuple(candidates),
                            self._index[segment.id],
                        )
                    )
                    break
            for x, y in self.sheet.place(wishes, own_cost=0.0, stroke_cost=2.0):
                own = self.canvas.group(parent, data_segment=segment.id)
                self.canvas.circle(
                    (x, y),
                    radius,
                    own,
                    cls=f"tag {stroke.css_class}",
                    width=1.2,
                    title=f"{segment.switch} port {segment.port}",
                )
                self.canvas.text(
                    x, y + 2.7, str(segment.port), own, size=7.8, anchor="middle", weight="600"
                )

    def _draw_devices(self, spurs: ET.Element, parent: ET.Element) -> None:
        segments = {s.id: s for s in self.focused}
        devices = [d for d in self.data.devices if d.segment in segments]
        wishes = []
        for device in devices:
            track = self.tracks[device.segment]
            stop = self.stop_of[device.segment][device.stop]
            anchor = track.at[stop] if track.at else self.view.xy(device.at_um)
            size = 2 * MARK_RADIUS + 3
            radii: tuple[float, ...] = (10.0, 15.0, 21.0, 28.0, 36.0, 46.0)
            if device.id not in self.shown.numbers:
                size += 2.5
                radii = (*radii, 58.0)
            wishes.append(
                Wish(anchor, size, size, ring(anchor, radii), self._index[device.segment])
            )
        if self.is_crowded:
            places = [wish.anchor for wish in wishes]
        else:
            places = self.sheet.place(wishes, stroke_cost=3.0, own_cost=0.1, distance_cost=0.5)
        for device, wish, (x, y) in zip(devices, wishes, places, strict=True):
            stroke = self.strokes[device.segment]
            if math.dist(wish.anchor, (x, y)) > 1:
                self.canvas.line(
                    wish.anchor,
                    (x, y),
                    spurs,
                    cls=f"run {stroke.css_class}",
                    width=1.3,
                    data_device=device.id,
                )
        for device, (x, y) in zip(devices, places, strict=True):
            self.device_xy[device.id] = (x, y)
            draw_mark(
                self.canvas,
                self.canvas.group(parent, data_device=device.id),
                (x, y),
                grade=device.grade,
                stroke=self.strokes[device.segment],
                is_option=device.option is not None,
                grades=self.link_grades,
                title=_device_title(device),
            )

    def _draw_unplaced(self, parent: ET.Element) -> None:
        """Devices on no segment, where they are; details show one switch and leave them out."""
        if self.is_detail:
            return
        spots = [self.view.xy(at_um) for _, at_um in self.data.unplaced]
        size = 2 * MARK_RADIUS + 5
        wishes = [Wish(at, size, size, ring(at, (10.0, 15.0, 21.0))) for at in spots]
        places = spots if self.is_crowded else self.sheet.place(wishes, distance_cost=0.5)
        for (id_, _), at in zip(self.data.unplaced, places, strict=True):
            self.device_xy[id_] = at
            own = self.canvas.group(parent, data_device=id_)
            if self.data.is_planned:
                draw_unplaced(self.canvas, own, at, title=f"{id_}: no place yet")
            else:
                draw_mark(
                    self.canvas, own, at, grade="", stroke=Stroke(None, "", 1.4), is_option=False,
                    grades=(), title=id_,
                )  # fmt: skip

    def _draw_names(self, parent: ET.Element) -> None:
        """Names of switches and lines, then of devices, each where it covers least."""
        labels = []
        for at, name, half in self._switch_labels:
            w = text_width(name, 11.5, bold=True) + 4
            wish = Wish(at, w, 13, around(at, w, 13, half + 3))
            labels.append(_Label(wish, name, 11.5, "700", about={"data_switch": name}))
        self._write(parent, labels, leaders_beyond=60.0, distance_cost=0.4)
        if self.is_crowded:
            return
        self._line_labels(parent)
        labels = []
        for middle, grade in self._backbone_labels:
            w = text_width(grade, 9) + 6
            wish = Wish(middle, w, 11, (middle, *around(middle, w, 11, 3)))
            labels.append(_Label(wish, grade, 9, cls="muted"))
        self._write(parent, labels, leaders_beyond=1e9, back=True)
        labels = []
        for device in self.data.devices:
            if device.id not in self.device_xy:
                continue
            number = self.shown.numbers.get(device.id)
            name = device.id if number is None else str(number)
            size = LABEL_SIZE if number is None else NUMBER_SIZE
            w, h = text_width(name, size) + 3, size + 1.5
            spot = self.device_xy[device.id]
            candidates = around(spot, w, h, MARK_RADIUS + 1.5)
            wish = Wish(spot, w, h, candidates, self._index[device.segment])
            labels.append(_Label(wish, name, size, about={"data_device": device.id}))
        for id_, _ in self.data.unplaced:
            if id_ in self.device_xy:
                spot = self.device_xy[id_]
                w, h = text_width(id_, LABEL_SIZE, bold=True) + 3, LABEL_SIZE + 1.5
                wish = Wish(spot, w, h, around(spot, w, h, MARK_RADIUS + 2.5))
                labels.append(_Label(wish, id_, LABEL_SIZE, "700", about={"data_device": id_}))
        self._write(
            parent, labels, leaders_beyond=9.0, distance_cost=0.55, leader_cost=14.0,
            stroke_cost=4.0,
        )  # fmt: skip

    def _line_labels(self, parent: ET.Element) -> None:
        """The id of each segment on its cable, on a patch of page colour."""
        for segment in self.focused:
            track, stroke = self.tracks[segment.id], self.strokes[segment.id]
            if not track.path or track.length < 40:
                continue
            size = 9.5 if segment.is_shared else 8.5
            w, h = text_width(segment.id, size, bold=True) + 7, size + 3.5
            spots = self._label_spots(track, w, h)
            own = self._index[segment.id]
            penalties = tuple(
                0.0 if foot is None else 8.0 * self.sheet.strokes_crossed(foot, spot, own)
                for spot, foot in spots
            )
            candidates = tuple(spot for spot, _ in spots)
            wish = Wish(candidates[0], w, h, candidates, own, penalties)
            (chosen,) = self.sheet.place([wish], own_cost=0.0, stroke_cost=3.0, distance_cost=0.02)
            (x, y), foot = next(s for s in spots if s[0] == chosen)
            label = self.canvas.group(parent, data_segment=segment.id)
            if foot is not None:
                end = (
                    min(max(foot[0], x - w / 2 + 4), x + w / 2 - 4),
                    min(max(foot[1], y - h / 2), y + h / 2),
                )
                self.canvas.line(
                    foot, end, label, cls=stroke.css_class, width=1
                )
                self.canvas.circle(
                    foot, 2.4, label, cls=f"tag {stroke.css_class}", width=1
                )
            self.canvas.rect(
                (x - w / 2, y - h / 2, w, h), label, rx=h / 2, cls=f"tag {stroke.css_class}",
                stroke_width=1,
            )  # fmt: skip
            self.canvas.text(
                x, y + size * 0.35, segment.id, label, size=size, anchor="middle", weight="700"
            )

    def _label_spots(self, track: Track, w: float, h: float) -> list[tuple[XY, XY | None]]:
        """Where a segment's label may sit: on its cable, or beside the bundle with a foot on it."""
        spots: list[tuple[XY, XY | None]] = []
        steps = max(8, min(24, int(track.length / 24)))
        order = sorted(range(1, steps), key=lambda k: (abs(k - steps / 2), k))
        for k in order:
            at, _ = track.point_along(track.length * k / steps)
            spots.append((at, None))
        for k in order[::2]:
            at, (ux, uy) = track.point_along(track.length * k / steps)
            if any(math.dist(at, mark) < 2.5 * MARK_RADIUS for mark in self.device_xy.values()):
                continue  # The foot would hide the mark of a device.
            for reach in (26.0, 40.0):
                gap_x, gap_y = reach - 8 + w / 2 * abs(uy), reach - 8 + h / 2 * abs(ux)
                for side in (1, -1):
                    spots.append(((at[0] - uy * side * gap_x, at[1] + ux * side * gap_y), at))
        return spots

    def _write(
        self, parent: ET.Element, labels: Sequence[_Label], *, leaders_beyond: float,
        back: bool = False, **costs: float,
    ) -> None:  # fmt: skip
        """Write labels where :meth:`Sheet.place` puts them at these costs."""
        wishes = [own.wish for own in labels]
        for own, wish, (x, y) in zip(
            labels, wishes, self.sheet.place(wishes, **costs), strict=True
        ):
            label = self.canvas.group(parent, **own.about) if own.about else parent
            ax, ay = wish.anchor
            nx = min(max(ax, x - wish.width / 2), x + wish.width / 2)
            ny = min(max(ay, y - wish.height / 2), y + wish.height / 2)
            distance = math.dist((ax, ay), (nx, ny))
            if distance > leaders_beyond:
                t = min(1.0, (MARK_RADIUS + 1) / distance)
                self.canvas.line(
                    (ax + (nx - ax) * t, ay + (ny - ay) * t),
                    (nx, ny),
                    label,
                    cls="leader",
                )
            if back:
                self.canvas.rect(
                    (x - wish.width / 2, y - wish.height / 2, wish.width, wish.height), label, rx=2,
                    cls="page",
                )  # fmt: skip
            self.canvas.text(
                x, y + own.size * 0.35, own.words, label, size=own.size, anchor="middle",
                weight=own.weight, cls=f"name {own.cls}".strip(),
            )  # fmt: skip

    def _draw_scale(self, top: float) -> float:
        """Scale bar, and the axes with their directions, under the view; returns the new bottom."""
        group = self.canvas.group()
        per_m = max(abs(a) for a in self.view.across)
        length = nice_length_m(200 / per_m)
        unit = nice_length_m(max(26 / per_m, min(length / 2, 60 / per_m)))
        # The arrows that point up need room, so that they don't reach into the view.
        up = max([-down * unit for _, _, down in self.view.axes()] + [0.0])
        x, y = 16.0, top + max(8.0, up - 26.0)
        half = length * per_m / 2
        self.canvas.rect((x, y, half, 5), group, cls="inkfill")
        self.canvas.rect((x + half, y, half, 5), group, cls="hk hollow", stroke_width=1)
        self.canvas.text(x, y + 17, "0", group, size=10, cls="muted")
        self.canvas.text(
            x + 2 * half, y + 17, f"{length:g} m", group, size=10, anchor="middle", cls="muted"
        )
        x += 2 * half + 46
        base = y + 14
        for name, right, down in self.view.axes():
            dx, dy = right * unit, down * unit
            self.canvas.line((x, base), (x + dx, base + dy), group, cls="axis", width=1.2)
            size = math.hypot(dx, dy) or 1.0
            ux, uy = dx / size, dy / size
            self.canvas.add(
                "path",
                group,
                d=f"M{x + dx - ux * 5 - uy * 3:.1f} {base + dy - uy * 5 + ux * 3:.1f}"
                f"L{x + dx:.1f} {base + dy:.1f}"
                f"L{x + dx - ux * 5 + uy * 3:.1f} {base + dy - uy * 5 - ux * 3:.1f}",
                cls="axis",
                stroke_width=1.2,
            )
            self.canvas.text(
                x + dx + ux * 8,
                base + dy + uy * 8 + 3,
                name,
                group,
                size=10,
                anchor="middle",
                cls="muted",
            )
        x += 22 + unit * max(abs(right) for _, right, _ in self.view.axes())
        self.canvas.text(x, y + 10, f"each arrow: {unit:g} m", group, size=10, cls="muted")
        return y + 26.0


def _device_title(device: DrawnDevice) -> str:
    parts = [f"{device.id} on {device.segment}"]
    if device.plca_id is not None:
        parts.append(f"PLCA ID {device.plca_id}")
    if device.option:
        parts.append(f"option {device.option}")
    return ", ".join(parts)
