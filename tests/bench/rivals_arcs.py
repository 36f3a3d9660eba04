"""One CP-SAT model over arcs as a rival: a circuit through the switches and all devices.

All switches are one depot; which port a line starts at is a choice beside its first arc. Loads
grow along the arcs by enforced inequalities, which proved more on such models than equalities.
"""

from __future__ import annotations

import time

import numpy as np
from ortools.sat.python import cp_model

from partitioner.units import ceil_div
from tests.bench.fleet import FORBIDDEN, Fleet, Routes
from tests.bench.rival import RivalResult

ALL_ARCS = 130
"""Up to so many devices every arc is in the model."""
NEAREST = 25
"""Above that, arcs to this many nearest devices only; the model's bound is then not one of the
problem's and is not reported."""
LENGTH_STEPS = 1_000_000
"""Lengths are rounded up to a grid so that the limit is at most so many steps."""


class ArcModel:
    """The model of one fleet."""

    def __init__(self, fleet: Fleet):
        self.fleet = fleet
        self.model = cp_model.CpModel()
        n = fleet.n
        model = self.model
        self.start = {
            (i, k): model.new_bool_var(f"start[{i},{k}]")
            for k, kind in enumerate(fleet.kinds)
            for i in range(n)
            if kind.allowed[i]
        }
        self.first = [model.new_bool_var(f"first[{i}]") for i in range(n)]
        self.last = [model.new_bool_var(f"last[{i}]") for i in range(n)]
        self.step = {
            (i, j): model.new_bool_var(f"step[{i},{j}]") for i, j in self._useful_steps()
        }
        self.out = (
            [] if fleet.is_exact else [model.new_bool_var(f"out[{i}]") for i in range(n)]
        )
        arcs = [(0, i + 1, self.first[i]) for i in range(n)]
        arcs += [(i + 1, 0, self.last[i]) for i in range(n)]
        arcs += [(i + 1, j + 1, v) for (i, j), v in self.step.items()]
        arcs += [(i + 1, i + 1, v) for i, v in enumerate(self.out)]
        model.add_multiple_circuit(arcs)
        self._ports()
        self._grow("devices", np.ones(n, dtype=np.int64), "most_devices")
        self._grow("unit loads", fleet.unit_mul, "unit_cap_mul")
        self._grow("load", fleet.load_ppm, "load_cap_ppm")
        self._length()
        self._pins()
        kinds = fleet.kinds
        terms = [
            (int(kinds[k].fee + kinds[k].start_cost[i]), v) for (i, k), v in self.start.items()
        ]
        terms += [(int(fleet.step_cost[i, j]), v) for (i, j), v in self.step.items()]
        terms += [(fleet.left_out_price, v) for v in self.out]
        model.minimize(
            cp_model.LinearExpr.weighted_sum([v for _, v in terms], [c for c, _ in terms])
        )

    def _useful_steps(self) -> list[tuple[int, int]]:
        fleet = self.fleet
        steps = []
        for i in range(fleet.n):
            open_ones = np.nonzero(fleet.step_cost[i] < FORBIDDEN)[0]
            open_ones = open_ones[open_ones != i]
            if fleet.n > ALL_ARCS:
                order = np.argsort(fleet.step_cost[i, open_ones], kind="stable")
                open_ones = np.sort(open_ones[order[:NEAREST]])
            steps += [(i, int(j)) for j in open_ones]
        return steps

    def _ports(self) -> None:
        """A line's first arc has one port; ports of a group suffice; a link ends at once."""
        kinds = self.fleet.kinds
        for i, first in enumerate(self.first):
            own = [v for (d, _), v in self.start.items() if d == i]
            self.model.add(sum(own) == first)
        groups = {(kind.switch, kind.group): kind.ports for kind in kinds}
        for (switch, group), ports in groups.items():
            used = [
                v
                for (_, k), v in self.start.items()
                if (kinds[k].switch, kinds[k].group) == (switch, group)
            ]
            if len(used) > ports:
                self.model.add(sum(used) <= ports)
        for (i, k), v in self.start.items():
            if not kinds[k].is_line:
                self.model.add_implication(v, self.last[i])

    def _grow(self, name: str, demand: np.ndarray, limit: str) -> None:
        caps = [getattr(k, limit) for k in self.fleet.kinds if k.is_line]
        if not caps or int(demand.sum()) <= min(caps):
            return
        cap = int(min(caps))
        level = [
            self.model.new_int_var(min(int(demand[i]), cap), cap, f"{name}[{i}]")
            for i in range(self.fleet.n)
        ]
        for (i, j), v in self.step.items():
            self.model.add(level[j] >= level[i] + int(demand[j])).only_enforce_if(v)

    def _length(self) -> None:
        fleet = self.fleet
        lines = [k for k in fleet.kinds if k.is_line]
        if not lines:
            return
        cap_um = min(k.length_um for k in lines)
        farthest = int(fleet.step_um.max(axis=1).sum()) + max(int(k.start_um.max()) for k in lines)
        if farthest <= cap_um:
            return
        grid_um = max(1, ceil_div(cap_um, LENGTH_STEPS))
        cap = cap_um // grid_um
        level = [self.model.new_int_var(0, cap, f"length[{i}]") for i in range(fleet.n)]
        for (i, k), v in self.start.items():
            if fleet.kinds[k].is_line:
                least = ceil_div(int(fleet.kinds[k].start_um[i]), grid_um)
                self.model.add(level[i] >= least).only_enforce_if(v)
        for (i, j), v in self.step.items():
            more = ceil_div(int(fleet.step_um[i, j]), grid_um)
            self.model.add(level[j] >= level[i] + more).only_enforce_if(v)

    def _pins(self) -> None:
        """Where not every device may hang on every switch, devices carry their switch along."""
        fleet = self.fleet
        lines = [k for k in fleet.kinds if k.is_line]
        if all((k.allowed == lines[0].allowed).all() for k in lines):
            return
        at = {
            (i, k.switch): self.model.new_bool_var(f"at[{i},{fleet.switch_ids[k.switch]}]")
            for k in fleet.kinds
            for i in range(fleet.n)
            if k.allowed[i]
        }
        switches = range(len(fleet.switch_ids))
        for i in range(fleet.n):
            self.model.add_at_most_one(at[i, s] for s in switches if (i, s) in at)
        for (i, k), v in self.start.items():
            self.model.add_implication(v, at[i, fleet.kinds[k].switch])
        for (i, j), v in self.step.items():
            # On a line somewhere: the switch of the one before is the switch of the next.
            self.model.add_bool_or([at[i, s] for s in switches if (i, s) in at]).only_enforce_if(v)
            for s in switches:
                if (i, s) in at:
                    after = [at[j, s]] if (j, s) in at else []
                    self.model.add_bool_or([~v, ~at[i, s], *after])

    def routes(self, value) -> Routes:
        """Read the routes off; ``value`` tells whether a variable is true."""
        after = {i: j for (i, j), v in self.step.items() if value(v)}
        routes: Routes = []
        for (i, k), v in self.start.items():
            if value(v):
                visits = [i]
                while visits[-1] in after:
                    visits.append(after[visits[-1]])
                routes.append((k, tuple(visits)))
        return routes


def solve_arcs(fleet: Fleet, seconds: float, seed: int, workers: int) -> RivalResult:
    """Run until the time is up or the model is proved; building the model counts."""
    begun = time.monotonic()
    arcs = ArcModel(fleet)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = max(0.1, seconds - (time.monotonic() - begun))
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = seed
    watch = _Watch(begun)
    status = solver.solve(arcs.model, watch)
    spent = time.monotonic() - begun
    is_found = status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    is_bound = fleet.is_exact and fleet.n <= ALL_ARCS and status != cp_model.MODEL_INVALID
    return RivalResult(
        routes=arcs.routes(solver.boolean_value) if is_found else None,
        seconds=spent,
        seconds_to_best=watch.seconds,
        bound=max(0, int(solver.best_objective_bound)) if is_bound else None,
    )


class _Watch(cp_model.CpSolverSolutionCallback):
    """Remembers when the last, and so the best, solution came."""

    def __init__(self, begun: float):
        super().__init__()
        self.begun = begun
        self.seconds: float | None = None

    def on_solution_callback(self) -> None:
        self.seconds = time.monotonic() - self.begun
