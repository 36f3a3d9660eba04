"""A port chosen for every device, and what comes of it: lay the lines, judge, learn what failed.

What the compact model leaves out or only estimates shows when its lines are laid and judged. Each
fault becomes a row: units that no line carries together, a margin for a delivery that was late.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from partitioner.solve.columns import Column
from partitioner.solve.compact_losses import LossRows
from partitioner.solve.compact_model import CompactModel
from partitioner.solve.compact_ports import Slot, by_slot
from partitioner.solve.instance import Delivery
from partitioner.solve.latency import SegmentLegs
from partitioner.solve.laying import laid_line
from partitioner.solve.master import Master, Selection
from partitioner.solve.search import Search
from partitioner.solve.verify import Verdict

NEAR = 3
"""Nearest switches that a device may hang on in any case."""
SELECT_S = 6.0
"""Longest run of the master over the segments of one choice."""
LEAST_MARGIN = 0.01
"""Share of a deadline by which one that was missed is estimated sooner at the least: less only
moves it to another choice that misses it by as little."""
NO_LEGS = SegmentLegs((), (), (), 0)


class PortChoice:
    """Ports chosen with a compact model, and the segments that come of it.

    Parameters
    ----------
    search
        Whose judge is used.
    built
        Grade by number of the backbone links that may be built.
    usual
        Switch by unit, as far as known.
    near, may_wait
        See :class:`~partitioner.solve.compact_model.CompactModel`.
    """

    def __init__(
        self, search: Search, built: Mapping[int, str], usual: Mapping[int, int],
        near: int = NEAR, may_wait: bool = False,
    ):
        self.search = search
        self.columns: list[Column] = []
        """Segments of the last choice, as far as they could be laid."""
        self._built, self._may_wait = built, may_wait
        self._near, self._ease = near, 0.0
        self._margin_ns: dict[Delivery, int] = {}
        self._times_late: Counter[Delivery] = Counter()
        """How many times running a delivery was late, as often as estimates followed the judge."""
        self._apart: list[tuple[list[int], int, int | None]] = []
        """Units that no line of a grade carries together, at one switch or at all."""
        self._slots: dict[int, int] = {}
        """The last choice: slot by unit."""
        self._model = self._new_model(usual)

    def _new_model(self, usual: Mapping[int, int]) -> CompactModel:
        """Make a model that knows what was learned."""
        search = self.search
        model = CompactModel(
            search.builder, search.backbone, self._built, self._near, usual, self._ease,
            self._may_wait,
        )
        LossRows(model)
        model.deadlines_hold(self._margin_ns)
        self._tell_apart(model)
        return model

    def _tell_apart(self, model: CompactModel) -> None:
        for units, grade, switch in self._apart:
            model.keep_apart(units, model.slots_of(grade, switch))

    def _estimate_as(self, verdict: Verdict) -> None:
        """Let the model estimate what was judged of the last choice as the judge found it."""
        model = self._model
        model.estimate_anew(self._switches(), verdict.delays.behind_ns)
        self._times_late = Counter({d: self._times_late[d] + 1 for d in verdict.late_ns})
        # With no more than last time, the next choice might be the one before.
        again_ns = {
            delivery: (times - 1) * self._least_margin_ns(delivery)
            for delivery, times in self._times_late.items() if times > 1
        }
        self._margin_ns = model.margins_ns(self._slots, verdict.delays.total_ns, again_ns)
        model.deadlines_hold(self._margin_ns)
        self._tell_apart(model)

    def _switches(self) -> dict[int, int]:
        """Switch by unit in the last choice."""
        return {u: self._model.slots[k].switch for u, k in self._slots.items()}

    def _slots_in(self, selection: Selection) -> dict[int, int]:
        """Slot by unit in a layout, without units that the model does not let hang there."""
        unit_no = self._model.unit_no
        return placed(
            self._model,
            (
                (
                    Slot(c.column.switch, c.column.grade, c.port),
                    {unit_no[i] for i in c.column.devices},
                )
                for c in selection.choices
            ),
        )

    # -- laying -------------------------------------------------------------------------------

    def _lay(self) -> set[int]:
        """Lay the segments chosen; gives the units on those that break a rule, and learns why."""
        model = self._model
        self.columns, faults = [], set[int]()
        for k, units in by_slot(self._slots).items():
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
                self._keep_apart(few, slot.grade, None)
            else:
                few = _fewest(units, partial(self._is_too_long, slot))
                self._keep_apart(few, slot.grade, slot.switch)
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
        effort = replace(search.limits.effort(SELECT_S, over), workers=1)
        fewest_out = master.left_out_expression(search.hubness)
        return master.solve(effort, objective=fewest_out).selection

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
            before = self._margin_ns.get(delivery, 0)
            # A margin that has not helped was much too small; one below zero is none.
            more_ns = max(ns, self._least_margin_ns(delivery))
            self._margin_ns[delivery] = max(before, 2 * before) + more_ns
            model.tighten(delivery, self._margin_ns[delivery])
            devices.update(inst.ends_of(delivery))
        for cut in verdict.cuts:
            if cut.homes and not cut.segments:
                model.forbid_homes(cut.homes)
                devices.update(i for i, _ in cut.homes)
        faults = {model.unit_no[i] for i in devices}
        return faults | self._learn_detours() if verdict.crowded else faults

    def _least_margin_ns(self, delivery: Delivery) -> int:
        return int(LEAST_MARGIN * self.search.instance.streams[delivery[0]].limit_ns)

    def _learn_detours(self) -> set[int]:
        """Keep units apart whose line runs where no way to one of its devices does."""
        model = self._model
        faults: set[int] = set()
        for k, units in by_slot(self._slots).items():
            slot = model.slots[k]
            if len(units) > 1 and self._strays(slot, units):
                few = _fewest(units, partial(self._strays, slot))
                self._keep_apart(few, slot.grade, slot.switch)
                faults.update(units)
        return faults

    def _keep_apart(self, units: list[int], grade: int, switch: int | None) -> None:
        self._apart.append((units, grade, switch))
        self._model.keep_apart(units, self._model.slots_of(grade, switch))

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
        inst, on = self.search.instance, by_slot(self._slots)
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


def placed(
    model: CompactModel, segments: Iterable[tuple[Slot, Iterable[int]]]
) -> dict[int, int]:
    """Slot by unit, each segment on a slot of its own, as far as the model has them."""
    free: dict[Slot, list[int]] = defaultdict(list)
    for k, slot in enumerate(model.slots):
        free[slot].append(k)
    slots: dict[int, int] = {}
    for slot, units in segments:
        if free[slot]:
            k = free[slot].pop()
            slots |= {u: k for u in units if (u, k) in model.hangs}
    return slots
