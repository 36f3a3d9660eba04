"""Small multiples: one layout several times over, each time with other parts present or lost.

The panels are for telling at a glance, so they carry no names; hovering and the tables give them.
What is lost is crossed out, what is absent is hollow: shape tells, colour only helps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from partitioner.model.layout import link_name
from partitioner.report.drawing import Looks
from partitioner.report.drawing_input import DrawingInput, built_segments
from partitioner.report.lanes import Nodes, lay_tracks
from partitioner.report.marks import draw_cable
from partitioner.report.projection import View, choose_views, clearest
from partitioner.report.sections import Figure
from partitioner.report.strokes import Stroke
from partitioner.report.svg import WHOLE_WIDTH, XY, Canvas, num

LARGEST_DRAWN = 500
"""With more devices than this the small drawings show nothing."""
COLUMNS = 3
GAP = 22.0
MARGIN = 15.0
HEAD = 40.0
"""Room above each panel for its title and note, in px."""
DOT = 2.3
CROSS = 3.4
PITCH = 2.2
BUNDLE = 14.0
"""Distance of neighbouring cables in px, and the widest bundle."""
ROW = 6
"""Devices side by side where several stand at one point."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One of the small drawings.

    ``carried`` are the devices present (None: all); the others are hollow, and cables end at the
    last device present. The rest says what is crossed out; a link between switches is named by
    its ends.
    """

    title: str
    note: str = ""
    carried: frozenset[str] | None = None
    lost_devices: frozenset[str] = frozenset()
    lost_segments: frozenset[str] = frozenset()
    lost_switches: frozenset[str] = frozenset()
    lost_links: frozenset[frozenset[str]] = frozenset()


def panels_figure(
    data: DrawingInput, id: str, title: str, desc: str, panels: Sequence[Panel], caption: str
) -> Figure:
    """Draw all panels side by side, in one picture.

    ``data`` is the whole layout; every panel shows it from the same side at the same scale.
    """
    columns = max(1, min(COLUMNS, len(panels)))
    width = (WHOLE_WIDTH - GAP * (COLUMNS - 1)) / COLUMNS
    points = data.points_um
    view = clearest(choose_views(points, width, MARGIN), points, 5)
    canvas = Canvas(id, title, desc, width * columns + GAP * (columns - 1))
    looks = Looks.of(data).strokes
    for number, panel in enumerate(panels):
        left = (number % columns) * (width + GAP)
        top = (number // columns) * (view.height + HEAD + GAP)
        place = canvas.group(transform=f"translate({num(left)} {num(top)})")
        canvas.text(2, 15, panel.title, place, size=12.5, weight="700")
        if panel.note:
            canvas.text(2, 31, panel.note, place, size=10.5, cls="muted")
        inside = canvas.group(place, transform=f"translate(0 {num(HEAD)})")
        _Panel(canvas, inside, data, panel, view, looks).draw()
    rows = math.ceil(len(panels) / columns)
    bottom = rows * (view.height + HEAD + GAP)
    _legend(canvas, bottom, panels)
    return Figure(id, f"{caption} {view.name}, {view.note}.", canvas.finish(bottom + 24), wide=True)


class _Panel:
    """One panel under construction, back to front."""

    def __init__(
        self,
        canvas: Canvas,
        parent: ET.Element,
        data: DrawingInput,
        panel: Panel,
        view: View,
        looks: Mapping[str, Stroke],
    ):
        self.canvas, self.parent, self.whole = canvas, parent, data
        self.panel, self.view, self.looks = panel, view, looks
        carried = panel.carried
        self.segments = data.segments if carried is None else built_segments(data, carried)

    def draw(self) -> None:
        self.canvas.rect(
            (0.5, 0.5, self.view.width - 1, self.view.height - 1), self.parent, rx=3, cls="thin",
            stroke_width=1,
        )  # fmt: skip
        for pathway in self.whole.pathways:
            a, b = self.view.xy(pathway.start_um), self.view.xy(pathway.end_um)
            self._line(a, b, "channel", 3.0, data_pathway=pathway.id)
        self._backbone()
        self._cables()
        self._devices()
        self._switches()

    def _line(
        self, a: XY, b: XY, cls: str, width: float, title: str = "", **about: str
    ) -> None:
        self.canvas.line(a, b, self.parent, cls=cls, width=width, title=title, **about)

    def _cross(self, at: XY, size: float, title: str) -> None:
        x, y = at
        path = (
            f"M{num(x - size)} {num(y - size)}L{num(x + size)} {num(y + size)}"
            f"M{num(x - size)} {num(y + size)}L{num(x + size)} {num(y - size)}"
        )
        for cls, width in (("halo", 4.0), ("badline", 1.7)):
            self.canvas.add("path", self.parent, title=title, d=path, cls=cls, stroke_width=width)

    def _backbone(self) -> None:
        at = {s.id: self.view.xy(s.at_um) for s in self.whole.switches}
        for link in self.whole.backbone:
            a, b = at[link.ends[0]], at[link.ends[1]]
            name = f"backbone link {link_name(*link.ends)}"
            self._line(a, b, "back", 2.6, name, data_backbone=link_name(*link.ends))
            self._line(a, b, "halo", 1.2)
            if frozenset(link.ends) in self.panel.lost_links:
                self._cross(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2), 5.0, f"{name} lost")

    def _cables(self) -> None:
        ways = [segment.route for segment in self.segments]
        _, _, tracks, _ = lay_tracks(Nodes(self.view, 1), ways, PITCH, BUNDLE)
        lost = self.panel.lost_segments
        # Lost cables last, so that none hides below another.
        drawn = zip(self.segments, tracks, strict=True)
        for segment, track in sorted(drawn, key=lambda pair: pair[0].id in lost):
            path = track.path
            if not path:
                continue
            look = self.looks[segment.id]
            is_lost = segment.id in lost
            own = self.canvas.group(self.parent, data_segment=segment.id)
            title = f"{segment.id}, lost" if is_lost else segment.id
            ET.SubElement(own, "title").text = title
            width = 1.6 if segment.is_shared else 1.0
            if is_lost:
                self.canvas.add(
                    "path", own, d=path, cls="badline", stroke_width=width, stroke_dasharray="2 3"
                )
            else:
                draw_cable(self.canvas, own, path, look, width)

    def _devices(self) -> None:
        carried = self.panel.carried
        at_one_point: dict[tuple[int, int], list[str]] = {}
        for device in self.whole.devices:
            x, y = self.view.xy(device.at_um)
            at_one_point.setdefault((round(x / 3), round(y / 3)), []).append(device.id)
        where = {d.id: d for d in self.whole.devices}
        for ids in at_one_point.values():
            # Several at one point stand in rows, so that each can be seen.
            x0, y0 = self.view.xy(where[ids[0]].at_um)
            pitch = 2 * DOT + 1.4
            rows = math.ceil(len(ids) / ROW)
            # Rows at the edge stay within the frame.
            half = (min(ROW, len(ids)) - 1) / 2 * pitch + CROSS + 2
            x0 = min(max(x0, half), self.view.width - half)
            for k, id_ in enumerate(ids):
                in_row = min(ROW, len(ids) - k // ROW * ROW)
                x = x0 + (k % ROW - (in_row - 1) / 2) * pitch
                y = y0 + (k // ROW - (rows - 1) / 2) * pitch
                device = where[id_]
                look = self.looks[device.segment]
                if carried is not None and id_ not in carried:
                    self.canvas.circle(
                        (x, y),
                        DOT - 0.4,
                        self.parent,
                        cls="closed",
                        width=0.9,
                        title=f"{id_}, not in this build",
                        data_device=id_,
                    )
                    continue
                hue = "fk" if look.hue is None else f"f{look.hue}"
                self.canvas.circle(
                    (x, y), DOT, self.parent, cls=hue, title=id_, data_device=id_
                )
                if id_ in self.panel.lost_devices:
                    self._cross((x, y), CROSS, f"{id_}, lost")

    def _switches(self) -> None:
        for switch in self.whole.switches:
            x, y = self.view.xy(switch.at_um)
            self.canvas.rect(
                (x - 4.5, y - 4.5, 9, 9), self.parent, rx=1.5,
                cls="switch" if switch.is_open else "closed", stroke_width=1,
                stroke_dasharray="" if switch.is_open else "2 1.5", data_switch=switch.id,
                title=f"switch {switch.id}",
            )  # fmt: skip
            if switch.id in self.panel.lost_switches:
                self._cross((x, y), 6.5, f"switch {switch.id}, lost")


def _legend(canvas: Canvas, top: float, panels: Sequence[Panel]) -> None:
    """The signs that the legend of the plan does not have."""
    x, y = 8.0, top + 4.0
    if any(p.carried is not None for p in panels):
        canvas.circle((x, y), DOT + 0.3, cls="closed", width=0.9)
        canvas.text(x + 9, y + 4, "device not in this build", size=11)
        x += 150
    is_loss = any(
        p.lost_devices or p.lost_segments or p.lost_switches or p.lost_links for p in panels
    )
    if is_loss:
        path = f"M{num(x - 4)} {num(y - 4)}l8 8M{num(x - 4)} {num(y + 4)}l8 -8"
        canvas.add("path", d=path, cls="badline", stroke_width=1.7)
        canvas.text(x + 9, y + 4, "lost", size=11)
        x += 50
        canvas.line((x - 4, y), (x + 22, y), cls="badline", width=1.6, dash="2 3")
        canvas.text(x + 28, y + 4, "lost cable", size=11)
