"""The choice of a port for each device as a CP-SAT model, with the rules that need no delays.

A row for each rule, over a choice of port for each unit: a device, or a group that must be
together. There are no segments: only what hangs on a port.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from ortools.sat.python import cp_model

from partitioner.solve.arrays import Bools, Ints
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.kept import kept

Expr = cp_model.LinearExpr
Var = cp_model.IntVar


@dataclass(frozen=True, slots=True)
class Slot:
    """One port of a class, for one segment."""

    switch: int
    grade: int
    port: int


def by_slot(slots: Mapping[int, int]) -> dict[int, list[int]]:
    """Units on each slot of a choice."""
    on: dict[int, list[int]] = defaultdict(list)
    for u, k in slots.items():
        on[k].append(u)
    return on


class PortModel:
    """A port for each unit, as the rules allow it.

    Parameters
    ----------
    built
        Grade by number of the backbone links that streams go over; others are not there.
    near
        Each unit may hang on so many switches, those nearest to it that it can hang on.
    usual
        Switch by unit, as far as known; else the nearest counts.
    may_wait
        Whether units may be searched for that are at a switch, their port to be chosen later.
    """

    def __init__(
        self,
        builder: ColumnBuilder,
        backbone: BackboneData,
        built: Mapping[int, str],
        near: int,
        usual: Mapping[int, int],
        may_wait: bool = False,
    ):
        self.builder, self.backbone, self.built = builder, backbone, built
        inst = self.instance = builder.instance
        self.units = list(dict.fromkeys(inst.unit_of))
        self.unit_no = {i: u for u, unit in enumerate(self.units) for i in unit}
        self.model = cp_model.CpModel()
        self.slots: list[Slot] = []
        self.hangs: dict[tuple[int, int], Var] = {}
        """By unit and slot."""
        self.on_slot: dict[int, dict[int, Var]] = defaultdict(dict)
        self.at: dict[tuple[int, int], list[Var]] = defaultdict(list)
        """By unit and switch: where it may hang there."""
        self.waits: dict[tuple[int, int], Var] = {}
        """By unit and switch: whether it is there on a port that is chosen later."""
        self.switch_of = dict(usual)
        """Switch by unit: where it usually is."""
        self._anywhere_at: dict[tuple[int, int], Var] = {}
        """By unit and switch with several slots for it: whether it is on one of them."""
        self._make_variables(near, may_wait)
        self._ports_suffice()
        self._lines_hold_their_devices()
        self._switches_hold_their_devices()
        self._pathways_hold_the_segments()

    # -- variables ----------------------------------------------------------------------------

    def _make_variables(self, near: int, may_wait: bool) -> None:
        inst, model = self.instance, self.model
        homes = [
            self._homes(unit, near, self.switch_of.get(u)) for u, unit in enumerate(self.units)
        ]
        self.homes = [frozenset(pairs) for pairs in homes]
        """By unit: switches and grades that it may have a segment at."""
        nearest = {u: pairs[0][0] for u, pairs in enumerate(homes) if pairs}
        self.switch_of = nearest | self.switch_of
        offered: dict[tuple[int, int], list[int]] = defaultdict(list)
        for u, pairs in enumerate(homes):
            for pair in pairs:
                offered[pair].append(u)
        choices: dict[int, list[Var]] = defaultdict(list)
        for p, port in enumerate(inst.port_classes):
            here = offered[port.switch, port.grade]
            for _ in range(min(port.count, len(here))):
                k = len(self.slots)
                self.slots.append(Slot(port.switch, port.grade, p))
                for u in here:
                    var = model.new_bool_var(f"unit {u} on {k}")
                    self.hangs[u, k] = self.on_slot[k][u] = var
                    self.at[u, port.switch].append(var)
                    choices[u].append(var)
        for u, pairs in enumerate(homes) if may_wait else ():
            for s in dict.fromkeys(s for s, _ in pairs):
                var = model.new_bool_var(f"unit {u} waits at {s}")
                self.waits[u, s] = var
                self.at[u, s].append(var)
                choices[u].append(var)
        for u in range(len(self.units)):
            model.add_exactly_one(choices[u])

    def _homes(
        self, unit: Sequence[int], near: int, usual: int | None
    ) -> list[tuple[int, int]]:
        """Switches and grades at which a unit can have a segment of its own, the nearest.

        The usual switch is among them wherever it is.
        """
        inst, builder = self.instance, self.builder
        away = inst.switch_um[:, list(unit)].min(axis=1)
        found: list[tuple[int, int]] = []
        switches: set[int] = set()
        for s in np.argsort(away, kind="stable").tolist():
            if len(switches) >= near and s != usual:
                continue
            for g in range(len(inst.grades)):
                if (s, g) not in inst.ports_of:
                    continue
                if inst.grades[g].is_line:
                    # A line that is too slow alone may do together with a partner.
                    reach = int(away[s]) + builder.slack_alone_um()
                    fits = (
                        builder.set_allowed(g, frozenset(unit))
                        and all(inst.may_hang[i, s] for i in unit)
                        and reach <= inst.grades[g].max_length_um
                    )
                else:
                    fits = len(unit) == 1 and builder.link(s, g, unit[0]) is not None
                if fits:
                    found.append((s, g))
                    switches.add(s)
        return found

    def is_line(self, k: int) -> bool:
        """Whether the segment on a slot is a line."""
        return self.instance.grades[self.slots[k].grade].is_line

    # -- rules --------------------------------------------------------------------------------

    def _ports_suffice(self) -> None:
        """A port has one segment of one of its grades, and a link carries one device."""
        inst = self.instance
        groups: dict[tuple[int, int], list[int]] = defaultdict(list)
        for k, slot in enumerate(self.slots):
            groups[slot.switch, inst.port_classes[slot.port].group].append(k)
            if not self.is_line(k):
                self.model.add_at_most_one(self.on_slot[k].values())
        for slots in groups.values():
            count = inst.port_classes[self.slots[slots[0]].port].count
            if len(slots) <= count:
                continue
            used = []
            for k in slots:
                here = list(self.on_slot[k].values())
                if self.is_line(k):
                    used.append(self.any_of(here))
                else:
                    used += here
            self.model.add(Expr.sum(used) <= count)

    def any_of(self, variables: Iterable[Var]) -> Var:
        """Add a variable that is true if one of the others is."""
        whole = self.model.new_bool_var("")
        for var in variables:
            self.model.add_implication(var, whole)
        return whole

    def _lines_hold_their_devices(self) -> None:
        """A line keeps its limits of nodes, loads and failures, and those on it may share one."""
        inst = self.instance
        for k, here in self.on_slot.items():
            if not self.is_line(k):
                continue
            g = self.slots[k].grade
            data = inst.grades[g]
            load = self.builder.latency.least(g).load_ppm
            for each, most in (
                (np.ones(inst.n, dtype=np.int64), data.max_devices),
                (inst.unit_mul, data.unit_cap_mul),
                (load, data.load_cap_ppm),
                *((self._marked(members), cap) for members, cap in inst.loss_caps),
            ):
                self._cap({u: int(each[list(self.units[u])].sum()) for u in here}, here, most)
            for u, v in self._apart(self.slots[k].switch, g):
                self.model.add_at_most_one(here[u], here[v])

    def _marked(self, members: Sequence[int]) -> Ints:
        marked: Ints = np.zeros(self.instance.n, dtype=np.int64)
        marked[list(members)] = 1
        return marked

    def _cap(self, taken: Mapping[int, int], here: Mapping[int, Var], most: int) -> None:
        if sum(taken.values()) > most:
            counted = [u for u in here if taken[u]]
            self.model.add(
                Expr.weighted_sum([here[u] for u in counted], [taken[u] for u in counted]) <= most
            )

    @kept
    def _apart(self, switch: int, grade: int) -> list[tuple[int, int]]:
        """Pairs of units that no line of the grade at the switch carries both."""
        inst = self.instance
        units = [u for u in range(len(self.units)) if (switch, grade) in self.homes[u]]
        first = [self.units[u][0] for u in units]
        apart = inst.too_far_apart(switch, grade, first) | inst.conflict[np.ix_(first, first)]
        for a, u in enumerate(units):
            if len(self.units[u]) > 1:
                clash: Bools = np.any(inst.conflict[list(self.units[u])], axis=0)
                apart[a] |= [bool(clash[list(self.units[v])].any()) for v in units]
        return [
            (units[a], units[b]) for a, b in np.argwhere(np.triu(apart | apart.T, 1)).tolist()
        ]

    def _switches_hold_their_devices(self) -> None:
        """Groups apart and failure rules keep to their numbers at each switch."""
        inst = self.instance
        rules = [*inst.loss_caps, *((members, 1) for members in inst.apart_switch)]
        for members, cap in rules:
            for s in range(inst.switch_count):
                there = [var for i in members for var in self.at[self.unit_no[i], s]]
                if len({self.unit_no[i] for i in members if self.at[self.unit_no[i], s]}) > cap:
                    self.model.add(Expr.sum(there) <= cap)

    def _pathways_hold_the_segments(self) -> None:
        """No more cables run through a pathway than fit, segments by the ways to their devices."""
        inst, caps = self.instance, Counter(self.backbone.pathway_caps)
        caps.subtract(p for index in self.built for p in self.backbone.link_passes(index))
        through: dict[str, list[Var]] = defaultdict(list)
        for k, here in self.on_slot.items() if caps else ():
            switch = inst.switch_ids[self.slots[k].switch]
            inside: dict[str, list[Var]] = defaultdict(list)
            for u, var in here.items():
                passed = dict.fromkeys(
                    p for i in self.units[u]
                    for p in inst.network.pathways_on(switch, inst.device_ids[i]) if p in caps
                )
                for p in passed:
                    inside[p].append(var)
            for p, variables in inside.items():
                through[p] += [self.any_of(variables)] if self.is_line(k) else variables
        for p, variables in through.items():
            if len(variables) > caps[p]:
                self.model.add(Expr.sum(variables) <= caps[p])

    # -- where a device is -------------------------------------------------------------------

    def ends(self, device: int | None, switch: int) -> dict[int, Var | None]:
        """Switches that one end of a stream may be at, with whether it is; None: it is."""
        if device is None:
            return {switch: None}
        return {
            s: self._is_at(self.unit_no[device], s)
            for s in range(self.instance.switch_count) if self.at[self.unit_no[device], s]
        }

    def _is_at(self, unit: int, switch: int) -> Var:
        there = self.at[unit, switch]
        if len(there) == 1:
            return there[0]
        if (unit, switch) not in self._anywhere_at:
            self._anywhere_at[unit, switch] = whole = self.any_of(there)
            self.model.add_bool_or(whole.negated(), *there)
        return self._anywhere_at[unit, switch]

    # -- what was refuted ---------------------------------------------------------------------

    def slots_of(self, grade: int, switch: int | None = None) -> list[int]:
        """Slots of a grade, at one switch or at all."""
        return [
            k for k, slot in enumerate(self.slots)
            if slot.grade == grade and switch in (None, slot.switch)
        ]

    def keep_apart(self, units: Iterable[int], slots: Iterable[int]) -> None:
        """Some units do not come together on any of the slots."""
        numbers = list(units)
        for k in slots:
            here = [self.hangs.get((u, k)) for u in numbers]
            if all(v is not None for v in here):
                self.model.add_bool_or(v.negated() for v in here if v is not None)

    def apart(self, one: int, other: int) -> Iterable[cp_model.BoundedLinearExpression]:
        """Rows for one search: two units do not share a slot."""
        for here in self.on_slot.values():
            if one in here and other in here:
                row = Expr.sum([here[one], here[other]]) <= 1
                assert isinstance(row, cp_model.BoundedLinearExpression)
                yield row

    def forbid_homes(self, homes: Iterable[tuple[int, int]]) -> None:
        """Not all of some devices are at the switches given with them."""
        literals = []
        for i, s in homes:
            if not self.at[self.unit_no[i], s]:
                return
            literals.append(self._is_at(self.unit_no[i], s).negated())
        self.model.add_bool_or(literals)
