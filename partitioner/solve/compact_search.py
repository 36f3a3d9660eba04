"""A first layout by the compact model: choose ports, lay the lines, judge, learn, choose again.

After a fault only the segments near it are chosen anew, which takes a moment.
"""

from __future__ import annotations

import itertools
import sys
from collections import Counter, deque
from collections.abc import Callable, Collection, Iterable, Mapping

import numpy as np
from ortools.sat.python import cp_model

from partitioner.solve.compact_crossing import Crossing
from partitioner.solve.compact_ports import by_slot
from partitioner.solve.instance import Delivery
from partitioner.solve.master import Selection
from partitioner.solve.port_choice import NEAR, PortChoice, placed
from partitioner.solve.search import Search
from partitioner.solve.verify import Verdict

FIRST_NEAR, FEW_DEVICES = 2, 500
"""Nearest switches that a device may hang on at first, up to so many devices: the less choice, the
sooner one is made, but among many some mostly have none."""
WINDOW = 100
"""Units that ports are chosen for at a time."""
STEP = 60
"""By how many the next ones are further on: the others get another port if need be."""
MOST_FREE = 300
"""Units up to which partners of the next ones get another port as well."""
PATIENCE = 0.5
"""Units that searches without an end were for, as a share of those passed before them, above which
another beginning is sooner gone through."""
REGION = 40
"""Units that may change at once after a fault; twice as many each time that leads to nothing."""
SOLVE_S, SOLVE_PER_DEVICE_S = 3.0, 0.02
"""Longest run of the model: how long a search takes is largely chance, so another is begun then."""
WINDOW_PER_UNIT_S = 0.02
"""The same for units that are chosen for at a time."""
BETTER_S, BETTER_COUNTED_S = 0.5, 1.0
"""Seconds that a choice which moves fewer units is looked for once there is one, and
deterministic seconds of both where work is counted."""
CLEARINGS = 4
"""Parts of the ways of late deliveries that are cleared before the next judgement."""
LEAST_WORTH, MOST_WORTH = 3, 27
"""What less waiting is worth in moves, at first and at most."""
MORE_WORTH = 3
"""How much more, each time that nothing moves for it."""
REGION_PER_UNIT_S = 0.03
"""The same for the units that may change after a fault."""
LEFT_REGION = 4
"""How many times as many units may change for what could not be in time among others."""
READING_PER_UNIT_S = 0.001
"""What reading the model takes besides, for each unit in all."""
EASE = 0.02
"""Where no choice is found by the estimates: by how much more each time they may be too high."""
MOST_EASE = 0.06
LEAST_PER_DEVICE_S = 0.006
"""With less time left than so much for each device, nothing would come of it."""
FEW_LEFT_OUT = 0.3
"""Share of the devices up to which those left out count as few."""
FEW_LATE = 2
"""So many late deliveries are not worth estimates anew of what waits on the backbone."""
SOME_LATE = 1 / 30
"""Share of the devices; so many deliveries may be late where that ends a search among many."""
MOST_REPAIRS = 10
"""Choices around faults, with no fewer deliveries late, until one for all units is made again."""
LAST_FEW = 0.1
"""Share of the devices up to which those that geometry leaves out are found a place in a moment."""
MOST_UNLAID = 0.5
"""Share of all units on lines longer than allowed, in a choice for all of them, above which length
is what binds: it is hardly known before lines are laid. Elsewhere at most a third were."""
COUNTED_TRIES = 30
"""Choices made where work is counted."""


class CompactSearch(PortChoice):
    """Looks for a choice that the judge accepts, and offers it to the search."""

    def __init__(self, search: Search):
        self._backbones = search.backbone.quick_backbones()
        self._first = search.limits.seed % len(self._backbones)
        super().__init__(
            search, self._backbones[self._first], {},
            FIRST_NEAR if search.instance.n <= FEW_DEVICES else NEAR,
            may_wait=search.instance.n > WINDOW,
        )
        self._faults: set[int] = set()
        """Units on segments that something is wrong with."""
        self._size = REGION
        self._repairs = 0
        """Choices since one for all units was begun with, or since less was wrong than ever."""
        self._fewest_late = self._fewest_unlaid = sys.maxsize
        """Fewest late deliveries, and units on lines too long, since one for all was begun with."""
        self._only_late = True
        """Whether nothing is wrong with the last choice but that deliveries are late."""
        self._judged: Verdict | None = None
        """What the judge found of a choice that the model does not estimate rightly, if any."""
        self._estimated: Verdict | None = None
        """What it found of a choice that the model does estimate rightly, if any."""
        self.nearest: tuple[Selection, Verdict] | None = None
        """All segments of the choice with fewest late deliveries, and what was found of it."""
        self._turns = Counter[int]()
        """How often units were to make ways free."""
        self._worth = LEAST_WORTH
        """What less waiting on those ways is worth in moves."""
        self._late: set[Delivery] = set()
        """Deliveries known to be late in the last choice."""
        self._begun = 0
        """How often the model was made anew, each time with the next backbone."""
        self._all_have_none = True
        """Whether no backbone tried with the present estimates leaves a choice."""
        self._seed = search.limits.seed

    @staticmethod
    def has_time(search: Search) -> bool:
        """Whether there is time to make the model and to choose."""
        return search.limits.seconds_left() > LEAST_PER_DEVICE_S * search.instance.n

    def run(self, over: Callable[[], bool]) -> bool:
        """Choose until there is a layout, or it is ``over``; false too where nothing helps."""
        return self.mends(over) or self.chooses_for_all(over)

    def chooses_for_all(self, over: Callable[[], bool]) -> bool:
        """Whether a layout is found that owes nothing to geometry."""
        self._forget_choice()
        self._size = REGION
        return self._choose(over)

    def mends(self, over: Callable[[], bool]) -> bool:
        """Whether a layout is found around the few devices that the best so far leaves out.

        Lines by geometry are cheaper than those of a choice for all devices, and sooner found.
        """
        best = self.search.incumbent
        if best is None or len(best.left_out) > FEW_LEFT_OUT * self.search.instance.n:
            return False
        self._slots = self._slots_in(best)
        self._faults = set(range(len(self._model.units))) - self._slots.keys()
        return self._choose(over, mends=True)

    def _choose(self, over: Callable[[], bool], *, mends: bool = False) -> bool:
        """Choose, lay, judge and learn, around faults if there was a choice before.

        Where it only ``mends``, up to half of all units may change.
        """
        counted = self.search.limits.work_limit is not None
        devices, missing = self.search.instance.n, len(self._devices(self._faults))
        is_last_few = mends and missing <= LAST_FEW * devices
        most_unlaid = missing if is_last_few else int(MOST_UNLAID * devices)
        for _ in range(COUNTED_TRIES) if counted else itertools.count():
            if over():
                break
            if self._repairs >= MOST_REPAIRS:
                if mends:
                    break
                self._go_elsewhere()
            free = self._around(self._faults, self._size) if self._slots else None
            if self._chosen(free, over):
                self._size = REGION
                self._repairs += 1
                self._faults = self._lay()
                unlaid = len(self._devices(self._faults))
                if (mends or free is None) and unlaid > most_unlaid:
                    break
                if 0 < len(self._faults) < self._fewest_unlaid:
                    self._fewest_unlaid, self._repairs = len(self._faults), 0
                self._only_late = not self._faults
                if not self._faults:
                    if self._is_layout(over):
                        return True
                    if not self._faults:
                        break
            elif over() or not self._widen(free):
                break
            if mends and 2 * self._size > len(self._model.units):
                break
        return False

    def _chosen(self, free: set[int] | None, over: Callable[[], bool]) -> bool:
        """Whether another choice is made: for units that are free, or for all."""
        late = self._late if self._judged is None else set[Delivery]()
        if free is not None and late and self._only_late:
            return self._less_is_late(over)
        found = self._choose_all(over) if free is None else self._solve(free, over, late=late)
        self._slots = self._slots if found is None else found
        return found is not None

    def _less_is_late(self, over: Callable[[], bool]) -> bool:
        """Choose anew around what the judge found late, from one end of the machine to the other.

        What cannot be in time by what waits on the backbone now stays late until that is less; what
        stays so again has its way cleared. False if nothing changes.
        """
        rank = {u: n for n, u in enumerate(self._order())}
        inst, unit_no = self.search.instance, self._model.unit_no
        ends = {d: {unit_no[i] for i in inst.ends_of(d)} for d in self._late}
        waiting = deque(sorted(ends, key=lambda d: min((rank[u] for u in ends[d]), default=0)))
        is_less = False
        stuck = list[Delivery]()
        while waiting and not over():
            some = list[Delivery]()
            faults, free = set[int](), set[int]()
            while waiting and len(free) < 2 * self._size:
                some.append(waiting.popleft())
                faults |= ends[some[-1]]
                free = self._around(faults, self._size)
            late = self._late.difference(some)
            found = self._solve(free, over, late=late)
            if found is None and self._model.has_none and len(some) > 1:
                found = self._solve(free, over, late=late, soft=some)
            left = set(some)
            if found is not None:
                self._slots, is_less = found, True
                left &= self._model.late
            if left:
                # With more that changes around them they may be in time as well.
                late_ends = set[int]().union(*(ends[delivery] for delivery in left))
                free = self._around(late_ends, LEFT_REGION * self._size)
                found = self._solve(free, over, late=late)
                if found is not None:
                    self._slots, is_less = found, True
                else:
                    stuck += left
        again = [delivery for delivery in stuck if self._times_late[delivery] > 1]
        return (bool(again) and self._clears_the_way(again, over)) or is_less

    def _clears_the_way(self, late: Collection[Delivery], over: Callable[[], bool]) -> bool:
        """Whether something moves that late deliveries wait for on their ways.

        Those that gain most by it get another place first, with others near them; the next time it
        is others' turn.
        """
        crossings = [Crossing(self._model, delivery) for delivery in sorted(late, key=str)]
        gains = Counter[int]()
        for crossing in crossings:
            gains.update(crossing.gains())
        waiting = sorted(gains, key=lambda u: (self._turns[u], -gains[u], u))
        has_moved = False
        for _ in range(CLEARINGS):
            if not waiting or over():
                break
            some, free = set[int](), set[int]()
            for unit in self._by_distance(waiting, waiting[:1]):
                some.add(unit)
                free = self._around(some, 2 * self._size)
                if len(free) >= 2 * self._size:
                    break
            waiting = [u for u in waiting if u not in free]
            self._turns.update(free)
            excess = cp_model.LinearExpr.sum([c.excess(self._slots, free) for c in crossings])
            # What comes to be late instead is mended sooner than what keeps being late.
            anything = self._model.in_time.keys()
            found = self._solve(free, over, late=anything, excess=self._worth * excess)
            if found is not None:
                has_moved |= found != self._slots
                self._slots = found
                self._late |= self._model.late
                if self._model.excess == 0:
                    break
        if not has_moved:
            self._worth = min(MOST_WORTH, MORE_WORTH * self._worth)
        return has_moved

    def _by_distance(self, units: Iterable[int], others: Iterable[int]) -> list[int]:
        """Units by how far they are from the nearest of some others."""
        inst = self.search.instance
        near = sorted(self._devices(others))
        away = {u: int(inst.way_um(near, list(self._model.units[u])).min()) for u in units}
        return sorted(away, key=away.__getitem__)

    def _choose_all(self, over: Callable[[], bool]) -> dict[int, int] | None:
        """Choose for all units, from one end of the machine to the other.

        Those that have a turn later are kept in mind: at a switch, on no port yet. Where nothing is
        left for the next ones, they may hang further away; then their partners are chosen anew, and
        more of those before them.
        """
        order, slots, begin, back, in_vain = self._order(), dict[int, int](), 0, 0, 0
        is_other = False
        self._late = set()
        while True:
            first, end = max(0, begin - back), min(len(order), begin + WINDOW)
            free = set(order[first:end])
            if back:
                partners = self._partners(set(order[:end]) - slots.keys()) & slots.keys() - free
                # The nearest of them: a search over most of the machine seldom has an end.
                nearest = [u for u in reversed(order[:end]) if u in partners]
                free.update(nearest[: max(0, MOST_FREE - len(free))])
            waiting = set(order[end:])
            found = self._solve(free, over, slots, waiting=waiting, is_wide=True, late=self._late)
            is_none = self._model.has_none
            may_be_late = len(order) > WINDOW and self._near >= NEAR
            if found is None and may_be_late:
                found = self._choose_some_late(free, over, slots, waiting, is_none)
            if found is not None:
                slots, back, in_vain = found, 0, 0
                self._late |= self._model.late
                begin += STEP
                if end == len(order):
                    return found
            elif over():
                return None
            elif not is_none and not is_other and not may_be_late:
                self._seed += 1
                is_other = True
                continue
            elif self._near < NEAR and (back or first == 0 or not is_none):
                slots = self._look_further(slots)
            else:
                in_vain += 0 if is_none else len(free)
                if first == 0 or in_vain > PATIENCE * begin:
                    return None
                back = max(STEP, 2 * back)
            is_other = False

    def _choose_some_late(
        self,
        free: set[int],
        over: Callable[[], bool],
        slots: Mapping[int, int],
        waiting: Collection[int],
        is_none: bool,
    ) -> dict[int, int] | None:
        """Choose for the next units where no choice has all in time, or none was found.

        What streams wait for is a guess as yet, and repairs mend many late ones at once.
        """
        soft = self._model.in_time.keys() - self._late
        some = int(SOME_LATE * self.search.instance.n)
        for most_late in (FEW_LATE, some) if is_none else (some, len(soft)):
            if over():
                break
            # How long a search takes is largely chance, and the other way seldom as slow.
            self._seed += 1
            found = self._solve(
                free, over, slots, waiting=waiting, is_wide=True, late=self._late, soft=soft,
                most_late=most_late,
            )
            if found is not None:
                return found
        return None

    def _partners(self, units: Iterable[int]) -> set[int]:
        """Units that exchange streams with some."""
        inst, unit_no = self.search.instance, self._model.unit_no
        return {unit_no[i] for i in inst.ends_with(self._devices(units))}

    def _look_further(self, slots: Mapping[int, int]) -> dict[int, int]:
        """Let units hang at more switches; gives a choice as the new model has it."""
        slot_of = self._model.slots
        usual = {u: slot_of[k].switch for u, k in slots.items()}
        hanging = [(slot_of[k], units) for k, units in by_slot(slots).items()]
        self._near = NEAR
        self._model = self._new_model(usual)
        return placed(self._model, hanging)

    def _order(self) -> list[int]:
        """Units as they follow each other from one end of the machine to the other."""
        inst = self.search.instance
        at = [unit[0] for unit in self._model.units]
        end = at[int(inst.way_um(at[:1], at)[0].argmax())]
        order: list[int] = np.argsort(inst.way_um([end], at)[0], kind="stable").tolist()
        return order

    def _widen(self, free: set[int] | None) -> bool:
        """Let more units change, at last all, then over other links; false if that is all.

        Where no choice is left among fewer, estimates follow the judge first, then units may hang
        further away. When all backbones were tried, estimates may be too high by more.
        """
        if free is not None and self._model.has_none:
            if self._judged is not None:
                # What was learned of choices before may ask for too much.
                self._follow(self._judged)
                return True
            if self._near < NEAR and self._estimated is not None:
                self._slots = self._look_further(self._slots)
                self._estimate_as(self._estimated)
                return True
        is_hopeless = free is not None and len(free) == len(self._model.units)
        if free is not None and not (is_hopeless and self._model.has_none):
            self._size *= 2
            if is_hopeless:
                self._slots = {}
            return True
        self._all_have_none &= self._model.has_none
        self._begun += 1
        turn = self._begun % len(self._backbones)
        if turn == 0:
            if self._ease >= MOST_EASE and self._all_have_none:
                return False
            self._ease = min(MOST_EASE, self._ease + EASE)
            self._near += self._all_have_none
            self._all_have_none = True
        self._built = self._backbones[(self._first + turn) % len(self._backbones)]
        self._change_model()
        return True

    def _change_model(self) -> None:
        """Make the model anew, with half of the margins learned, and choose for all units."""
        self._margin_ns = {d: ns // 2 for d, ns in self._margin_ns.items()}
        self._model = self._new_model(self._switches())
        self._begin_anew()

    def _go_elsewhere(self) -> None:
        """Choose over other links, or with all that was learned if there are no others."""
        if len(self._backbones) == 1 or not self._widen(None):
            self._begin_anew()

    def _begin_anew(self) -> None:
        """Choose for all units next, from another seed."""
        self._forget_choice()
        self._judged = self._estimated = None
        self._seed += 1

    def _forget_choice(self) -> None:
        """Have the next choice made for all units."""
        self._slots, self._repairs = {}, 0
        self._turns.clear()
        self._worth = LEAST_WORTH
        self._fewest_late = self._fewest_unlaid = sys.maxsize

    def _is_layout(self, over: Callable[[], bool]) -> bool:
        """Whether the segments laid make a layout, which is offered; else learn why not."""
        selection = self._selection(over)
        if selection is None or selection.left_out:
            return False
        verdict = self.search.judged(selection, with_cuts=False)
        if verdict.holds:
            self.search.pool |= dict.fromkeys(self.columns)
            self.search.offer(selection, verdict)
        else:
            if verdict.late_ns and len(verdict.late_ns) < self._fewest_late:
                self._fewest_late, self._repairs = len(verdict.late_ns), 0
                nearest = self.nearest
                if nearest is None or len(verdict.late_ns) < len(nearest[1].late_ns):
                    self.nearest = selection, verdict
            self._faults = self._learn(verdict)
            self._only_late = bool(verdict.late_ns)
            if self._only_late:
                self._judged = verdict
            if len(verdict.late_ns) > FEW_LATE and self._estimated is None:
                self._follow(verdict)
        return verdict.holds

    def _follow(self, verdict: Verdict) -> None:
        """Let the model estimate as the judge found, and know what is late by that."""
        self._judged, self._estimated = None, verdict
        self._late = set(verdict.late_ns)
        self._estimate_as(verdict)

    def _solve(
        self,
        free: set[int],
        over: Callable[[], bool],
        slots: Mapping[int, int] | None = None,
        waiting: Collection[int] = (),
        *,
        is_wide: bool = False,
        late: Collection[Delivery] = (),
        soft: Collection[Delivery] = (),
        most_late: int | None = None,
        excess: cp_model.LinearExpr | int = 0,
    ) -> dict[int, int] | None:
        """Choose for the units that are free, the others being as in the last choice."""
        if not is_wide:
            most_s = REGION_PER_UNIT_S * max(REGION, len(free))
            most_s += READING_PER_UNIT_S * len(self._model.units)
        elif len(self._model.units) > WINDOW:
            most_s = WINDOW_PER_UNIT_S * len(free)
        else:
            most_s = SOLVE_S + SOLVE_PER_DEVICE_S * len(free)
        effort = self.search.limits.effort(
            most_s, over, seed=self._seed,
            counted_s=None if is_wide else BETTER_COUNTED_S, better_s=None if is_wide else BETTER_S,
        )
        return self._model.solve(
            self._slots if slots is None else slots, free, effort, waiting=waiting,
            is_wide=is_wide or len(self._model.units) > WINDOW, few_move=not is_wide,
            late=late, soft=soft, most_late=most_late, excess=excess,
        )
