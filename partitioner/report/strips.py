"""Lines drawn straight, all at one scale: what a harness is cut from.

Each figure shows the cable from end to end with the switch, the drops in their order, their
distance from the first end, their stubs, their PLCA IDs and the terminators. Labels never
cover one another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING

from partitioner.report.amounts import count_text, length_text, number_text
from partitioner.report.drawing import Looks
from partitioner.report.drawing_input import DrawingInput, DrawnDevice, DrawnSegment
from partitioner.report.marks import draw_cable, draw_mark, link_grades
from partitioner.report.projection import nice_length_m
from partitioner.report.sections import Figure
from partitioner.report.strokes import Stroke
from partitioner.report.svg import WHOLE_WIDTH, Canvas, num, text_width
from partitioner.units import UM_PER_M

LEFT = 26.0
ROOM = 40.0
"""Right of the longest line, for its terminator."""
LEVEL = 12.5
SIZE = 10.0


STRIP_CAPTION = (
    "All lines at one scale. Before the names the PLCA IDs (0 is the switch port), after "
    "them metres from the first end and the stub; T: terminator."
)


@dataclass(frozen=True, slots=True)
class StripLabel:
    """A label beside a strip: its words, where its tick is, on which side and how far out."""

    words: str
    x: float
    is_above: bool
    level: int


def stack_labels(spots: Sequence[tuple[float, str]]) -> list[StripLabel]:
    """Give labels that start at their tick a side and a level so that none covers another.

    ``spots`` are position in px and words, in rising order of position, as is what is given. On
    each side a label lies further out than every label whose tick stands under it, so that no tick
    crosses a label either.
    """
    done: list[StripLabel] = []
    for x, words in reversed(spots):
        reach = x + text_width(words, SIZE) + 6
        level = {True: 0, False: 0}
        for other in done:
            if other.x <= reach:
                level[other.is_above] = max(level[other.is_above], other.level + 1)
        # Nearer side first; when equal, the side that the neighbour to the right does not use.
        last_above = done[-1].is_above if done else False
        side = min((True, False), key=lambda s: (level[s], s == last_above))
        done.append(StripLabel(words, x, side, level[side]))
    return done[::-1]


def read_like(own: str, line: str) -> str:
    """Caption of a drawing that is explained at another line, so that it is explained once."""
    return f"{own}, to be read like the one of {line}."


def strip_figures(data: DrawingInput) -> dict[str, Figure]:
    """Draw every shared line straight, all at one scale; the figures by line."""
    lines = [s for s in data.segments if s.is_shared and s.devices]
    strokes = Looks.of(data).strokes
    by_id = {d.id: d for d in data.devices}
    told = {s.id: _told(s, by_id) for s in lines}
    per_m = _per_m(lines, told)
    grades = link_grades(data)
    figures = {}
    for number, segment in enumerate(lines, 1):
        canvas = Canvas(
            f"strip-{number}",
            f"{segment.id}, drawn straight",
            f"{count_text(len(segment.devices), 'device')} in the order of the cable from end to "
            "end. The table of drops holds the same facts.",
            WHOLE_WIDTH,
        )
        bottom = _strip(
            canvas, by_id, grades, segment, told[segment.id], strokes[segment.id], per_m
        )
        _scale(canvas, per_m, bottom)
        own = f"{segment.id} drawn straight"
        caption = f"{own}. {STRIP_CAPTION}" if number == 1 else read_like(own, lines[0].id)
        figures[segment.id] = Figure(canvas.id, caption, canvas.finish(bottom + 14), wide=True)
    return figures


def _told(segment: DrawnSegment, by_id: Mapping[str, DrawnDevice]) -> list[tuple[int, str]]:
    """Where the devices and then the switch stand along a line, and what is said there."""
    spots = []
    for device in (by_id[d] for d in segment.devices):
        number = "" if device.plca_id is None else device.plca_id
        at = number_text(device.along_um / UM_PER_M, 2, ROUND_CEILING)
        stub = number_text(device.stub_um / UM_PER_M, 2, ROUND_CEILING)
        beside = f", stub {stub}" if device.stub_um else ""
        spots.append((device.along_um, f"{number} {device.id} {at}{beside}".strip()))
    at = number_text(segment.switch_along_um / UM_PER_M, 2, ROUND_CEILING)
    spots.append((segment.switch_along_um, f"0 {segment.switch} port {segment.port} {at}"))
    return spots


def _per_m(lines: Sequence[DrawnSegment], told: Mapping[str, list[tuple[int, str]]]) -> float:
    """Pixels for a metre: the most with which every label ends within the drawing."""
    longest_um = max((s.length_um for s in lines), default=0) or UM_PER_M
    scales = [(WHOLE_WIDTH - LEFT - ROOM) / longest_um]
    least = scales[0] / 3  # what names of hundreds of letters leave
    for along_um, words in (spot for spots in told.values() for spot in spots):
        if along_um:
            scales.append((WHOLE_WIDTH - LEFT - 6 - text_width(words, SIZE, bold=True)) / along_um)
    return max(min(scales), least) * UM_PER_M


def _scale(canvas: Canvas, per_m: float, y: float) -> None:
    length = nice_length_m(180 / per_m)
    right = WHOLE_WIDTH - 60
    canvas.rect((right - length * per_m, y, length * per_m, 4), cls="inkfill")
    canvas.text(right + 6, y + 5, f"{length:g} m", size=SIZE, cls="muted")


def _strip(
    canvas: Canvas,
    by_id: Mapping[str, DrawnDevice],
    grades: Sequence[str],
    segment: DrawnSegment,
    told: Sequence[tuple[int, str]],
    stroke: Stroke,
    per_m: float,
) -> float:
    def px(along_um: int) -> float:
        return LEFT + along_um / UM_PER_M * per_m

    devices = [by_id[d] for d in segment.devices]
    spots = [(px(along_um), words) for along_um, words in told]
    order = sorted(range(len(spots)), key=lambda i: (spots[i][0], i))
    labels = stack_labels([spots[i] for i in order])
    above = max((x.level + 1 for x in labels if x.is_above), default=0)
    below = max((x.level + 1 for x in labels if not x.is_above), default=0)
    own = canvas.group(data_segment=segment.id)
    y = 14 + above * LEVEL
    start, end = px(0), px(segment.length_um)
    draw_cable(canvas, own, f"M{num(start)} {num(y)}H{num(end)}", stroke, 3)
    for x, side in ((start, -1), (end, 1)):
        canvas.line((x, y - 6), (x, y + 6), own, cls=f"run {stroke.css_class}", width=2.4)
        canvas.text(x + 14 * side, y + 3.5, "T", own, size=SIZE, anchor="middle", cls="muted")
    x = px(segment.switch_along_um)
    canvas.rect(
        (x - 6, y - 6, 12, 12), own, rx=2, cls="switch", stroke_width=1, data_switch=segment.switch
    )
    drops = [canvas.group(own, data_device=d.id) for d in devices]
    drops.append(canvas.group(own))
    for i, label in zip(order, labels, strict=True):
        side = -1 if label.is_above else 1
        tip = y + side * (8 + label.level * LEVEL)
        # It begins beside the cable, so that it crosses no mark of a neighbour.
        canvas.line((label.x, y + side * 6), (label.x, tip), drops[i], cls="leader")
        edge = tip - 1 if label.is_above else tip + 9
        weight = "600" if label.words.startswith("0 ") else ""
        canvas.text(label.x + 2, edge, label.words, drops[i], size=SIZE, weight=weight)
    for device, drop in zip(devices, drops, strict=False):
        draw_mark(
            canvas, drop, (px(device.along_um), y), grade=device.grade, stroke=stroke,
            is_option=device.option is not None, grades=grades,
            title=f"{device.id}, stub {length_text(device.stub_um)}",
        )  # fmt: skip
    return y + 16 + below * LEVEL
