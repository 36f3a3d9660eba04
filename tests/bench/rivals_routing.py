"""The OR-tools routing library as a rival: guided local search on the fleet, one thread."""

from __future__ import annotations

import time

import numpy as np
from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from tests.bench.fleet import FORBIDDEN, Fleet, Kind, Routes
from tests.bench.rival import RivalResult
from tests.bench.rivals_pyvrp import matrices

MANY = 150
"""Above so many devices the start that was measured to do better at such sizes is used."""


def solve_routing(fleet: Fleet, seconds: float, seed: int, workers: int) -> RivalResult:
    """Run until the time is up; building the model counts.

    The library takes no seed and no workers. Every device may be left out at a price above any
    cost, since without that it often finds no first solution where ports are scarce.
    """
    begun = time.monotonic()
    starts = len(fleet.switch_ids)
    first = starts + 1
    vehicle_kind = [k for k, kind in enumerate(fleet.kinds) for _ in range(kind.count)]
    manager = pywrapcp.RoutingIndexManager(
        first + fleet.n,
        len(vehicle_kind),
        [fleet.kinds[k].switch for k in vehicle_kind],
        [starts] * len(vehicle_kind),
    )
    model = pywrapcp.RoutingModel(manager)
    cost_of: dict[tuple[str, bool], int] = {}
    length_of: dict[str, int] = {}
    for vehicle, k in enumerate(vehicle_kind):
        kind = fleet.kinds[k]
        if (kind.grade, kind.is_line) not in cost_of:
            cost, length = _for_everyone(fleet, kind)
            cost_of[kind.grade, kind.is_line] = model.RegisterTransitMatrix(cost.tolist())
            length_of[kind.grade] = model.RegisterTransitMatrix(length.tolist())
        model.SetArcCostEvaluatorOfVehicle(cost_of[kind.grade, kind.is_line], vehicle)
        model.SetFixedCostOfVehicle(kind.fee, vehicle)
    _limit(model, vehicle_kind, fleet, "devices", np.ones(fleet.n, dtype=np.int64),
           [k.most_devices for k in fleet.kinds])
    _limit(model, vehicle_kind, fleet, "unit loads", fleet.unit_mul,
           [k.unit_cap_mul for k in fleet.kinds])
    _limit(model, vehicle_kind, fleet, "load", fleet.load_ppm,
           [k.load_cap_ppm for k in fleet.kinds])
    model.AddDimensionWithVehicleTransitAndCapacity(
        [length_of[fleet.kinds[k].grade] for k in vehicle_kind],
        0,
        [fleet.kinds[k].length_um for k in vehicle_kind],
        True,
        "length",
    )
    for i in range(fleet.n):
        index = manager.NodeToIndex(first + i)
        allowed = [v for v, k in enumerate(vehicle_kind) if fleet.kinds[k].allowed[i]]
        if len(allowed) < len(vehicle_kind):
            model.VehicleVar(index).SetValues([-1, *allowed])
        model.AddDisjunction([index], fleet.left_out_price)
    parameters = pywrapcp.DefaultRoutingSearchParameters()
    start = routing_enums_pb2.FirstSolutionStrategy
    parameters.first_solution_strategy = (
        start.PATH_CHEAPEST_ARC if fleet.n > MANY else start.PARALLEL_CHEAPEST_INSERTION
    )
    parameters.local_search_metaheuristic = (
        routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    )
    left = max(0.1, seconds - (time.monotonic() - begun))
    parameters.time_limit.FromMilliseconds(int(1000 * left))
    best: list[float] = []

    def on_solution() -> None:
        cost = model.CostVar().Value()
        if not best or cost < best[0]:
            best[:] = [cost, time.monotonic() - begun]

    model.AddAtSolutionCallback(on_solution)
    solution = model.SolveWithParameters(parameters)
    spent = time.monotonic() - begun
    if solution is None:
        return RivalResult(None, spent, None, None)
    routes: Routes = []
    for vehicle, k in enumerate(vehicle_kind):
        visits = []
        index = solution.Value(model.NextVar(model.Start(vehicle)))
        while not model.IsEnd(index):
            visits.append(manager.IndexToNode(index) - first)
            index = solution.Value(model.NextVar(index))
        if visits:
            routes.append((k, tuple(visits)))
    return RivalResult(routes, spent, best[1] if best else spent, None)


def _for_everyone(fleet: Fleet, kind: Kind) -> tuple[np.ndarray, np.ndarray]:
    """Matrices of a kind before pins, which are kept by the vehicles allowed for a device."""
    cost, length = matrices(fleet, kind)
    first = len(fleet.switch_ids) + 1
    if kind.is_line:
        cost[first:, first:] = fleet.step_cost
    for other in fleet.kinds:
        if other.grade == kind.grade:
            cost[other.switch, first:] = np.minimum(other.start_cost, FORBIDDEN)
    return cost, length


def _limit(
    model: pywrapcp.RoutingModel,
    vehicle_kind: list[int],
    fleet: Fleet,
    name: str,
    demand: np.ndarray,
    caps: list[int],
) -> None:
    """Add a capacity, unless no line could ever reach it."""
    if int(demand.sum()) <= min(caps):
        return
    first = len(fleet.switch_ids) + 1
    transit = model.RegisterUnaryTransitVector([0] * first + [int(d) for d in demand])
    model.AddDimensionWithVehicleCapacity(
        transit, 0, [int(caps[k]) for k in vehicle_kind], True, name
    )
