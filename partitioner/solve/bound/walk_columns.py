"""Columns of the relaxation that walks become, and the real lines among them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

from partitioner.solve.arrays import Floats
from partitioner.solve.bound.cuts import local_cuts
from partitioner.solve.bound.duals import MasterDuals
from partitioner.solve.bound.labels import LabelSearch
from partitioner.solve.bound.line_model import LineModel
from partitioner.solve.bound.pricing_problem import PricingProblem
from partitioner.solve.bound.relaxed_master import MasterColumn, RelaxedMaster
from partitioner.solve.bound.walks import ArmWalks, Order, Walk, best_walks
from partitioner.solve.columns import Arms, Column, ColumnBuilder

CHECKED = 1_500
"""Most walks of one pricing that are built and checked exactly."""
CHOSEN = 600
"""Most walks of one pricing looked at when none of them can break a rule."""
ENOUGH = 60
"""So many real lines of negative reduced cost end the judging of one model's walks."""
ADDED = 250
"""Most columns a model adds in one round."""
SAME_DEVICE = 12
"""Most columns of one round that share a device."""

Missing = list[tuple[float, int]]
"""(Reduced cost, least weight of the segments that may have it)."""


class Pricing(NamedTuple):
    """What a pricing found: columns, and how low reduced costs can be."""

    columns: list[MasterColumn]
    missing: Missing


class _Chosen:
    """Columns of one round of a model. They should differ: no device in too many of them."""

    def __init__(self) -> None:
        self.columns: list[MasterColumn] = []
        self._taken: Counter[int] = Counter()

    def has_room(self, devices: Counter[int]) -> bool:
        """Whether a column of these devices may come as well."""
        return len(self.columns) < ADDED and all(self._taken[d] < SAME_DEVICE for d in devices)

    def add(self, column: MasterColumn, devices: Counter[int]) -> None:
        self.columns.append(column)
        self._taken.update(devices.keys())


class WalkColumns:
    """Walks that became columns of one relaxation.

    Attributes
    ----------
    exact
        The real lines: (switch, grade, out, back) by column.
    arms
        The walk of each column that a pricing gave.
    """

    def __init__(self, builder: ColumnBuilder, pricing: PricingProblem, master: RelaxedMaster):
        self._builder, self._pricing, self._master = builder, pricing, master
        self._instance = builder.instance
        self.exact: dict[MasterColumn, Order] = {}
        self.arms: dict[MasterColumn, Arms] = {}

    def add_exact(self, column: Column, port: int) -> bool:
        """Put a real line into the relaxation; False if it is there already."""
        made = self._pricing.master_column(column, port)
        self.exact[made] = (column.switch, column.grade, column.out, column.back)
        return self._master.add(made)

    def reduced(self, column: MasterColumn, duals: MasterDuals, fee: Floats) -> float:
        """Reduced cost of a column, prices of cuts and caps included."""
        value = column.cost + fee[column.port]
        value -= sum(duals.device[i] * times for i, times in column.visits)
        for price, cap in zip(duals.cap, self._master.caps, strict=False):
            if price:
                value += price * cap.held(column)
        return float(value + sum(duals.cut[c] for c in self._master.cuts_met(column)))

    # -- pricings -----------------------------------------------------------------------------

    def price_relaxed(self, duals: MasterDuals, look: Callable[[], None]) -> Pricing:
        """Price with relaxed walks; ``look`` is called before what takes long, and may raise."""
        fee = self._pricing.line_fees(duals, self._master.row_of_port)
        cap_price = self._master.cap_prices(duals.cap)
        found = Pricing([], [])
        for model in self._pricing.models:
            for priced in self._pricing.priced(model, duals.device, fee, cap_price):
                look()
                walks, least = best_walks(model, priced, ArmWalks(model, priced), ADDED)
                found.missing.extend((float(r), q) for q, r in enumerate(least) if r < 0)
                chosen = _Chosen()
                for walk in walks:
                    times = walk.times(model)
                    if chosen.has_room(times):
                        visits = tuple(sorted(times.items()))
                        column = MasterColumn(visits, walk.port, walk.cost, walk.switch, True)
                        self.arms.setdefault(column, walk.arms(model))
                        chosen.add(column, times)
                found.columns.extend(chosen.columns)
        return found

    def price_labels(
        self,
        duals: MasterDuals,
        searches: Sequence[LabelSearch],
        limit: int,
        look: Callable[[], None],
        spent: Callable[[int], None],
    ) -> Pricing:
        """Price with labels; walks without repetition become real lines.

        ``look`` is called before what takes long, ``spent`` told of labels; both may raise.
        """
        fee = self._pricing.line_fees(duals, self._master.row_of_port)
        cap_price = self._master.cap_prices(duals.cap)
        found = Pricing([], [])
        for search in searches:
            model = search.model
            for priced in self._pricing.priced(model, duals.device, fee, cap_price):
                walks, missed = search.run(
                    priced,
                    limit=limit,
                    most=CHECKED if self._pricing.must_check else CHOSEN,
                    cuts=local_cuts(model, zip(self._master.cuts, duals.cut, strict=True)),
                    spent=spent,
                )
                found.missing.extend(missed)
                made = self._choose(model, walks, duals, fee, look)
                found.columns.extend(made.columns)
                found.missing.extend(made.missing)
        return found

    def _choose(
        self,
        model: LineModel,
        walks: Sequence[Walk],
        duals: MasterDuals,
        fee: Floats,
        look: Callable[[], None],
    ) -> Pricing:
        """Choose columns for the relaxation among walks sorted by reduced cost.

        Walks that break a rule of their set are left out; judging them takes time, so that ends
        when enough were found.
        """
        chosen = _Chosen()
        missing: Missing = []
        good = 0
        for walk in walks:
            times = walk.times(model)
            is_fresh = chosen.has_room(times)
            judge = self._pricing.must_check and walk.elementary and good < ENOUGH
            column: MasterColumn | None = None
            reduced = walk.reduced
            if judge or is_fresh:
                look()
                column, is_exact = self._column_of(model, walk, times, duals, fee)
                if column is None:
                    continue
                if is_exact:
                    reduced = self.reduced(column, duals, fee)
                good += reduced < 0
            missing.append((reduced, walk.weight))
            if column is not None and is_fresh and reduced < 0:
                chosen.add(column, times)
        return Pricing(chosen.columns, missing)

    def _column_of(
        self, model: LineModel, walk: Walk, times: Counter[int], duals: MasterDuals, fee: Floats
    ) -> tuple[MasterColumn | None, bool]:
        """Column of a walk and whether it is a real line; None if it breaks a rule of its set.

        Walks with a device twice, or with a part of a group that must be together, are no lines
        but stay in the relaxation at the cost they were priced with.
        """
        real = walk.elementary and all(
            sum(i in times for i in group) in (0, len(group)) for group in self._instance.together
        )
        arms = walk.arms(model)
        if real and not self._pricing.plain_costs:
            built = self._builder.line(walk.switch, model.grade, *arms)
            if built is None:
                return None, True
            column = self._pricing.master_column(built, walk.port)
        else:
            visits = tuple(sorted(times.items()))
            blank = MasterColumn(visits, walk.port, 0, walk.switch, True)
            column = replace(blank, cost=int(walk.reduced - self.reduced(blank, duals, fee)))
        self.arms.setdefault(column, arms)
        if real:
            self.exact.setdefault(column, (walk.switch, model.grade, *arms))
        return column, real

    # -- real lines ---------------------------------------------------------------------------

    def add_real_lines(self, look: Callable[[], None]) -> None:
        """Put in the real lines along the walks of the relaxation, for a good start."""
        for column in list(self._master.columns):
            if column not in self.arms or column in self.exact:
                continue
            look()
            seen: set[int] = set()
            arms = []
            for arm in self.arms[column]:
                kept = [d for d in dict.fromkeys(arm) if d not in seen]
                seen.update(kept)
                arms.append(kept)
            grade = self._instance.port_classes[column.port].grade
            built = self._builder.line(column.switch, grade, *arms)
            if built is not None:
                self.add_exact(built, column.port)

    def keep_real_lines(self) -> None:
        """Drop the walks that are no lines."""
        self._master.keep_columns(
            [c in self.exact or (len(c.visits) == 1 and c.visits[0][1] == 1)
             for c in self._master.columns]
        )
