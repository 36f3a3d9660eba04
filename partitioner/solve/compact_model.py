"""The compact model: which port each device's segment hangs on, without the segments themselves.

Delays of legs are estimated (:class:`LegEstimates`), and cable only where pathways are full, so
that what comes out has to be laid and judged; what that refutes comes back as a row. There are far
fewer choices than segments, and a solver finds one in seconds where many deadlines are tight.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from itertools import pairwise

from ortools.sat.python import cp_model

from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.compact_legs import STEP_NS, LegRows, steps
from partitioner.solve.compact_ports import PortModel, by_slot
from partitioner.solve.compact_waits import BackboneWaits
from partitioner.solve.cpsat import Effort, run
from partitioner.solve.delays import Behind
from partitioner.solve.instance import Delivery

Expr = cp_model.LinearExpr
Var = cp_model.IntVar

SEARCHES = ("no_lp", "quick_restart_no_lp")
"""Searches of CP-SAT by worker: linear relaxations tell little of who shares a line; see the
optimiser's page."""
LEAST_SEARCHES = ("default_lp", "no_lp")
"""The same where something is to be least, of few units."""
FAR = 100
"""What a unit that changes its line counts, and so much more where it goes as far as a line is.
Where an excess is to get less too, a step of it counts one."""
MARGINS_S = 5.0
"""Longest look at what the model estimates of a choice."""


def _fix(model: cp_model.CpModel, var: Var, value: int) -> None:
    """Let a variable of 0 or 1 have one value: a row to say so costs presolve a quarter more."""
    model.proto.variables[var.index].domain[1 - value] = value


class CompactModel(PortModel):
    """Ports chosen so that estimates keep the deadlines.

    Parameters
    ----------
    built, near, may_wait
        See :class:`~partitioner.solve.compact_ports.PortModel`.
    usual
        Switch by unit, as far as known, for what waits on the backbone; else the nearest counts.
    ease
        Share by which estimates may be above the limits, since they may be too high.
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
        super().__init__(builder, backbone, built, near, usual, may_wait)
        self.has_none = False
        """Whether the last search ended with the proof that there is no choice."""
        self.late: set[Delivery] = set()
        """Deliveries that the last search left late."""
        self.excess = 0
        """What the last search left of an excess that it was to take away."""
        self.in_time: dict[Delivery, Var] = {}
        """By delivery: whether it is in time; a search may leave some late for the time being."""
        self._ease = ease
        self._margin_of: dict[Delivery, int] = {}
        """Margins that deliveries have now, in ns."""
        self.legs = LegRows(self)
        self.links = BackboneWaits(self)

    # -- deadlines ----------------------------------------------------------------------------

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
        self.switch_of |= usual
        self.links.take(behind_ns)

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
        legs = [*self.legs.up.values(), *self.legs.down.values()]
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
            estimate += leg_ns[self.legs.up[j].index]
            if device is not None and slots[self.unit_no[source]] == slots[self.unit_no[device]]:
                return estimate
            start = self.slots[slots[self.unit_no[source]]].switch
        if device is not None:
            estimate += leg_ns[self.legs.down[j, device].index]
            end = self.slots[slots[self.unit_no[device]]].switch
        return estimate + STEP_NS * steps(self.links.hop_ns(j, start, end))

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
            self.model.add(self.legs.up[j] <= room).only_enforce_if(is_in_time)
            legs += self.legs.up[j]
        if device is not None:
            if source is not None and self.unit_no[source] == self.unit_no[device]:
                return
            self.model.add(self.legs.down[j, device] <= room).only_enforce_if(is_in_time)
            legs += self.legs.down[j, device]
        starts = self.ends(source, stream.source_switch)
        ends = self.ends(device, switch)
        for s, here in starts.items():
            for t, there in ends.items():
                hop = steps(self.links.hop_ns(j, s, t))
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
            if self.is_line(k) and k in on:
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
            elif self.slots[k].switch != self.switch_of.get(u):
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
