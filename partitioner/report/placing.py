"""Where marks and labels go so that they cover as little as possible.

A greedy search over candidate positions with a penalty for each thing covered, followed by
rounds in which every item may move again with all others in place. Deterministic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from partitioner.report.svg import XY, points_around

Floats = npt.NDArray[np.float64]
Rect = tuple[float, float, float, float]
"""Left, top, right, bottom in px."""
ROUNDS = 3
"""How often every item may move again."""
SPOKES = 16
"""Points of a ring around an anchor."""


@dataclass(frozen=True, slots=True)
class Wish:
    """A box that wants to sit near ``anchor``: candidates are its possible centres, best first.

    ``own`` names the stroke it belongs to (-1: none); covering that one costs little.
    ``penalties`` are costs of the candidates known beforehand, parallel to them; empty: none.
    """

    anchor: XY
    width: float
    height: float
    candidates: tuple[XY, ...]
    own: int = -1
    penalties: tuple[float, ...] = ()


class Sheet:
    """Everything already on the sheet that a new box should not cover; boxes stay in ``bounds``."""

    def __init__(self, bounds: Rect):
        self.bounds = bounds
        self._pieces: list[tuple[float, float, float, float]] = []
        self._owners: list[int] = []
        self._rects: list[Rect] = []
        self._arrays: tuple[Floats, npt.NDArray[np.int64], Floats] | None = None

    def add_strokes(self, pieces: Sequence[tuple[float, float, float, float]], owner: int) -> None:
        """Add pieces of a stroke."""
        self._arrays = None
        self._pieces.extend(pieces)
        self._owners.extend([owner] * len(pieces))

    def add_rect(self, rect: Rect) -> None:
        """Add a box that nothing should cover."""
        self._rects.append(rect)

    def _strokes(self) -> tuple[Floats, npt.NDArray[np.int64], Floats]:
        """All pieces of strokes, whose they are, and their spans: see :func:`_near`."""
        if self._arrays is None:
            pieces = np.array(self._pieces, dtype=float).reshape(-1, 4)
            x0, y0, x1, y1 = pieces.T
            spans = [np.minimum(x0, x1), np.minimum(y0, y1), np.maximum(x0, x1), np.maximum(y0, y1)]
            self._arrays = pieces, np.array(self._owners, dtype=int), np.array(spans)
        return self._arrays

    def strokes_crossed(self, start: XY, end: XY, owner: int) -> int:
        """How many pieces of strokes other than ``owner``'s a straight line crosses."""
        pieces, owners, spans = self._strokes()
        (left, right), (top, bottom) = map(sorted, zip(start, end, strict=True))
        pieces = pieces[_near((left, top, right, bottom), spans) & (owners != owner)]
        if not len(pieces):
            return 0
        a, b = np.array(start), np.array(end)
        c, d = pieces[:, :2], pieces[:, 2:]

        def side(p: Floats, q: Floats, r: Floats) -> Floats:
            u, v = q - p, r - p
            return np.sign(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])

        apart = side(a, b, c) * side(a, b, d) < 0
        return int((apart & (side(c, d, a) * side(c, d, b) < 0)).sum())

    def place(
        self,
        wishes: Sequence[Wish],
        *,
        stroke_cost: float = 6.0,
        own_cost: float = 3.0,
        distance_cost: float = 0.12,
        leader_cost: float = 0.0,
    ) -> list[XY]:
        """Choose a centre for each wish; the boxes chosen then belong to the sheet.

        Penalties: ``stroke_cost`` and ``own_cost`` per px of foreign or own stroke covered,
        relative to one px² of box / 10; ``distance_cost`` per px away from the anchor;
        ``leader_cost`` for each box that the straight line back to the anchor crosses.
        """
        fixed = np.array(self._rects, dtype=float).reshape(-1, 4)
        pieces, owners, spans = self._strokes()
        base: list[Floats] = []
        boxes: list[Floats] = []
        extents: list[Rect] = []
        for wish in wishes:
            centres = np.array(wish.candidates, dtype=float).reshape(-1, 2)
            half = np.array([wish.width / 2, wish.height / 2])
            rects = np.hstack([centres - half, centres + half])
            cost = distance_cost * np.hypot(*(centres - np.array(wish.anchor)).T)
            cost = cost + 1e-4 * np.arange(len(centres))
            extent = _extent(rects)
            cost += self._outside(rects, extent)
            if wish.penalties:
                cost += np.array(wish.penalties)
            close = fixed[_near(extent, fixed.T)]
            if len(close):
                cost += 2.0 * _overlap(rects, close).sum(axis=1)
            near = _near(extent, spans)
            if near.any():
                covered = _covered(rects, pieces[near])
                own = owners[near] == wish.own
                cost += stroke_cost * covered[:, ~own].sum(axis=1)
                cost += own_cost * covered[:, own].sum(axis=1)
            if leader_cost and len(close):
                leaders = np.hstack(
                    [np.broadcast_to(np.array(wish.anchor), centres.shape), centres]
                )
                cost += leader_cost * _crossings(leaders, close, wish.anchor)
            base.append(cost)
            boxes.append(rects)
            extents.append(extent)
        chosen = np.full((len(wishes), 4), np.nan)
        picks = [0] * len(wishes)
        # Those with the fewest good places choose first: whose fourth best is the worst.
        order = sorted(range(len(wishes)), key=lambda i: (-_fourth_best(base[i]), i))
        for turn in range(ROUNDS):
            moved = False
            for i in order:
                # Boxes that have no place, as its own now, are NaN, which is near nothing.
                chosen[i] = np.nan
                others = chosen[_near(extents[i], chosen.T)]
                cost = base[i]
                if len(others):
                    cost = cost + 3.0 * _overlap(boxes[i], others).sum(axis=1)
                pick = int(np.argmin(cost))
                if turn == 0 or pick != picks[i]:
                    moved = True
                picks[i] = pick
                chosen[i] = boxes[i][pick]
            if not moved:
                break
        for i in range(len(wishes)):
            left, top, right, bottom = chosen[i].tolist()
            self._rects.append((left, top, right, bottom))
        return [wishes[i].candidates[picks[i]] for i in range(len(wishes))]

    def _outside(self, rects: Floats, extent: Rect) -> Floats | float:
        left, top, right, bottom = self.bounds
        if left <= extent[0] and top <= extent[1] and extent[2] <= right and extent[3] <= bottom:
            return 0.0
        over = (
            np.clip(left - rects[:, 0], 0, None)
            + np.clip(top - rects[:, 1], 0, None)
            + np.clip(rects[:, 2] - right, 0, None)
            + np.clip(rects[:, 3] - bottom, 0, None)
        )
        return 1000.0 * over


def _fourth_best(cost: Floats) -> float:
    return float(np.sort(cost)[:4][-1])


def _extent(rects: Floats) -> Rect:
    """The box around all boxes."""
    left, top = rects[:, :2].min(axis=0).tolist()
    right, bottom = rects[:, 2:].max(axis=0).tolist()
    return left, top, right, bottom


def _near(extent: Rect, spans: Floats) -> npt.NDArray[np.bool_]:
    """Which pieces (or boxes) come near any of the boxes at all: a cheap first look.

    ``extent`` is that of the boxes; ``spans`` are left, top, right and bottom of the pieces.
    """
    left, top, right, bottom = extent
    x0, y0, x1, y1 = spans
    near: npt.NDArray[np.bool_] = (x1 >= left) & (x0 <= right) & (y1 >= top) & (y0 <= bottom)
    return near


def _overlap(rects: Floats, others: Floats) -> Floats:
    """Common area of each pair in px²: (rects, others)."""
    w = np.minimum(rects[:, None, 2], others[None, :, 2]) - np.maximum(
        rects[:, None, 0], others[None, :, 0]
    )
    h = np.minimum(rects[:, None, 3], others[None, :, 3]) - np.maximum(
        rects[:, None, 1], others[None, :, 1]
    )
    area: Floats = np.clip(w, 0, None) * np.clip(h, 0, None)
    return area


def _covered(rects: Floats, pieces: Floats) -> Floats:
    """Length in px of each piece inside each box: (rects, pieces). Slab clipping."""
    x0, y0, x1, y1 = pieces.T
    left, top, right, bottom = rects.T[:, :, None]
    # Few pairs come near each other, and the clipping is for these.
    box, piece = np.nonzero(
        (np.maximum(x0, x1) >= left)
        & (np.minimum(x0, x1) <= right)
        & (np.maximum(y0, y1) >= top)
        & (np.minimum(y0, y1) <= bottom)
    )
    covered = np.zeros((len(rects), len(pieces)))
    start = pieces[piece, :2]
    step = pieces[piece, 2:] - start
    enter, leave = np.zeros(len(piece)), np.ones(len(piece))
    for axis in (0, 1):
        low, high = rects[box, axis], rects[box, axis + 2]
        d, s = step[:, axis], start[:, axis]
        flat = np.abs(d) < 1e-9
        safe = np.where(flat, 1.0, d)
        t0, t1 = (low - s) / safe, (high - s) / safe
        first, last = np.minimum(t0, t1), np.maximum(t0, t1)
        inside = (s >= low) & (s <= high)
        first = np.where(flat, np.where(inside, 0.0, 2.0), first)
        last = np.where(flat, np.where(inside, 1.0, -1.0), last)
        enter, leave = np.maximum(enter, first), np.minimum(leave, last)
    covered[box, piece] = np.clip(leave - enter, 0, None) * np.hypot(step[:, 0], step[:, 1])
    return covered


def _crossings(leaders: Floats, rects: Floats, anchor: XY) -> npt.NDArray[np.int64]:
    """How many boxes each leader crosses, not counting those that hold its anchor."""
    holds = (
        (rects[:, 0] - 1 <= anchor[0])
        & (rects[:, 2] + 1 >= anchor[0])
        & (rects[:, 1] - 1 <= anchor[1])
        & (rects[:, 3] + 1 >= anchor[1])
    )
    crossed: npt.NDArray[np.int64] = (_covered(rects[~holds], leaders) > 0.5).sum(axis=0)
    return crossed


def around(anchor: XY, width: float, height: float, gap: float) -> tuple[XY, ...]:
    """Centres for a label around a mark: close ones first, then further out on rays.

    ``gap`` is the clear distance between the anchor and the nearest edge of the label.
    """
    x, y = anchor
    found: list[XY] = []
    for distance in (gap, gap + 5, gap + 11, gap + 19, gap + 30, gap + 44, gap + 62, gap + 85):
        w, h = width / 2 + distance, height / 2 + distance
        found += [(x + w, y), (x - w, y), (x, y - h), (x, y + h)]
        for share in (0.5, 1.0):
            for sx, sy in ((1, -1), (1, 1), (-1, -1), (-1, 1)):
                found.append((x + sx * (width / 2 + distance * 0.75), y + sy * h * share))
        for share in (-0.75, -0.35, 0.35, 0.75):
            found += [(x + w * share, y - h), (x + w * share, y + h)]
    return tuple(found)


def ring(anchor: XY, radii: Sequence[float]) -> tuple[XY, ...]:
    """Points around an anchor, the anchor itself first."""
    return (anchor, *(at for radius in radii for at in points_around(anchor, radius, SPOKES)))
