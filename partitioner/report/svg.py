"""SVG elements built as a tree and written out escaped; numbers are kept short."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

from markupsafe import Markup

from partitioner.report.strokes import tokens_css
from partitioner.visible import visible_lines

XY = tuple[float, float]
"""A place on the sheet in px, the second axis pointing down."""
SVG_NS = "http://www.w3.org/2000/svg"
WHOLE_WIDTH = 1160.0
"""Width of a drawing that is as wide as the page, in px."""

DRAWING_CSS = """
svg text{font-family:system-ui,-apple-system,"Segoe UI","Liberation Sans",sans-serif;
fill:var(--ink)}
svg .muted{fill:var(--muted)}
svg .channel{stroke:var(--channel);fill:none;stroke-linecap:round;stroke-linejoin:round}
svg .spare{stroke:var(--channel-edge);fill:none}
svg .halo{stroke:var(--page);fill:none;stroke-linejoin:round}
svg .run{fill:none;stroke-linejoin:round}
svg .thin{stroke:var(--rule);fill:none}
svg .axis{stroke:var(--muted);fill:none}
svg .back{stroke:var(--ink);fill:none}
svg .switch{fill:var(--ink);stroke:var(--page)}
svg .closed{fill:var(--page);stroke:var(--muted)}
svg .onswitch{fill:var(--page)}
svg .tag{fill:var(--page)}
svg .page{fill:var(--page)}
svg .panel{fill:var(--panel)}
svg .dim{stroke:var(--channel-edge);fill:none}
svg .leader{stroke:var(--muted);fill:none;stroke-width:.7px}
svg .hk{stroke:var(--ink)} svg .fk{fill:var(--ink)}
svg .inkfill{fill:var(--ink)}
svg .zones{display:none}
svg .name{paint-order:stroke;stroke:var(--page);stroke-width:2.4px}
svg .ok{fill:var(--ok)} svg .warn{fill:var(--warn)} svg .bad{fill:var(--bad)}
svg .okline{stroke:var(--ok);fill:none} svg .badline{stroke:var(--bad);fill:none}
svg .hollow{fill:var(--page)}
""" + "".join(f"svg .h{i}{{stroke:var(--h{i})}} svg .f{i}{{fill:var(--h{i})}}\n" for i in range(6))


def num(value: float) -> str:
    """Coordinate with at most one decimal, no trailing zero."""
    text = f"{value:.1f}"
    text = text[:-2] if text.endswith(".0") else text
    return "0" if text == "-0" else text


class Canvas:
    """One SVG picture under construction, ``width`` px wide; the height is given when it is known.

    Every id inside begins with ``id``, which is unique on the page. ``title`` is what the picture
    is, ``desc`` what it shows in a sentence or two.
    """

    def __init__(self, id: str, title: str, desc: str, width: float):
        self.id = id
        self.width = width
        self.root = ET.Element(
            "svg",
            {
                "role": "img",
                "id": id,
                "aria-labelledby": f"{id}-title {id}-desc",
                "class": "drawing",
            },
        )
        ET.SubElement(self.root, "title", {"id": f"{id}-title"}).text = title
        ET.SubElement(self.root, "desc", {"id": f"{id}-desc"}).text = desc

    def group(self, parent: ET.Element | None = None, **attributes: str) -> ET.Element:
        """Add a group."""
        return self.add("g", parent, **attributes)

    def add(
        self, tag: str, parent: ET.Element | None = None, /, title: str = "", **attributes: object
    ) -> ET.Element:
        """Add an element; ``_`` in attribute names stands for ``-``, ``cls`` for ``class``."""
        plain: dict[str, str] = {}
        for key, value in attributes.items():
            if value is None or value == "":
                continue
            name = "class" if key == "cls" else key.replace("_", "-")
            plain[name] = num(value) if isinstance(value, (int, float)) else str(value)
        element = ET.SubElement(self.root if parent is None else parent, tag, plain)
        if title:
            ET.SubElement(element, "title").text = title
        return element

    def rect(
        self, box: tuple[float, float, float, float], parent: ET.Element | None = None, /,
        **attributes: Any,
    ) -> ET.Element:  # fmt: skip
        """Add a rectangle: left, top, width and height."""
        x, y, width, height = box
        return self.add("rect", parent, x=x, y=y, width=width, height=height, **attributes)

    def line(
        self, start: XY, end: XY, parent: ET.Element | None = None, /, *, cls: str,
        width: float | None = None, dash: str = "", **attributes: str,
    ) -> ET.Element:  # fmt: skip
        """Add a straight line."""
        (x1, y1), (x2, y2) = start, end
        return self.add(
            "line", parent, x1=x1, y1=y1, x2=x2, y2=y2, cls=cls, stroke_width=width,
            stroke_dasharray=dash, **attributes,
        )  # fmt: skip

    def circle(
        self, at: XY, radius: float, parent: ET.Element | None = None, /, *, cls: str,
        width: float | None = None, **attributes: str,
    ) -> ET.Element:  # fmt: skip
        """Add a circle."""
        x, y = at
        return self.add(
            "circle", parent, cx=x, cy=y, r=radius, cls=cls, stroke_width=width, **attributes
        )

    def text(
        self, x: float, y: float, words: str, parent: ET.Element | None = None, /, *,
        size: float = 11, anchor: str = "", cls: str = "", weight: str = "",
    ) -> ET.Element:  # fmt: skip
        """Add text whose baseline starts (or has its ``anchor``: middle, end) at x, y."""
        element = self.add(
            "text", parent, x=x, y=y, font_size=size, text_anchor=anchor, cls=cls,
            font_weight=weight,
        )  # fmt: skip
        element.text = words
        return element

    def finish(self, height: float) -> str:
        """Give the markup, to be set into an HTML page."""
        self.root.set("viewBox", f"0 0 {num(self.width)} {num(height)}")
        self.root.set("width", num(self.width))
        self.root.set("height", num(height))
        # The sign is escaped wherever it does not end a tag.
        return ET.tostring(self.root, encoding="unicode").replace(" />", "/>")


def stacked(markup: str, below: str) -> str:
    """One picture out of two of the same width: the second stands under the first."""
    width, height, further = *_size(markup), _size(below)[1]
    drawn = below.partition("</desc>")[2].removesuffix("</svg>")
    both = f'{markup.removesuffix("</svg>")}<g transform="translate(0 {height})">{drawn}</g></svg>'
    return _SIZE.sub(_size_text(width, num(float(height) + float(further))), both, count=1)


def _size_text(width: str, height: str) -> str:
    return f'viewBox="0 0 {width} {height}" width="{width}" height="{height}"'


_SIZE = re.compile(_size_text(r"([\d.]+)", r"([\d.]+)"))


def _size(markup: str) -> tuple[str, str]:
    """Width and height of a picture, as it says them."""
    found = _SIZE.search(markup)
    if found is None:
        raise ValueError("no picture of a canvas")
    return found[1], found[2]


def standalone(markup: str, mark: str = "") -> str:
    """Make a file of its own out of markup from :meth:`Canvas.finish`, styles included.

    ``mark`` says what it is a picture of; it becomes the metadata of the file.
    """
    # Names may hold signs that XML has no place for, not even escaped.
    start, _, inside = visible_lines(markup).partition(">")
    about, end, drawn = inside.partition("</desc>")
    return _FILE.format(
        start=Markup(start), about=Markup(about + end), style=tokens_css() + DRAWING_CSS,
        drawn=Markup(drawn.removesuffix("</svg>")),
        mark=_MARK.format(mark) if mark else "",
    )  # fmt: skip


_FILE = Markup(
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    f'{{start}} xmlns="{SVG_NS}">{{about}}<style>{{style}}</style>'
    '<rect width="100%" height="100%" class="page"/>{drawn}{mark}</svg>\n'
)
_MARK = Markup("<metadata>{}</metadata>")


def lines_text(lines: Iterable[tuple[XY, XY]]) -> str:
    """Path data of straight lines; where one goes on as the last one went they are one piece."""
    runs: list[list[XY]] = []
    for start, end in lines:
        here, there = (round(start[0], 1), round(start[1], 1)), (round(end[0], 1), round(end[1], 1))
        if not runs or runs[-1][-1] != here:
            runs.append([here])
        elif len(runs[-1]) > 1 and _is_between(runs[-1][-2], here, there):
            runs[-1].pop()
        runs[-1].append(there)
    return "".join(
        f"M{num(run[0][0])} {num(run[0][1])}"
        + "".join(step_text(c - a, d - b) for (a, b), (c, d) in pairwise(run))
        for run in runs
    )


def _is_between(a: XY, b: XY, c: XY) -> bool:
    """Whether b lies on the way from a to c, as far as the eye can tell."""
    (ux, uy), (vx, vy) = (b[0] - a[0], b[1] - a[1]), (c[0] - a[0], c[1] - a[1])
    size = math.hypot(vx, vy)
    return ux * vx + uy * vy > 0 and ux * ux + uy * uy <= size * size and (
        abs(ux * vy - uy * vx) <= 0.08 * size
    )


def step_text(x: float, y: float) -> str:
    """Path data of a straight step; empty where it leads nowhere that can be seen."""
    across, up = num(x), num(y)
    if up == "0":
        return "" if across == "0" else f"h{across}"
    return f"v{up}" if across == "0" else f"l{across} {up}"


def points_around(at: XY, radius: float, count: int, first: float = -math.pi / 2) -> list[XY]:
    """Points of a ring, or corners of a polygon, the first at the angle ``first`` in radians."""
    angles = (2 * math.pi * k / count + first for k in range(count))
    return [(at[0] + radius * math.cos(a), at[1] + radius * math.sin(a)) for a in angles]


def points_text(points: Iterable[XY]) -> str:
    """Points of a polygon or polyline."""
    return " ".join(f"{num(x)},{num(y)}" for x, y in points)


_NARROW = set("iljtfrI.,:;|!'()[]-·")
_WIDE = set("mwMW@%→")


def text_width(words: str, size: float, *, bold: bool = False) -> float:
    """Estimate of the width of text in px for common sans-serif fonts, on the generous side."""
    total = 0.0
    for c in words:
        if c in _NARROW:
            total += 0.34
        elif c in _WIDE:
            total += 0.9
        elif c.isupper():
            total += 0.7
        else:
            total += 0.57
    return total * size * (1.16 if bold else 1.04)
