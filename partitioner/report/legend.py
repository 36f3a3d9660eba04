"""The legend under a drawing: what the signs mean, and which stroke is which line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from partitioner.report.amounts import count_text, length_text
from partitioner.report.drawing_input import DrawingInput, DrawnSegment
from partitioner.report.marks import draw_mark
from partitioner.report.strokes import Stroke
from partitioner.report.svg import Canvas, text_width

LINE_HEIGHT = 17.0
SIZE = 10.5


def draw_legend(
    canvas: Canvas,
    data: DrawingInput,
    segments: Sequence[DrawnSegment],
    strokes: Mapping[str, Stroke],
    grades: Sequence[str],
    top: float,
    *,
    has_backbone: bool = True,
) -> float:
    """Draw the legend from ``top`` down; returns where it ends."""
    y = _signs(canvas, data, segments, grades, top + 14, has_backbone)
    return _lines(canvas, segments, strokes, y + 6)


def _signs(
    canvas: Canvas,
    data: DrawingInput,
    segments: Sequence[DrawnSegment],
    grades: Sequence[str],
    top: float,
    has_backbone: bool,
) -> float:
    ink = Stroke(None, "", 1.4)
    entries: list[tuple[str, Callable[[float, float], None]]] = []
    shown = {s.id for s in segments}
    devices = [d for d in data.devices if d.segment in shown]

    def mark(grade: str, is_option: bool) -> Callable[[float, float], None]:
        return lambda x, y: draw_mark(
            canvas, None, (x + 12, y), grade=grade, stroke=ink, is_option=is_option, grades=grades
        )

    def box(cls: str, dash: str) -> Callable[[float, float], None]:
        def draw(x: float, y: float) -> None:
            canvas.add(
                "rect",
                x=x + 6,
                y=y - 6,
                width=12,
                height=12,
                rx=2.5,
                cls=cls,
                stroke_width=1.5,
                stroke_dasharray=dash,
            )

        return draw

    def terminator(x: float, y: float) -> None:
        canvas.add("line", x1=x + 2, y1=y, x2=x + 20, y2=y, cls="hk", stroke_width=2.4)
        canvas.add("line", x1=x + 20, y1=y - 5, x2=x + 20, y2=y + 5, cls="hk", stroke_width=2.4)

    def port(x: float, y: float) -> None:
        canvas.add("line", x1=x, y1=y, x2=x + 24, y2=y, cls="hk", stroke_width=1.4)
        canvas.add("circle", cx=x + 12, cy=y, r=5.2, cls="tag hk", stroke_width=1.2)
        canvas.text(x + 12, y + 2.7, "1", size=7.8, anchor="middle", weight="600")

    def channel(x: float, y: float) -> None:
        canvas.add("line", x1=x + 3, y1=y, x2=x + 21, y2=y, cls="channel", stroke_width=9)

    def gate(x: float, y: float) -> None:
        channel(x, y)
        for side in (-6.5, 6.5):
            canvas.add(
                "line", x1=x + 8, y1=y + side, x2=x + 16, y2=y + side, cls="axis", stroke_width=1.6
            )

    def backbone(x: float, y: float) -> None:
        canvas.add("line", x1=x, y1=y, x2=x + 24, y2=y, cls="back", stroke_width=4.4)
        canvas.add("line", x1=x, y1=y, x2=x + 24, y2=y, cls="halo", stroke_width=2)

    if any(s.is_shared for s in segments):
        entries.append(("device on a shared line", mark("", False)))
    used = {s.grade for s in segments}
    entries += [(f"device on a {g} link", mark(g, False)) for g in grades if g in used]
    if any(d.option for d in devices):
        entries.append(("hollow: comes with an option", mark("", True)))
    entries.append(("switch", box("switch", "")))
    if any(not s.is_open for s in data.switches):
        entries.append(("candidate switch, left out", box("closed", "3 2")))
    entries.append(("port number", port))
    if any(s.is_shared for s in segments):
        entries.append(("end of a line with its terminator", terminator))
    if data.pathways:
        entries.append(("pathway, as wide as its cables", channel))
    if any(p.most_lines is not None for p in data.pathways):
        entries.append(("pathway that holds few cables", gate))
    if data.backbone and has_backbone:
        entries.append(("backbone link (drawn direct)", backbone))
    x, y = 16.0, top
    for words, sign in entries:
        wide = 30 + text_width(words, SIZE) + 20
        if x + wide > canvas.width and x > 16:
            x, y = 16.0, y + LINE_HEIGHT + 2
        sign(x, y)
        canvas.text(x + 30, y + 3.6, words, size=SIZE)
        x += wide
    return y + LINE_HEIGHT


def _lines(
    canvas: Canvas, segments: Sequence[DrawnSegment], strokes: Mapping[str, Stroke], top: float
) -> float:
    """Every line with its stroke and its main facts, in columns."""
    texts = [
        f"{s.switch} port {s.port}, "
        + (count_text(len(s.devices), "device") if s.is_shared or not s.devices else s.devices[0])
        + f", {length_text(s.length_um, 1)}"
        for s in segments
    ]
    names = max((text_width(s.id, SIZE, bold=True) for s in segments), default=0.0) + 10
    column = 44 + names + max((text_width(t, SIZE) for t in texts), default=0.0) + 14
    columns = max(1, int((canvas.width - 24) // column))
    rows = -(-len(segments) // columns)
    for i, (segment, words) in enumerate(zip(segments, texts, strict=True)):
        x, y = 16 + (i // rows) * column, top + (i % rows) * LINE_HEIGHT
        stroke = strokes[segment.id]
        canvas.add(
            "line",
            x1=x,
            y1=y,
            x2=x + 36,
            y2=y,
            cls=f"run {stroke.css_class}",
            stroke_width=stroke.width,
            stroke_dasharray=stroke.dash,
        )
        canvas.text(x + 44, y + 3.6, segment.id, size=SIZE, weight="700")
        canvas.text(x + 44 + names, y + 3.6, words, size=SIZE, cls="muted")
    return top + rows * LINE_HEIGHT + 6
