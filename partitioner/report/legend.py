"""The legend of drawings: what the signs mean, and which stroke is which line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import ROUND_CEILING

from partitioner.report.amounts import count_text, length_text
from partitioner.report.drawing_input import DrawingInput, DrawnSegment
from partitioner.report.marks import draw_cable, draw_mark, draw_unplaced
from partitioner.report.sections import Figure
from partitioner.report.strokes import Stroke
from partitioner.report.svg import WHOLE_WIDTH, XY, Canvas, num, text_width

LINE_HEIGHT = 17.0
SIZE = 10.5


def legends_of(figures: Sequence[Figure]) -> tuple[Figure, ...]:
    """The legend of a set of drawings, that of the first; none where there is no drawing."""
    return tuple(f.legend for f in figures[:1] if f.legend is not None)


def legend_figure(
    data: DrawingInput,
    segments: Sequence[DrawnSegment],
    strokes: Mapping[str, Stroke],
    grades: Sequence[str],
    id: str,
    *,
    has_backbone: bool = True,
) -> Figure:
    """Draw the legend of drawings that show these segments in full.

    ``strokes`` are their looks, ``grades`` those that shapes of devices stand for.
    ``has_backbone``: the backbone is drawn in full.
    """
    means = "what the signs mean, and the stroke of every segment."
    canvas = Canvas(id, f"Legend of {data.name}", means.capitalize(), WHOLE_WIDTH)
    y = _signs(canvas, data, segments, grades, 14, has_backbone)
    height = _lines(canvas, segments, strokes, y + 6)
    return Figure(id, f"Legend: {means}", canvas.finish(height), wide=True)


Sign = Callable[[float, float], object]
"""Draws a sign in a box of 24 px from x on, at the height y."""


def _signs(
    canvas: Canvas,
    data: DrawingInput,
    segments: Sequence[DrawnSegment],
    grades: Sequence[str],
    top: float,
    has_backbone: bool,
) -> float:
    ink = Stroke(None, "", 1.4)
    sign = _Signs(canvas)
    shown = {s.id for s in segments}
    used = {s.grade for s in segments}
    has_lines = any(s.is_shared for s in segments)
    has_options = any(d.option for d in data.devices if d.segment in shown)

    def mark(grade: str, is_option: bool = False) -> Sign:
        return lambda x, y: draw_mark(
            canvas, None, (x + 12, y), grade=grade, stroke=ink, is_option=is_option, grades=grades
        )

    entries: list[tuple[str, Sign, bool]] = [
        ("device on a shared line", mark(""), has_lines),
        *((f"device on a link, {g}", mark(g), g in used) for g in grades),
        ("hollow: comes with an option", mark("", is_option=True), has_options),
        ("device", mark(""), not data.is_planned),
        (
            "device without a place",
            lambda x, y: draw_unplaced(canvas, None, (x + 12, y)),
            data.is_planned and bool(data.unplaced),
        ),
        ("switch", sign.switch, True),
        (
            "candidate switch" + ", left out" * data.is_planned,
            sign.closed,
            any(not s.is_open for s in data.switches),
        ),
        ("port number", sign.port, True),
        ("end of a line with its terminator", sign.terminator, has_lines),
        ("pathway, as wide as its cables", sign.channel, bool(data.pathways)),
        (
            "pathway that holds few cables",
            sign.gate,
            any(p.most_lines is not None for p in data.pathways),
        ),
        ("backbone link (drawn direct)", sign.backbone, bool(data.backbone) and has_backbone),
    ]
    x, y = 16.0, top
    for words, draw, is_there in entries:
        if not is_there:
            continue
        wide = 30 + text_width(words, SIZE) + 20
        if x + wide > canvas.width and x > 16:
            x, y = 16.0, y + LINE_HEIGHT + 2
        draw(x, y)
        canvas.text(x + 30, y + 3.6, words, size=SIZE)
        x += wide
    return y + LINE_HEIGHT


class _Signs:
    """The signs that are no device marks."""

    def __init__(self, canvas: Canvas):
        self._canvas = canvas

    def _across(self, x: float, y: float, ends: XY, cls: str, width: float) -> None:
        self._canvas.line((x + ends[0], y), (x + ends[1], y), cls=cls, width=width)

    def _box(self, x: float, y: float, cls: str, dash: str) -> None:
        self._canvas.rect(
            (x + 6, y - 6, 12, 12), rx=2.5, cls=cls, stroke_width=1.5, stroke_dasharray=dash
        )

    def switch(self, x: float, y: float) -> None:
        self._box(x, y, "switch", "")

    def closed(self, x: float, y: float) -> None:
        self._box(x, y, "closed", "3 2")

    def terminator(self, x: float, y: float) -> None:
        self._across(x, y, (2, 20), "hk", 2.4)
        self._canvas.line((x + 20, y - 5), (x + 20, y + 5), cls="hk", width=2.4)

    def port(self, x: float, y: float) -> None:
        self._across(x, y, (0, 24), "hk", 1.4)
        self._canvas.circle((x + 12, y), 5.2, cls="tag hk", width=1.2)
        self._canvas.text(x + 12, y + 2.7, "1", size=7.8, anchor="middle", weight="600")

    def channel(self, x: float, y: float) -> None:
        self._across(x, y, (3, 21), "channel", 9)

    def gate(self, x: float, y: float) -> None:
        self.channel(x, y)
        for side in (-6.5, 6.5):
            self._across(x, y + side, (8, 16), "axis", 1.6)

    def backbone(self, x: float, y: float) -> None:
        self._across(x, y, (0, 24), "back", 4.4)
        self._across(x, y, (0, 24), "halo", 2)


def _lines(
    canvas: Canvas, segments: Sequence[DrawnSegment], strokes: Mapping[str, Stroke], top: float
) -> float:
    """Every line with its stroke and its main facts, in columns."""
    texts = [
        f"{s.switch} port {s.port}, "
        + (count_text(len(s.devices), "device") if s.is_shared or not s.devices else s.devices[0])
        + f", {length_text(s.length_um, 1, ROUND_CEILING)}"
        for s in segments
    ]
    names = max((text_width(s.id, SIZE, bold=True) for s in segments), default=0.0) + 10
    column = 44 + names + max((text_width(t, SIZE) for t in texts), default=0.0) + 14
    columns = max(1, int((canvas.width - 24) // column))
    rows = -(-len(segments) // columns)
    for i, (segment, words) in enumerate(zip(segments, texts, strict=True)):
        x, y = 16 + (i // rows) * column, top + (i % rows) * LINE_HEIGHT
        stroke = strokes[segment.id]
        own = canvas.group(data_segment=segment.id)
        draw_cable(canvas, own, f"M{num(x)} {num(y)}h36", stroke, stroke.width)
        canvas.text(x + 44, y + 3.6, segment.id, own, size=SIZE, weight="700")
        canvas.text(x + 44 + names, y + 3.6, words, own, size=SIZE, cls="muted")
    return top + rows * LINE_HEIGHT + 6
