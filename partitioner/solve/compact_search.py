"""A first layout by the compact model: choose ports, lay the lines, judge, learn, choose again.

What the model leaves out or only estimates shows when its lines are laid and judged. Each fault
becomes a row: units that no line carries together, a margin for a delivery that was late. Then only
the segments near the faults are chosen anew, which takes a moment.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from functools import partial

from partitioner.solve.columns import Column
from partitioner.solve.compact_model import CompactModel, Slot
from partitioner.solve.latency import SegmentLegs
from partitioner.solve.laying import laid_line
from partitioner.solve.master import Master, Selection
from partitioner.solve.search import Search
from partitioner.solve.verify import Delivery, Verdict

NEAR = 3
"""Nearest switches that a device may hang on at first."""
REGION = 40
"""Units that may change at once after a fault; twice as many each time that leads to nothing."""
SOLVE_S, SOLVE_PER_DEVICE_S = 6.0, 0.02
"""Longest run of the model: how long a search takes is largely chance, so another is begun then."""
EASE = 0.02
"""Where no choice is found by the estimates: by how much more each time they may be too high."""
MOST_EASE = 0.06
LEAST_PER_DEVICE_S = 0.02
"""With less time left than so much for each device, nothing would come of it."""
COUNTED_TRIES = 30
"""Choices made where work is counted."""
NO_LEGS = SegmentLegs((), (), (), 0)


class CompactSearch:
    """Looks for a choice that the judge accepts.

    Parameters
    ----------
    search
        Whose judge is used, and to which the layout is offered.
    """

    def __init__(self, search: Search):
        self.search = search
        self.columns: list[Column] = []
        """Segments of the last choice, as far as they could be laid."""
        self._backbones = search.backbone.quick_backbones()
        self._built = self._backbones[search.limits.seed % len(self._backbones)]
        self._margin_ns: dict[Delivery, int] = {}
        self._slots: dict[int, int] = {}
        """The last choice: slot by unit."""
        self._faults: set[int] = set()
        """Units on segments that something is wrong with."""
        self._size = REGION
        self._ease, self._near = 0.0, NEAR
        self._begun = 0
        """How often the model was made anew; each time another seed is used."""
        self._model = self._new_model()

    @staticmethod
    def has_time(search: Search) -> bool:
        """Whether there is time to make the model and to choose."""
        return search.limits.seconds_left() > LEAST_PER_DEVICE_S * search.instance.n

    def _new_model(self) -> CompactModel:
        search = self.search
        usual = {u: self._model.slots[k].switch for u, k in self._slots.items()}
        model = CompactModel(
            search.builder, search.backbone, self._built, self._near, usual, self._ease
        )
        for delivery, ns in self._margin_ns.items():
            model.tighten(delivery, ns)
        self._slots = {}
        return model

    def run(self, over: Callable[[], bool]) -> bool:
        """Choose until there is a layout, or it is ``over``; false too where nothing helps."""
        counted = self.search.limits.work_limit is not None
        for _ in range(COUNTED_TRIES) if counted else itertools.count():
            if over():
                break
            free = self._around(self._faults, self._size) if self._slots else None
            found = self._solve(free, over)
            if found is not None:
                self._slots, self._size = found, REGION
                self._faults = self._lay()
                if not self._faults:
                    if self._is_layout(over):
                        return True
                    if not self._faults:
                        break
            elif over() or not self._widen(free):
                break
        return False

    def _widen(self, free: set[int] | None) -> bool:
        """Let more units change, at last all, then by easier estimates; false if that is all."""
        if free is not None:
            self._size *= 2
            if len(free) == len(self._model.units):
                self._slots = {}
            return True
        if self._ease >= MOST_EASE and self._model.has_none:
            return False
        self._ease = min(MOST_EASE, self._ease + EASE)
        self._near += self._model.has_none
        self._begun += 1
        self._margin_ns = {d: ns // 2 for d, ns in self._margin_ns.items()}
        self._model = self._new_model()
        return True

    def _is_layout(self, over: Callable[[], bool]) -> bool:
        """Whether the segments laid make a layout, which is offered; else learn why not."""
        selection = self._selection(over)
        if selection is None or selection.left_out:
            return False
        verdict = self.search.judged(selection, with_cuts=False)
        if verdict.holds:
            self.search.pool.add(self.columns)
            self.search.offer(selection, verdict)
        else:
            self._faults = self._learn(verdict)
        return verdict.holds

    def _solve(self, free: set[int] | None, over: Callable[[], bool]) -> dict[int, int] | None:
        limits = self.search.limits
        most_s = SOLVE_S + SOLVE_PER_DEVICE_S * self.search.instance.n
        return self._model.solve(
            self._slots, free,
            seconds=min(most_s, max(0.05, limits.seconds_left())),
            workers=limits.workers, seed=limits.seed + 2 * self._begun, should_stop=over,
            work_limit=limits.work(most_s),
        )

    # -- laying -------------------------------------------------------------------------------

    def _on_slots(self) -> dict[int, list[int]]:
        on: dict[int, list[int]] = defaultdict(list)
        for u, k in self._slots.items():
            on[k].append(u)
        return on

    def _lay(self) -> set[int]:
        """Lay the segments chosen; gives the units on those that break a rule, and learns why."""
        model = self._model
        self.columns, faults = [], set[int]()
        for k, units in self._on_slots().items():
            slot = model.slots[k]
            column = self._laid(slot, units)
            if column is not None:
                self.columns.append(column)
                continue
            faults.update(units)
            if self._is_slow(slot, units):
                few = list(units)
                if not any(self._is_slow(slot, [u]) for u in units):
                    # Else one lacks a partner on its line, which no part of these units has.
                    few = _fewest(units, partial(self._is_slow, slot))
                # Where the line begins does not matter to that.
                model.keep_apart(few, model.slots_of(slot.grade))
            else:
                few = _fewest(units, partial(self._is_too_long, slot))
                model.keep_apart(few, model.slots_of(slot.grade, slot.switch))
        return faults

    def _is_slow(self, slot: Slot, units: Sequence[int]) -> bool:
        """Whether a line with the units is late by itself."""
        return self.search.builder.latency.line(slot.grade, self._devices(units)) is None

    def _is_too_long(self, slot: Slot, units: Sequence[int]) -> bool:
        """Whether no line laid over the units keeps the rules."""
        return self._laid(slot, units) is None

    def _devices(self, units: Iterable[int]) -> frozenset[int]:
        return frozenset(i for u in units for i in self._model.units[u])

    def _laid(self, slot: Slot, units: Sequence[int]) -> Column | None:
        devices = self._devices(units)
        if self.search.instance.grades[slot.grade].is_line:
            return laid_line(self.search.builder, slot.switch, slot.grade, devices)
        return self.search.builder.link(slot.switch, slot.grade, min(devices))

    def _selection(self, over: Callable[[], bool]) -> Selection | None:
        """Give the segments laid with ports, switches and backbone; delays are for the judge."""
        search = self.search
        master = Master(
            search.instance, search.backbone, self.columns, penalty=search.penalty,
            legs=lambda _: NO_LEGS, full_pathways=False, extend=self._extend,
        )
        return master.solve(
            seconds=max(0.05, min(SOLVE_S, search.limits.seconds_left())), workers=1,
            seed=search.limits.seed, should_stop=over, work_limit=search.limits.work(SOLVE_S),
            objective=master.left_out_expression(search.hubness),
        ).selection

    def _extend(self, master: Master) -> None:
        master.build_only(self._built)
        if self.search.study.extend is not None:
            self.search.study.extend(master)

    # -- learning -----------------------------------------------------------------------------

    def _learn(self, verdict: Verdict) -> set[int]:
        """Add rows against what the judge found; gives the units concerned."""
        inst, model = self.search.instance, self._model
        devices: set[int] = set()
        for delivery, ns in verdict.late_ns.items():
            # A margin that has not helped was much too small.
            self._margin_ns[delivery] = 2 * self._margin_ns.get(delivery, 0) + ns
            model.tighten(delivery, self._margin_ns[delivery])
            j, (device, _) = delivery
            devices.update(i for i in (inst.streams[j].source_device, device) if i is not None)
        for cut in verdict.cuts:
            if cut.homes and not cut.segments and not cut.crowds:
                model.forbid_homes(cut.homes)
                devices.update(i for i, _ in cut.homes)
        faults = {model.unit_no[i] for i in devices}
        return faults | self._learn_detours() if verdict.crowded else faults

    def _learn_detours(self) -> set[int]:
        """Keep units apart whose line runs where no way to one of its devices does."""
        model = self._model
        faults: set[int] = set()
        for k, units in self._on_slots().items():
            slot = model.slots[k]
            if len(units) > 1 and self._strays(slot, units):
                few = _fewest(units, partial(self._strays, slot))
                model.keep_apart(few, model.slots_of(slot.grade, slot.switch))
                faults.update(units)
        return faults

    def _strays(self, slot: Slot, units: Sequence[int]) -> bool:
        """Whether a line runs through a full pathway that no way to one of its devices does."""
        inst = self.search.instance
        column = self._laid(slot, units)
        if column is None:
            return False
        switch = inst.switch_ids[slot.switch]
        direct = {
            p for i in column.devices
            for p in inst.network.pathways_on(switch, inst.device_ids[i])
        }
        return not self.search.backbone.passes(column) <= direct

    def _around(self, faults: set[int], size: int) -> set[int]:
        """Units on the segments nearest to some units, so many or a few more."""
        inst, on = self.search.instance, self._on_slots()
        devices = sorted(self._devices(faults))
        there = {self._slots[u] for u in faults if u in self._slots}

        def rank(k: int) -> tuple[bool, int, int]:
            way = inst.way_um(devices, sorted(self._devices(on[k])))
            return k not in there, int(way.min()), k

        free = set(faults)
        for k in sorted(on, key=rank):
            if len(free) >= size and k not in there:
                break
            free.update(on[k])
        return free


def _fewest(units: Sequence[int], fails: Callable[[Sequence[int]], bool]) -> list[int]:
    """Few of the units that fail all the same: none can be spared."""
    few = list(units)
    for u in units:
        rest = [v for v in few if v != u]
        if rest and fails(rest):
            few = rest
    return few
