"""One region of the bound to be priced, in this process or beside."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import ortools.linear_solver.pywraplp as pywraplp

from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.bound.line_model import LineModel
from partitioner.solve.bound.walks import ArmWalks, Order, Priced, Walk, best_walks
from partitioner.units import MONEY_STEPS

ROUNDS = 60
"""Most rounds of pricing in one region."""
ENOUGH = 1.5e-3
"""Relative distance of a region's program from what its duals are worth that ends its rounds."""

Visits = tuple[tuple[int, int], ...]
"""Devices of a walk, each with how often it comes."""
Found = tuple[Floats | None, list["Known"]]
"""Best duals of the core, None if time was up before any; walks met on the way."""


@dataclass(slots=True)
class Known:
    """A walk found before: devices (with repetitions counted), cost with its port."""

    visits: Visits
    cost: int
    order: Order | None
    """(switch, grade, out, back) if no device comes twice."""


@dataclass(frozen=True, slots=True)
class RegionTask:
    """Find the duals of a region that are worth most, by smoothed column generation.

    Attributes
    ----------
    core
        Devices of the region.
    open_
        Those and the others that have duals of their own meanwhile; the rest keep theirs.
    models, fees
        Lines that are priced, and for each model the value of a port at its switches.
    dual
        Float (n,): of all devices.
    walks
        What the program begins with: visits and cost.
    seconds
        Most that it may take beside.
    """

    core: Ints
    open_: Ints
    models: Sequence[LineModel]
    fees: Sequence[Floats]
    dual: Floats
    walks: Sequence[tuple[Visits, float]]
    seconds: float

    def run(self, emit: Callable[[Found], None]) -> None:
        """Price it and give what was found."""
        ends = time.monotonic() + self.seconds
        emit(self.price(lambda: time.monotonic() >= ends))

    def price(self, over: Callable[[], bool]) -> Found:
        """Price it until it is good enough, or ``over``."""
        program = _Program(self.open_, self.dual)
        for visits, cost in self.walks:
            program.add(visits, cost)
        met: list[Known] = []
        best, best_value = None, -np.inf
        smoothing = 0.5
        for _ in range(ROUNDS):
            if over():
                break
            value, raw = program.solve()
            if raw is None or (best is not None and value - best_value <= ENOUGH * max(1.0, value)):
                break
            mixed = raw if best is None else smoothing * best + (1 - smoothing) * raw
            trial = self.dual.copy()
            trial[self.open_] = mixed
            found, rate = self._walks_below(trial)
            met += found
            new = sum(program.add(known.visits, known.cost) for known in found)
            # What the duals are worth once everything free is lowered by the worst lack.
            worth = float(mixed.sum()) - rate * len(self.open_)
            if worth > best_value:
                best_value, best = worth, mixed
                smoothing = min(0.9, smoothing + 0.1)
            else:
                smoothing = max(0.0, smoothing - 0.2)
            if not new and smoothing == 0.0:
                break
        own = None if best is None else best[np.searchsorted(self.open_, self.core)]
        return own, met

    def _walks_below(self, dual: Floats) -> tuple[list[Known], float]:
        """Walks of negative reduced cost, and the worst lack per device."""
        found = []
        rate = 0.0
        for model, fee in zip(self.models, self.fees, strict=True):
            node = model.base - dual[model.members][model.device]
            priced = Priced(node, fee, np.zeros(len(model.switches), dtype=np.int64))
            walks, least = best_walks(model, priced, ArmWalks(model, priced), 120)
            for q, reduced in enumerate(least):
                if reduced < 0:
                    rate = max(rate, -float(reduced) / max(1, q))
            found += [_known(model, walk, fee) for walk in walks if walk.reduced < 0]
        return found, rate


def _known(model: LineModel, walk: Walk, fee: Floats) -> Known:
    at = int(np.nonzero(model.switches == walk.switch)[0][0])
    order = (walk.switch, model.grade, *walk.arms(model)) if walk.elementary else None
    visits = tuple(sorted(walk.times(model).items()))
    return Known(visits, int(walk.cost + fee[at]), order)


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
        self._cost: dict[Visits, float] = {}

    def add(self, visits: Visits, cost: float) -> int:
        """Put a walk in; 1 if it is new or cheaper than before, else 0."""
        if cost >= self._cost.get(visits, np.inf):
            return 0
        left = cost - sum(self._dual[d] * times for d, times in visits if d not in self._row)
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
