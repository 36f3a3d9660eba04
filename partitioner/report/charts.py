"""Charts as plain SVG: lines over time, points of a front, shares as stacked bars, histograms.

All take numbers in the units they are labelled with and know nothing of what they mean.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from xml.etree import ElementTree as ET

from partitioner.report.sections import Figure
from partitioner.report.svg import Canvas, num, text_width

WIDTH = 760.0


@dataclass(frozen=True, slots=True)
class Series:
    """Points of one curve. ``is_stepped``: the value holds until the next point.

    ``shows_points`` marks each point; ``labels`` are words beside the points, parallel to them.
    """

    name: str
    points: Sequence[tuple[float, float]]
    is_stepped: bool = False
    is_joined: bool = True
    shows_points: bool = False
    labels: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Bar:
    """One row of a stacked bar chart: parts in the order of the chart's part names.

    ``start`` is where the parts begin, so that rows can go on where the one above ended; a row
    that ``is_heading`` has words only. ``about`` are attributes that say what the row is about.
    """

    name: str
    parts: Sequence[float]
    note: str = ""
    is_bad: bool = False
    about: Mapping[str, str] = field(default_factory=dict)
    start: float = 0.0
    is_heading: bool = False


@dataclass(frozen=True, slots=True)
class Span:
    """One row of a range chart: from ``low`` to ``high`` is open, up to ``most`` others lie.

    ``low`` is None where nothing is proved, ``high`` where there is no value at all.
    """

    name: str
    low: float | None
    high: float | None
    most: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Spot:
    """One cell of a map: its words, a second line, and how dark it is, from 0 to 1."""

    words: str
    note: str = ""
    share: float = 0.0
    is_empty: bool = False


_DASHES = ("", "7 3", "2.5 2.5", "9 3 2.5 3")
_HUES = (0, 1, 2, 3, 5, 4)


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers from at most ``low`` to at least ``high``, about ``most`` of them.

    Examples
    --------
    >>> ticks(0, 9.3, 5)
    [0.0, 2.5, 5.0, 7.5, 10.0]
    """
    span = high - low if high > low else abs(high) or 1.0
    raw = span / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1, 2, 2.5, 5, 10) if s * power >= raw * 0.999)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    return [round(k * step, 12) for k in range(first, max(last, first + 1) + 1)]


def _along(scale: Sequence[float], start: float, end: float) -> Callable[[float], float]:
    """Where a value is on an axis that bears a scale from ``start`` to ``end``."""
    return lambda value: start + (value - scale[0]) / (scale[-1] - scale[0]) * (end - start)


def xy_figure(
    id: str,
    title: str,
    desc: str,
    series: Sequence[Series],
    x_title: str,
    y_title: str,
    *,
    caption: str = "",
    height: float = 330.0,
) -> Figure:
    """Draw curves or points over a common pair of axes; their titles have the units.

    Raises
    ------
    ValueError
        When there is no point to draw.
    """
    points = [p for s in series for p in s.points]
    if not points:
        raise ValueError("a chart needs at least one point")
    canvas = Canvas(id, title, desc, WIDTH)
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    x_ticks = ticks(min(xs), max(xs))
    y_ticks = ticks(min(ys), max(ys))
    left = 22 + max(text_width(_number(t), 11) for t in y_ticks)
    right = WIDTH - 16 - max(text_width(s.name, 11, bold=True) for s in series)
    top, bottom = 30.0, height - 40.0
    x_at, y_at = _along(x_ticks, left, right), _along(y_ticks, bottom, top)
    _grid(canvas, y_ticks, y_at, left, right)
    for value in x_ticks:
        x = x_at(value)
        canvas.line((x, bottom), (x, bottom + 4), cls="axis", width=1)
        canvas.text(x, bottom + 17, _number(value), size=11, anchor="middle", cls="muted")
    canvas.line((left, bottom), (right, bottom), cls="axis", width=1)
    canvas.text(left - 8, 14, y_title, size=11)
    canvas.text(right, bottom + 34, x_title, size=11, anchor="end")
    ends: list[float] = []
    for i, one in enumerate(series):
        hue, dash = _HUES[i % len(_HUES)], _DASHES[i % len(_DASHES)]
        spots = [(x_at(x), y_at(y)) for x, y in one.points]
        if one.is_joined and len(spots) > 1:
            canvas.add(
                "path",
                d=_path(spots, one.is_stepped),
                cls=f"run h{hue}",
                stroke_width=2.2,
                stroke_dasharray=dash,
            )
        if one.shows_points or len(spots) == 1 or not one.is_joined:
            for k, (x, y) in enumerate(spots):
                words = one.labels[k] if k < len(one.labels) else ""
                _point(canvas, i, hue, x, y, title=words or one.name)
                if words:
                    canvas.text(x + 8, y - 6, words, size=10)
        if spots:
            x, y = spots[-1]
            while any(abs(y - other) < 13 for other in ends):
                y += 13
            ends.append(y)
            canvas.text(
                min(x + 8, right + 8), y + 4, one.name, size=11, weight="600", cls=f"f{hue}"
            )
    return Figure(id, caption or title, canvas.finish(height))


def _grid(
    canvas: Canvas, scale: Sequence[float], y_at: Callable[[float], float], left: float,
    right: float,
) -> None:  # fmt: skip
    """Lines from side to side at the numbers of an upright scale."""
    for value in scale:
        y = y_at(value)
        canvas.line((left, y), (right, y), cls="thin", width=1)
        canvas.text(left - 8, y + 4, _number(value), size=11, anchor="end", cls="muted")


def _path(spots: Sequence[tuple[float, float]], is_stepped: bool) -> str:
    parts = [f"M{num(spots[0][0])} {num(spots[0][1])}"]
    for x, y in spots[1:]:
        parts.append(f"H{num(x)}V{num(y)}" if is_stepped else f"L{num(x)} {num(y)}")
    return "".join(parts)


def _point(canvas: Canvas, kind: int, hue: int, x: float, y: float, title: str) -> None:
    if kind % 3 == 0:
        canvas.circle((x, y), 4, cls=f"f{hue}", title=title)
    elif kind % 3 == 1:
        canvas.rect((x - 3.6, y - 3.6, 7.2, 7.2), cls=f"f{hue}", title=title)
    else:
        points = f"{num(x)},{num(y - 5)} {num(x + 5)},{num(y + 4)} {num(x - 5)},{num(y + 4)}"
        canvas.add("polygon", title=title, points=points, cls=f"f{hue}")


def stacked_figure(
    id: str,
    title: str,
    desc: str,
    part_names: Sequence[str],
    bars: Sequence[Bar],
    *,
    limit_name: str,
    caption: str,
) -> Figure:
    """Draw rows of stacked parts, told apart by hue and pattern, as shares of a common limit.

    An upright line stands at the limit, the deadline, say.
    """
    canvas = Canvas(id, title, desc, WIDTH + 160)
    rows = [b for b in bars if not b.is_heading]
    names = max((text_width(b.name, 11) for b in rows), default=0.0) + 16
    notes = max((text_width(b.note, 11) for b in bars), default=0.0) + 14
    left, right = names, canvas.width - notes
    top = 44.0
    row = 19.0
    per = (right - left) / max([1.0, *(b.start + sum(b.parts) for b in bars)])
    fills = _patterns(canvas, len(part_names))
    x = left
    for i, name in enumerate(part_names):
        canvas.rect((x, 8, 14, 11), style=fills[i], cls=f"h{_HUES[i]}")
        canvas.text(x + 19, 17.5, name, size=11)
        x += 19 + text_width(name, 11) + 20
    for k, bar in enumerate(bars):
        y = top + k * row
        own = canvas.group(None, **bar.about)
        x = left + bar.start * per
        if bar.is_heading:
            canvas.text(4, y + 10.5, bar.name, own, size=11, weight="700")
        else:
            canvas.text(left - 8, y + 10.5, bar.name, own, size=11, anchor="end")
        if bar.start:
            canvas.line((x, y - row + 13), (x, y), own, cls="axis", width=0.8)
        for i, part in enumerate(bar.parts):
            if part <= 0:
                continue
            canvas.rect(
                (x, y, part * per, 13), own, style=fills[i], cls=f"h{_HUES[i]}", stroke_width=0.8,
                title=f"{part_names[i]}: {part:.3g}",
            )  # fmt: skip
            x += part * per
        cls = "bad" if bar.is_bad else "muted"
        canvas.text(right + 8, y + 10.5, bar.note, own, size=11, cls=cls)
    bottom = top + len(bars) * row
    x = left + per
    canvas.line((x, top - 8), (x, bottom), cls="back", width=1.4)
    canvas.text(x - 4, top - 8, limit_name, size=11, anchor="end")
    return Figure(id, caption, canvas.finish(bottom + 6), wide=True)


def _patterns(canvas: Canvas, count: int) -> list[str]:
    """Fill of each part: solid, hatched one way or the other, dotted, open, crossed."""
    defs = canvas.add("defs")
    fills = []
    for i in range(count):
        hue = f"var(--h{_HUES[i % len(_HUES)]})"
        if i == 0:
            fills.append(f"fill:{hue}")
            continue
        name = f"{canvas.id}-fill{i}"
        pattern = canvas.add(
            "pattern", defs, id=name, width=6, height=6, patternUnits="userSpaceOnUse"
        )
        canvas.add("rect", pattern, width=6, height=6, style="fill:var(--page)")
        _pattern_mark(canvas, pattern, i, hue)
        fills.append(f"fill:url(#{name})")
    return fills


def _pattern_mark(canvas: Canvas, pattern: ET.Element, kind: int, hue: str) -> None:
    style = f"stroke:{hue};fill:none;stroke-width:1.8"
    rising, falling = "M-1 7L7 -1M-1 1L1 -1M5 7L7 5", "M-1 -1L7 7M-1 5L1 7M5 -1L7 1"
    shapes = {1: rising, 2: falling, 4: "M0 3H6", 5: rising + falling}
    if kind % 6 == 3:
        canvas.add("circle", pattern, cx=3, cy=3, r=1.6, style=f"fill:{hue}")
    elif kind % 6 in shapes:
        canvas.add("path", pattern, d=shapes[kind % 6], style=style)


def histogram_figure(
    id: str,
    title: str,
    desc: str,
    edges: Sequence[float],
    counts: Sequence[int],
    x_title: str,
    *,
    limit: float | None = None,
    limit_name: str = "",
) -> Figure:
    """Draw counts between edges (one edge more than counts, else ValueError), with a limit line."""
    if len(edges) != len(counts) + 1:
        raise ValueError("a histogram needs one edge more than counts")
    canvas = Canvas(id, title, desc, WIDTH)
    high = max([edges[-1]] + ([limit] if limit is not None else []))
    x_ticks = ticks(min(0.0, edges[0]), high)
    y_ticks = ticks(0.0, float(max(counts, default=1) or 1), 4)
    height, left, right, top, bottom = 240.0, 64.0, WIDTH - 24.0, 26.0, 202.0
    x_at, y_at = _along(x_ticks, left, right), _along(y_ticks, bottom, top)
    _grid(canvas, y_ticks, y_at, left, right)
    for i, count in enumerate(counts):
        tall = bottom - y_at(count)
        wide = max(x_at(edges[i + 1]) - x_at(edges[i]) - 1, 0.5)
        canvas.rect(
            (x_at(edges[i]) + 0.5, y_at(count), wide, tall), cls="f0",
            title=f"{_number(edges[i])} to {_number(edges[i + 1])}: {count}",
        )  # fmt: skip
    canvas.line((left, bottom), (right, bottom), cls="axis", width=1)
    for value in x_ticks:
        canvas.text(x_at(value), bottom + 16, _number(value), size=11, anchor="middle", cls="muted")
    canvas.text(right, bottom + 32, x_title, size=11, anchor="end")
    if limit is not None:
        x = x_at(limit)
        canvas.line((x, top - 8), (x, bottom), cls="badline", width=1.6)
        canvas.text(x - 5, top, limit_name, size=11, anchor="end", weight="600")
    return Figure(id, title, canvas.finish(height))


def _number(value: float) -> str:
    text = f"{value:,.6g}" if abs(value) < 1e6 else f"{value:,.0f}"
    return text.replace(",", "\u202f").replace("-", "\u2212")


def span_figure(
    id: str,
    title: str,
    desc: str,
    spans: Sequence[Span],
    scale_title: str,
    *,
    caption: str,
    rows_title: str,
    legend: tuple[str, str, str],
) -> Figure:
    """Draw rows with a range each: a bar from bound to best, and a thin line on to the dearest.

    ``rows_title`` is what the names of the rows are values of.

    Raises
    ------
    ValueError
        When no row has a value.
    """
    values = [v for s in spans for v in (s.low, s.high, s.most) if v is not None]
    if not values:
        raise ValueError("a range chart needs at least one value")
    canvas = Canvas(id, title, desc, WIDTH)
    scale = ticks(min(values), max(values))
    left = 20 + max(
        text_width(rows_title, 11, bold=True), *(text_width(s.name, 11) for s in spans)
    )
    right = WIDTH - 20 - max(text_width(s.note, 11) for s in spans)
    top, row = 40.0, 22.0
    canvas.text(left - 8, top - 8, rows_title, size=11, anchor="end", weight="600")
    bottom = top + row * len(spans)
    at = _along(scale, left, right)
    x = left
    for mark, words in zip("box", legend, strict=True):
        if mark == "b":
            canvas.rect((x, 8, 26, 9), cls="f4", fill_opacity="0.45")
        elif mark == "o":
            canvas.circle((x + 20, 12.5), 4.5, cls="f0")
        else:
            canvas.line((x, 12.5), (x + 26, 12.5), cls="axis", width=1.2)
        canvas.text(x + 32, 16.5, words, size=11)
        x += 48 + text_width(words, 11)
    for value in scale:
        canvas.line((at(value), top - 6), (at(value), bottom), cls="thin", width=1)
        canvas.text(at(value), bottom + 15, _number(value), size=11, anchor="middle", cls="muted")
    canvas.text(right, bottom + 32, scale_title, size=11, anchor="end")
    for number, span in enumerate(spans):
        y = top + row * (number + 0.5)
        canvas.text(left - 8, y + 4, span.name, size=11, anchor="end")
        canvas.text(right + 8, y + 4, span.note, size=11, cls="muted")
        if span.high is None:
            continue
        words = f"{span.name}: {_number(span.high)}"
        if span.low is not None:
            canvas.rect(
                (at(span.low), y - 5, max(at(span.high) - at(span.low), 1), 10), cls="f4",
                fill_opacity="0.45",
                title=f"{span.name}: {_number(span.low)} to {_number(span.high)}",
            )  # fmt: skip
        if span.most is not None and span.most > span.high:
            canvas.line((at(span.high), y), (at(span.most), y), cls="axis", width=1.2)
            canvas.line((at(span.most), y - 4), (at(span.most), y + 4), cls="axis", width=1.2)
        canvas.circle((at(span.high), y), 4.5, cls="f0", title=words)
    return Figure(id, caption, canvas.finish(bottom + 38))


def map_figure(
    id: str,
    title: str,
    desc: str,
    columns: Sequence[str],
    rows: Sequence[str],
    spots: Sequence[Sequence[Spot]],
    x_title: str,
    y_title: str,
    *,
    caption: str,
) -> Figure:
    """Draw a map of two things: a cell for each pair, darker where its value is larger.

    ``spots`` are rows of cells; every cell has its words, so that the shade only helps.
    """
    canvas = Canvas(id, title, desc, WIDTH)
    left = 22 + max(text_width(y_title, 11, bold=True), *(text_width(r, 11) for r in rows))
    wide = max(text_width(w, 11) for row in spots for s in row for w in (s.words, s.note))
    width = min(150.0, max(58.0, wide + 14, *(text_width(c, 11) + 12 for c in columns)))
    has_notes = any(s.note for row in spots for s in row)
    tall = 38.0 if has_notes else 26.0
    canvas.width = max(WIDTH, left + width * len(columns) + 16)
    top = 46.0
    canvas.text(left, 14, x_title, size=11, weight="600")
    canvas.text(left - 8, top - 8, y_title, size=11, anchor="end", weight="600")
    for number, name in enumerate(columns):
        canvas.text(left + width * (number + 0.5), top - 8, name, size=11, anchor="middle")
    for down, (name, row) in enumerate(zip(rows, spots, strict=True)):
        y = top + tall * down
        canvas.text(left - 8, y + tall / 2 + 4, name, size=11, anchor="end")
        for across, spot in enumerate(row):
            x = left + width * across
            canvas.rect((x, y, width - 2, tall - 2), cls="panel")
            if not spot.is_empty:
                # Never so dark that the words could not be read.
                canvas.rect(
                    (x, y, width - 2, tall - 2), cls="f4",
                    fill_opacity=f"{0.06 + 0.4 * spot.share:.3f}",
                    title=f"{columns[across]}, {name}: {spot.words} {spot.note}".strip(),
                )  # fmt: skip
            middle = x + (width - 2) / 2
            base = y + tall / 2 + (-3 if spot.note else 3)
            canvas.text(middle, base, spot.words, size=11, anchor="middle")
            if spot.note:
                canvas.text(middle, base + 14, spot.note, size=10, anchor="middle")
    height = top + tall * len(rows) + 6
    return Figure(id, caption, canvas.finish(height), wide=canvas.width > WIDTH)
