"""Delays of legs in the compact model, by what hangs on their segment."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from ortools.sat.python import cp_model

from partitioner.solve.compact_ports import PortModel
from partitioner.solve.kept import kept
from partitioner.solve.leg_estimates import PORT_ROUNDS, LegEstimates
from partitioner.units import ceil_div

Expr = cp_model.LinearExpr
Var = cp_model.IntVar

STEP_NS = 100
"""Delays are counted in steps of so much: rows over whole nanoseconds are slow to work with."""
MOST_STEPS = 2**40
"""More steps than any leg takes."""


def steps(ns: int) -> int:
    """Steps that a delay takes, rounded up."""
    return ceil_div(ns, STEP_NS)


class LegRows:
    """A variable for the delay of each leg, in steps, with rows that keep it high enough."""

    def __init__(self, ports: PortModel):
        self.ports, self.units, self.unit_no = ports, ports.units, ports.unit_no
        self.builder, self.instance = ports.builder, ports.instance
        streams = self.instance.streams
        self.up: dict[int, Var] = {}
        """By stream."""
        self.down: dict[tuple[int, int], Var] = {}
        """By stream and device."""
        for j, stream in enumerate(streams):
            # Deadlines have rows of their own; estimates may be above them.
            most = steps(2 * stream.limit_ns)
            if stream.source_device is not None:
                self.up[j] = self.ports.model.new_int_var(0, most, f"up {j}")
            for target in stream.targets:
                if target.device is not None:
                    self.down[j, target.device] = self.ports.model.new_int_var(0, most, f"down {j}")
        self.estimates = {
            g: LegEstimates(self.builder.latency, g) for g in self.instance.line_grades
        }
        for k in range(len(ports.slots)):
            if ports.is_line(k):
                self._legs_on_line(k)
            else:
                self._legs_on_link(k)
        self._legs_while_waiting()

    def _legs_while_waiting(self) -> None:
        """Who waits for a port has the legs it would have alone, on any grade it can have.

        Not if it hears another that may be on its line: what comes from there takes no port.
        """
        streams = self.instance.streams
        for (u, _), var in self.ports.waits.items():
            if self._may_hear_on_its_line(u):
                continue
            for (j, i), ns in self._least_legs(u).items():
                leg = self.up[j] if streams[j].source_device == i else self.down[j, i]
                self.ports.model.add(leg >= steps(ns)).only_enforce_if(var)

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
        return frozenset(g for _, g in self.ports.homes[unit] if self.instance.grades[g].is_line)

    @kept
    def _least_legs(self, unit: int) -> dict[tuple[int, int], int]:
        """By stream and device of a unit, in ns."""
        least: dict[tuple[int, int], int] = {}
        for g in {g for _, g in self.ports.homes[unit]}:
            for i in self.units[unit]:
                for j, ns in self.builder.latency.alone(g, i) or ():
                    least[j, i] = min(least.get((j, i), ns), ns)
        return least

    def _legs_on_link(self, k: int) -> None:
        grade = self.ports.slots[k].grade
        for u, var in self.ports.on_slot[k].items():
            i = self.units[u][0]
            for j, ns in self.builder.latency.alone(grade, i) or ():
                is_own = self.instance.streams[j].source_device == i
                leg = self.up[j] if is_own else self.down[j, i]
                self.ports.model.add(leg >= steps(ns)).only_enforce_if(var)

    def _legs_on_line(self, k: int) -> None:
        inst, here = self.instance, self.ports.on_slot[k]
        estimate = self.estimates[self.ports.slots[k].grade]
        coming = self._coming(k)
        taken: dict[int, Var] = {}

        def others(turns: int) -> Var:
            """What all devices there add to a leg that waits so many rounds."""
            if turns not in taken:
                adds = estimate.adds(turns)
                each = [steps(int(adds[list(self.units[u])].sum())) for u in here]
                taken[turns] = self.ports.model.new_int_var(0, sum(each), "")
                self.ports.model.add(taken[turns] == Expr.weighted_sum(list(here.values()), each))
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
                    self.ports.model.add(
                        self.up[j] >= others(turns) + port + own
                    ).only_enforce_if(var)
        legs = {pcp: self._leg_from_port(k, coming, pcp, others(PORT_ROUNDS))
                for pcp in {inst.streams[j].pcp for j in coming}}
        for j, var in coming.items():
            for target in inst.streams[j].targets:
                if target.device is not None and (u := self.unit_no[target.device]) in here:
                    down = self.down[j, target.device]
                    leg = legs[inst.streams[j].pcp]
                    self.ports.model.add(down >= leg).only_enforce_if(var, here[u])

    def _leg_from_port(self, k: int, coming: Mapping[int, Var], pcp: int, others: Var) -> Var:
        """Leg from the port of a line of what it sends with a PCP, if it does."""
        streams, estimate = self.instance.streams, self.estimates[self.ports.slots[k].grade]
        each = {j: steps(estimate.down_each(j)) for j in coming}
        ahead = [j for j in coming if streams[j].pcp >= pcp]
        below = {j: (coming[j], each[j]) for j in coming if streams[j].pcp < pcp}
        least = Expr.weighted_sum([coming[j] for j in ahead], [each[j] for j in ahead])
        least += others + steps(estimate.down_once) + self._most_of(below)
        leg = self.ports.model.new_int_var(0, MOST_STEPS, "")
        self.ports.model.add(leg >= least)
        return leg

    def _coming(self, k: int) -> dict[int, Var]:
        """Streams that the port of a line may send, with whether it does."""
        inst, here, switch = self.instance, self.ports.on_slot[k], self.ports.slots[k].switch
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
                if (sender, switch) in self.ports.waits:
                    # It may get a place on this very line.
                    there.append(self.ports.waits[sender, switch])
            if not there and len(units) == 1:
                coming[j] = here[next(iter(units))]
            else:
                coming[j] = sent = self.ports.model.new_bool_var(f"stream {j} into {k}")
                for u in units - {sender}:
                    self.ports.model.add_bool_or(here[u].negated(), sent, *there)
                for is_there in there:
                    self.ports.model.add_implication(sent, is_there.negated())
                self.ports.model.add_bool_or(sent.negated(), *(here[u] for u in units))
        return coming

    def _most_of(self, parts: Mapping[int, tuple[Var, int]]) -> Var | int:
        """The most of the amounts that count."""
        if not parts:
            return 0
        most = self.ports.model.new_int_var(0, max(amount for _, amount in parts.values()), "")
        for var, amount in parts.values():
            self.ports.model.add(most >= amount).only_enforce_if(var)
        return most

    def _less_of(self, amount: Expr, most: int) -> Var | int:
        """Give an amount, or ``most`` where it is more."""
        if not most:
            return 0
        less = self.ports.model.new_int_var(0, most, "")
        is_all = self.ports.model.new_bool_var("")
        self.ports.model.add(less >= amount).only_enforce_if(is_all)
        self.ports.model.add(less >= most).only_enforce_if(is_all.negated())
        return less
