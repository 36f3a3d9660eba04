"""Column generation: a relaxation and its pricing in turn, a proven bound from every pricing.

For any duals (device free, port rows at most 0, line counts, cut and cap prices at least 0) every
layout costs at least the sum of the duals' right-hand sides plus the reduced costs of its
segments. So all that is needed is how far below zero a reduced cost can be. Two ways to pay for
that are tried and the better one is taken:

- by weight: lowering each device's dual by ``rate`` times its weight lifts every segment's
  reduced cost by ``rate`` times the segment's weight;
- by number: a layout has at most as many segments as there are ports.

Duals are rounded to whole money steps first; then everything is integer arithmetic and the value
is exact, without any tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from partitioner.solve.bound.duals import Duals, MasterDuals
from partitioner.solve.bound.memories import Memories
from partitioner.solve.bound.openings import Openings
from partitioner.solve.bound.pricing_problem import PricingProblem
from partitioner.solve.bound.relaxed_master import (
    LpFailed,
    MasterColumn,
    RelaxedMaster,
    SwitchCap,
)
from partitioner.solve.bound.walk_columns import Missing, Pricing, WalkColumns
from partitioner.solve.bound.walks import Order
from partitioner.solve.columns import Column, ColumnBuilder

SHORT_LINE = 12
"""Lines of at most so many devices are priced without any repetition."""
LEAST_BROKEN = 0.02
"""Least excess that makes a row per switch worth adding."""
LABELS_A_LOOK = 100_000
"""Labels after which the clock is looked at within a round."""
DEARER = 6
"""Most times that leaving devices out is made dearer."""
SHRINKS = (0.001, 0.002, 0.004, 0.008, 0.016)
"""Shares of the relaxation's value given up, one after the other, to complete a search."""
CYCLE_VALUE = 0.02
"""Walks with at least this share in the relaxation have their repetitions forbidden."""

Price = Callable[[MasterDuals], Pricing]


class OutOfTime(Exception):
    """Time ran out in the middle of a pricing; nothing is known from it."""


def right_hand_side(duals: MasterDuals, master: RelaxedMaster) -> int:
    """Sum of duals times right-hand sides, the cheapest set of candidate switches open."""
    value = int(duals.device.sum())
    value += sum(int(d) * c.least for d, c in zip(duals.count, master.counts, strict=True))
    value -= int(duals.cut.sum())
    at_switch: dict[int, int] = dict.fromkeys(master.openings.own, 0)
    for r, (s, _) in enumerate(master.row_keys):
        paid = int(duals.row[r]) * int(master.row_count[r])
        if s in at_switch:
            at_switch[s] += paid
        else:
            value += paid
    # Duals older than a row value it at 0.
    for price, cap in zip(duals.cap, master.caps, strict=False):
        if cap.switch in at_switch:
            at_switch[cap.switch] -= int(price) * cap.most
        else:
            value -= int(price) * cap.most
    return value + master.openings.least(at_switch)


def repair_rate(missing: Iterable[tuple[float, int]]) -> int:
    """Whole money steps per unit of weight that lift all these reduced costs to 0.

    ``missing`` holds (reduced cost, least weight of the segments that may have it).
    """
    rate = 0
    for reduced, weight in missing:
        if reduced < 0:
            rate = max(rate, math.ceil(-reduced / max(1, weight)))
    return rate


class ColumnGeneration:
    """One run of column generation over one relaxation.

    The parameters are those of :func:`~partitioner.solve.bound.lower_bound.lower_bound`.
    """

    def __init__(
        self,
        builder: ColumnBuilder,
        seeds: Sequence[Column],
        *,
        remaining: Callable[[], float],
        openings: Openings,
        on_bound: Callable[[int, str], object],
        target: Callable[[], int | None],
        should_stop: Callable[[], bool],
    ):
        inst = self.instance = builder.instance
        self.remaining, self.should_stop = remaining, should_stop
        self.constant = openings.constant
        self.on_bound, self.target = on_bound, target
        self.pricing = PricingProblem(builder, self.look)
        self.master = RelaxedMaster(inst, self.pricing.counts, self.pricing.dear, openings)
        self.walks = WalkColumns(builder, self.pricing, self.master)
        for known in [*self.pricing.links, *self.pricing.singles]:
            self.master.add(known)
        for column, port in self.pricing.group_lines():
            self.walks.add_exact(column, port)
        for column in seeds:
            self.look()
            if inst.grades[column.grade].is_line:
                self.walks.add_exact(column, self.pricing.cheapest_port(column))
        rows, counts = len(self.master.row_keys), len(self.pricing.counts)
        self.center = MasterDuals(*(np.zeros(k) for k in (inst.n, rows, counts, 0, 0)))
        self.value = 0
        self.best_duals = Duals.zero(builder)
        self.source = "nothing"
        self.lp_value = 0.0
        self.smoothing = 0.5
        self._dearer = 0
        self._labels = 0

    # -- one round ----------------------------------------------------------------------------

    def _evaluate(self, duals: MasterDuals, missing: Missing, source: str) -> bool:
        """Prove what these duals are worth; True if it is the best so far."""
        master = self.master
        fee = self.pricing.line_fees(duals, master.row_of_port)
        missing = missing + self.pricing.least_link(
            duals.device, fee, master.cap_prices(duals.cap)
        )
        base = right_hand_side(duals, master)
        rate = repair_rate(missing)
        by_weight = rate * int(self.pricing.weight.sum())
        lowest = min((r for r, _ in missing), default=0.0)
        # One segment at most for each port, and for each device.
        most = min(self.instance.n, int(master.row_count.sum()))
        by_number = int(-min(0.0, lowest)) * most
        value = base - min(by_weight, by_number) + self.constant
        if value <= self.value:
            return False
        self.value, self.source = value, source
        device = duals.device.copy()
        port = np.array([p.value for p in self.instance.port_classes], dtype=float) - fee
        if by_weight <= by_number:
            device -= rate * self.pricing.weight
        else:
            port += lowest
        cuts = zip(master.cuts, duals.cut, strict=True)
        caps = zip(master.caps, duals.cap, strict=False)
        self.best_duals = Duals(
            device,
            port,
            tuple((cut, int(price)) for cut, price in cuts if price > 0),
            tuple((cap.switch, cap.devices, int(price)) for cap, price in caps if price > 0),
        )
        self.on_bound(value, source)
        return True

    def over(self) -> bool:
        """Whether time is up or the bound meets the best layout known."""
        if self.remaining() <= 0:
            return True
        cost = self.target()
        return cost is not None and self.value >= cost

    def close(self) -> bool:
        """Whether the bound is about what the relaxation can give."""
        gap = self.lp_value + self.constant - self.value
        return gap <= 1e-4 * max(1.0, self.lp_value)

    def generate(
        self, price: Price, source: str, *, close_enough: float, shrink: bool = False
    ) -> bool:
        """Column generation with smoothed duals; True if converged.

        ``shrink``: when nothing is found any more but searches were cut off, prove what slightly
        lower duals are worth.
        """
        smoothing = self.smoothing
        stalled = False
        while not self.over():
            self.lp_value, raw = self.master.solve()
            gap = self.lp_value + self.constant - self.value
            if gap <= close_enough * max(1.0, self.lp_value):
                if self._serve_all():
                    continue
                return True
            alpha = 0.0 if stalled else smoothing
            duals = raw.mixed(self.center, alpha).whole()
            columns, is_better = self._priced(price, duals, source)
            unsmoothed = raw.whole()
            fee = self.pricing.line_fees(unsmoothed, self.master.row_of_port)
            new = sum(
                self.walks.reduced(column, unsmoothed, fee) < -0.5 and self.master.add(column)
                for column in columns
            )
            if is_better:
                smoothing = min(0.9, smoothing + 0.05)
            if new:
                stalled = False
                if not is_better:
                    smoothing = max(0.1, smoothing - 0.1)
            elif alpha:
                stalled = True
            elif self._serve_all():
                stalled = False
            elif not shrink or not self._prove_shrunk(price, raw, source):
                return True
            self._trim()
        return False

    def _priced(
        self, price: Price, duals: MasterDuals, source: str
    ) -> tuple[list[MasterColumn], bool]:
        """Columns under some duals, and whether these prove more than any before."""
        columns, missing = price(duals)
        is_better = self._evaluate(duals, missing, source)
        if is_better:
            self.center = duals
        return columns, is_better

    def _serve_all(self) -> bool:
        """Make it dearer to leave devices out where that is done still; whether it is."""
        if self._dearer == DEARER or not self.master.raise_dear(4.0):
            return False
        self._dearer += 1
        return True

    def _prove_shrunk(self, price: Price, raw: MasterDuals, source: str) -> bool:
        """Lower the duals until a search is complete; True if new columns turned up on the way.

        Lower duals make fewer lines attractive, so a search that was cut off need not be again;
        and what is given away is known.
        """
        weight = self.pricing.weight
        for loss in SHRINKS:
            rate = np.ceil(loss * self.lp_value / max(1, int(weight.sum())))
            promised = self.lp_value * (1 - loss) + self.constant
            if promised <= self.value or self.over():
                return False
            lower = replace(raw, device=raw.device - rate * weight).whole()
            columns, _ = self._priced(price, lower, source)
            added = [self.master.add(c) for c in columns]
            if any(added):
                return True
            if self.value >= promised - 1e-4 * self.lp_value:
                return False
        return False

    def _trim(self) -> None:
        """Forget columns with large reduced cost when there are very many."""
        most = 4_000 + 20 * self.instance.n
        if len(self.master.columns) <= most:
            return
        self.master.solve(details=True)
        reduced = self.master.reduced_costs()
        order = np.argsort(reduced, kind="stable")
        keep = np.zeros(len(reduced), dtype=bool)
        keep[order[: most // 2]] = True
        self.master.keep_columns(
            [bool(k) or len(c.visits) == 1
             for k, c in zip(keep, self.master.columns, strict=True)]
        )

    def add_broken_caps(self) -> int:
        """Add rows per switch that the relaxation breaks; how many.

        A closed switch carries nobody: each device at a candidate switch at most as far as the
        switch is open. And a switch carries at most so many of a group as the rules allow.
        """
        inst = self.instance
        groups = [(frozenset(g), 1) for g in inst.apart_switch]
        groups += [(frozenset(g), most) for g, most in inst.loss_caps]
        if not groups and not self.master.openings.own:
            return 0
        self.master.solve(details=True)
        at = np.zeros((inst.switch_count, inst.n))
        for column, value in zip(self.master.columns, self.master.values(), strict=True):
            if value > 1e-9:
                for d, times in column.visits:
                    at[column.switch, d] += value * times
        opened = self.master.opened()
        known = set(self.master.caps)
        broken = []
        for s in range(inst.switch_count):
            share = opened.get(s, 1.0)
            if s in opened:
                over = np.nonzero(at[s] > share + LEAST_BROKEN)[0]
                broken += [SwitchCap(s, frozenset({int(d)}), 1) for d in over]
            for devices, most in groups:
                if at[s, list(devices)].sum() > most * share + LEAST_BROKEN:
                    broken.append(SwitchCap(s, devices, most))
        new = [cap for cap in dict.fromkeys(broken) if cap not in known]
        for cap in new:
            self.master.add_cap(cap)
        return len(new)

    def drop_idle_cuts(self) -> None:
        """Forget cuts whose price is 0 now and in the best duals."""
        _, raw = self.master.solve()
        best = np.zeros(len(raw.cut))
        best[: len(self.center.cut)] = self.center.cut
        keep = (raw.cut > 0.5) | (best > 0.5)
        if keep.mean() > 0.7:
            # Leaving rows out means starting the linear program afresh.
            return
        self.center.cut = best[keep]
        self.master.drop_cuts([bool(k) for k in keep])

    # -- walks that repeat --------------------------------------------------------------------

    def forbid_repetitions(self, memories: Memories) -> int:
        """Grow memories so that repetitions in use are remembered; how many entries were added."""
        self.master.solve(details=True)
        in_use = zip(self.master.columns, self.master.values(), strict=True)
        return sum(
            memories.grow(column, self.walks.arms.get(column, ((), ())))
            for column, value in in_use if value >= CYCLE_VALUE
        )

    def forget_walks(self, memories: Memories) -> None:
        """Drop the columns that the memories forbid."""
        keep = [memories.allow(c, self.walks.arms.get(c)) for c in self.master.columns]
        if not all(keep):
            self.master.keep_columns(keep)

    # -- time ---------------------------------------------------------------------------------

    def look(self) -> None:
        """End a long step that is no measure of work if it is to stop."""
        if self.should_stop():
            raise OutOfTime

    def spent(self, labels: int) -> None:
        """Look at what is left every so many labels, whatever round they belong to."""
        self.look()
        self._labels += labels
        if self._labels >= LABELS_A_LOOK:
            self._labels = 0
            if self.remaining() <= 0:
                raise OutOfTime

    # -- the end ------------------------------------------------------------------------------

    def orders(self) -> list[Order]:
        """Exact lines of the relaxation, those of least reduced cost first."""
        exact = self.walks.exact
        try:
            self.master.solve(details=True)
        except LpFailed:
            return list(dict.fromkeys(exact.values()))
        ranked = np.argsort(self.master.reduced_costs(), kind="stable")
        columns = [self.master.columns[k] for k in ranked]
        return list(dict.fromkeys(exact[c] for c in columns if c in exact))
