"""Marks for devices: one shape per kind of segment, hollow when an option brings the device."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.etree import ElementTree as ET

from partitioner.report.drawing_input import DrawingInput
from partitioner.report.strokes import Stroke
from partitioner.report.svg import XY, Canvas, points_around, points_text

MARK_RADIUS = 4.4
CORE = 0.4
"""Width of the light core of a cable, as a share of the cable's."""

_CORNERS = ((4, 45.0), (3, -90.0), (4, 0.0), (6, 0.0), (5, -90.0))
"""Corners and first angle of the shapes for link grades: square, triangle, diamond, …"""


def link_grades(data: DrawingInput) -> tuple[str, ...]:
    """Grades of the point-to-point links on a drawing, sorted; their order picks the shapes."""
    return tuple(sorted({s.grade for s in data.segments if not s.is_shared}))


def draw_cable(
    canvas: Canvas, parent: ET.Element | None, path: str, stroke: Stroke, width: float
) -> None:
    """Draw a cable along path data: hue, dash, and the light core that some lines have."""
    canvas.add(
        "path", parent, d=path, cls=f"run {stroke.css_class}", stroke_width=width,
        stroke_dasharray=stroke.dash,
    )  # fmt: skip
    if stroke.has_core:
        canvas.add("path", parent, d=path, cls="halo", stroke_width=width * CORE)


def draw_mark(
    canvas: Canvas,
    parent: ET.Element | None,
    at: XY,
    *,
    grade: str,
    stroke: Stroke,
    is_option: bool,
    grades: Sequence[str],
    title: str = "",
) -> None:
    """Draw one device: a circle on a shared line, a polygon on a link."""
    hue = "fk" if stroke.hue is None else f"f{stroke.hue}"
    cls = f"{stroke.css_class} {'hollow' if is_option else hue}"
    canvas.circle(at, MARK_RADIUS + 1.6, parent, cls="page")
    if grade not in grades:
        canvas.circle(at, MARK_RADIUS, parent, cls=cls, width=1.8, title=title)
        return
    corners, first = _CORNERS[list(grades).index(grade) % len(_CORNERS)]
    radius = MARK_RADIUS * (1.3 if corners <= 4 else 1.15)
    points = points_text(points_around(at, radius, corners, math.radians(first)))
    canvas.add("polygon", parent, title=title, points=points, cls=cls, stroke_width=1.6)


def draw_unplaced(canvas: Canvas, parent: ET.Element | None, at: XY, *, title: str = "") -> None:
    """Draw a device that is on no segment: a dashed circle, crossed out."""
    x, y = at
    reach = MARK_RADIUS * 0.75
    canvas.circle((x, y), MARK_RADIUS + 2.6, parent, cls="page")
    canvas.add(
        "circle", parent, title=title, cx=x, cy=y, r=MARK_RADIUS + 1.2, cls="badline",
        stroke_width=1.4, stroke_dasharray="2.4 1.8",
    )  # fmt: skip
    for way in (1, -1):
        canvas.line(
            (x - reach, y - way * reach), (x + reach, y + way * reach), parent, cls="badline",
            width=1.8,
        )  # fmt: skip
