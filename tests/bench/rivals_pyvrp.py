"""PyVRP as a rival: iterated local search on the fleet, its own defaults, one process."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pyvrp
from pyvrp.IteratedLocalSearch import IteratedLocalSearchCallbacks, IteratedLocalSearchParams
from pyvrp.solve import SolveParams

from tests.bench.fleet import FORBIDDEN, Fleet, Kind, Routes
from tests.bench.rival import RivalResult


def matrices(fleet: Fleet, kind: Kind) -> tuple[np.ndarray, np.ndarray]:
    """Cost and length between all locations for one kind: switches, free end, then devices."""
    starts = len(fleet.switch_ids)
    first = starts + 1
    size = first + fleet.n
    cost = np.full((size, size), FORBIDDEN, dtype=np.int64)
    length = np.zeros((size, size), dtype=np.int64)
    if kind.is_line:
        cost[first:, first:] = fleet.step_cost
        length[first:, first:] = fleet.step_um
    for other in fleet.kinds:
        if other.grade == kind.grade:
            cost[other.switch, first:] = other.start_cost
            length[other.switch, first:] = other.start_um
    cost[:, first:][:, ~kind.allowed] = FORBIDDEN
    cost[first:, starts] = 0
    cost[starts, :] = 0
    cost[:starts, starts] = 0
    np.fill_diagonal(cost, 0)
    np.fill_diagonal(length, 0)
    return cost, length


def solve_pyvrp(fleet: Fleet, seconds: float, seed: int, workers: int) -> RivalResult:
    """Run until the time is up; building the data counts. ``workers`` is of no use to it."""
    begun = time.monotonic()
    starts = len(fleet.switch_ids)
    first = starts + 1
    profiles: dict[tuple[str, bytes], int] = {}
    costs: list[np.ndarray] = []
    lengths: list[np.ndarray] = []
    types = []
    for kind in fleet.kinds:
        key = (kind.grade, kind.allowed.tobytes())
        if key not in profiles:
            profiles[key] = len(costs)
            cost, length = matrices(fleet, kind)
            costs.append(cost)
            lengths.append(length)
        types.append(
            pyvrp.VehicleType(
                num_available=kind.count,
                capacity=[kind.most_devices, kind.unit_cap_mul, kind.load_cap_ppm],
                start_depot=kind.switch,
                end_depot=starts,
                fixed_cost=kind.fee,
                shift_duration=kind.length_um,
                profile=profiles[key],
            )
        )
    clients = [
        pyvrp.Client(
            location=first + i,
            delivery=[1, int(fleet.unit_mul[i]), int(fleet.load_ppm[i])],
            required=fleet.is_exact,
            prize=0 if fleet.is_exact else fleet.left_out_price,
        )
        for i in range(fleet.n)
    ]
    locations = [pyvrp.Location(0, 0) for _ in range(first + fleet.n)]
    depots = [pyvrp.Depot(location=k) for k in range(first)]
    data = pyvrp.ProblemData(locations, clients, depots, types, costs, lengths)
    watch = _Watch(begun)
    left = max(0.1, seconds - (time.monotonic() - begun))
    result = pyvrp.solve(
        data,
        pyvrp.stop.MaxRuntime(left),
        seed=seed,
        collect_stats=False,
        display=False,
        params=SolveParams(ils=IteratedLocalSearchParams(callbacks=watch)),
    )
    spent = time.monotonic() - begun
    if not result.best.is_feasible():
        return RivalResult(None, spent, None, None)
    return RivalResult(_routes(result.best), spent, watch.seconds or spent, None)


class _Watch(IteratedLocalSearchCallbacks):
    """Remembers when the best solution came."""

    def __init__(self, begun: float):
        self.begun = begun
        self.seconds: float | None = None

    def on_best(self, best: Any) -> None:
        if best.is_feasible():
            self.seconds = time.monotonic() - self.begun


def _routes(solution: Any) -> Routes:
    routes: Routes = []
    for route in solution.routes():
        visits = tuple(a.idx for a in route if a.is_client())
        if visits:
            routes.append((route.vehicle_type(), visits))
    return routes
