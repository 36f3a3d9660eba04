"""The linear relaxation over the columns known so far, solved by GLOP.

Rows: every device is covered; ports suffice at every switch (candidate switches open in part);
there are at least so many lines as the device count forces; and subset cuts. Its dual values steer
the pricing. Nothing here is trusted for the bound: any duals of the right sign give a valid one,
see :mod:`partitioner.solve.bound.column_generation`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import ortools.linear_solver.pywraplp as pywraplp

from partitioner.solve.arrays import Floats
from partitioner.solve.bound.duals import MasterDuals
from partitioner.solve.bound.openings import Openings
from partitioner.solve.instance import Instance
from partitioner.units import MONEY_STEPS


@dataclass(frozen=True, slots=True)
class LineCount:
    """At least ``least`` segments hang on ``switches``; point-to-point links count if said."""

    switches: frozenset[int]
    least: int
    links_too: bool


@dataclass(frozen=True, slots=True)
class SwitchCap:
    """A switch carries at most ``most`` of some devices, and none while it is closed."""

    switch: int
    devices: frozenset[int]
    most: int

    def held(self, column: MasterColumn) -> int:
        """How often a column has some of the devices at the switch."""
        if column.switch != self.switch:
            return 0
        return sum(times for d, times in column.visits if d in self.devices)


@dataclass(frozen=True, slots=True)
class MasterColumn:
    """A segment in the relaxation. ``visits`` maps devices to how often they come.

    ``cost`` is objective money without the port.
    """

    visits: tuple[tuple[int, int], ...]
    port: int
    cost: int
    switch: int
    is_line: bool


class LpFailed(Exception):
    """GLOP gave no optimal basis, even from scratch."""


class RelaxedMaster:
    """Restricted master program.

    ``dear``: float (n,), what it costs to leave a device out; above what any plan pays for it.
    """

    def __init__(
        self, instance: Instance, counts: Sequence[LineCount], dear: Floats, openings: Openings
    ):
        self.instance = instance
        self.counts = list(counts)
        self.columns: list[MasterColumn] = []
        self._known: set[MasterColumn] = set()
        self.cuts: list[tuple[int, int, int]] = []
        self.caps: list[SwitchCap] = []
        counts_of = {(p.switch, p.group): p.count for p in instance.port_classes}
        self.row_keys = sorted(counts_of)
        self.row_count = np.array([counts_of[key] for key in self.row_keys], dtype=np.int64)
        row_of = {key: r for r, key in enumerate(self.row_keys)}
        self.row_of_port = np.array(
            [row_of[p.switch, p.group] for p in instance.port_classes], dtype=np.int64
        )
        self.openings = openings
        self._dear = dear
        self._last_values = np.zeros(0)
        self._last_reduced = np.zeros(0)
        self._last_opened: dict[int, float] = {}
        self._build()

    def _build(self, presolve: bool = False) -> None:
        solver = pywraplp.Solver.CreateSolver("GLOP")
        inf = solver.infinity()
        # Presolve would make GLOP forget its basis between rounds; it is only for a second try.
        if not presolve:
            solver.SetSolverSpecificParametersAsString("use_preprocessing: false")
        self._solver = solver
        objective = solver.Objective()
        objective.SetMinimization()
        self._cover = [solver.Constraint(1.0, inf) for _ in range(self.instance.n)]
        self._left_out = []
        for i, row in enumerate(self._cover):
            out = solver.NumVar(0, inf, "")
            row.SetCoefficient(out, 1.0)
            objective.SetCoefficient(out, float(self._dear[i]) / MONEY_STEPS)
            self._left_out.append(out)
        self._rows = []
        opened: dict[int, pywraplp.Variable] = {}
        self._opened = opened
        for s, value in self.openings.own.items():
            opened[s] = solver.NumVar(0, 1, "")
            objective.SetCoefficient(opened[s], value / MONEY_STEPS)
        if opened and self.openings.sets:
            self._mix_sets_of_open_switches()
        for r, (s, _) in enumerate(self.row_keys):
            self._rows.append(self._at_most(s, self.row_count[r]))
        self._counts = [solver.Constraint(float(c.least), inf) for c in self.counts]
        for row in self._counts:
            out = solver.NumVar(0, inf, "")
            row.SetCoefficient(out, 1.0)
            objective.SetCoefficient(out, float(self._dear.max(initial=0.0)) / MONEY_STEPS)
        self._cut_rows: list[pywraplp.Constraint] = []
        self._cap_rows: list[pywraplp.Constraint] = []
        self._caps_at: dict[int, list[int]] = {}
        self._variables: list[pywraplp.Variable] = []
        self._lines_with: list[list[int]] = [[] for _ in range(self.instance.n)]
        self._cuts_with: list[list[int]] = [[] for _ in range(self.instance.n)]
        for column in self.columns:
            self._put(column)
        for cut in self.cuts:
            self._put_cut(cut)
        for cap in self.caps:
            self._put_cap(cap)

    def _at_most(self, switch: int, most: int) -> pywraplp.Constraint:
        """Row of what a switch carries: at most so much, as far as it is open."""
        opened = self._opened.get(switch)
        row = self._solver.Constraint(-self._solver.infinity(), 0.0 if opened else float(most))
        if opened:
            row.SetCoefficient(opened, -float(most))
        return row

    # -- columns and cuts ---------------------------------------------------------------------

    def add(self, column: MasterColumn) -> bool:
        """Put a column in; False if it is there already."""
        if column in self._known:
            return False
        self._known.add(column)
        self.columns.append(column)
        self._put(column)
        return True

    def _put(self, column: MasterColumn) -> None:
        solver = self._solver
        variable = solver.NumVar(0, solver.infinity(), "")
        value = column.cost + self.instance.port_classes[column.port].value
        solver.Objective().SetCoefficient(variable, value / MONEY_STEPS)
        for device, times in column.visits:
            self._cover[device].SetCoefficient(variable, float(times))
        self._rows[int(self.row_of_port[column.port])].SetCoefficient(variable, 1.0)
        for row, count in zip(self._counts, self.counts, strict=True):
            if column.switch in count.switches and (column.is_line or count.links_too):
                row.SetCoefficient(variable, 1.0)
        if column.is_line:
            for cut in self.cuts_met(column):
                self._cut_rows[cut].SetCoefficient(variable, 1.0)
            for d, _ in column.visits:
                self._lines_with[d].append(len(self._variables))
        for number in self._caps_at.get(column.switch, ()):
            if held := self.caps[number].held(column):
                self._cap_rows[number].SetCoefficient(variable, float(held))
        self._variables.append(variable)

    def cuts_met(self, column: MasterColumn) -> list[int]:
        """Numbers of the cuts of which a line holds two devices or more."""
        met = Counter(c for d, _ in column.visits for c in self._cuts_with[d])
        return [cut for cut, devices in met.items() if devices >= 2]

    def add_cut(self, devices: tuple[int, int, int]) -> None:
        """Allow at most one line that holds two or more of three devices."""
        self.cuts.append(devices)
        self._put_cut(devices)

    def _put_cut(self, devices: tuple[int, int, int]) -> None:
        row = self._solver.Constraint(-self._solver.infinity(), 1.0)
        met = Counter(k for d in devices for k in self._lines_with[d])
        for k, times in met.items():
            if times >= 2:
                row.SetCoefficient(self._variables[k], 1.0)
        for d in devices:
            self._cuts_with[d].append(len(self._cut_rows))
        self._cut_rows.append(row)

    def _mix_sets_of_open_switches(self) -> None:
        """Candidates are open as in a mix of the sets that can be open together."""
        solver, inf = self._solver, self._solver.infinity()
        whole = solver.Constraint(1.0, inf)
        shares = {s: solver.Constraint(0.0, 0.0) for s in self._opened}
        for s, row in shares.items():
            row.SetCoefficient(self._opened[s], -1.0)
        for inside, extra in self.openings.sets:
            share = solver.NumVar(0, inf, "")
            solver.Objective().SetCoefficient(share, extra / MONEY_STEPS)
            whole.SetCoefficient(share, 1.0)
            for s in inside:
                shares[s].SetCoefficient(share, 1.0)

    def add_cap(self, cap: SwitchCap) -> None:
        """Limit how many of some devices a switch carries."""
        self.caps.append(cap)
        self._put_cap(cap)

    def _put_cap(self, cap: SwitchCap) -> None:
        row = self._at_most(cap.switch, cap.most)
        for column, variable in zip(self.columns, self._variables, strict=True):
            if held := cap.held(column):
                row.SetCoefficient(variable, float(held))
        self._caps_at.setdefault(cap.switch, []).append(len(self._cap_rows))
        self._cap_rows.append(row)

    def cap_prices(self, cap: Floats) -> Floats | None:
        """Float (S, n): what each device pays at each switch for the caps; None without caps."""
        if not self.caps:
            return None
        price = np.zeros((self.instance.switch_count, self.instance.n))
        for value, row in zip(cap, self.caps, strict=False):
            price[row.switch, list(row.devices)] += value
        return price

    def opened(self) -> dict[int, float]:
        """How far each candidate switch is open in the last solution with details."""
        return dict(self._last_opened)

    def drop_cuts(self, keep: Sequence[bool]) -> None:
        """Forget the cuts not marked."""
        self.cuts = [c for c, k in zip(self.cuts, keep, strict=True) if k]
        self._build()

    def keep_columns(self, keep: Sequence[bool]) -> None:
        """Forget the columns not marked."""
        kept = np.asarray(keep, dtype=bool)
        self._last_values = self.values()[kept]
        self._last_reduced = self.reduced_costs()[kept]
        self.columns = [c for c, k in zip(self.columns, keep, strict=True) if k]
        self._known = set(self.columns)
        self._build()

    # -- solving ------------------------------------------------------------------------------

    def solve(self, details: bool = False) -> tuple[float, MasterDuals]:
        """Optimise; objective money and duals. ``details``: values and reduced costs are kept.

        Raises
        ------
        LpFailed
            If GLOP ends without an optimal basis twice, the second time from scratch.
        """
        if self._solver.Solve() != pywraplp.Solver.OPTIMAL:
            self._build(presolve=True)
            if self._solver.Solve() != pywraplp.Solver.OPTIMAL:
                raise LpFailed
        scale = float(MONEY_STEPS)
        if details:
            self._last_opened = {s: v.solution_value() for s, v in self._opened.items()}
            self._last_values = np.array([v.solution_value() for v in self._variables])
            self._last_reduced = np.array([v.reduced_cost() for v in self._variables]) * scale
        duals = MasterDuals(
            np.array([c.dual_value() for c in self._cover]) * scale,
            np.minimum(np.array([r.dual_value() for r in self._rows]) * scale, 0.0),
            np.maximum(np.array([r.dual_value() for r in self._counts]) * scale, 0.0),
            np.maximum(np.array([-r.dual_value() for r in self._cut_rows]) * scale, 0.0),
            np.maximum(np.array([-r.dual_value() for r in self._cap_rows]) * scale, 0.0),
        )
        return self._solver.Objective().Value() * scale, duals

    def raise_dear(self, factor: float) -> bool:
        """Make leaving devices out dearer if the last solution does; whether it did."""
        self._solver.Solve()
        out = np.array([v.solution_value() for v in self._left_out])
        if not (out > 1e-6).any():
            return False
        self._dear = np.where(out > 1e-6, self._dear * factor, self._dear)
        objective = self._solver.Objective()
        for variable, value in zip(self._left_out, self._dear, strict=True):
            objective.SetCoefficient(variable, float(value) / MONEY_STEPS)
        return True

    def values(self) -> Floats:
        """Value of every column in the last solution with details (0 for those added since)."""
        return self._padded(self._last_values)

    def reduced_costs(self) -> Floats:
        """Reduced costs (objective money) in the last solution with details; 0 if added since."""
        return self._padded(self._last_reduced)

    def _padded(self, known: Floats) -> Floats:
        return np.concatenate([known, np.zeros(len(self.columns) - len(known))])
