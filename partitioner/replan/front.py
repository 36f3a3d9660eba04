"""Layouts between touching nothing and planning afresh: a front of plan cost and change cost."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

from partitioner.replan.chooser import Chooser, Chosen
from partitioner.solve.change import Aim
from partitioner.solve.master import Selection
from partitioner.solve.run import Run

LADDER = (2, 5, 20)
"""How many times its price plan cost weighs in layouts that lie between the ends of the front."""


class Front:
    """Looks for so many layouts on the front, both ends among them."""

    def __init__(self, run: Run, chooser: Chooser, points: int):
        self._run, self._chooser, self._points = run, chooser, points

    def ladder(self, best: Chosen) -> list[Chosen]:
        """Layouts for plan costs that weigh more and more, each from the one before."""
        found: list[Chosen] = []
        last = best
        for weight in LADDER:
            if self._run.limits.over():
                break
            self._run.step(f"layouts between: plan cost {weight} times as weighty")
            step = self._chooser.best(Aim(weight, 1), [last.selection], 0.2)
            if step is None:
                break
            found.append(Chosen(step.selection, False))
            last = step
        return found

    def filled(self, ends: list[Chosen], met: Iterable[Selection]) -> tuple[list[Chosen], bool]:
        """Fill in layouts between the ends; whether that is the whole front.

        ``met``: selections that were the best for some aim for a while.
        """
        if self._chooser.tried_all:
            return self._whole_front(ends)
        # Layouts met on the way to one end are often good ones between.
        between = [
            Chosen(c, False) for c in dict.fromkeys(met)
            if not c.left_out and not self._chooser.change.touches_held(c.choices)
        ]
        kept = self._chooser.undominated([*ends, *between])
        barren: set[tuple[int, int]] = set()
        while len(kept) < self._points and not self._run.limits.over():
            self._run.step(f"layouts between: {len(kept)} so far")
            gaps = [
                (hi[0] - lo[0], lo, hi)
                for a, b in pairwise(kept)
                for lo, hi in [(self._chooser.figures(a), self._chooser.figures(b))]
                if (lo[0], hi[0]) not in barren and hi[0] - lo[0] > 1
            ]
            if not gaps:
                break
            _, lo, hi = max(gaps, key=lambda g: (g[0] * (g[1][1] - g[2][1]), g[0]))
            found = self._between(kept, (lo[0] + hi[0]) // 2)
            if found is None or found.selection.cost >= lo[1]:
                # Nothing better below the middle: look just below the upper one next.
                found = self._between(kept, hi[0] - 1)
                barren.add((lo[0], hi[0]))
                if found is None or found.selection.cost >= lo[1]:
                    continue
            kept = self._chooser.undominated([*kept, self._chooser.then_change(found)])
        return self._spread(kept), False

    def _spread(self, kept: list[Chosen]) -> list[Chosen]:
        """As many layouts as were asked for: the ends, the least sum, the rest far apart."""
        most = max(3, self._points)
        if len(kept) <= most:
            return kept
        figures = [self._chooser.figures(c) for c in kept]
        wide = max(1, figures[-1][0] - figures[0][0])
        high = max(1, figures[0][1] - figures[-1][1])
        sums = [a + b for a, b in figures]
        picked = {0, len(kept) - 1, sums.index(min(sums))}

        def apart(k: int) -> float:
            return min(
                abs(figures[k][0] - figures[j][0]) / wide
                + abs(figures[k][1] - figures[j][1]) / high
                for j in picked
            )

        while len(picked) < most:
            picked.add(max((k for k in range(len(kept)) if k not in picked), key=apart))
        return [kept[k] for k in sorted(picked)]

    def _between(self, kept: Sequence[Chosen], most_change: int) -> Chosen | None:
        """Cheapest plan with at most so much change, first of the segments chosen so far."""
        aim = Aim(1, 0, most_change_money=most_change)
        starts = [c.selection for c in kept]
        first = self._chooser.mixed(aim, starts)
        if first is not None:
            starts.append(first.selection)
        return self._chooser.best(aim, starts, 0.25) or first

    def _whole_front(self, ends: list[Chosen]) -> tuple[list[Chosen], bool]:
        found: list[Chosen] = []
        room: int | None = None
        whole = True
        starts = [c.selection for c in ends]
        while not self._run.limits.over():
            point = self._chooser.best(Aim(1, 0, most_change_money=room), starts, 0.5)
            if point is None:
                whole = whole and self._chooser.is_refuted
                break
            point = self._chooser.then_change(point)
            whole = whole and point.proved
            found.append(point)
            room = self._chooser.change.change_money(point.selection) - 1
            if room < 0:
                break
        else:
            whole = False
        return self._chooser.undominated(found or ends), whole and bool(found)
