"""Cheaper layouts by the compact model: ports of the units in a region are chosen anew, for cost.

The rows of the model know how devices depend on each other by their deadlines, so that more of them
can change at once than segments can be listed for. What it gives is laid and judged; only what
truly costs less is kept.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable

from partitioner.solve.compact_cost import estimated_cost
from partitioner.solve.compact_model import Slot
from partitioner.solve.master import Selection
from partitioner.solve.port_choice import PortChoice
from partitioner.solve.search import Search

REGION_S = 3.0
"""Longest run of the model for one region of the least size."""
LEAST_REGION = 24
"""Units of such a region."""
EASE = 0.02
"""Share by which estimates may be too high; as much more where they refuse the best layout."""
MOST_EASE = 0.1
LESSONS = 3
"""Choices for one region that may be refuted."""


class PortRegions(PortChoice):
    """Chooses the ports of regions of the best layout anew, and offers what is cheaper."""

    def __init__(self, search: Search):
        self._best = best = _whole(search)
        super().__init__(search, dict(best.backbone), _homes(search, best), EASE)
        self._rng = random.Random(search.limits.seed)
        self._tried: set[frozenset[tuple[int, int]]] = set()
        """Regions in which nothing cheaper was found, as units with their slots."""
        self._price()

    def _price(self) -> None:
        """Put cost and the best layout into a new model."""
        model, best = self._model, self._best
        self._cost = estimated_cost(model)
        for (_, switch), variables in model.at.items():
            if switch not in best.open_switches:
                model.model.add(sum(variables) == 0)
        free: dict[Slot, list[int]] = defaultdict(list)
        for k, slot in enumerate(model.slots):
            free[slot].append(k)
        self._slots = {}
        for choice in best.choices:
            column = choice.column
            k = free[Slot(column.switch, column.grade, choice.port)].pop()
            self._slots |= {model.unit_no[i]: k for i in column.devices}

    def run(self, size: int, over: Callable[[], bool]) -> int:
        """Go once over all segments, so many units at a time; counts improvements.

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
            units = self._on_slots().get(k)
            if units is not None:
                gained += self._improve(self._around(set(units), size), over)
        return gained

    def _follow(self) -> None:
        """Go on from the layout that has become the best elsewhere."""
        self._best = best = _whole(self.search)
        self._built = dict(best.backbone)
        self._tried.clear()
        self._model = self._new_model(_homes(self.search, best))
        self._price()

    def _improve(self, free: set[int], over: Callable[[], bool]) -> bool:
        """Choose for the units anew; true if that is cheaper."""
        before = self._slots
        region = frozenset((u, before[u]) for u in free)
        if region in self._tried:
            return False
        for _ in range(LESSONS):
            found = self._solve(free, over)
            if found is None and self._model.has_none and self._ease < MOST_EASE:
                self._ease += EASE
                self._follow()
                return False
            if found is None or found == before:
                break
            self._slots = found
            if self._lay():
                continue
            selection = self._selection(over)
            if selection is None or selection.left_out:
                break
            if self.search.study.value(selection) >= self.search.incumbent_value:
                break
            verdict = self.search.judged(selection, with_cuts=False)
            if verdict.holds:
                self.search.pool.add(self.columns)
                self.search.offer(selection, verdict)
                self._best = selection
                return True
            self._learn(verdict)
        self._slots = before
        self._tried.add(region)
        return False

    def _solve(self, free: set[int], over: Callable[[], bool]) -> dict[int, int] | None:
        limits = self.search.limits
        most_s = REGION_S * max(1.0, len(free) / LEAST_REGION)
        return self._model.solve(
            self._slots, free, seconds=min(most_s, max(0.05, limits.seconds_left())),
            workers=limits.workers, seed=limits.seed, should_stop=over,
            work_limit=limits.work(most_s), least=self._cost,
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
