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
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from ortools.sat.python import cp_model

from partitioner.solve.backbone import BackboneData
from partitioner.solve.delays import Ways
from partitioner.solve.instance import Instance
from partitioner.solve.master import Expr, Master, Term, Terms
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
        deliveries = [_Delivery(*found) for found in master.deliveries()]
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
            far = [term for t in targets for term in delivery.downs[t]]
            model.add(_count(delivery.ups[s]) + _count(far) - 1 <= var)

    def _in_time(
        self,
        model: cp_model.CpModel,
        delivery: _Delivery,
        on_hop: Mapping[Hop, Mapping[int, cp_model.IntVar]],
    ) -> None:
        """Legs, ways and waits of a delivery add up to no more than its limit."""
        inst = self._instance
        stream = inst.streams[delivery.stream]
        total: list[Expr | int] = []
        for s, terms in delivery.ups.items():
            total += [_weighted(var, ns + self._forward[s]) for var, ns in terms]
        total += [_weighted(var, ns) for terms in delivery.downs.values() for var, ns in terms]
        for hop, var in delivery.crosses.items():
            own = wire_ns(stream.frame_bytes, self._rate[hop]) + self._beside[hop]
            total.append(var * own)
            ahead: list[tuple[int, cp_model.IntVar]] = []
            lower: list[tuple[int, cp_model.IntVar]] = []
            for i, other in on_hop[hop].items():
                if i != delivery.stream:
                    ns = wire_ns(inst.streams[i].frame_bytes, self._rate[hop])
                    (ahead if inst.streams[i].pcp >= stream.pcp else lower).append((ns, other))
            most = sum(ns for ns, _ in ahead)
            wait = model.new_int_var(0, most, "")
            model.add(sum(ns * other for ns, other in ahead) - most * (1 - var) <= wait)
            total.append(wait)
            if lower:
                block = model.new_int_var(0, max(ns for ns, _ in lower), "")
                for ns, other in lower:
                    model.add(ns * (other + var - 1) <= block)
                total.append(block)
        if delivery.crosses:
            model.add(sum(total) <= stream.limit_ns - self._margin_ns[delivery.stream])


def _any(model: cp_model.CpModel, found: list[cp_model.IntVar]) -> cp_model.IntVar:
    if len(found) == 1:
        return found[0]
    some = model.new_bool_var("")
    for var in found:
        model.add_implication(var, some)
    return some


def _weighted(var: Expr | None, ns: int) -> Expr | int:
    return ns if var is None else var * ns


def _count(terms: Iterable[Term]) -> Expr | int:
    return sum(1 if var is None else var for var, _ in terms)
