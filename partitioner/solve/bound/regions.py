"""Duals of large problems, region by region.

Devices are split into regions by position. Each region is priced with the devices around it (its
halo): devices of regions done before keep their duals, the others are free and forgotten again.
So a line across a border is accounted for when the last of its regions is done. What still lacks
is measured over all devices at once and taken off the duals where it arises, which makes the sum
of the duals a proven bound.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from ortools.linear_solver import pywraplp

from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.bound.field import Field
from partitioner.solve.bound.line_model import FAR, LineModel, member_groups
from partitioner.solve.bound.result import Order
from partitioner.solve.bound.walks import ArmWalks, Priced, Walk, best_walks
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.split import split
from partitioner.units import MONEY_STEPS

LARGE = 500
"""Above so many devices the bound goes region by region."""
CORE = 70
"""Most devices of a region."""
HALO = 130
"""Devices around a region that are priced with it."""
NEAR_SWITCHES = 8
"""Switches nearest to a region that its lines may hang on while it is priced."""
ROUNDS = 60
"""Most rounds of pricing in one region."""
ENOUGH = 1.5e-3
"""Relative distance of a region's program from what its duals are worth that ends its rounds."""
GUESS = 0.85
"""Share of the mean dual that devices get for which there was no time."""


@dataclass(slots=True)
class _Known:
    """A walk found before: devices (with repetitions counted), cost with its port."""

    visits: tuple[tuple[int, int], ...]
    cost: int
    order: Order | None
    """(switch, grade, out, back) if no device comes twice."""


@dataclass(slots=True)
class _Pool:
    """Walks by device, so that a region can start with those inside it."""

    walks: dict[tuple[tuple[int, int], ...], _Known] = field(default_factory=dict)
    of_device: dict[int, list[_Known]] = field(default_factory=dict)

    def add(self, made: _Known) -> None:
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

    Parameters
    ----------
    builder
        Exact columns.
    seeds
        Columns known already.
    over
        Whether time is up.
    core, halo
        Most devices of a region, and devices around it that are priced with it.
    """

    def __init__(
        self,
        builder: ColumnBuilder,
        seeds: Sequence[Column],
        over: Callable[[], bool],
        *,
        core: int = CORE,
        halo: int = HALO,
    ):
        self.builder = builder
        self.core, self.halo = core, halo
        inst = self.instance = builder.instance
        self.over = over
        self.positions = np.array(
            [inst.network.position_um(d) for d in inst.device_ids], dtype=float
        )
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
                self.pool.add(_Known(visits, column.cost + int(port), order))

    def _port_value(self, switch: int, grade: int) -> float:
        inst = self.instance
        ports = inst.ports_of.get((switch, grade), [])
        return min((float(inst.port_classes[p].value) for p in ports), default=FAR)

    # -- one region ---------------------------------------------------------------------------

    def price_region(self, core: Ints, free: Ints, fixed: Ints) -> None:
        """Find the best duals of ``core``.

        ``free`` devices have duals of their own meanwhile, ``fixed`` ones keep theirs.
        """
        members = np.sort(np.concatenate([core, free, fixed]))
        models = self._models(members, core)
        open_ = np.sort(np.concatenate([core, free]))
        program = self._program(open_, members, models)
        best = self._ascend(program, open_, models)
        if best is not None:
            self.dual[core] = np.rint(best[np.searchsorted(open_, core)])

    def _program(self, open_: Ints, members: Ints, models: Sequence[LineModel]) -> _Program:
        """The program of a region with links, lines of one device, and walks met inside it."""
        program = _Program(open_, self.dual)
        for i in open_:
            if self.link_cost[i] < FAR / 2:
                program.add(((int(i), 1),), self.link_cost[i])
        for model in models:
            fee = self._fees(model)
            alone = (model.close + fee[:, None]).min(axis=0) + model.base + model.line_end
            for d, i in enumerate(model.members):
                if program.holds(int(i)):
                    program.add(((int(i), 1),), float(alone[d]))
        inside = set(members.tolist())
        for i in members:
            for known in self.pool.of_device.get(int(i), ()):
                if all(d in inside for d, _ in known.visits):
                    program.add(known.visits, known.cost)
        return program

    def _ascend(self, program: _Program, open_: Ints, models: Sequence[LineModel]) -> Floats | None:
        """Duals of the open devices that are worth most, by smoothed column generation."""
        best, best_value = None, -np.inf
        smoothing = 0.5
        for _ in range(ROUNDS):
            if self.over():
                break
            value, raw = program.solve()
            if raw is None or (best is not None and value - best_value <= ENOUGH * max(1.0, value)):
                break
            mixed = raw if best is None else smoothing * best + (1 - smoothing) * raw
            trial = self.dual.copy()
            trial[open_] = mixed
            found, rate = self._price(models, trial)
            new = 0
            for known in found:
                self.pool.add(known)
                new += program.add(known.visits, known.cost)
            # What the duals are worth once everything free is lowered by the worst lack.
            worth = float(mixed.sum()) - rate * len(open_)
            if worth > best_value:
                best_value, best = worth, mixed
                smoothing = min(0.9, smoothing + 0.1)
            else:
                smoothing = max(0.0, smoothing - 0.2)
            if not new and smoothing == 0.0:
                break
        return best

    def _fees(self, model: LineModel) -> Floats:
        return np.array([self._port_value(int(s), model.grade) for s in model.switches])

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

    def _price(self, models: Sequence[LineModel], dual: Floats) -> tuple[list[_Known], float]:
        """Walks of negative reduced cost, and the worst lack per device."""
        found = []
        rate = 0.0
        for model in models:
            fee = self._fees(model)
            node = model.base - dual[model.members][model.device]
            priced = Priced(node, fee, np.zeros(len(model.switches), dtype=np.int64))
            walks, least = best_walks(model, priced, ArmWalks(model, priced), 120)
            for q, reduced in enumerate(least):
                if reduced < 0:
                    rate = max(rate, -float(reduced) / max(1, q))
            found += [self._visits(model, walk, fee) for walk in walks if walk.reduced < 0]
        return found, rate

    @staticmethod
    def _visits(model: LineModel, walk: Walk, fee: Floats) -> _Known:
        at = int(np.nonzero(model.switches == walk.switch)[0][0])
        order = (walk.switch, model.grade, *walk.arms(model)) if walk.elementary else None
        visits = tuple(sorted(walk.times(model).items()))
        return _Known(visits, int(walk.cost + fee[at]), order)

    # -- all regions --------------------------------------------------------------------------

    def sweep(self, first: bool) -> bool:
        """Price every region once; False if time ran out before the last.

        In the first sweep devices not priced yet are free; later all others keep their duals.
        """
        n = self.instance.n
        done = np.zeros(n, dtype=bool) if first else np.ones(n, dtype=bool)
        for core in split(self.positions, self.core):
            if self.over():
                return False
            low = self.positions[core].min(axis=0)
            high = self.positions[core].max(axis=0)
            gap = (np.maximum(low - self.positions, 0) + np.maximum(self.positions - high, 0)).sum(
                axis=1
            )
            gap[core] = np.inf
            size = min(self.halo, n - len(core))
            halo = np.argpartition(gap, size - 1)[:size] if size else np.zeros(0, dtype=int)
            self.price_region(core, halo[~done[halo]], halo[done[halo]])
            done[core] = True
            if not self.over():
                self.priced[core] = True
        return True

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

        Returns
        -------
        tuple
            Duals under which no segment has a negative reduced cost, and their sum: a bound on
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
    share = np.array([inst.share_of((i,)) for i in range(inst.n)], dtype=np.int64)
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


class _Program:
    """Linear program of one region: rows for the open devices only."""

    def __init__(self, open_: Ints, dual: Floats):
        self._solver = pywraplp.Solver.CreateSolver("GLOP")
        self._solver.SetSolverSpecificParametersAsString("use_preprocessing: false")
        self._solver.Objective().SetMinimization()
        self._dual = dual.copy()
        inf = self._solver.infinity()
        self._row = {int(i): self._solver.Constraint(1.0, inf) for i in open_}
        self._order = [self._row[int(i)] for i in open_]
        self._cost: dict[tuple[tuple[int, int], ...], float] = {}

    def holds(self, device: int) -> bool:
        """Whether the device has a row."""
        return device in self._row

    def add(self, visits: tuple[tuple[int, int], ...], cost: float) -> int:
        """Put a walk in; 1 if it is new or cheaper than before, else 0."""
        if cost >= self._cost.get(visits, np.inf):
            return 0
        left = cost - sum(
            self._dual[d] * times for d, times in visits if d not in self._row
        )
        inside = [(d, times) for d, times in visits if d in self._row]
        if not inside:
            return 0
        self._cost[visits] = cost
        variable = self._solver.NumVar(0, self._solver.infinity(), "")
        # A walk whose fixed devices pay more than it costs would make the program unbounded.
        self._solver.Objective().SetCoefficient(variable, max(0.0, left) / MONEY_STEPS)
        for d, times in inside:
            self._row[d].SetCoefficient(variable, float(times))
        return 1

    def solve(self) -> tuple[float, Floats | None]:
        """Objective money and the rows' duals, None if the solver failed."""
        if self._solver.Solve() != pywraplp.Solver.OPTIMAL:
            return 0.0, None
        duals = np.array([row.dual_value() for row in self._order]) * MONEY_STEPS
        return self._solver.Objective().Value() * MONEY_STEPS, duals
