"""Parallel lanes: segments that share a stretch of pathway run side by side, not on top.

Every passage of a cable through a stretch gets a lane of its own, also when one line runs in
and out of a spur. The order of two passages follows from where they part at either end, so
that lines which run together for a while do not cross on the way.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cmp_to_key, partial
from itertools import accumulate, pairwise

from partitioner.report.projection import Point, View
from partitioner.report.svg import XY, num, step_text


@dataclass(frozen=True, slots=True)
class _Passage:
    route: int
    step: int


@dataclass(frozen=True, slots=True)
class Lanes:
    """Lanes of all routes in one view.

    ``offset[r][k]`` is the distance in lane widths by which step k of route r (from its node k to
    k+1) lies to the right of the middle, looking along the step. ``width`` maps a stretch (pair of
    nodes, smaller first) to how many passages run through it.
    """

    offset: tuple[tuple[float, ...], ...]
    width: dict[tuple[int, int], int]


class Nodes:
    """Points of a view; those that fall within ``grain`` px of each other are one node."""

    def __init__(self, view: View, grain: int):
        self._view, self._grain = view, grain
        self._cell: dict[tuple[int, int], int] = {}
        self._by_name: dict[str, int] = {}
        self.xy: list[XY] = []

    def of(self, name: str, at_um: Point) -> int:
        """Node of a point, which has its name for itself."""
        if name not in self._by_name:
            x, y = self._view.xy(at_um)
            cell = (round(x / self._grain), round(y / self._grain))
            if cell not in self._cell:
                self._cell[cell] = len(self.xy)
                self.xy.append((x, y))
            self._by_name[name] = self._cell[cell]
        return self._by_name[name]


def lay_tracks(
    nodes: Nodes, ways: Iterable[Iterable[tuple[str, Point]]], pitch: float, bundle: float
) -> tuple[Lanes, float, list[Track], list[list[int]]]:
    """Lay cables side by side along their ways of named points.

    Gives their lanes, the width of a lane in px (``pitch``, or less so that the fullest stretch is
    at most ``bundle`` wide), their tracks, and for each point of a way its place on the track.
    """
    routes: list[list[int]] = []
    stops: list[list[int]] = []
    for way in ways:
        route: list[int] = []
        index = []
        for name, at_um in way:
            node = nodes.of(name, at_um)
            if not route or route[-1] != node:
                route.append(node)
            index.append(len(route) - 1)
        routes.append(route)
        stops.append(index)
    lanes = assign_lanes(routes, nodes.xy)
    width = min(pitch, bundle / max([1, *lanes.width.values()]))
    tracks = [draw_track(r, o, nodes.xy, width) for r, o in zip(routes, lanes.offset, strict=True)]
    return lanes, width, tracks, stops


def assign_lanes(routes: Sequence[Sequence[int]], xy: Sequence[XY]) -> Lanes:
    """Give every step of every route a lane.

    A route is the nodes it passes, as indices into ``xy``, no node twice in a row; ``xy`` are their
    positions on the sheet, the second axis pointing down.
    """
    passages: dict[tuple[int, int], list[_Passage]] = {}
    for r, route in enumerate(routes):
        for k in range(len(route) - 1):
            a, b = route[k], route[k + 1]
            passages.setdefault((min(a, b), max(a, b)), []).append(_Passage(r, k))
    offsets: list[list[float]] = [[0.0] * max(len(r) - 1, 0) for r in routes]
    for stretch, group in passages.items():
        ordered = sorted(
            group,
            key=cmp_to_key(partial(_compare, stretch=stretch, routes=routes, xy=xy)),
        )
        for lane, passage in enumerate(ordered):
            right = lane - (len(ordered) - 1) / 2
            forward = routes[passage.route][passage.step] == stretch[0]
            offsets[passage.route][passage.step] = right if forward else -right
    return Lanes(
        tuple(tuple(o) for o in offsets), {stretch: len(g) for stretch, g in passages.items()}
    )


def _compare(
    p: _Passage,
    q: _Passage,
    stretch: tuple[int, int],
    routes: Sequence[Sequence[int]],
    xy: Sequence[XY],
) -> int:
    """Above 0 when ``p`` belongs to the right of ``q``, looking from first node to second."""
    ahead, where_ahead = _part(p, q, stretch[0], stretch[1], routes, xy)
    behind, where_behind = _part(p, q, stretch[1], stretch[0], routes, xy)
    behind = -behind
    if ahead and behind and (ahead > 0) != (behind > 0):
        # They must cross once. Any other stretch they share comes to the same choice of place.
        verdict = ahead if where_ahead < where_behind else behind
    else:
        verdict = ahead or behind
    if verdict:
        return 1 if verdict > 0 else -1
    return -1 if (p.route, p.step) < (q.route, q.step) else 1


def _part(
    p: _Passage,
    q: _Passage,
    before: int,
    at: int,
    routes: Sequence[Sequence[int]],
    xy: Sequence[XY],
) -> tuple[float, int]:
    """How much further right ``p`` turns than ``q`` where they part, walking on from ``at``."""
    walk_p, walk_q = _walk(p, at, routes), _walk(q, at, routes)
    for next_p, next_q in zip(walk_p, walk_q, strict=False):
        if next_p != next_q:
            turn_p = _turn(before, at, next_p, xy)
            turn_q = _turn(before, at, next_q, xy)
            gap = turn_p - turn_q
            return (gap if abs(gap) > 1e-6 else 0.0), at
        if next_p is None:
            return 0.0, at
        before, at = at, next_p
    return 0.0, at


def _walk(passage: _Passage, towards: int, routes: Sequence[Sequence[int]]) -> list[int | None]:
    """Nodes the route meets after ``towards``, leaving the passage there; None at its end."""
    route = routes[passage.route]
    k = passage.step
    rest = list(route[k + 2 :]) if route[k + 1] == towards else list(reversed(route[:k]))
    return [*rest, None]


def _turn(before: int, at: int, after: int | None, xy: Sequence[XY]) -> float:
    """Angle turned to the right (sheet axis down: clockwise), -pi to pi; 0 where a route ends."""
    if after is None:
        return 0.0
    if after == before:
        return math.pi * 0.98
    (x0, y0), (x1, y1), (x2, y2) = xy[before], xy[at], xy[after]
    angle = math.atan2(y2 - y1, x2 - x1) - math.atan2(y1 - y0, x1 - x0)
    return (angle + math.pi) % (2 * math.pi) - math.pi


@dataclass(frozen=True, slots=True)
class Track:
    """One route as drawn: path data, the point at each node, and the pieces for label placing."""

    path: str
    at: tuple[XY, ...]
    pieces: tuple[tuple[float, float, float, float], ...]
    along: tuple[float, ...] = (0.0,)
    """Distance in px from the start to each node."""

    def point_along(self, distance: float, backwards: bool = False) -> tuple[XY, XY]:
        """Point ``distance`` px from the start (or the end) and the heading there."""
        pieces = self.pieces
        if backwards:
            pieces = tuple((c, d, a, b) for a, b, c, d in reversed(pieces))
        for x0, y0, x1, y1 in pieces:
            size = math.hypot(x1 - x0, y1 - y0)
            if size >= distance and size > 0:
                t = distance / size
                return (x0 + (x1 - x0) * t, y0 + (y1 - y0) * t), (
                    (x1 - x0) / size,
                    (y1 - y0) / size,
                )
            distance -= size
        if pieces:
            x0, y0, x1, y1 = pieces[-1]
            size = math.hypot(x1 - x0, y1 - y0) or 1.0
            return (x1, y1), ((x1 - x0) / size, (y1 - y0) / size)
        return self.at[0], (1.0, 0.0)

    @property
    def length(self) -> float:
        """Drawn length in px."""
        return sum(math.hypot(c - a, d - b) for a, b, c, d in self.pieces)


_Lane = tuple[XY, XY, XY, float]
"""A straight piece of a cable: start, end, unit vector along it, length in px."""
ROUNDING = 7.0
"""Radius in px by which corners are rounded."""


def draw_track(
    route: Sequence[int], offsets: Sequence[float], xy: Sequence[XY], pitch: float
) -> Track:
    """Turn a route and its lane offsets into a smooth path."""
    if len(route) < 2:
        point = xy[route[0]]
        nodes = max(len(route), 1)
        return Track("", (point,) * nodes, (), (0.0,) * nodes)
    steps: list[_Lane] = []
    for k, offset in enumerate(offsets):
        (x0, y0), (x1, y1) = xy[route[k]], xy[route[k + 1]]
        size = math.hypot(x1 - x0, y1 - y0) or 1.0
        ux, uy = (x1 - x0) / size, (y1 - y0) / size
        # To the right of (ux, uy) on a sheet whose second axis points down is (-uy, ux).
        sx, sy = -uy * offset * pitch, ux * offset * pitch
        steps.append(((x0 + sx, y0 + sy), (x1 + sx, y1 + sy), (ux, uy), size))
    corners: list[tuple[XY, ...]] = [(steps[0][0],)]
    for k in range(1, len(steps)):
        corners.append(_corner(steps[k - 1], steps[k]))
    corners.append((steps[-1][1],))
    return _smooth(corners)


def _corner(before: _Lane, after: _Lane) -> tuple[XY, ...]:
    """Points by which the cable gets from one lane into the next at a node."""
    (_, end, (ux, uy), size_in), (start, _, (vx, vy), size_out) = before, after
    cross = ux * vy - uy * vx
    if abs(cross) > 0.2:
        t = ((start[0] - end[0]) * vy - (start[1] - end[1]) * vx) / cross
        s = ((start[0] - end[0]) * uy - (start[1] - end[1]) * ux) / cross
        if abs(t) < 0.45 * size_in and abs(s) < 0.45 * size_out:
            return ((end[0] + ux * t, end[1] + uy * t),)
    if ux * vx + uy * vy > 0:
        reach = min(5.0, 0.3 * size_in, 0.3 * size_out)
        if math.hypot(start[0] - end[0], start[1] - end[1]) < 0.05:
            return (end,)
        return (
            (end[0] - ux * reach, end[1] - uy * reach),
            (start[0] + vx * reach, start[1] + vy * reach),
        )
    return (end, start)


def _smooth(corners: list[tuple[XY, ...]]) -> Track:
    points = [p for corner in corners for p in corner]
    path = _Path(points[0])
    for i in range(1, len(points) - 1):
        a, b, c = points[i - 1], points[i], points[i + 1]
        into, out = math.dist(a, b), math.dist(b, c)
        if _is_straight(a, b, c):
            continue
        radius = min(ROUNDING, into / 2, out / 2)
        if radius < 0.4:
            path.line(b)
            continue
        p = _towards(b, a, radius / into)
        q = _towards(b, c, radius / out)
        path.line(p)
        path.curve(b, q)
    path.line(points[-1])
    at, along = [], []
    passed = [0.0, *accumulate(math.dist(a, b) for a, b in pairwise(points))]
    first = 0
    for corner in corners:
        along.append((passed[first] + passed[first + len(corner) - 1]) / 2)
        first += len(corner)
        x = sum(p[0] for p in corner) / len(corner)
        y = sum(p[1] for p in corner) / len(corner)
        at.append((x, y))
    pieces = tuple((*points[i], *points[i + 1]) for i in range(len(points) - 1))
    return Track(path.data, tuple(at), pieces, tuple(along))


def _is_straight(a: XY, b: XY, c: XY) -> bool:
    """Whether a cable goes straight on at ``b``; a hundredth of a pixel cannot be seen."""
    (ux, uy), (vx, vy) = (b[0] - a[0], b[1] - a[1]), (c[0] - b[0], c[1] - b[1])
    size = math.hypot(ux + vx, uy + vy)
    return ux * vx + uy * vy > 0 and abs(ux * vy - uy * vx) < 0.01 * size


def _towards(a: XY, b: XY, share: float) -> XY:
    return (a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share)


class _Path:
    """Path data in steps, which are shorter than places; each starts where rounding has led."""

    def __init__(self, start: XY):
        self._at = (round(start[0], 1), round(start[1], 1))
        self.data = f"M{num(start[0])} {num(start[1])}"

    def line(self, end: XY) -> None:
        dx, dy = self._step(end)
        self.data += step_text(dx, dy)
        self._at = (self._at[0] + dx, self._at[1] + dy)

    def curve(self, control: XY, end: XY) -> None:
        dx, dy = self._step(end)
        self.data += _pair("q", *self._step(control)) + _pair(" ", dx, dy)
        self._at = (self._at[0] + dx, self._at[1] + dy)

    def _step(self, end: XY) -> XY:
        return (round(end[0] - self._at[0], 1), round(end[1] - self._at[1], 1))


def _pair(before: str, x: float, y: float) -> str:
    return f"{before}{num(x)} {num(y)}"
