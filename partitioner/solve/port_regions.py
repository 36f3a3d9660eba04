"""Cheaper layouts by the compact model: a walk from the best layout, region by region.

Each step chooses the ports of the units on a few segments near each other anew, for least cost.
Every other one keeps two of them apart that share a line, so that something changes where nothing
cheaper is near as well; the next looks for what is cheaper around there. What costs little more
than the best layout is gone on from (record-to-record travel: Dueck, J. Comput. Phys. 104, 1993).
Now and then the master chooses among all segments met on the way, and where steps gain nothing
among all that is an exchange away as well; then the walk goes on over another backbone.

The rows of the model know how devices depend on each other by their deadlines, so that more of them
can change at once than segments can be listed for. What it gives is laid and judged; only what
truly costs less is kept.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from partitioner.solve.columns import Column
from partitioner.solve.compact_cost import EstimatedCost
from partitioner.solve.compact_ports import by_slot
from partitioner.solve.exchange_columns import NEAR, NEAREST_SWITCHES, exchange_columns
from partitioner.solve.master import Selection
from partitioner.solve.port_choice import PortChoice
from partitioner.solve.search import Search
from partitioner.solve.verify import Verdict

DEVIATION = 0.01
"""Share by which what is gone on from may cost more than the best."""
SIZES = (12, 14, 16, 18)
"""Units of a region: their cheapest choice is mostly found in a tenth of a second, that of 24
seldom in ten times as long."""
SPARE = 4
"""By how many units the last segment of a region may exceed that."""
NEXT = 1.5
"""How many nearer segments are passed over on average for each that joins a region: or regions
would be the same again and again."""
STEP_S = 0.6
"""Longest run of the model for a step."""
LESSONS = 3
"""Choices for one region that may be refuted."""
STRETCH = 25
"""Steps until the master chooses among the segments met."""
IDLE_STRETCHES = 3
"""Stretches that gained nothing until the walk goes back to the best layout."""
COMBINE_S = 3.0
"""Longest run of the master for that: mostly it takes a tenth of that."""
MOST_MET = 800
"""Segments met last among which it chooses."""
MENDED = 30
"""Units that may change where another backbone makes deliveries late."""
MOST_AT_FIRST = 150
"""Devices up to which a layout given to be made cheaper is at first tried with all exchanges: of
more, steps make more in the time that takes."""
DEARER = 0.02
"""Share by which a layout over another backbone may cost more than the best at first."""


@dataclass(frozen=True, slots=True)
class _Judged:
    """A layout, what the judge said of it, and what it comes to under the study."""

    selection: Selection
    verdict: Verdict
    value: int


class PortRegions(PortChoice):
    """Chooses the ports of regions anew, from the best layout on, and offers what is cheaper."""

    def __init__(self, search: Search):
        best = _whole(search)
        super().__init__(search, dict(best.backbone), _homes(search, best))
        self._rng = random.Random(search.limits.seed)
        self._solved = 0
        self._idle = 0
        """Stretches since something was gained, or since the walk began anew."""
        self._learned = False
        """Whether a choice of the last step was refuted."""
        self._shaken: set[int] = set()
        """Units of the last step, where two of them were kept apart."""
        self._met: dict[Column, None] = {}
        """Segments laid on the way, whatever became of them."""
        waits = search.study.only_cheaper and search.instance.n > MOST_AT_FIRST
        self._exchanged = best if waits else None
        """Layout that all was tried for that is an exchange away, or is not to be."""
        self._untried: list[dict[int, str]] | None = None
        """Other backbones to try from the best layout, once they are told."""
        self._go_on_from(self._judged(best))

    def run(self, over: Callable[[], bool], stretches: int | None = None) -> bool:
        """Walk on until it is over or so many stretches are done; true if that is cheaper."""
        begun = self.search.incumbent_value
        if near := self._exchanges(over):
            self._combine(over, near)
        while not over() and stretches != 0:
            self.search.between_regions()
            if self.search.incumbent is not self._best:
                self._go_to_best()
            before = self._best
            for _ in range(STRETCH):
                if not over():
                    self._step(over)
            if not over():
                is_at_rest = self.search.incumbent is before
                self._combine(over, self._exchanges(over) if is_at_rest else ())
            self._idle = self._idle + 1 if self.search.incumbent is before else 0
            if self._idle >= IDLE_STRETCHES and not over():
                self._relink(over)
            stretches = None if stretches is None else stretches - 1
        return self.search.incumbent_value < begun

    def _combine(self, over: Callable[[], bool], near: Sequence[Column] = ()) -> None:
        """Let the master choose among the segments of the best layout, those met last and some."""
        latest = list(self._met)[-MOST_MET:]
        self._met = dict.fromkeys(latest)
        best = _whole(self.search).columns
        self.search.master_over_pool(
            list(dict.fromkeys([*best, *latest, *near])), COMBINE_S, soft=False, enough=over
        )

    def _exchanges(self, over: Callable[[], bool]) -> Sequence[Column]:
        """Segments an exchange away from the best layout's, once; none where time is short."""
        search, best = self.search, _whole(self.search)
        if best is self._exchanged or over() or search.limits.seconds_left() < COMBINE_S:
            return ()
        self._exchanged = best
        return exchange_columns(search.builder, best.columns, (), NEAR, NEAREST_SWITCHES, over)

    # -- steps --------------------------------------------------------------------------------

    def _step(self, over: Callable[[], bool]) -> None:
        """Choose for one region anew: with two units kept apart, and then whatever is cheaper."""
        on, rng = by_slot(self._slots), self._rng
        around, self._shaken = self._shaken, set()
        free = self._region(on, rng.choice(sorted({self._slots[u] for u in around} or on)))
        lines = [units for units in on.values() if len(units) > 1 and free.issuperset(units)]
        apart: Sequence[int] = ()
        most = self._now.value - 1
        if not around:
            apart = rng.sample(rng.choice(lines), 2) if lines else ()
            most = max(self._most(DEVIATION), self._now.value)
        is_taken = self._choose(free, most, over, apart)
        if is_taken and not around:
            self._shaken = free
        if self._learned and not is_taken and not over():
            # What was learned of a choice that failed may be said of the present layout too, and
            # then nothing is found in any region.
            self._follow(self._now)

    def _most(self, share: float) -> int:
        """What may cost more than the best by such a share."""
        return int((1 + share) * self.search.incumbent_value)

    def _region(self, on: Mapping[int, Sequence[int]], first: int) -> set[int]:
        """Units on a segment, the first, and on some of those near it."""
        inst, rng = self.search.instance, self._rng
        free, size = set(on[first]), rng.choice(SIZES)
        devices = sorted(self._devices(free))

        def rank(k: int) -> tuple[int, int]:
            return int(inst.way_um(devices, sorted(self._devices(on[k]))).min()), k

        others = sorted(on.keys() - {first}, key=rank)
        while others and len(free) < size:
            k = others.pop(min(len(others) - 1, int(rng.expovariate(1 / NEXT))))
            if len(free) + len(on[k]) <= size + SPARE:
                free.update(on[k])
        return free

    def _choose(
        self, free: set[int], most: int, over: Callable[[], bool], apart: Sequence[int] = ()
    ) -> bool:
        """Choose for units anew and go on from that if it costs no more; true if so.

        ``apart``: two units that are not to share a segment, if any.
        """
        before = self._slots
        money = self._cost.of(before) + most - self._now.value
        self._learned = False
        for _ in range(LESSONS):
            found = self._solve(free, over, money, apart)
            if found is None:
                break
            self._slots = found
            is_laid = not self._lay()
            self._met |= dict.fromkeys(self.columns)
            if not is_laid:
                continue
            selection = self._selection(over)
            if selection is None or selection.left_out:
                break
            if self.search.study.value(selection) > most:
                # The cable of a line is longer than that of a tree.
                break
            judged = self._judged(selection)
            if judged.verdict.holds:
                self._take(judged)
                return True
            self._learn(judged.verdict)
            self._learned = True
        self._slots = before
        return False

    def _judged(self, selection: Selection) -> _Judged:
        verdict = self.search.judged(selection, with_cuts=False)
        return _Judged(selection, verdict, self.search.study.value(selection))

    def _take(self, judged: _Judged) -> None:
        """Go on from a layout, and offer it if it is the best."""
        self._now = judged
        if judged.value < self.search.incumbent_value:
            self.search.pool |= dict.fromkeys(judged.selection.columns)
            self.search.offer(judged.selection, judged.verdict)
            self._best, self._untried = judged.selection, None

    def _solve(
        self, free: set[int], over: Callable[[], bool], money: int, apart: Sequence[int] = ()
    ) -> dict[int, int] | None:
        """Give the choice estimated to cost least, if that is no more than so much."""
        limits, model = self.search.limits, self._model
        rows = [self._cost.at_most(money)]
        if apart:
            rows += model.apart(*apart)
        self._solved += 1
        effort = limits.effort(STEP_S, over, seed=limits.seed + self._solved)
        return model.solve(self._slots, free, effort, rows=rows, least=self._cost.total)

    # -- where the walk goes on from ----------------------------------------------------------

    def _go_to_best(self) -> None:
        """Go on from the best layout, which may have been found elsewhere."""
        best = _whole(self.search)
        if best is not self._best:
            self._untried = None
        self._go_over(dict(best.backbone), best)
        self._go_on_from(self._judged(best))

    def _go_on_from(self, judged: _Judged) -> None:
        """Begin to walk from a layout, the best one or near it."""
        self._best, self._idle = _whole(self.search), 0
        self._follow(judged)

    def _follow(self, judged: _Judged) -> None:
        """Let the model estimate a layout as the judge does, and put cost into it."""
        self._now = judged
        self._slots = self._slots_in(judged.selection)
        self._estimate_as(judged.verdict)
        self._cost = EstimatedCost(self._model)
        for (_, switch), variables in self._model.at.items():
            if switch not in judged.selection.open_switches:
                self._model.model.add(sum(variables) == 0)

    def _go_over(self, built: dict[int, str], selection: Selection) -> None:
        self._built = built
        self._model = self._new_model(_homes(self.search, selection))

    def _relink(self, over: Callable[[], bool]) -> None:
        """Go on from the best layout over another backbone, or else from it as it is."""
        best = _whole(self.search)
        if self._untried is None:
            self._untried = self.search.backbone.exchanges(dict(best.backbone))
            self._rng.shuffle(self._untried)
        if not self._untried or not self._goes_over(self._untried.pop(), best, over):
            self._go_to_best()

    def _goes_over(
        self, built: dict[int, str], best: Selection, over: Callable[[], bool]
    ) -> bool:
        """Whether the best layout goes over another backbone, with changes around what is late."""
        self._go_over(built, best)
        self.columns = best.columns
        moved, most = self._selection(over), self._most(DEARER)
        if moved is None or moved.left_out or self.search.study.value(moved) > most:
            return False
        judged = self._judged(moved)
        self._go_on_from(judged)
        if judged.verdict.holds:
            self._take(judged)
            return True
        inst, unit_no = self.search.instance, self._model.unit_no
        ends = {unit_no[i] for delivery in judged.verdict.late_ns for i in inst.ends_of(delivery)}
        return bool(ends) and self._choose(self._around(ends, MENDED), most, over)


def _whole(search: Search) -> Selection:
    best = search.incumbent
    assert best is not None
    assert not best.left_out
    return best


def _homes(search: Search, best: Selection) -> dict[int, int]:
    """Switch of each unit in a layout."""
    at = {i: c.column.switch for c in best.choices for i in c.column.devices}
    return {u: at[unit[0]] for u, unit in enumerate(dict.fromkeys(search.instance.unit_of))}
