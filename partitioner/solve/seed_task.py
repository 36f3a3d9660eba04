"""What the routing heuristic is asked: lines to be built, and how it is run on them.

Meant for a process of its own (:mod:`partitioner.solve.side_process`): the heuristic has the
interpreter nearly to itself while it runs, and a fault of it must not take the plan down.
"""

from __future__ import annotations

import itertools
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from partitioner.solve.arrays import Bools, Ints

Routes = list[tuple[int, tuple[int, ...]]]
"""(kind of vehicle, devices outward) of each line."""

FORBIDDEN = 2**40
SEND_EVERY_S = 0.2
"""Least time between two sets that are sent on."""
LEAST_ROUND_S = 2.0
ROUND_S_PER_DEVICE = 0.06
"""Seconds of the first round; the next ones, each from scratch, are longer."""
LONGER = 4
"""How many times as long."""
LONG_LINES = 15
"""Devices on each line, if there are as few lines as can be, from which lines count as long: sets
of few long lines soon come to rest, each elsewhere, and many starts are needed for a good one."""
SHORT_ROUNDS_SHARE = 0.45
"""Share of the time for short rounds where lines are long."""
SHORT_ROUND_S_PER_DEVICE = 0.03
SHORT_HISTORY = 30
LONG_HISTORY = 4_000
SHORT_S_PER_DEVICE = 0.05
HISTORY_POWER = 2.7


def _history(seconds: float, devices: int) -> int:
    """How many iterations back the search looks when it accepts a set of lines.

    Looking back little finds a good set soon, looking back more a better one later; the rule was
    fitted to what did best in rounds of 4 s to 40 s over 44 to 1000 devices.
    """
    pace = seconds / max(1, devices) / SHORT_S_PER_DEVICE
    return int(min(LONG_HISTORY, SHORT_HISTORY * max(1.0, pace) ** HISTORY_POWER))


def _least_lines(task: SeedTask) -> int:
    """How many lines the demands of all devices need at least."""
    most = np.array([v.capacity for v in task.vehicles]).max(axis=0)
    return int(np.ceil(task.demand.sum(axis=0) / np.maximum(most, 1)).max())


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

    ``cost`` and ``length`` have shape (starts + 1 + devices, same): starts first, then the free end
    of a line, then the devices. ``banned`` has shape (profiles, devices): which devices lines of
    each profile do not reach. The matrices that this makes are large, and sent nowhere.
    """

    starts: int
    cost: Ints
    length: Ints
    banned: Bools
    demand: Ints
    vehicles: tuple[SeedVehicle, ...]
    seconds: float
    iterations: int | None
    seed: int

    def run(self, emit: Callable[[Routes], None]) -> None:
        """Run the heuristic in rounds, each from scratch, until time or iterations are over.

        ``emit`` gets every better set of lines, the best last.
        """
        import pyvrp
        from pyvrp.IteratedLocalSearch import IteratedLocalSearchParams
        from pyvrp.solve import SolveParams

        data = _problem_data(self)
        stream = _stream(self, emit)
        for number, (stop, history) in enumerate(_rounds(self)):
            ils = IteratedLocalSearchParams(callbacks=stream, history_length=history)
            with warnings.catch_warnings():
                # It warns where it struggles to keep all limits; the master sees to these anyhow.
                warnings.simplefilter("ignore")
                result = pyvrp.solve(
                    data,
                    stop,
                    seed=self.seed + number,
                    collect_stats=False,
                    params=SolveParams(ils=ils),
                )
            stream.on_best(result.best)
            stream.send()


def _problem_data(task: SeedTask) -> Any:
    """The task as the heuristic takes it: each line a vehicle that ends wherever it likes."""
    import pyvrp

    count = task.demand.shape[0]
    first = task.starts + 1
    # Limits that all devices together keep only slow the heuristic down.
    most = np.array([v.capacity for v in task.vehicles]).min(axis=0)
    binding = [int(k) for k in np.nonzero(task.demand.sum(axis=0) > most)[0]]
    return pyvrp.ProblemData(
        [pyvrp.Location(0, 0) for _ in range(first + count)],
        [
            pyvrp.Client(
                location=first + i,
                delivery=[int(task.demand[i, k]) for k in binding],
            )
            for i in range(count)
        ],
        [pyvrp.Depot(location=k) for k in range(first)],
        [
            pyvrp.VehicleType(
                num_available=v.count,
                capacity=[v.capacity[k] for k in binding],
                start_depot=v.start,
                end_depot=task.starts,
                fixed_cost=v.fee,
                shift_duration=v.length_um,
                profile=v.profile,
            )
            for v in task.vehicles
        ],
        [_cost(task, banned) for banned in task.banned],
        [cast(Any, task.length)] * len(task.banned),
    )


def _cost(task: SeedTask, banned: Bools) -> Any:
    """Cost to lines of one profile: a device that may not hang there cannot be entered."""
    cost = task.cost.copy()
    cost[:, task.starts + 1 :][:, banned] = FORBIDDEN
    np.fill_diagonal(cost, 0)
    return cost


def _rounds(task: SeedTask) -> Iterator[tuple[Any, int]]:
    """When each round stops, and how far back it looks: the first rounds are short."""
    import pyvrp

    if task.iterations is not None:
        yield pyvrp.stop.MaxIterations(task.iterations), SHORT_HISTORY
        return
    count = task.demand.shape[0]
    begun = time.monotonic()
    ends = begun + task.seconds
    round_s = max(LEAST_ROUND_S, count * ROUND_S_PER_DEVICE)
    short_s = max(LEAST_ROUND_S, count * SHORT_ROUND_S_PER_DEVICE)
    short_until = begun
    if count >= LONG_LINES * _least_lines(task):
        short_until += SHORT_ROUNDS_SHARE * task.seconds
    for number in itertools.count():
        now = time.monotonic()
        left = ends - now
        # A rest too short for a round of its own belongs to the round before.
        if number and left < 0.5 * round_s:
            return
        if number and now < short_until:
            seconds = min(left, short_s)
        else:
            seconds = left if left < 1.5 * round_s else round_s
        yield pyvrp.stop.MaxRuntime(seconds), _history(seconds, count)
        if number == 0:
            round_s *= LONGER


def _stream(task: SeedTask, emit: Callable[[Routes], None]) -> Any:
    """Callbacks of the heuristic that send new best sets on, the last one by ``send()``."""
    from pyvrp.IteratedLocalSearch import IteratedLocalSearchCallbacks

    def routes(solution: Any) -> Routes:
        out = []
        for route in solution.routes():
            visits = tuple(a.idx for a in route if a.is_client())
            if visits:
                out.append((route.vehicle_type(), visits))
        return out

    class Stream(IteratedLocalSearchCallbacks):
        """Sends new best sets on, at most a few a second; the last one always gets through."""

        def __init__(self) -> None:
            self.sent = 0.0
            self.waiting: Any = None

        def on_best(self, best: Any) -> None:
            if best.is_feasible():
                self.waiting = best

        def on_iteration(self, current: Any, candidate: Any, best: Any, cost: Any) -> None:
            if self.waiting is not None and (
                task.iterations is not None or time.monotonic() - self.sent > SEND_EVERY_S
            ):
                self.send()

        def send(self) -> None:
            if self.waiting is not None:
                emit(routes(self.waiting))
                self.waiting = None
                self.sent = time.monotonic()

    return Stream()
