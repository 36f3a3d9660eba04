"""The compact model: which port each device's segment hangs on, without the segments themselves.

A row for each rule, over a choice of port for each unit (a device, or a group that must be
together). Delays of legs are estimated (:class:`LegEstimates`), and cable only where pathways are
full, so that what comes out has to be laid and judged; what that refutes comes back as a row. There
are far fewer choices than segments, and a solver finds one in seconds where many deadlines are
tight.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import networkx as nx
import numpy as np
from ortools.sat.python import cp_model

from partitioner.solve.arrays import Bools, Ints
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.cpsat import Effort, run
from partitioner.solve.delays import Behind
from partitioner.solve.instance import Delivery
from partitioner.solve.kept import kept
from partitioner.solve.leg_estimates import PORT_ROUNDS, LegEstimates
from partitioner.timing.constants import PCPS
from partitioner.timing.frames import slot_on_link_ns
from partitioner.units import ceil_div

Expr = cp_model.LinearExpr
Var = cp_model.IntVar

SEARCHES = ("no_lp", "quick_restart_no_lp")
"""Searches of CP-SAT by worker: linear relaxations tell little of who shares a line; see the
optimiser's page."""
LEAST_SEARCHES = ("default_lp", "no_lp")
"""The same where something is to be least, of few units."""
STEP_NS = 100
"""Delays are counted in steps of so much: rows over whole nanoseconds are slow to work with."""
FAR = 100
"""What a unit that changes its line counts, and so much more where it goes as far as a line is.
Where an excess is to get less too, a step of it counts one."""
MOST_STEPS = 2**40
"""More steps than any leg takes."""
MARGINS_S = 5.0
"""Longest look at what the model estimates of a choice."""


def _fix(model: cp_model.CpModel, var: Var, value: int) -> None:
    """Let a variable of 0 or 1 have one value: a row to say so costs presolve a quarter more."""
    model.proto.variables[var.index].domain[1 - value] = value


@dataclass(frozen=True, slots=True)
class Slot:
    """One port of a class, for one segment."""

    switch: int
    grade: int
    port: int


def steps(ns: int) -> int:
    """Steps that a delay takes, rounded up."""
    return ceil_div(ns, STEP_NS)


def by_slot(slots: Mapping[int, int]) -> dict[int, list[int]]:
    """Units on each slot of a choice."""
    on: dict[int, list[int]] = defaultdict(list)
    for u, k in slots.items():
        on[k].append(u)
    return on


class CompactModel:
    """The choice of a port for each unit as a CP-SAT model.

    Parameters
    ----------
    built
        Grade by number of the backbone links that streams go over; others are not there.
    near
        Each unit may hang on so many switches, those nearest to it that it can hang on.
    usual
        Switch by unit, as far as known, for what waits on the backbone; else the nearest counts.
    ease
        Share by which estimates may be above the limits, since they may be too high.
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
        ease: float,
        may_wait: bool = False,
    ):
        self.builder, self.backbone, self.built = builder, backbone, built
        inst = self.instance = builder.instance
        self.units = list(dict.fromkeys(inst.unit_of))
        self.unit_no = {i: u for u, unit in enumerate(self.units) for i in unit}
        self.model = cp_model.CpModel()
        self.has_none = False
        """Whether the last search ended with the proof that there is no choice."""
        self.late: set[Delivery] = set()
        """Deliveries that the last search left late."""
        self.excess = 0
        """What the last search left of an excess that it was to take away."""
        self._ease = ease
        self._behind_ns: Behind = {}
        """What waits on the backbone as an analysis found it, once there was one."""
        self.slots: list[Slot] = []
        self.hangs: dict[tuple[int, int], Var] = {}
        """By unit and slot."""
        self.on_slot: dict[int, dict[int, Var]] = defaultdict(dict)
        self.at: dict[tuple[int, int], list[Var]] = defaultdict(list)
        """By unit and switch: where it may hang there."""
        self.waits: dict[tuple[int, int], Var] = {}
        """By unit and switch: whether it is there on a port that is chosen later."""
        self.in_time: dict[Delivery, Var] = {}
        """By delivery: whether it is in time; a search may leave some late for the time being."""
        self._anywhere_at: dict[tuple[int, int], Var] = {}
        """By unit and switch with several slots for it: whether it is on one of them."""
        self._margin_of: dict[Delivery, int] = {}
        """Margins that deliveries have now, in ns."""
        self._switch_of = dict(usual)
        self._make_variables(near, may_wait)
        self._ports_suffice()
        self._lines_hold_their_devices()
        self._switches_hold_their_devices()
        self._pathways_hold_the_segments()
        self._make_legs()

    # -- variables ----------------------------------------------------------------------------

    def _make_variables(self, near: int, may_wait: bool) -> None:
        inst, model = self.instance, self.model
        homes = [
            self._homes(unit, near, self._switch_of.get(u)) for u, unit in enumerate(self.units)
        ]
        self.homes = [frozenset(pairs) for pairs in homes]
        """By unit: switches and grades that it may have a segment at."""
        nearest = {u: pairs[0][0] for u, pairs in enumerate(homes) if pairs}
        self._switch_of = nearest | self._switch_of
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

    def _is_line(self, k: int) -> bool:
        return self.instance.grades[self.slots[k].grade].is_line

    # -- rules --------------------------------------------------------------------------------

    def _ports_suffice(self) -> None:
        """A port has one segment of one of its grades, and a link carries one device."""
        inst = self.instance
        groups: dict[tuple[int, int], list[int]] = defaultdict(list)
        for k, slot in enumerate(self.slots):
            groups[slot.switch, inst.port_classes[slot.port].group].append(k)
            if not self._is_line(k):
                self.model.add_at_most_one(self.on_slot[k].values())
        for slots in groups.values():
            count = inst.port_classes[self.slots[slots[0]].port].count
            if len(slots) <= count:
                continue
            used = []
            for k in slots:
                here = list(self.on_slot[k].values())
                if self._is_line(k):
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
            if not self._is_line(k):
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
                passed = {
                    p for i in self.units[u]
                    for p in inst.network.pathways_on(switch, inst.device_ids[i]) if p in caps
                }
                for p in passed:
                    inside[p].append(var)
            for p, variables in inside.items():
                through[p] += [self.any_of(variables)] if self._is_line(k) else variables
        for p, variables in through.items():
            if len(variables) > caps[p]:
                self.model.add(Expr.sum(variables) <= caps[p])

    # -- delays -------------------------------------------------------------------------------

    def _make_legs(self) -> None:
        """Delay of each leg by what hangs on its segment, in steps."""
        streams = self.instance.streams
        self.up: dict[int, Var] = {}
        self.down: dict[tuple[int, int], Var] = {}
        for j, stream in enumerate(streams):
            # Deadlines have rows of their own; estimates may be above them.
            most = steps(2 * stream.limit_ns)
            if stream.source_device is not None:
                self.up[j] = self.model.new_int_var(0, most, f"up {j}")
            for target in stream.targets:
                if target.device is not None:
                    self.down[j, target.device] = self.model.new_int_var(0, most, f"down {j}")
        self.estimates = {
            g: LegEstimates(self.builder.latency, g) for g in self.instance.line_grades
        }
        for k in range(len(self.slots)):
            if self._is_line(k):
                self._legs_on_line(k)
            else:
                self._legs_on_link(k)
        self._legs_while_waiting()

    def _legs_while_waiting(self) -> None:
        """Who waits for a port has the legs it would have alone, on any grade it can have.

        Not if it hears another that may be on its line: what comes from there takes no port.
        """
        streams = self.instance.streams
        for (u, _), var in self.waits.items():
            if self._may_hear_on_its_line(u):
                continue
            for (j, i), ns in self._least_legs(u).items():
                leg = self.up[j] if streams[j].source_device == i else self.down[j, i]
                self.model.add(leg >= steps(ns)).only_enforce_if(var)

    @kept
    def _may_hear_on_its_line(self, unit: int) -> bool:
        inst = self.instance
        sources = {
            inst.streams[j].source_device for i in self.units[unit] for j in inst.received_by[i]
        }
        return any(
            i is not None and self._line_grades(unit) & self._line_grades(self.unit_no[i])
            for i in sources
        )

    def _line_grades(self, unit: int) -> frozenset[int]:
        return frozenset(g for _, g in self.homes[unit] if self.instance.grades[g].is_line)

    @kept
    def _least_legs(self, unit: int) -> dict[tuple[int, int], int]:
        """By stream and device of a unit, in ns."""
        least: dict[tuple[int, int], int] = {}
        for g in {g for _, g in self.homes[unit]}:
            for i in self.units[unit]:
                for j, ns in self.builder.latency.alone(g, i) or ():
                    least[j, i] = min(least.get((j, i), ns), ns)
        return least

    def _legs_on_link(self, k: int) -> None:
        grade = self.slots[k].grade
        for u, var in self.on_slot[k].items():
            i = self.units[u][0]
            for j, ns in self.builder.latency.alone(grade, i) or ():
                is_own = self.instance.streams[j].source_device == i
                leg = self.up[j] if is_own else self.down[j, i]
                self.model.add(leg >= steps(ns)).only_enforce_if(var)

    def _legs_on_line(self, k: int) -> None:
        inst, here = self.instance, self.on_slot[k]
        estimate = self.estimates[self.slots[k].grade]
        coming = self._coming(k)
        taken: dict[int, Var] = {}

        def others(turns: int) -> Var:
            """What all devices there add to a leg that waits so many rounds."""
            if turns not in taken:
                adds = estimate.adds(turns)
                each = [steps(int(adds[list(self.units[u])].sum())) for u in here]
                taken[turns] = self.model.new_int_var(0, sum(each), "")
                self.model.add(taken[turns] == Expr.weighted_sum(list(here.values()), each))
            return taken[turns]

        longest: Var | Expr | int = self._most_of(
            {j: (var, steps(estimate.slot(j))) for j, var in coming.items()}
        )
        total = Expr.weighted_sum(
            list(coming.values()), [steps(estimate.slot(j)) for j in coming]
        )
        if coming:
            slots = {j for u in here for i in self.units[u] for j in inst.sent_by[i]} | set(coming)
            most = steps(estimate.deferral(max(estimate.slot(j) for j in slots)))
            longest = longest + self._less_of(total - longest, most)
        for u, var in here.items():
            for i in self.units[u]:
                for j in inst.sent_by[i]:
                    turns = estimate.rounds_up(j)
                    own = steps(estimate.up(j)) - steps(int(estimate.adds(turns)[i]))
                    port = longest if turns == 1 else total
                    self.model.add(
                        self.up[j] >= others(turns) + port + own
                    ).only_enforce_if(var)
        legs = {pcp: self._leg_from_port(k, coming, pcp, others(PORT_ROUNDS))
                for pcp in {inst.streams[j].pcp for j in coming}}
        for j, var in coming.items():
            for target in inst.streams[j].targets:
                if target.device is not None and (u := self.unit_no[target.device]) in here:
                    down = self.down[j, target.device]
                    self.model.add(down >= legs[inst.streams[j].pcp]).only_enforce_if(var, here[u])

    def _leg_from_port(self, k: int, coming: Mapping[int, Var], pcp: int, others: Var) -> Var:
        """Leg from the port of a line of what it sends with a PCP, if it does."""
        streams, estimate = self.instance.streams, self.estimates[self.slots[k].grade]
        each = {j: steps(estimate.down_each(j)) for j in coming}
        ahead = [j for j in coming if streams[j].pcp >= pcp]
        below = {j: (coming[j], each[j]) for j in coming if streams[j].pcp < pcp}
        least = Expr.weighted_sum([coming[j] for j in ahead], [each[j] for j in ahead])
        least += others + steps(estimate.down_once) + self._most_of(below)
        leg = self.model.new_int_var(0, MOST_STEPS, "")
        self.model.add(leg >= least)
        return leg

    def _coming(self, k: int) -> dict[int, Var]:
        """Streams that the port of a line may send, with whether it does."""
        inst, here, switch = self.instance, self.on_slot[k], self.slots[k].switch
        hears: dict[int, set[int]] = defaultdict(set)
        for u in here:
            for i in self.units[u]:
                for j in inst.received_by[i]:
                    hears[j].add(u)
        coming = {}
        for j, units in hears.items():
            source = inst.streams[j].source_device
            sender = None if source is None else self.unit_no[source]
            there = []
            if sender is not None and sender in here:
                there.append(here[sender])
                if (sender, switch) in self.waits:
                    # It may get a place on this very line.
                    there.append(self.waits[sender, switch])
            if not there and len(units) == 1:
                coming[j] = here[next(iter(units))]
            else:
                coming[j] = sent = self.model.new_bool_var(f"stream {j} into {k}")
                for u in units - {sender}:
                    self.model.add_bool_or(here[u].negated(), sent, *there)
                for is_there in there:
                    self.model.add_implication(sent, is_there.negated())
                self.model.add_bool_or(sent.negated(), *(here[u] for u in units))
        return coming

    def _most_of(self, parts: Mapping[int, tuple[Var, int]]) -> Var | int:
        """The most of the amounts that count."""
        if not parts:
            return 0
        most = self.model.new_int_var(0, max(amount for _, amount in parts.values()), "")
        for var, amount in parts.values():
            self.model.add(most >= amount).only_enforce_if(var)
        return most

    def _less_of(self, amount: Expr, most: int) -> Var | int:
        """Give an amount, or ``most`` where it is more."""
        if not most:
            return 0
        less = self.model.new_int_var(0, most, "")
        is_all = self.model.new_bool_var("")
        self.model.add(less >= amount).only_enforce_if(is_all)
        self.model.add(less >= most).only_enforce_if(is_all.negated())
        return less

    def hop_ns(self, stream: int, start: int, end: int) -> int:
        """Time from the port a frame comes in by to the one it leaves by, behind others, in ns."""
        bare = self.backbone.hop_function(stream, self.built)(start, end)
        pcp = self.instance.streams[stream].pcp
        wait = 0
        for link in pairwise(self.ways.get((start, end), ())):
            if link in self.crossing:
                waits, added = self.crossing[link]
                wait += waits[pcp] - added.get(stream, 0)
        return bare + wait

    @cached_property
    def ways(self) -> dict[tuple[int, int], list[int]]:
        """Switches passed from one to another over the links built."""
        graph = nx.Graph(self.backbone.links[k].ends for k in self.built)
        return {
            (s, t): way
            for s, ways in nx.all_pairs_shortest_path(graph) for t, way in ways.items()
        }

    @cached_property
    def passed(self) -> dict[tuple[int, int], frozenset[tuple[int, int]]]:
        """Links passed from one switch to another, with their direction."""
        return {ends: frozenset(pairwise(way)) for ends, way in self.ways.items()}

    @cached_property
    def crossing(self) -> dict[tuple[int, int], tuple[list[int], dict[int, int]]]:
        """By link and direction: wait behind all that crosses, by PCP, and what each stream adds.

        As far as devices are where they usually are.
        """
        added: dict[tuple[int, int], dict[int, int]] = defaultdict(dict)
        for j, stream in enumerate(self.instance.streams):
            start = self.usual(stream.source_device, stream.source_switch)
            for target in stream.targets:
                way = self.ways.get((start, self.usual(target.device, target.switch)), ())
                for link in pairwise(way):
                    added[link][j] = self.slot_ns(j, link)
        return {
            link: (self._waits(frames, self._behind_ns.get(link, {})), frames)
            for link, frames in added.items()
        }

    def slot_ns(self, stream: int, link: tuple[int, int]) -> int:
        """Time of a frame on a backbone link, with the gap after it."""
        rate_bps = self._rates_bps[frozenset(link)]
        return slot_on_link_ns(self.instance.streams[stream].frame_bytes, rate_bps)

    @cached_property
    def _rates_bps(self) -> dict[frozenset[int], int]:
        """By the ends of each backbone link."""
        grades = self.instance.problem.catalogue.grades
        return {
            frozenset(self.backbone.links[k].ends): grades[g].rate_bps
            for k, g in self.built.items()
        }

    def _waits(self, frames: Mapping[int, int], found: Mapping[int, int]) -> list[int]:
        """Wait by PCP as found, else behind one frame each as urgent, and the longest other."""
        streams = self.instance.streams
        waits = [0] * PCPS
        above = 0
        for pcp in reversed(range(PCPS)):
            one_each = sum(ns for j, ns in frames.items() if streams[j].pcp >= pcp)
            one_each += max((ns for j, ns in frames.items() if streams[j].pcp < pcp), default=0)
            # Who is less urgent waits no less.
            waits[pcp] = above = max(above, found.get(pcp, one_each))
        return waits

    def usual(self, device: int | None, switch: int) -> int:
        """Switch at which an end of a stream usually is, -1 if that is not known."""
        return switch if device is None else self._switch_of.get(self.unit_no[device], -1)

    def deadlines_hold(self, margin_ns: Mapping[Delivery, int]) -> None:
        """Legs and the hops between add up to no more than the deadline less a margin."""
        self._without_deadlines = self.model.clone(), dict(self._anywhere_at)
        for j, stream in enumerate(self.instance.streams):
            for target in stream.targets:
                self.in_time[j, target.key] = self.model.new_bool_var("")
                self.tighten((j, target.key), margin_ns.get((j, target.key), 0))

    def estimate_anew(self, usual: Mapping[int, int], behind_ns: Behind) -> None:
        """Take other waits on the backbone; deadlines are to be told again.

        What was refuted since they were told is forgotten with them.
        """
        bare, self._anywhere_at = self._without_deadlines
        self.model = bare.clone()
        self._switch_of |= usual
        self._behind_ns = behind_ns
        self.__dict__.pop("crossing", None)

    def margins_ns(
        self,
        slots: Mapping[int, int],
        total_ns: Mapping[Delivery, int | None],
        again_ns: Mapping[Delivery, int],
    ) -> dict[Delivery, int]:
        """Margins by which the estimates allow what an analysis found in time, and only that.

        Where an estimate is too high, the margin is below zero. Of what was late before as well,
        ``again_ns`` more is asked for, and so much in any case that it is late by the estimate too;
        the latter also of what has no bound.
        To be asked before :meth:`deadlines_hold`.
        """
        model = self.model.clone()
        for (u, k), var in self.hangs.items():
            _fix(model, var, int(slots.get(u) == k))
        for var in self.waits.values():
            _fix(model, var, 0)
        legs = [*self.up.values(), *self.down.values()]
        model.minimize(Expr.sum(legs))
        found = run(model, legs, Effort(MARGINS_S), short_presolve=True)
        if found.values is None:
            return {}
        leg_ns = {v.index: STEP_NS * n for v, n in zip(legs, found.values, strict=True)}
        margins: dict[Delivery, int] = {}
        for delivery, ns in total_ns.items():
            limit_ns = self.instance.streams[delivery[0]].limit_ns
            eased_ns = self._eased_ns(limit_ns)
            early_ns = eased_ns - self._estimate_ns(delivery, slots, leg_ns)
            is_late = ns is None or ns > limit_ns
            if is_late and early_ns >= 0:
                # No ease is left to what is late.
                margins[delivery] = eased_ns - limit_ns + (0 if ns is None else ns - limit_ns)
                if ns is None or delivery in again_ns:
                    more_ns = margins[delivery] + again_ns.get(delivery, 0)
                    margins[delivery] = max(more_ns, early_ns + STEP_NS)
            elif not is_late and early_ns < 0:
                margins[delivery] = early_ns
        return margins

    def _estimate_ns(
        self, delivery: Delivery, slots: Mapping[int, int], leg_ns: Mapping[int, int]
    ) -> int:
        """Legs, by number of the variable, and the hop between, if there is one."""
        j, (device, end) = delivery
        stream = self.instance.streams[j]
        source, start = stream.source_device, stream.source_switch
        estimate = 0
        if source is not None:
            estimate += leg_ns[self.up[j].index]
            if device is not None and slots[self.unit_no[source]] == slots[self.unit_no[device]]:
                return estimate
            start = self.slots[slots[self.unit_no[source]]].switch
        if device is not None:
            estimate += leg_ns[self.down[j, device].index]
            end = self.slots[slots[self.unit_no[device]]].switch
        return estimate + STEP_NS * steps(self.hop_ns(j, start, end))

    def _eased_ns(self, limit_ns: int) -> int:
        """What an estimate may come to."""
        return int(limit_ns * (1 + self._ease))

    def tighten(self, delivery: Delivery, margin_ns: int) -> None:
        """Let a delivery be so much sooner than its limit, by the estimate."""
        j, (device, switch) = delivery
        stream = self.instance.streams[j]
        source = stream.source_device
        self._margin_of[delivery] = margin_ns
        room = self.room(delivery)
        is_in_time = self.in_time[delivery]
        legs: Expr | int = 0
        if source is not None:
            # That is all on one line together, where there is nothing between.
            self.model.add(self.up[j] <= room).only_enforce_if(is_in_time)
            legs += self.up[j]
        if device is not None:
            if source is not None and self.unit_no[source] == self.unit_no[device]:
                return
            self.model.add(self.down[j, device] <= room).only_enforce_if(is_in_time)
            legs += self.down[j, device]
        starts = self.ends(source, stream.source_switch)
        ends = self.ends(device, switch)
        for s, here in starts.items():
            for t, there in ends.items():
                hop = steps(self.hop_ns(j, s, t))
                bound = [v for v in (here, there) if v is not None]
                if len(bound) == 2 and (len(starts) == 1 or len(ends) == 1):
                    bound = bound[:1] if len(ends) == 1 else bound[1:]
                bound.append(is_in_time)
                if hop > room:
                    self.model.add_bool_or(v.negated() for v in bound)
                    continue
                self.model.add(legs + hop <= room).only_enforce_if(*bound)

    def room(self, delivery: Delivery) -> int:
        """Steps that an estimate may come to, by the margin that the delivery has."""
        limit_ns = self.instance.streams[delivery[0]].limit_ns
        return (self._eased_ns(limit_ns) - self._margin_of[delivery]) // STEP_NS

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

    # -- solving ------------------------------------------------------------------------------

    def _moves(self, start: Mapping[int, int], free: frozenset[int]) -> tuple[Expr, int]:
        """Count the units that do not stay where they were, those that go far for more.

        Gives the most that it can come to as well.
        """
        inst = self.instance
        on = {k: [i for u in units for i in self.units[u]] for k, units in by_slot(start).items()}
        moves: list[Var] = []
        prices: list[int] = []
        for (u, k), var in self.hangs.items():
            if start.get(u) == k or u not in free:
                continue
            slot, devices = self.slots[k], list(self.units[u])
            away = inst.switch_um[slot.switch, devices]
            if self._is_line(k) and k in on:
                away = inst.way_um(devices, on[k])
            far = FAR * int(away.min()) // inst.grades[slot.grade].max_length_um
            moves.append(var)
            prices.append(FAR + min(FAR, far))
        return Expr.weighted_sum(moves, prices), 2 * FAR * len(self.units)

    def _number_alike(
        self, model: cp_model.CpModel, start: Mapping[int, int], free: frozenset[int],
        own: Collection[int],
    ) -> None:
        """Let ports of one class be used in one order only, that of the first unit on each.

        Else each choice is there as often as lines can change ports that are alike.

        Parameters
        ----------
        start
            A choice, which is in order.
        free
            Units that may change.
        own
            Units whose port there is like no other.
        """
        on = by_slot(start)
        alike: dict[int, list[int]] = defaultdict(list)
        for k, slot in enumerate(self.slots):
            if not any(u in own for u in on.get(k, ())):
                alike[slot.port].append(k)
        for slots in alike.values():
            slots.sort(key=lambda k: min(on.get(k, ()), default=len(self.units)))
            for before, after in pairwise(slots):
                earlier: list[Var] = []
                for u in sorted(self.on_slot[after].keys() & free):
                    model.add_bool_or(self.hangs[u, after].negated(), *earlier)
                    earlier.append(self.hangs[u, before])

    def solve(
        self,
        start: Mapping[int, int],
        free: Collection[int] | None,
        effort: Effort,
        *,
        rows: Iterable[cp_model.BoundedLinearExpression] = (),
        least: Expr | None = None,
        waiting: Collection[int] = (),
        is_wide: bool = True,
        late: Collection[Delivery] = (),
        soft: Collection[Delivery] = (),
        most_late: int | None = None,
        few_move: bool = False,
        excess: Expr | int = 0,
    ) -> dict[int, int] | None:
        """Give a slot for each unit; None if none was found, or none is left (``has_none``).

        Even seeds search in another way than odd ones: where one is slow the other mostly is not.

        Parameters
        ----------
        start
            Slots that units had before.
        free
            Units that may change; None: all.
        rows
            Rows for this search alone.
        least
            What is to be as little as can be, of few units.
        waiting
            Units that get no slot yet, but are kept in mind.
        is_wide
            Whether much is open: presolve takes longer than the search then, else it pays.
        late
            Deliveries that may be late.
        soft, most_late
            Deliveries no more than so many of which may be late; None: not all.
        few_move
            Whether as few of those as can be are late, and as many units as can be stay on the
            slots they had.
        excess
            Steps of delay that are to be few besides; see :data:`FAR`.
        """
        free = frozenset(range(len(self.units)) if free is None else free)
        model = self.model.clone()
        for row in rows:
            model.add(row)
        for (u, k), var in self.hangs.items():
            value = int(u not in waiting and start.get(u) == k)
            if u in waiting or u not in free:
                _fix(model, var, value)
            elif u in start:
                model.add_hint(var, value)
            elif self.slots[k].switch != self._switch_of.get(u):
                model.add_hint(var, 0)
        for (u, _), var in self.waits.items():
            if u not in waiting:
                _fix(model, var, 0)
        for delivery, var in self.in_time.items():
            if delivery not in late and delivery not in soft:
                _fix(model, var, 1)
        in_time = Expr.sum([self.in_time[delivery] for delivery in soft])
        if soft:
            model.add(in_time >= (1 if most_late is None else len(soft) - most_late))
        if few_move:
            moves, most = self._moves(start, free)
            # Rather one more in time than all where they are.
            model.minimize(moves + excess - (most + 1) * in_time)
        elif least is not None:
            model.minimize(least)
        # Where units are to stay, it matters which of the ports in use they are on.
        own = start.keys() if few_move else start.keys() - free
        self._number_alike(model, start, free, own)
        is_odd = effort.seed % 2 == 1
        searches = SEARCHES[::-1] if is_wide and is_odd else SEARCHES
        found = run(
            model, [*self.hangs.values(), *self.in_time.values(), excess], effort,
            searches=searches if least is None else LEAST_SEARCHES,
            by_learning_rate=least is None and (is_wide or not is_odd),
            short_presolve=is_wide or least is not None,
        )
        self.has_none = found.proved and found.values is None
        if found.values is None:
            return None
        self.late = {
            d for d, v in zip(self.in_time, found.values[len(self.hangs) :], strict=False) if not v
        }
        self.excess = found.values[-1]
        return {u: k for (u, k), v in zip(self.hangs, found.values, strict=False) if v}
