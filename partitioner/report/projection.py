"""From three dimensions to the sheet: which views a layout needs, and their scale."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from partitioner.units import UM_PER_M

Point = tuple[int, int, int]
"""x, y, z in µm."""


@dataclass(frozen=True, slots=True)
class View:
    """A linear projection: sheet position in px is the matrix times the position in m, plus offset.

    ``across`` and ``down`` are px per metre along x, y and z; the sheet's second axis points down.
    """

    name: str
    note: str
    across: tuple[float, float, float]
    down: tuple[float, float, float]
    left: float
    top: float
    width: float
    height: float

    def xy(self, point_um: Sequence[int]) -> tuple[float, float]:
        """Sheet position in px of a point in µm."""
        x, y, z = (c / UM_PER_M for c in point_um)
        a, d = self.across, self.down
        return (
            a[0] * x + a[1] * y + a[2] * z + self.left,
            d[0] * x + d[1] * y + d[2] * z + self.top,
        )

    def axes(self) -> tuple[tuple[str, float, float], ...]:
        """Axes seen in this view: name and px per metre, level and down."""
        return tuple(
            (name, self.across[i], self.down[i])
            for i, name in enumerate("xyz")
            if abs(self.across[i]) + abs(self.down[i]) > 0
        )


MATERIAL_HEIGHT = 0.06
"""A third dimension above this share of the longest one gets a view of its own."""
STRETCHES = (1.0, 1.5, 2.0, 2.5, 3.0)
SHAPE = 0.42
"""Height of a view over its width that stretching tries to reach for long, narrow machines."""
TALLEST = 1.05
"""Height of a view over the width of the sheet, at most, before it is stretched."""
OBLIQUE = (0.30, 0.38)
"""How depth is drawn in the side view, level and upright, as a share of the true length."""


def extent_um(points: Iterable[Point]) -> tuple[tuple[int, int], ...]:
    """Smallest and largest coordinate along x, y and z."""
    rows = list(points)
    if not rows:
        return ((0, 0),) * 3
    return tuple((min(c), max(c)) for c in zip(*rows, strict=True))  # type: ignore[return-value]


def choose_views(points: Sequence[Point], width: float, margin: float) -> tuple[View, ...]:
    """Choose the views that show all points in a sheet ``width`` px wide.

    The top view shows the two level axes, the longer of them lying across the sheet. When heights
    matter a side view is added, in which the depth is drawn obliquely, so that what lies one
    behind the other stays apart.
    """
    spans = [hi - lo for lo, hi in extent_um(points)]
    longest = max(spans) or UM_PER_M
    level = 0 if spans[0] >= spans[1] else 1
    other = 1 - level
    views = []
    flat = spans[2] < MATERIAL_HEIGHT * longest
    tall_only = max(spans[0], spans[1]) == 0 and spans[2] > 0
    if not tall_only:
        name = "Top view"
        note = f"seen from above: {'xyz'[level]} to the right, {'xyz'[other]} up"
        views.append(
            _fit(name, note, points, {level: (1.0, 0.0), other: (0.0, -1.0)}, width, margin)
        )
    if not flat or tall_only:
        rows = {level: (1.0, 0.0), 2: (0.0, -1.0)}
        if spans[other] >= MATERIAL_HEIGHT * longest:
            rows[other] = (OBLIQUE[0], -OBLIQUE[1])
            note = (
                f"seen from the side: {'xyz'[level]} to the right, z up, "
                f"{'xyz'[other]} drawn obliquely and shortened"
            )
        else:
            note = f"seen from the side: {'xyz'[level]} to the right, z up"
        views.append(_fit("Side view", note, points, rows, width, margin))
    return tuple(views)


def clearest(views: Sequence[View], points: Sequence[Point], grain: int) -> View:
    """The view in which the fewest points fall within ``grain`` px; the earlier one when equal."""

    def distinct(view: View) -> int:
        return len({(round(x / grain), round(y / grain)) for x, y in map(view.xy, points)})

    return max(views, key=distinct)


def _fit(
    name: str,
    note: str,
    points: Sequence[Point],
    rows: dict[int, tuple[float, float]],
    width: float,
    margin: float,
) -> View:
    """Scale a projection to the sheet; stretch the upright direction of long, narrow things."""
    level = [sum(p[i] * rows[i][0] for i in rows) / UM_PER_M for p in points]
    upright = [sum(p[i] * rows[i][1] for i in rows) / UM_PER_M for p in points]
    w = max(max(level) - min(level), 1e-3)
    h = max(upright) - min(upright)
    room = width - 2 * margin
    scale = min(room / w, TALLEST * width / max(h, 1e-6))
    stretch = 1.0
    for stretch in STRETCHES:
        if h * scale * stretch >= SHAPE * min(w * scale, room) or h < 1e-6:
            break
    if scale * w > 0.999 * room and h * scale * stretch < 0.02 * width:
        stretch = 1.0  # All but a straight row: stretching shows nothing.
    across = tuple(rows[i][0] * scale if i in rows else 0.0 for i in range(3))
    down = tuple(rows[i][1] * scale * stretch if i in rows else 0.0 for i in range(3))
    if stretch != 1.0:
        note += f"; upright direction drawn {stretch:g} times as large"
    spare = (width - w * scale) / 2
    return View(
        name,
        note,
        across,  # type: ignore[arg-type]
        down,  # type: ignore[arg-type]
        left=spare - min(level) * scale,
        top=margin - min(upright) * scale * stretch,
        width=width,
        height=h * scale * stretch + 2 * margin,
    )


def nice_length_m(room_m: float) -> float:
    """Largest of 1, 2, 5 times a power of ten that fits into ``room_m`` metres.

    Examples
    --------
    >>> nice_length_m(3.4), nice_length_m(0.7), nice_length_m(12)
    (2.0, 0.5, 10.0)
    """
    power = 10.0 ** math.floor(math.log10(room_m))
    return round(max(step * power for step in (1, 2, 5) if step * power <= room_m), 9)


def enclosing(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Corners of the smallest convex polygon around points, in order around it.

    Examples
    --------
    >>> enclosing([(0, 0), (2, 0), (1, 1), (2, 2), (0, 2)])
    [(0, 0), (2, 0), (2, 2), (0, 2)]

    Notes
    -----
    Lower and upper chain of the points in their order from left to right (A. M. Andrew, *Another
    efficient algorithm for convex hulls in two dimensions*, Information Processing Letters 9,
    1979).
    """
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered
    chains = []
    for run in (ordered, ordered[::-1]):
        chain: list[tuple[float, float]] = []
        for x, y in run:
            while len(chain) > 1:
                (ax, ay), (bx, by) = chain[-2:]
                if (bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0:
                    break
                chain.pop()
            chain.append((x, y))
        chains.append(chain[:-1])
    return [*chains[0], *chains[1]]
