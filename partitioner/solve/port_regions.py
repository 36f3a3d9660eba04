"""Cheaper layouts by the compact model: ports of the units in a region are chosen anew, for cost.

The rows of the model know how devices depend on each other by their deadlines, so that more of them
can change at once than segments can be listed for. What it gives is laid and judged; only what
truly costs less is kept.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from partitioner.solve.compact_cost import EstimatedCost
from partitioner.solve.master import Selection
from partitioner.solve.port_choice import PortChoice, by_slot
from partitioner.solve.search import Search

LESS = 0.001
"""Share by which the estimate of a choice must be lower: one for less is found much sooner than the
cheapest."""
LESSONS = 5
"""Choices for one region that may be refuted."""


class PortRegions(PortChoice):
    """Chooses the ports of regions of the best layout anew, and offers what is cheaper."""

    def __init__(self, search: Search):
        self._best = best = _whole(search)
        super().__init__(search, dict(best.backbone), _homes(search, best))
        self._rng = random.Random(search.limits.seed)
        self._solved = 0
        self._tried: dict[frozenset[tuple[int, int]], float] = {}
        """Regions in which nothing cheaper was found, as units with their slots, with the seconds
        that took; all there is where it was proved."""
        self._begin_with_best()

    def _begin_with_best(self) -> None:
        """Let the new model estimate the best layout as the judge does, and put cost into it."""
        self._slots = self._slots_in(self._best)
        self._estimate_as(self.search.judged(self._best, with_cuts=False))
        self._price()

    def _price(self) -> None:
        model, best = self._model, self._best
        self._cost = EstimatedCost(model)
        for (_, switch), variables in model.at.items():
            if switch not in best.open_switches:
                model.model.add(sum(variables) == 0)

    def run(self, size: int, seconds: float, over: Callable[[], bool]) -> int:
        """Go once over all segments, so many units and seconds at a time; counts improvements.

        With counted work each segment's region is tried once, however long that takes.
        """
        if self.search.incumbent is not self._best:
            self._follow()
        order = sorted(set(self._slots.values()))
        self._rng.shuffle(order)
        gained = 0
        for k in order:
            if over():
                break
            units = by_slot(self._slots).get(k)
            if units is not None:
                gained += self._improve(self._around(set(units), size), seconds, over)
        return gained

    def _follow(self) -> None:
        """Go on from the layout that has become the best elsewhere."""
        self._best = best = _whole(self.search)
        self._built = dict(best.backbone)
        self._tried.clear()
        self._model = self._new_model(_homes(self.search, best))
        self._begin_with_best()

    def _improve(self, free: set[int], seconds: float, over: Callable[[], bool]) -> bool:
        """Choose for the units anew; true if that is cheaper."""
        before = self._slots
        region = frozenset((u, before[u]) for u in free)
        if self._tried.get(region, 0.0) >= seconds:
            return False
        money = self._cost.of(before)
        for _ in range(LESSONS):
            found = self._solve(free, seconds, over, money)
            if found is None:
                break
            self._slots = found
            if self._lay():
                continue
            selection = self._selection(over)
            if selection is None or selection.left_out:
                break
            if self.search.study.value(selection) >= self.search.incumbent_value:
                money = min(money, self._cost.of(found))
                continue
            verdict = self.search.judged(selection, with_cuts=False)
            if verdict.holds:
                self.search.pool.add(self.columns)
                self.search.offer(selection, verdict)
                self._best = selection
                return True
            self._learn(verdict)
        self._slots = before
        self._tried[region] = math.inf if self._model.has_none else seconds
        return False

    def _solve(
        self, free: set[int], seconds: float, over: Callable[[], bool], money: int
    ) -> dict[int, int] | None:
        """Give a choice that is estimated to cost less than so much."""
        limits = self.search.limits
        self._solved += 1
        return self._model.solve(
            self._slots, free, seconds=min(seconds, max(0.05, limits.seconds_left())),
            workers=limits.workers, seed=limits.seed + self._solved, should_stop=over,
            work_limit=limits.work(seconds), row=self._cost.at_most(int((1 - LESS) * money)),
            is_wide=False,
        )


def _whole(search: Search) -> Selection:
    best = search.incumbent
    assert best is not None
    assert not best.left_out
    return best


def _homes(search: Search, best: Selection) -> dict[int, int]:
    """Switch of each unit in a layout."""
    at = {i: c.column.switch for c in best.choices for i in c.column.devices}
    return {u: at[unit[0]] for u, unit in enumerate(dict.fromkeys(search.instance.unit_of))}
