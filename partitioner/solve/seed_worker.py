"""A process of its own that improves lines with a routing heuristic and streams what it finds.

Started as ``python -m partitioner.solve.seed_worker``. Standard input carries one pickled
:class:`SeedTask`; standard output a pickled list of routes for every better set found, and None
at the end. A process, since the heuristic keeps the interpreter to itself while it runs, and so
that a fault of it cannot take the plan down.
"""

from __future__ import annotations

import pickle
import sys
import time
from dataclasses import dataclass
from typing import Any

import numpy as np

FORBIDDEN = 2**40


@dataclass(frozen=True, slots=True)
class SeedVehicle:
    """Lines of one kind: how many ports, the price of one, limits, which start and matrix."""

    start: int
    profile: int
    count: int
    fee: int
    capacity: tuple[int, ...]
    length_um: int


@dataclass(frozen=True, slots=True)
class SeedTask:
    """Lines to be built over ``demand.shape[0]`` devices.

    ``cost`` and ``length`` have shape (profiles, starts + 1 + devices, same): starts first, then
    the free end of a line, then the devices. A device with ``prize`` above 0 may be left out.
    """

    starts: int
    cost: np.ndarray
    length: np.ndarray
    demand: np.ndarray
    vehicles: tuple[SeedVehicle, ...]
    initial: tuple[tuple[int, tuple[int, ...]], ...]
    seconds: float
    iterations: int | None
    seed: int
    prize: int = 0


def improve(task: SeedTask, emit) -> None:
    """Run the heuristic; ``emit(routes)`` gets lists of (vehicle kind, devices outward)."""
    import pyvrp
    from pyvrp.IteratedLocalSearch import IteratedLocalSearchCallbacks, IteratedLocalSearchParams
    from pyvrp.solve import SolveParams

    count = task.demand.shape[0]
    first = task.starts + 1
    locations = [pyvrp.Location(0, 0) for _ in range(first + count)]
    depots = [pyvrp.Depot(location=k) for k in range(first)]
    clients = [
        pyvrp.Client(
            location=first + i,
            delivery=[int(x) for x in task.demand[i]],
            required=task.prize == 0,
            prize=task.prize,
        )
        for i in range(count)
    ]
    kinds = [
        pyvrp.VehicleType(
            num_available=v.count,
            capacity=list(v.capacity),
            start_depot=v.start,
            end_depot=task.starts,
            fixed_cost=v.fee,
            shift_duration=v.length_um,
            profile=v.profile,
        )
        for v in task.vehicles
    ]
    data = pyvrp.ProblemData(
        locations, clients, depots, kinds, list(task.cost), list(task.length)
    )

    def routes(solution: Any) -> list[tuple[int, tuple[int, ...]]]:
        out = []
        for route in solution.routes():
            visits = tuple(a.idx for a in route if a.is_client())
            if visits:
                out.append((route.vehicle_type(), visits))
        return out

    class Stream(IteratedLocalSearchCallbacks):
        """Sends every new best set on, at most a few a second once it has begun."""

        def __init__(self) -> None:
            self.last = 0.0

        def on_best(self, best: Any) -> None:
            now = time.monotonic()
            if best.is_feasible() and (task.iterations is not None or now - self.last > 0.2):
                self.last = now
                emit(routes(best))

    params = SolveParams(ils=IteratedLocalSearchParams(callbacks=Stream()))
    stop: Any
    if task.iterations is not None:
        stop = pyvrp.stop.MaxIterations(task.iterations)
    else:
        stop = pyvrp.stop.MaxRuntime(task.seconds)
    initial = None
    if task.initial:
        initial = pyvrp.Solution(
            data, [pyvrp.Route(data, list(visits), kind) for kind, visits in task.initial]
        )
    result = pyvrp.solve(
        data, stop, seed=task.seed, collect_stats=False, params=params, initial_solution=initial
    )
    if result.best.is_feasible():
        emit(routes(result.best))


def main() -> None:
    """Read the task, work, stream."""
    out = sys.stdout.buffer
    sys.stdout = sys.stderr
    task = pickle.load(sys.stdin.buffer)

    def emit(message: Any) -> None:
        pickle.dump(message, out)
        out.flush()

    improve(task, emit)
    emit(None)


if __name__ == "__main__":
    main()
