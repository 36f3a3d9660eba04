"""The small plan of the first sheet: what belongs to which switch, at a glance.

Every switch has a swath in its colour along the ways of its cables, and marks of one shape for
its devices; its name stands beside it, so that nothing is told by colour alone.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

from partitioner.model.layout import link_name
from partitioner.report.amounts import count_text
from partitioner.report.drawing_input import DrawingInput, DrawnSwitch
from partitioner.report.placing import Sheet, Wish, around
from partitioner.report.projection import View, choose_views
from partitioner.report.sections import Figure
from partitioner.report.svg import XY, Canvas, lines_text, points_around, text_width

WIDTH = 640.0
TALLEST = 330.0
MARGIN = 26.0
SWATH = 11.0
DOT = 3.1
SIZE = 12.0
ROW = SIZE + 4
"""Height of a row of names."""
CORNERS = (0, 4, 3, 6, 5)
"""Shapes of the devices' marks, one after the other: a circle, then polygons."""
HUES = 6
SEEN = 26.0
"""From a name to its switch, so that the line between them is seen."""
UNCLEAR = 12.0
"""What a place for a name costs that is as near to another switch, in px² / 10 covered."""
MOST_POINTED_AT = 400


def zone_plan(data: DrawingInput, id: str = "zones-plan", number: int = 0) -> Figure | None:
    """Draw the plan, or another view; None without a segment, or where there is no such view.

    ``number`` says which of the views that the layout is drawn in.
    """
    view = _view(data, number) if data.segments else None
    if view is None:
        return None
    switches = [s for s in data.switches if s.is_open]
    names = _names(data, switches, view)
    view = names.view
    canvas = Canvas(
        id,
        f"Zones of {data.name}",
        f"{view.name}: {count_text(len(switches), 'switch', 'switches')}, each with the devices "
        "that hang on it. The table of segments holds the same facts.",
        view.width,
    )
    if data.pathways:
        ways = ((view.xy(p.start_um), view.xy(p.end_um)) for p in data.pathways)
        canvas.add("path", d=lines_text(ways), cls="channel", stroke_width=1.4)
    for number, switch in enumerate(switches):
        _swath(canvas, data, switch, number, view)
    at = {s.id: view.xy(s.at_um) for s in data.switches}
    for link in data.backbone:
        canvas.line(
            at[link.ends[0]], at[link.ends[1]], cls="back", width=1.2, dash="5 3",
            data_backbone=link_name(*link.ends),
        )  # fmt: skip
    for switch, spot, width in zip(switches, names.spots, _widths(names.words), strict=True):
        own, others = at[switch.id], [at[s.id] for s in switches if s is not switch]
        if names.is_in_rows or _is_unclear(own, others, spot, width):
            x = spot[0] if names.is_in_rows else _within(own[0], spot[0], width / 2)
            edge = spot[1] + math.copysign(SIZE / 2, own[1] - spot[1])
            canvas.line(own, (x, edge), cls="leader")
    for number, switch in enumerate(switches):
        _devices(canvas, data, switch, number, view)
    for switch, (x, y) in ((s, at[s.id]) for s in switches):
        canvas.rect((x - 6, y - 6, 12, 12), rx=2, cls="switch", data_switch=switch.id)
    for switch, words, (x, y) in zip(switches, names.words, names.spots, strict=True):
        text = canvas.text(x, y + SIZE * 0.35, words, size=SIZE, anchor="middle", weight="700")
        text.set("style", "paint-order:stroke;stroke:var(--page);stroke-width:3px")
        text.set("data-switch", switch.id)
    caption = (
        f"{view.name}: each switch with its devices. {view.note.capitalize()}; dashed: backbone."
    )
    return Figure(id, caption, canvas.finish(view.height))


def _view(data: DrawingInput, number: int) -> View | None:
    """One of the views, made smaller where it would be too tall for one screen."""
    views = choose_views(data.points_um, WIDTH, MARGIN)[number:]
    if views and views[0].height > TALLEST:
        narrower = max(260.0, WIDTH * TALLEST / views[0].height)
        views = choose_views(data.points_um, narrower, MARGIN)[number:]
    return views[0] if views else None


def _swath(
    canvas: Canvas, data: DrawingInput, switch: DrawnSwitch, number: int, view: View
) -> None:
    hops = dict.fromkeys(
        hop
        for segment in data.segments
        if segment.switch == switch.id
        for hop in pairwise(view.xy(p) for _, p in segment.route)
    )
    canvas.add(
        "path", d=lines_text(h for h in hops if h[::-1] not in hops or h <= h[::-1]),
        cls=f"swath h{number % HUES}", fill="none", stroke_width=SWATH, stroke_linecap="round",
        stroke_linejoin="round", opacity="0.3", data_switch=switch.id,
    )  # fmt: skip


def _devices(
    canvas: Canvas, data: DrawingInput, switch: DrawnSwitch, number: int, view: View
) -> None:
    corners = CORNERS[number % len(CORNERS)]
    own = {s.id for s in data.segments if s.switch == switch.id}
    for device in data.devices:
        if device.segment not in own:
            continue
        at = view.xy(device.at_um)
        # Of very many one could not point at a single one.
        name = device.id if len(data.devices) <= MOST_POINTED_AT else ""
        if not corners:
            canvas.circle(at, DOT, cls=f"f{number % HUES}", data_device=name)
            continue
        points = points_around(at, 1.3 * DOT, corners)
        sides = pairwise([*points, points[0]])
        canvas.add("path", d=lines_text(sides), cls=f"f{number % HUES}", data_device=name)


@dataclass(frozen=True, slots=True)
class _Names:
    """Where the names of the switches stand, and the view with the room that they take.

    ``spots`` are their centres; those in rows need a line to their switch.
    """

    view: View
    words: list[str]
    spots: list[XY]
    is_in_rows: bool = False


def _names(data: DrawingInput, switches: Sequence[DrawnSwitch], view: View) -> _Names:
    """Name and number of devices of each switch, where they cover least and never each other."""
    home = {s.id: s.switch for s in data.segments}
    counts = Counter(home[d.segment] for d in data.devices if d.segment in home)
    words = [f"{s.id}: {count_text(counts[s.id], 'device')}" for s in switches]
    wide = _widths(words)
    sheet = Sheet((2.0, 2.0, view.width - 2.0, view.height - 2.0))
    for device in data.devices:
        x, y = view.xy(device.at_um)
        sheet.add_rect((x - DOT, y - DOT, x + DOT, y + DOT))
    wishes = []
    at = [view.xy(s.at_um) for s in switches]
    for spot, width in zip(at, wide, strict=True):
        x, y = spot
        sheet.add_rect((x - 8, y - 8, x + 8, y + 8))
        places = [p for gap in (10, 20, 32) for p in around(spot, width, SIZE + 2, gap)]
        others = [other for other in at if other != spot]
        # Where a name is as near to another switch, the line to its own needs some length.
        penalties = [
            UNCLEAR * (abs(p[1] - y) < SEEN) * _is_unclear(spot, others, p, width) for p in places
        ]
        wishes.append(Wish(spot, width, SIZE + 2, tuple(places), penalties=tuple(penalties)))
    spots = sheet.place(wishes, distance_cost=0.3)
    boxes = zip(spots, wide, strict=True)
    if not any(
        abs(a[0] - b[0]) < (v + w) / 2 and abs(a[1] - b[1]) < SIZE + 2
        for (a, v), (b, w) in combinations(boxes, 2)
    ):
        return _Names(view, words, spots)
    found = _in_rows(words, switches, view)
    if found.view.height > TALLEST:
        found = _in_rows([s.id for s in switches], switches, view)
    return found


def _is_unclear(own: XY, others: Sequence[XY], spot: XY, width: float) -> bool:
    """Whether a name at ``spot`` is about as near to another switch as to its own."""

    def away(at: XY) -> float:
        return math.hypot(at[0] - _within(at[0], spot[0], width / 2),
                          at[1] - _within(at[1], spot[1], SIZE / 2))  # fmt: skip

    return any(away(other) < away(own) + 4 for other in others)


def _within(value: float, centre: float, half: float) -> float:
    return min(max(value, centre - half), centre + half)


def _widths(words: Sequence[str]) -> list[float]:
    return [text_width(w, SIZE, bold=True) + 4 for w in words]


def _in_rows(words: list[str], switches: Sequence[DrawnSwitch], view: View) -> _Names:
    """The names in rows above and below the plan, which gets taller by them."""
    at = [view.xy(s.at_um) for s in switches]
    along = sorted(range(len(at)), key=lambda i: at[i])
    # The upper half above, the lower below; of those as high as each other every second.
    turn = {i: n % 2 for n, i in enumerate(along)}
    upper = set(sorted(along, key=lambda i: (round(at[i][1]), turn[i]))[: (len(at) + 1) // 2])
    wide = _widths(words)
    sides = [_rows([i for i in along if (i in upper) == up], wide, view.width - 4)
             for up in (True, False)]
    top = ROW * len(sides[0])
    taller = replace(
        view, top=view.top + top, height=view.height + top + ROW * len(sides[1])
    )
    spots: dict[int, XY] = {}
    for rows, edge, step in zip(sides, (top, top + view.height), (-ROW, ROW), strict=True):
        for n, row in enumerate(rows):
            centres = _apart([at[i][0] for i in row], [wide[i] for i in row], view.width - 2)
            y = edge + (n + 0.5) * step
            spots |= {i: (x, y) for i, x in zip(row, centres, strict=True)}
    return _Names(taller, words, [spots[i] for i in range(len(at))], True)


def _rows(names: list[int], wide: Sequence[float], room: float) -> list[list[int]]:
    """Names dealt to as few rows as they fit into, neighbours to different ones."""
    count = 1
    while count < len(names) and any(
        sum(wide[i] for i in names[n::count]) > room for n in range(count)
    ):
        count += 1
    return [names[n::count] for n in range(count)]


def _apart(wanted: Sequence[float], wide: Sequence[float], right: float) -> list[float]:
    """Centres near those wanted, so that no name covers the next and the last ends in time."""
    lefts: list[float] = []
    end = 2.0
    for x, width in zip(wanted, wide, strict=True):
        lefts.append(max(x - width / 2, end))
        end = lefts[-1] + width
    for n in reversed(range(len(lefts))):
        lefts[n] = min(lefts[n], right - wide[n])
        right = lefts[n]
    return [x + width / 2 for x, width in zip(lefts, wide, strict=True)]
