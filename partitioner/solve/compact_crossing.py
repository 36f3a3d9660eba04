"""Who crosses the way of a delivery in the compact model, for what is late by waits alone.

The model takes waits on the backbone as they were found, so it sees no gain in moving what another
stream waits for. Here that is counted: each frame that no longer crosses a link of the way is taken
off the wait there, each that comes in addition is added.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping

from ortools.sat.python import cp_model

from partitioner.solve.compact_legs import steps
from partitioner.solve.compact_model import CompactModel
from partitioner.solve.delays import Pair
from partitioner.solve.instance import Delivery, End

Expr = cp_model.LinearExpr
Var = cp_model.IntVar
Literal = cp_model.LiteralT
Sides = Mapping[int, Var | None]
"""Switches that an end may be at, with whether it is; None: it is."""


class Crossing:
    """What may cross the way of one delivery, as urgent as it or more."""

    def __init__(self, compact: CompactModel, delivery: Delivery):
        self.compact, self.delivery = compact, delivery
        self._streams = compact.instance.streams
        self._stream = delivery[0]
        self._pcp = self._streams[self._stream].pcp

    def gains(self) -> dict[int, int]:
        """By unit: time by which the wait gets shorter, were it at its best other switch, in ns.

        Only units that gain anything so. The way is that between the usual switches of the ends.
        """
        compact = self.compact
        way = self._passed(*(compact.links.usual(*end) for end in self._ends_of(*self.delivery)))
        gains: dict[tuple[int, int], int] = defaultdict(int)
        for other, to in self._routes():
            ends = self._ends_of(other, to)
            now = [compact.links.usual(*end) for end in ends]
            crossed = way & self._passed(*now)
            for n, (device, _) in enumerate(ends) if crossed else ():
                for s in () if device is None else compact.ends(device, 0):
                    pair = [s if m == n else at for m, at in enumerate(now)]
                    if device is not None and (saved := crossed - self._passed(*pair)):
                        took_ns = sum(compact.links.slot_ns(other, link) for link in saved)
                        gains[compact.unit_no[device], s] += took_ns
        best: dict[int, int] = {}
        for (u, _), ns in gains.items():
            best[u] = max(ns, best.get(u, 0))
        return best

    def excess(self, start: Mapping[int, int], free: Collection[int]) -> Var:
        """Add the steps that the delivery is late by, behind what crosses its way after a choice.

        Units that are not ``free`` stay on the slots of ``start``.
        """
        compact, model = self.compact, self.compact.model
        j, (device, _) = self.delivery
        excess = model.new_int_var(0, steps(2 * self._streams[j].limit_ns), "")
        legs: list[Var] = []
        if self._streams[j].source_device is not None:
            legs.append(compact.legs.up[j])
        if device is not None:
            legs.append(compact.legs.down[j, device])
        starts, ends = (
            self._sides(end, start, free) for end in self._ends_of(*self.delivery)
        )
        ways = {(s, t): self._passed(s, t) for s in starts for t in ends}
        more = self._more(frozenset[Pair]().union(*ways.values()), start, free)
        for (s, t), way in ways.items():
            waits = Expr.sum([more[link] for link in way])
            bound = [v for v in (starts[s], ends[t]) if v is not None]
            model.add(
                Expr.sum(legs) + steps(compact.links.hop_ns(j, s, t)) + waits
                <= compact.room(self.delivery) + excess
            ).only_enforce_if(*bound)
        return excess

    def _more(
        self, links: Collection[Pair], start: Mapping[int, int], free: Collection[int]
    ) -> dict[Pair, Expr]:
        """By link: steps that what crosses it after a choice takes more than what does now."""
        compact = self.compact
        cases: dict[tuple[Pair, int], list[list[Literal]]] = defaultdict(list)
        possible: dict[int, int] = defaultdict(int)
        for other, to in self._routes():
            starts, ends = (self._sides(end, start, free) for end in self._ends_of(other, to))
            possible[other] += len(starts) * len(ends)
            for s, is_s in starts.items():
                for t, is_t in ends.items():
                    both: list[Literal] = [v.negated() for v in (is_s, is_t) if v is not None]
                    for link in self._passed(s, t).intersection(links):
                        cases[link, other].append(both)
        terms: dict[Pair, list[Expr | int]] = {link: [-self._now(link)] for link in links}
        for (link, other), crossed in cases.items():
            takes = steps(compact.links.slot_ns(other, link))
            if len(crossed) == possible[other]:
                terms[link].append(takes)
                continue
            crosses = compact.model.new_bool_var("")
            for both in crossed:
                compact.model.add_bool_or(*both, crosses)
            terms[link].append(takes * crosses)
        return {link: Expr.sum(each) for link, each in terms.items()}

    def _now(self, link: Pair) -> int:
        """Steps of what is as urgent or more and crosses a link between usual switches."""
        _, frames = self.compact.links.crossing.get(link, ((), {}))
        return sum(
            steps(ns) for other, ns in frames.items()
            if other != self._stream and self._streams[other].pcp >= self._pcp
        )

    def _routes(self) -> Iterator[tuple[int, End]]:
        """Other streams that are as urgent or more, with each target."""
        for j, stream in enumerate(self._streams):
            if j != self._stream and stream.pcp >= self._pcp:
                yield from ((j, target.key) for target in stream.targets)

    def _ends_of(self, stream: int, to: End) -> tuple[End, End]:
        data = self._streams[stream]
        return (data.source_device, data.source_switch), to

    def _passed(self, start: int, end: int) -> frozenset[Pair]:
        return self.compact.links.passed.get((start, end), frozenset())

    def _sides(self, end: End, start: Mapping[int, int], free: Collection[int]) -> Sides:
        """Where an end may be; units that are not free stay."""
        device, _ = end
        if device is not None and (unit := self.compact.unit_no[device]) not in free:
            return {self.compact.slots[start[unit]].switch: None}
        return self.compact.ends(*end)
