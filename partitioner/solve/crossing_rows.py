"""Rows that estimate how streams wait for each other on the backbone, for choices not yet judged.

The least legs of the master know nothing of who else crosses a backbone link, so where deadlines
are short its choices are late for that reason again and again. Here every stream that crosses a
link with another, and is not below it in priority, delays it by one frame, and one frame of lower
priority is on its way already (strict priority, non-preemptive). That is an estimate, since more
than one frame may wait and since it takes the ways of one given backbone: it leads to layouts that
hold, and proves nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from ortools.sat.python import cp_model

from partitioner.solve.backbone import BackboneData
from partitioner.solve.delays import Ways
from partitioner.solve.instance import Instance
from partitioner.solve.master import Expr, Master, Terms
from partitioner.timing.frames import wire_ns

Hop = tuple[int, int]
"""One direction of a backbone link, from switch to switch."""


@dataclass(slots=True)
class _Delivery:
    """A stream on its way to one target: its legs by switch, and the hops that it may cross."""

    stream: int
    ups: Terms
    downs: Terms
    crosses: dict[Hop, cp_model.IntVar] = field(default_factory=dict)


class CrossingRows:
    """Adds the rows to a master, for the ways that streams take over a backbone.

    Parameters
    ----------
    ways
        Switches passed, by pair of switches.
    built
        Grade of each backbone link built, by number.
    margin_ns
        Streams that get a row, and what is added to their delay: with a row for all of them the
        model is several times slower.
    """

    def __init__(
        self,
        instance: Instance,
        backbone: BackboneData,
        ways: Ways,
        built: Mapping[int, str],
        margin_ns: Mapping[int, int],
    ):
        self._instance = instance
        self._margin_ns = margin_ns
        self._ways = ways
        catalogue = instance.problem.catalogue.grades
        self._rate: dict[Hop, int] = {}
        self._beside: dict[Hop, int] = {}
        forward = [s.forwarding_delay_ns for s in instance.problem.switches.values()]
        for index, grade_id in built.items():
            a, b = backbone.links[index].ends
            for hop in ((a, b), (b, a)):
                row = catalogue[grade_id]
                self._rate[hop] = row.rate_bps
                self._beside[hop] = row.phy_tx_ns + row.phy_rx_ns + forward[hop[1]]
        self._forward = forward

    def __call__(self, master: Master) -> None:
        """Add the rows."""
        deliveries = [_Delivery(*found) for found in master.deliveries]
        # Only hops that a watched stream may cross matter.
        hops = {
            hop
            for d in deliveries if d.stream in self._margin_ns
            for s in d.ups for t in d.downs
            for hop in pairwise(self._ways.get((s, t), ()))
        }
        crossing: dict[Hop, dict[int, list[cp_model.IntVar]]] = defaultdict(
            lambda: defaultdict(list)
        )
        for delivery in deliveries:
            self._crosses(master.model, delivery, hops)
            for hop, var in delivery.crosses.items():
                crossing[hop][delivery.stream].append(var)
        on_hop = {
            hop: {j: _any(master.model, found) for j, found in streams.items()}
            for hop, streams in crossing.items()
        }
        for delivery in (d for d in deliveries if d.stream in self._margin_ns):
            self._in_time(master.model, delivery, on_hop)

    def _crosses(
        self, model: cp_model.CpModel, delivery: _Delivery, hops: Collection[Hop]
    ) -> None:
        """A hop is crossed where the ends hang on switches whose way leads over it."""
        beyond: dict[tuple[Hop, int], list[int]] = defaultdict(list)
        for s in delivery.ups:
            for t in delivery.downs:
                for hop in pairwise(self._ways.get((s, t), ())):
                    if hop in hops:
                        beyond[hop, s].append(t)
        for (hop, s), targets in beyond.items():
            var = delivery.crosses.get(hop)
            if var is None:
                var = delivery.crosses[hop] = model.new_bool_var("")
            terms = [*delivery.ups[s], *(term for t in targets for term in delivery.downs[t])]
            here = [v for v, _ in terms if v is not None]
            certain = len(terms) - len(here)
            model.add(
                Expr.weighted_sum([*here, var], [*(1 for _ in here), -1]) <= 1 - certain
            )

    def _in_time(
        self,
        model: cp_model.CpModel,
        delivery: _Delivery,
        on_hop: Mapping[Hop, Mapping[int, cp_model.IntVar]],
    ) -> None:
        """Legs, ways and waits of a delivery add up to no more than its limit."""
        inst = self._instance
        stream = inst.streams[delivery.stream]
        total = _Sum()
        for s, terms in delivery.ups.items():
            for term, ns in terms:
                total.add(term, ns + self._forward[s])
        for terms in delivery.downs.values():
            for term, ns in terms:
                total.add(term, ns)
        for hop, var in delivery.crosses.items():
            total.add(var, wire_ns(stream.frame_bytes, self._rate[hop]) + self._beside[hop])
            ahead, lower, longest = _Sum(), [], 0
            for i, other in on_hop[hop].items():
                if i != delivery.stream:
                    ns = wire_ns(inst.streams[i].frame_bytes, self._rate[hop])
                    if inst.streams[i].pcp >= stream.pcp:
                        ahead.add(other, ns)
                    else:
                        lower.append((other, ns))
                        longest = max(longest, ns)
            most = sum(ahead.weights)
            wait = model.new_int_var(0, most, "")
            ahead.add(var, most)
            ahead.add(wait, -1)
            model.add(ahead.expression() <= most)
            total.add(wait, 1)
            if lower:
                block = model.new_int_var(0, longest, "")
                for other, ns in lower:
                    model.add(Expr.weighted_sum([other, var, block], [ns, ns, -1]) <= ns)
                total.add(block, 1)
        if delivery.crosses:
            limit_ns = stream.limit_ns - self._margin_ns[delivery.stream]
            model.add(total.expression() <= limit_ns - total.constant)


@dataclass(slots=True)
class _Sum:
    """A sum of weighted variables and what is certain: quicker than adding them as expressions."""

    variables: list[Expr] = field(default_factory=list)
    weights: list[int] = field(default_factory=list)
    constant: int = 0

    def add(self, var: Expr | None, weight: int) -> None:
        """Add a variable so many times; None is 1."""
        if var is None:
            self.constant += weight
        else:
            self.variables.append(var)
            self.weights.append(weight)

    def expression(self) -> Expr:
        """Give what is not certain."""
        return Expr.weighted_sum(self.variables, self.weights)


def _any(model: cp_model.CpModel, found: list[cp_model.IntVar]) -> cp_model.IntVar:
    if len(found) == 1:
        return found[0]
    some = model.new_bool_var("")
    for var in found:
        model.add_implication(var, some)
    return some
