"""Duals of large problems, region by region.

Devices are split into regions by position. Each region is priced with the devices around it (its
halo): devices of regions done before keep their duals, the others are free and forgotten again.
So a line across a border is accounted for when the last of its regions is done. What still lacks
is measured over all devices at once and taken off the duals where it arises, which makes the sum
of the duals a proven bound.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

import numpy as np

from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.bound.field import Field
from partitioner.solve.bound.line_model import FAR, LineModel, member_groups
from partitioner.solve.bound.region_task import Found, Known, RegionTask, Visits
from partitioner.solve.bound.walks import Order
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.split import split

LARGE = 500
"""Above so many devices the bound goes region by region."""
CORE = 70
"""Most devices of a region."""
HALO = 130
"""Devices around a region that are priced with it."""
NEAR_SWITCHES = 8
"""Switches nearest to a region that its lines may hang on while it is priced."""
PAUSE_S = 0.02
"""Between two looks at the regions at work beside."""
GUESS = 0.85
"""Share of the mean dual that devices get for which there was no time."""


class HandOut(Protocol):
    """Has regions priced beside."""

    def __call__(
        self,
        make: Callable[[], RegionTask | None],
        take: Callable[[Found], object],
        end: Callable[[], object],
    ) -> None:
        """Let a region wait for its turn.

        Parameters
        ----------
        make
            Gives the task when its turn has come; None if it is not wanted any more.
        take
            Gets what was found, unless it is lost.
        end
            Called when there is no more to come.
        """


@dataclass(slots=True)
class _Pool:
    """Walks by device, so that a region can start with those inside it."""

    walks: dict[Visits, Known] = field(default_factory=dict)
    of_device: dict[int, list[Known]] = field(default_factory=dict)

    def add(self, made: Known) -> None:
        visits = made.visits
        known = self.walks.get(visits)
        if known is not None:
            if made.cost < known.cost:
                known.cost, known.order = made.cost, made.order
            return
        self.walks[visits] = made
        self.of_device.setdefault(visits[0][0], []).append(made)


class RegionalBound:
    """Duals of all devices by regions, and what they prove.

    ``seeds`` are columns known already, ``remaining`` gives the seconds left to price regions in. A
    region has at most ``core`` devices, and ``halo`` more around it are priced with it.
    """

    def __init__(
        self,
        builder: ColumnBuilder,
        seeds: Sequence[Column],
        remaining: Callable[[], float],
        *,
        core: int = CORE,
        halo: int = HALO,
    ):
        self.builder = builder
        self.core, self.halo = core, halo
        inst = self.instance = builder.instance
        self.remaining = remaining
        self.positions = inst.positions_um
        self.switch_positions = np.array(
            [inst.network.position_um(s) for s in inst.switch_ids], dtype=float
        )
        self.fields = [Field(builder, g) for g in inst.line_grades]
        self.link_cost = least_link_cost(builder)
        self.dual = np.zeros(inst.n)
        self.priced = np.zeros(inst.n, dtype=bool)
        self.pool = _Pool()
        for column in seeds:
            if inst.grades[column.grade].is_line:
                port = self._port_value(column.switch, column.grade)
                visits = tuple((i, 1) for i in sorted(column.devices))
                order = (column.switch, column.grade, column.out, column.back)
                self.pool.add(Known(visits, column.cost + int(port), order))

    def _port_value(self, switch: int, grade: int) -> float:
        inst = self.instance
        ports = inst.ports_of.get((switch, grade), [])
        return min((float(inst.port_classes[p].value) for p in ports), default=FAR)

    def over(self) -> bool:
        """Whether time is up."""
        return self.remaining() <= 0.0

    # -- one region ---------------------------------------------------------------------------

    def take(self, core: Ints, found: Found) -> None:
        """Take in what was found for a region."""
        best, met = found
        for known in met:
            self.pool.add(known)
        if best is not None:
            self.dual[core] = np.rint(best)

    def task(self, core: Ints, free: Ints, fixed: Ints, seconds: float = 0.0) -> RegionTask:
        """Give a region with links, lines of one device, and walks met inside it.

        ``free`` devices have duals of their own meanwhile, ``fixed`` ones keep theirs.
        """
        members = np.sort(np.concatenate([core, free, fixed]))
        models = self._models(members, core)
        fees = [
            np.array([self._port_value(int(s), model.grade) for s in model.switches])
            for model in models
        ]
        open_ = np.sort(np.concatenate([core, free]))
        is_open = set(open_.tolist())
        walks: list[tuple[Visits, float]] = [
            (((int(i), 1),), self.link_cost[i]) for i in open_ if self.link_cost[i] < FAR / 2
        ]
        for model, fee in zip(models, fees, strict=True):
            alone = (model.close + fee[:, None]).min(axis=0) + model.base + model.line_end
            walks += [
                (((int(i), 1),), float(alone[d]))
                for d, i in enumerate(model.members)
                if int(i) in is_open
            ]
        inside = set(members.tolist())
        for i in members:
            walks += [
                (known.visits, known.cost)
                for known in self.pool.of_device.get(int(i), ())
                if all(d in inside for d, _ in known.visits)
            ]
        bare = [model.bare() for model in models]
        return RegionTask(core, open_, bare, fees, self.dual.copy(), walks, seconds)

    def _models(self, members: Ints, core: Ints) -> list[LineModel]:
        inst = self.instance
        models = []
        middle = self.positions[core].mean(axis=0)
        gap = np.abs(self.switch_positions - middle).sum(axis=1)
        near = set(np.argsort(gap, kind="stable")[:NEAR_SWITCHES].tolist())
        for grade in inst.line_grades:
            for switches, allowed in member_groups(inst, grade, near):
                inside = members[allowed[members]]
                if len(inside):
                    models.append(LineModel(self.builder, grade, switches, inside))
        for model in models:
            model.count_devices()
        return models

    # -- all regions --------------------------------------------------------------------------

    def sweep(self, first: bool, hand_out: HandOut | None = None) -> bool:
        """Price every region once; False if time ran out before the last.

        In the first sweep devices not priced yet are free; later all others keep their duals.
        With ``hand_out`` regions that do not touch are priced at the same time beside.
        """
        n = self.instance.n
        done = np.zeros(n, dtype=bool) if first else np.ones(n, dtype=bool)
        cores = split(self.positions, self.core)
        if hand_out is not None:
            return _SweepBeside(self, cores, done, hand_out).run()
        for core in cores:
            if self.over():
                return False
            halo = self.around(core)
            task = self.task(core, halo[~done[halo]], halo[done[halo]])
            self.take(core, task.price(self.over))
            done[core] = True
            if not self.over():
                self.priced[core] = True
        return True

    def around(self, core: Ints) -> Ints:
        """Give the devices nearest to a region."""
        low = self.positions[core].min(axis=0)
        high = self.positions[core].max(axis=0)
        gap = (np.maximum(low - self.positions, 0) + np.maximum(self.positions - high, 0)).sum(
            axis=1
        )
        gap[core] = np.inf
        size = min(self.halo, len(gap) - len(core))
        return np.argpartition(gap, size - 1)[:size] if size else np.zeros(0, dtype=int)

    def guess_the_rest(self) -> Floats:
        """Duals in which devices not priced yet stand at most of the mean of those priced."""
        guess = self.dual.copy()
        if self.priced.any():
            guess[~self.priced] = GUESS * self.dual[self.priced].mean()
        return guess

    def proving_time(self, remaining: Callable[[], float]) -> float:
        """About how much of the time left :meth:`prove` takes, from one of its steps."""
        before = remaining()
        steps = 0
        for field_ in self.fields:
            field_.try_step()
            steps = max(steps, 2 * field_.capacity + 2)
        return 1.5 * steps * max(0.0, before - remaining())

    def prove(self, dual: Floats | None = None) -> tuple[Floats, int]:
        """Lower the duals (``dual`` or those found) until every line is paid for.

        Gives duals under which no segment has a negative reduced cost, and their sum: a bound on
        the cost of all segments of any layout.
        """
        dual = np.minimum(np.rint(self.dual if dual is None else dual), self.link_cost)
        lack = np.zeros(len(dual))
        for field_ in self.fields:
            grade = field_.grade
            short = field_.shortfall(dual, partial(self._port_value, grade=grade))
            lack = np.maximum(lack, short)
        dual = dual - lack
        return dual, int(dual.sum())

    def orders(self, dual: Floats, most: int) -> list[Order]:
        """Lines met on the way whose reduced cost is least, at most so many."""
        rows = [
            (known.cost - sum(dual[d] * times for d, times in known.visits), known.order)
            for known in self.pool.walks.values()
            if known.order is not None
        ]
        rows.sort(key=lambda row: (row[0], row[1]))
        return [order for _, order in rows[:most] if order is not None]


def least_link_cost(builder: ColumnBuilder) -> Floats:
    """Float (n,): least objective money of a point-to-point link, port included; FAR if none.

    Length limits count; deadlines and the price of latency do not, so no real link is cheaper.
    """
    inst = builder.instance
    line = inst.problem.line
    slack = (line.drop_slack_um, line.end_slack_um, line.end_slack_um)
    share = inst.share_ppm
    least = np.full(inst.n, FAR)
    for grade, data in enumerate(inst.grades):
        if data.is_line:
            continue
        usable = np.nonzero(inst.can[:, grade])[0]
        if not len(usable):
            continue
        connector = inst.problem.catalogue.grades[data.id].connector
        own = np.array(
            [
                builder.device_value(grade, int(i)) + inst.part_value(connector, int(share[i]))
                for i in usable
            ],
            dtype=float,
        )
        for length in slack:
            own += inst.cable_values(grade, np.full(len(usable), length), share[usable])
        for port in inst.port_classes:
            if port.grade != grade:
                continue
            way = inst.switch_um[port.switch, usable]
            cost = own + port.value + inst.cable_values(grade, way, share[usable])
            cost[(way + sum(slack) > data.max_length_um)] = FAR
            cost[~inst.may_hang[usable, port.switch]] = FAR
            least[usable] = np.minimum(least[usable], cost)
    return least


class _SweepBeside:
    """One sweep whose regions are priced beside, those that touch one after the other.

    Two regions touch if devices of one lie around the other: their prices depend on each other.
    """

    def __init__(
        self, bound: RegionalBound, cores: Sequence[Ints], done: np.ndarray, hand_out: HandOut
    ):
        self.bound, self.cores, self.done, self.hand_out = bound, cores, done, hand_out
        self.halos = [bound.around(core) for core in cores]
        region = np.zeros(len(done), dtype=np.int64)
        for k, core in enumerate(cores):
            region[core] = k
        near = [set(region[halo].tolist()) for halo in self.halos]
        self.touching = [
            {j for j in range(len(cores)) if j in near[k] or k in near[j]} - {k}
            for k in range(len(cores))
        ]
        self.at_work: set[int] = set()
        self.is_over = False
        self.left_s = 0.0
        self.is_whole = True

    def run(self) -> bool:
        """Price them; False if one is missing in the end."""
        waiting = list(range(len(self.cores)))
        while waiting or self.at_work:
            self.left_s = self.bound.remaining()
            if self.left_s <= 0.0:
                self.is_over = True
                return False
            for k in list(waiting):
                if self.touching[k].isdisjoint(self.at_work):
                    waiting.remove(k)
                    self.at_work.add(k)
                    self.hand_out(partial(self._make, k), partial(self._take, k),
                                  partial(self._end, k))  # fmt: skip
            time.sleep(PAUSE_S)
        return self.is_whole

    def _make(self, k: int) -> RegionTask | None:
        # What is left of a sweep cut short has no use for prices.
        if self.is_over:
            return None
        halo = self.halos[k]
        free, fixed = halo[~self.done[halo]], halo[self.done[halo]]
        return self.bound.task(self.cores[k], free, fixed, self.left_s)

    def _take(self, k: int, found: Found) -> None:
        if self.is_over or k not in self.at_work:
            return
        core = self.cores[k]
        self.bound.take(core, found)
        self.done[core] = True
        self.bound.priced[core] = found[0] is not None
        self.at_work.remove(k)

    def _end(self, k: int) -> None:
        if k in self.at_work:
            # It was lost: its devices stay as they are.
            self.is_whole = False
            self.at_work.remove(k)
