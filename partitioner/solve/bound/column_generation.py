"""Proven lower bound by column generation, valid whenever it is stopped.

First with relaxed walks, which price in milliseconds; then with lines that repeat no device (short
lines) or none of their neighbourhood (long ones); then with subset cuts. Every pricing gives a
proven bound on its own; the best one counts.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from partitioner.solve.arrays import Bools, Floats
from partitioner.solve.bound.completions import CELLS
from partitioner.solve.bound.cuts import SubsetCut, local_cuts, violated_triples
from partitioner.solve.bound.labels import LabelSearch
from partitioner.solve.bound.lagrangian import (
    WholeDuals,
    most_segments,
    repair_rate,
    right_hand_side,
)
from partitioner.solve.bound.line_model import LineModel
from partitioner.solve.bound.openings import Openings, openings_of
from partitioner.solve.bound.pricing_problem import PricingProblem
from partitioner.solve.bound.regions import LARGE, RegionalBound
from partitioner.solve.bound.relaxed_master import (
    LpFailed,
    MasterColumn,
    RawDuals,
    RelaxedMaster,
    SwitchCap,
)
from partitioner.solve.bound.result import BoundDuals, BoundResult, Order
from partitioner.solve.bound.walks import ArmWalks, Walk, best_walks
from partitioner.solve.columns import Column, ColumnBuilder

SHORT_LINE = 12
"""Lines of at most so many devices are priced without any repetition."""
CHECKED = 1_500
"""Most walks of one pricing that are built and checked exactly."""
CHOSEN = 600
"""Most walks of one pricing looked at when none of them can break a rule."""
SWEEP_GAIN = 2e-3
"""Least gain of a sweep over the regions that is worth another."""
LEAST_BROKEN = 0.02
"""Least excess that makes a row per switch worth adding."""
LABELS_A_LOOK = 100_000
"""Labels after which the clock is looked at within a round."""
DEARER = 6
"""Most times that leaving devices out is made dearer."""
CAP_ROUNDS = 4
"""Most times such rows are looked for in one relaxation."""
IDLE_SWEEPS = 1
"""So many sweeps without that gain end the run."""
SHRINKS = (0.001, 0.002, 0.004, 0.008, 0.016)
"""Shares of the relaxation's value given up, one after the other, to complete a search."""
ENOUGH = 60
"""So many real lines of negative reduced cost end the judging of one model's walks."""
ADDED = 250
"""Most columns a model adds in one round."""
SAME_DEVICE = 12
"""Most columns of one round that share a device."""


class OutOfTime(Exception):
    """Time ran out in the middle of a pricing; nothing is known from it."""


class ColumnGeneration:
    """One run of column generation; see :func:`lower_bound`."""

    def __init__(
        self,
        builder: ColumnBuilder,
        seeds: Sequence[Column],
        *,
        remaining: Callable[[], float],
        openings: Openings,
        on_bound: Callable[[int, str], None] | None,
        target: Callable[[], int | None] | None,
        should_stop: Callable[[], bool],
    ):
        self.builder = builder
        self.instance = builder.instance
        self.remaining = remaining
        self.should_stop = should_stop
        self.constant = openings.constant
        self.on_bound = on_bound
        self.target = target
        self.pricing = PricingProblem(builder)
        self.master = RelaxedMaster(
            self.instance, self.pricing.counts, self.pricing.dear, openings
        )
        self.exact: dict[MasterColumn, Order] = {}
        for link in self.pricing.links:
            self.master.add(link)
        for single in self.pricing.singles():
            self.master.add(single)
        for column, port in self.pricing.group_lines():
            self._add_exact(column, port)
        for column in seeds:
            if self.instance.grades[column.grade].is_line:
                self._add_exact(column, self.pricing.cheapest_port(column))
        self.paths: dict[MasterColumn, tuple[tuple[int, ...], tuple[int, ...]]] = {}
        self.most = most_segments(self.instance)
        n = self.instance.n
        rows, counts = len(self.master.row_keys), len(self.pricing.counts)
        zero = RawDuals(
            np.zeros(n), np.zeros(rows), np.zeros(counts), np.zeros(0), np.zeros(0)
        )
        self.center = WholeDuals.of(zero)
        self.value = 0
        self.best_duals = BoundDuals(np.zeros(n), np.zeros(len(self.instance.port_classes)))
        self.source = "nothing"
        self.rounds = 0
        self.lp_value = 0.0
        self.smoothing = 0.5
        self.dearer = 0
        self.labels = 0

    def _add_exact(self, column: Column, port: int) -> bool:
        made = self.pricing.master_column(column, port)
        self.exact[made] = (column.switch, column.grade, column.out, column.back)
        return self.master.add(made)

    # -- one round ----------------------------------------------------------------------------

    def _evaluate(self, duals: WholeDuals, missing: list[tuple[float, int]], source: str) -> bool:
        """Prove what these duals are worth; True if it is the best so far."""
        fee = self.pricing.line_fees(duals, self.master.row_of_port)
        missing = missing + self.pricing.least_link(
            duals.device, fee, self.master.cap_prices(duals.cap)
        )
        base = right_hand_side(
            duals,
            self.pricing.counts,
            self.master.row_count,
            self.master.row_keys,
            self.master.openings,
            self.master.caps,
        )
        rate = repair_rate(missing)
        by_weight = rate * int(self.pricing.weight.sum())
        lowest = min((r for r, _ in missing), default=0.0)
        by_number = int(-min(0.0, lowest)) * self.most
        value = base - min(by_weight, by_number) + self.constant
        if value <= self.value:
            return False
        self.value, self.source = value, source
        device = duals.device.copy()
        port = np.array(
            [p.value for p in self.instance.port_classes], dtype=float
        ) - fee
        if by_weight <= by_number:
            device -= rate * self.pricing.weight
        else:
            port += lowest
        cuts = tuple(
            (cut, int(price))
            for cut, price in zip(self.master.cuts, duals.cut, strict=True)
            if price > 0
        )
        caps = tuple(
            (cap.switch, cap.devices, int(price))
            for price, cap in zip(duals.cap, self.master.caps, strict=False)
            if price > 0
        )
        self.best_duals = BoundDuals(device, port, cuts, caps)
        if self.on_bound is not None:
            self.on_bound(value, source)
        return True

    def _reduced(self, column: MasterColumn, duals: WholeDuals, fee: Floats) -> float:
        """Reduced cost of a column under whole duals, prices of cuts and caps included."""
        value = column.cost + fee[column.port]
        value -= sum(duals.device[i] * times for i, times in column.visits)
        for price, cap in zip(duals.cap, self.master.caps, strict=False):
            if price and cap.switch == column.switch:
                value += price * sum(t for d, t in column.visits if d in cap.devices)
        return float(value + sum(duals.cut[c] for c in self.master.cuts_met(column)))

    def over(self) -> bool:
        """Whether time is up or the bound meets the best layout known."""
        if self.remaining() <= 0:
            return True
        cost = self.target() if self.target is not None else None
        return cost is not None and self.value >= cost

    def close(self) -> bool:
        """Whether the bound is about what the relaxation can give."""
        gap = self.lp_value + self.constant - self.value
        return gap <= 1e-4 * max(1.0, self.lp_value)

    def _generate(
        self,
        price: Callable[[WholeDuals], tuple[list[MasterColumn], list[tuple[float, int]]]],
        source: str,
        *,
        close_enough: float,
        shrink: bool = False,
        rounds: int = 10_000,
    ) -> bool:
        """Column generation with smoothed duals; True if converged.

        ``shrink``: when nothing is found any more but searches were cut off, prove what slightly
        lower duals are worth.
        """
        smoothing = self.smoothing
        stalled = 0
        for _ in range(rounds):
            if self.over():
                return False
            self.lp_value, raw = self.master.solve()
            gap = self.lp_value + self.constant - self.value
            if gap <= close_enough * max(1.0, self.lp_value):
                if self.dearer < DEARER and self.master.raise_dear(4.0):
                    self.dearer += 1
                    continue
                return True
            alpha = 0.0 if stalled else smoothing
            center = self.center.raw()
            duals = WholeDuals.of(raw.mixed(center, alpha)) if alpha else WholeDuals.of(raw)
            columns, missing = price(duals)
            self.rounds += 1
            better = self._evaluate(duals, missing, source)
            if better:
                self.center = duals
            new = 0
            unsmoothed = WholeDuals.of(raw)
            fee = self.pricing.line_fees(unsmoothed, self.master.row_of_port)
            for column in columns:
                if self._reduced(column, unsmoothed, fee) < -0.5 and self.master.add(column):
                    new += 1
            if better:
                smoothing = min(0.9, smoothing + 0.05)
            if new:
                stalled = 0
                if not better:
                    smoothing = max(0.1, smoothing - 0.1)
            elif alpha:
                stalled = 1
            elif self.dearer < DEARER and self.master.raise_dear(4.0):
                # Some device is cheaper to leave out than to serve: that was priced too low.
                self.dearer += 1
                stalled = 0
            elif not shrink or not self._prove_shrunk(price, raw, source):
                return True
            self._trim()
        return False

    def _prove_shrunk(
        self,
        price: Callable[[WholeDuals], tuple[list[MasterColumn], list[tuple[float, int]]]],
        raw: RawDuals,
        source: str,
    ) -> bool:
        """Lower the duals until a search is complete; True if new columns turned up on the way.

        Lower duals make fewer lines attractive, so a search that was cut off need not be again;
        and what is given away is known.
        """
        for loss in SHRINKS:
            rate = np.ceil(loss * self.lp_value / max(1, int(self.pricing.weight.sum())))
            promised = self.lp_value * (1 - loss) + self.constant
            if promised <= self.value or self.over():
                return False
            lower = replace(raw, device=raw.device - rate * self.pricing.weight)
            duals = WholeDuals.of(lower)
            columns, missing = price(duals)
            self.rounds += 1
            if self._evaluate(duals, missing, source):
                self.center = duals
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

    # -- memories -----------------------------------------------------------------------------

    def _repetitions(self, column: MasterColumn) -> list[tuple[int, list[int]]]:
        """(device, devices passed between two of its visits) along a walk of the relaxation."""
        if all(times == 1 for _, times in column.visits):
            return []
        found = []
        for arm in self.paths.get(column, ()):
            last: dict[int, int] = {}
            for place, device in enumerate(arm):
                if device in last:
                    found.append((device, list(arm[last[device] + 1 : place])))
                last[device] = place
        return found

    def forbid_repetitions(self, memories: Sequence[Bools]) -> int:
        """Grow memories so that repetitions in use are remembered; how many entries were added."""
        grown = 0
        self.master.solve(details=True)
        values = self.master.values()
        for column, value in zip(self.master.columns, values, strict=True):
            if value < CYCLE_VALUE:
                continue
            for device, between in self._repetitions(column):
                for model, memory in zip(self.pricing.models, memories, strict=True):
                    at = [model.local.get(d, -1) for d in between]
                    d = model.local.get(device, -1)
                    if d < 0 or min(at) < 0 or column.switch not in model.switches:
                        continue
                    new = [a for a in at if not memory[a, d]]
                    if any(memory[a].sum() > MOST_MEMORY for a in new):
                        continue
                    for a in new:
                        memory[a, d] = True
                        grown += 1
        return grown

    def forget_walks(self, memories: Sequence[Bools]) -> None:
        """Drop the columns that the memories forbid."""
        keep = []
        for column in self.master.columns:
            allowed = True
            if any(times > 1 for _, times in column.visits):
                allowed = column in self.paths and not any(
                    self._remembered(column, memories, device, between)
                    for device, between in self._repetitions(column)
                )
            keep.append(allowed)
        if not all(keep):
            self.master.keep_columns(keep)

    def _remembered(
        self, column: MasterColumn, memories: Sequence[Bools], device: int, between: list[int]
    ) -> bool:
        for model, memory in zip(self.pricing.models, memories, strict=True):
            if column.switch in model.switches and device in model.local:
                return all(memory[model.local[d], model.local[device]] for d in between)
        return False

    # -- pricings -----------------------------------------------------------------------------

    def price_walks(self, duals: WholeDuals) -> tuple[list[MasterColumn], list[tuple[float, int]]]:
        """Price with relaxed walks."""
        fee = self.pricing.line_fees(duals, self.master.row_of_port)
        cap_price = self.master.cap_prices(duals.cap)
        columns: list[MasterColumn] = []
        missing: list[tuple[float, int]] = []
        for model in self.pricing.models:
            for priced in self.pricing.priced(model, duals.device, fee, cap_price):
                walks, least = best_walks(model, priced, ArmWalks(model, priced), ADDED)
                missing += [(float(r), q) for q, r in enumerate(least) if r < 0]
                taken: Counter[int] = Counter()
                for walk in walks:
                    times = Counter(int(model.members[d]) for d in walk.out + walk.back)
                    if all(taken[d] < SAME_DEVICE for d in times):
                        taken.update(times.keys())
                        visits = tuple(sorted(times.items()))
                        column = MasterColumn(visits, walk.port, walk.cost, walk.switch, True)
                        self.paths.setdefault(column, self._path(model, walk))
                        columns.append(column)
        return columns, missing

    def price_labels(
        self, duals: WholeDuals, searches: Sequence[LabelSearch], limit: int
    ) -> tuple[list[MasterColumn], list[tuple[float, int]]]:
        """Price with labels; walks without repetition become exact columns."""
        fee = self.pricing.line_fees(duals, self.master.row_of_port)
        cap_price = self.master.cap_prices(duals.cap)
        columns: list[MasterColumn] = []
        missing: list[tuple[float, int]] = []
        for search in searches:
            model = search.model
            for priced in self.pricing.priced(model, duals.device, fee, cap_price):
                found = search.run(
                    priced,
                    limit=limit,
                    most=CHECKED if self.pricing.must_check else CHOSEN,
                    cuts=self._local_cuts(model, duals),
                    spent=self._spent,
                )
                missing += found.missed
                columns += self._take(model, found.walks, missing, duals, fee)
        return columns, missing

    def _look(self) -> None:
        """End a long step that is no measure of work if it is to stop."""
        if self.should_stop():
            raise OutOfTime

    def _spent(self, labels: int) -> None:
        """Look at the clock every so many labels, whatever round they belong to."""
        self.labels += labels
        if self.labels >= LABELS_A_LOOK:
            self.labels = 0
            if self.remaining() <= 0:
                raise OutOfTime

    def _take(
        self,
        model: LineModel,
        walks: Sequence[Walk],
        missing: list[tuple[float, int]],
        duals: WholeDuals,
        fee: Floats,
    ) -> list[MasterColumn]:
        """Choose columns for the relaxation among walks sorted by reduced cost.

        Appends to ``missing`` what the walks say about reduced costs. Walks that break a rule of
        their set are left out; judging them takes time, so that ends when enough were found.
        """
        columns: list[MasterColumn] = []
        taken: Counter[int] = Counter()
        good = 0
        for walk in walks:
            times = Counter(int(model.members[d]) for d in walk.out + walk.back)
            # A round's columns should differ: no device in too many of them.
            fresh = len(columns) < ADDED and all(taken[d] < SAME_DEVICE for d in times)
            judge = self.pricing.must_check and walk.elementary and good < ENOUGH
            column: MasterColumn | None = None
            reduced = walk.reduced
            if judge or fresh:
                self._look()
                column, exact = self._column_of(model, walk, times, duals, fee)
                if column is None:
                    continue
                if exact:
                    reduced = self._reduced(column, duals, fee)
                good += reduced < 0
            missing.append((reduced, walk.weight))
            if column is not None and fresh and reduced < 0:
                columns.append(column)
                taken.update(times.keys())
        return columns

    @staticmethod
    def _path(model: LineModel, walk: Walk) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Both arms of a walk as device indices."""
        return (
            tuple(int(model.members[d]) for d in walk.out),
            tuple(int(model.members[d]) for d in walk.back),
        )

    def add_real_lines(self) -> None:
        """Put in the real lines along the walks of the relaxation, for a good start."""
        inst = self.instance
        for column in list(self.master.columns):
            if column not in self.paths or column in self.exact:
                continue
            self._look()
            seen: set[int] = set()
            arms = []
            for arm in self.paths[column]:
                kept = [d for d in dict.fromkeys(arm) if d not in seen]
                seen.update(kept)
                arms.append(kept)
            grade = inst.port_classes[column.port].grade
            built = self.builder.line(column.switch, grade, arms[0], arms[1])
            if built is not None:
                self._add_exact(built, column.port)

    def keep_real_lines(self) -> None:
        """Drop the walks that are no lines."""
        exact = self.exact
        self.master.keep_columns(
            [c in exact or (len(c.visits) == 1 and c.visits[0][1] == 1)
             for c in self.master.columns]
        )

    def _column_of(
        self, model: LineModel, walk: Walk, times: Counter[int], duals: WholeDuals, fee: Floats
    ) -> tuple[MasterColumn | None, bool]:
        """Column of a walk and whether it is a real line; None if it breaks a rule of its set.

        Walks with a device twice, or with a part of a group that must be together, are no lines
        but stay in the relaxation at the cost they were priced with.
        """
        real = walk.elementary and all(
            sum(i in times for i in group) in (0, len(group)) for group in self.instance.together
        )
        out, back = self._path(model, walk)
        if real and not self.pricing.plain_costs:
            built = self.builder.line(walk.switch, model.grade, out, back)
            if built is None:
                return None, True
            column = self.pricing.master_column(built, walk.port)
        else:
            visits = tuple(sorted(times.items()))
            blank = MasterColumn(visits, walk.port, 0, walk.switch, True)
            cost = walk.reduced - self._reduced(blank, duals, fee)
            column = replace(blank, cost=int(cost))
        self.paths.setdefault(column, (out, back))
        if real:
            self.exact.setdefault(column, (walk.switch, model.grade, out, back))
        return column, real

    def _local_cuts(self, model: LineModel, duals: WholeDuals) -> list[SubsetCut]:
        return local_cuts(model, zip(self.master.cuts, duals.cut, strict=True))


def lower_bound(
    builder: ColumnBuilder,
    seeds: Sequence[Column] = (),
    *,
    remaining: Callable[[], float],
    on_bound: Callable[[int, str], None] | None = None,
    target: Callable[[], int | None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
) -> BoundResult:
    """Prove a lower bound on the cost of every layout.

    Parameters
    ----------
    builder
        Exact columns of the problem.
    seeds
        Columns known already; they save rounds.
    remaining
        Seconds left, read often.
    on_bound
        Told each better bound and where it comes from.
    target
        Gives the cost of the best layout known; the run ends when the bound meets it.
    should_stop
        Asked more often than ``remaining``, wherever much is done between two readings of that.
    """
    openings = openings_of(builder.instance)
    if builder.instance.n > LARGE:
        return _by_regions(builder, seeds, remaining, openings.constant, on_bound, target)
    run = ColumnGeneration(
        builder,
        seeds,
        remaining=remaining,
        openings=openings,
        on_bound=on_bound,
        target=target,
        should_stop=should_stop,
    )
    converged = False
    # Without an end the best bound so far stands.
    with contextlib.suppress(LpFailed, OutOfTime):
        converged = _phases(run)
    return BoundResult(
        run.value, run.best_duals, _orders(run), run.source, converged, run.rounds
    )


def _by_regions(
    builder: ColumnBuilder,
    seeds: Sequence[Column],
    remaining: Callable[[], float],
    constant: int,
    on_bound: Callable[[int, str], None] | None,
    target: Callable[[], int | None] | None,
) -> BoundResult:
    """Bound a large problem: sweeps over regions while they gain something."""
    inst = builder.instance
    value = constant
    dual = np.zeros(inst.n)
    source = "relaxed walks by region"
    run = RegionalBound(builder, seeds, lambda: remaining() <= reserve)
    # Proving comes after the last region, so time for it is kept back.
    reserve = 0.0
    reserve = run.proving_time(remaining)
    whole, idle, sweeps = True, 0, 0
    while whole and idle < IDLE_SWEEPS and remaining() > reserve:
        cost = target() if target is not None else None
        if cost is not None and value >= cost:
            break
        whole = run.sweep(first=sweeps == 0)
        sweeps += 1
        # A sweep that was cut short is worth proving too.
        proof = run.prove()
        if not run.priced.all():
            proof = max(proof, run.prove(run.guess_the_rest()), key=lambda p: p[1])
        idle = 0 if proof[1] + constant > value + SWEEP_GAIN * value else idle + 1
        if proof[1] + constant > value:
            dual, total = proof
            value = total + constant
            if on_bound is not None:
                on_bound(value, source)
        run.dual = proof[0].copy()
    duals = BoundDuals(dual, np.zeros(len(inst.port_classes)))
    return BoundResult(
        value, duals, run.orders(dual, 4 * inst.n), source, whole and idle > 0, sweeps
    )


def _phases(run: ColumnGeneration) -> bool:
    for _ in range(CAP_ROUNDS):
        done = run._generate(run.price_walks, "relaxed walks", close_enough=2e-4)
        if not done or not run.add_broken_caps():
            break
    short = all(m.counts_devices and m.capacity <= SHORT_LINE for m in run.pricing.models)
    if not short:
        return _neighbourhoods(run)
    quick = [LabelSearch(m) for m in run.pricing.models]
    run.add_real_lines()
    run.keep_real_lines()
    run.smoothing = 0.8
    searches = quick
    for limit in SHORT_LIMITS:
        if limit == SHORT_LIMITS[-1] and not run.close():
            searches = [LabelSearch(m, cells=CELLS) for m in run.pricing.models]
        for _ in range(CAP_ROUNDS):
            done = run._generate(
                partial(run.price_labels, searches=searches, limit=limit),
                "elementary lines",
                close_enough=1e-4,
                shrink=limit > SHORT_LIMITS[0],
            )
            if not done or not run.add_broken_caps():
                break
    if not done:
        return False
    return _cut_rounds(run, searches)


SHORT_LIMITS = (1_000, 15_000, 150_000)
"""Labels kept in a layer, one after the other, for short lines."""
FIRST_MEMORY = 6
"""Devices a walk along a long line remembers at first, besides the one it is at."""
MOST_MEMORY = 14
"""Devices it remembers at most."""
LABEL_BUDGETS = (20_000, 100_000, 500_000)
"""Labels of one search of long lines, over all layers."""
CYCLE_VALUE = 0.02
"""Walks with at least this share in the relaxation have their repetitions forbidden."""


def _neighbourhoods(run: ColumnGeneration) -> bool:
    """Long lines: walks that remember their neighbourhood, which grows where they repeat."""
    memories = [_nearest(m, FIRST_MEMORY) for m in run.pricing.models]
    source = "lines without near repetitions"
    run.add_real_lines()
    run.smoothing = 0.8
    while not run.over():
        run.forget_walks(memories)
        searches = [
            LabelSearch(m, memory) for m, memory in zip(run.pricing.models, memories, strict=True)
        ]
        done = False
        for budget in LABEL_BUDGETS:
            limit = max(50, budget // max(m.capacity for m in run.pricing.models))
            done = run._generate(
                partial(run.price_labels, searches=searches, limit=limit),
                source,
                close_enough=1e-4,
                shrink=budget > 20_000,
            )
        grown = run.forbid_repetitions(memories)
        if not done:
            return False
        if not grown:
            return True
    return False


def _nearest(model: LineModel, size: int) -> Bools:
    """Memory of the ``size`` nearest devices of each, bool (k, k), row: where the walk is."""
    memory = np.eye(model.k, dtype=bool)
    for row in range(model.k):
        order = np.argsort(model.way_um[row], kind="stable")
        memory[row, order[: size + 1]] = True
    return memory


CUTS_A_ROUND = 40
CUTS_A_DEVICE = 5
SLACK_ROUNDS = 3
"""Rounds of cuts with hardly any gain after which cutting stops."""


def _cut_rounds(run: ColumnGeneration, searches: Sequence[LabelSearch]) -> bool:
    """Add subset cuts round by round; True if nothing is left to cut."""
    slack = 0
    while not run.over() and slack < SLACK_ROUNDS:
        before = run.value
        run.master.solve(details=True)
        cuts = violated_triples(
            run.master.columns,
            run.master.values(),
            set(run.master.cuts),
            most=CUTS_A_ROUND + run.instance.n // 4,
            per_device=CUTS_A_DEVICE,
        )
        if not cuts:
            return True
        for cut in cuts:
            run.master.add_cut(cut)
        done = False
        for limit in SHORT_LIMITS[1:]:
            done = run._generate(
                partial(run.price_labels, searches=searches, limit=limit),
                "elementary lines with subset cuts",
                close_enough=1e-4,
                shrink=limit > SHORT_LIMITS[1],
            )
        if not done:
            return False
        slack = slack + 1 if run.value - before < 2e-4 * run.value else 0
        run.drop_idle_cuts()
    return False


def _orders(run: ColumnGeneration) -> list[Order]:
    """Exact lines of the relaxation, those of least reduced cost first."""
    known: dict[Order, None] = {}
    try:
        run.master.solve(details=True)
    except LpFailed:
        return list(dict.fromkeys(run.exact.values()))
    reduced = run.master.reduced_costs()
    for k in np.argsort(reduced, kind="stable"):
        order = run.exact.get(run.master.columns[k])
        if order is not None:
            known[order] = None
    return list(known)
