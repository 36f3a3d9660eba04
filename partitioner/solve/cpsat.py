"""Run CP-SAT the way this program needs it: stoppable, with the best values kept outside.

The solve runs in a thread of its own while this one watches ``should_stop``; CP-SAT's own
handling of Ctrl-C is off, since after a solve it leaves the process with the default handler.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

POLL_S = 0.05
MANY_VARIABLES = 4_000
"""Above so many variables presolve probes, looks for symmetry and repeats itself for longer than
the search then takes."""
PROVERS = ("reduced_costs", "default_lp")
"""Searches of CP-SAT, in order of workers, for a proof over columns whose best choice is known.

Branching by reduced costs ends such a proof in seconds where the searches that several workers
start by themselves are still far from it after half a minute; see the optimiser's page."""


@dataclass(frozen=True, slots=True)
class CpResult:
    """How a run ended.

    ``proved`` is true when the values are optimal or infeasibility is certain; ``values`` the
    best assignment of the watched variables, None if none was found; ``bound`` the proved bound
    of the objective.
    """

    proved: bool
    feasible: bool
    values: list[int] | None
    objective: int | None
    bound: int | None


class _Keeper(cp_model.CpSolverSolutionCallback):
    def __init__(self, watched: Sequence[cp_model.IntVar], report: Callable[[int], None] | None):
        super().__init__()
        self._watched = watched
        self._report = report
        self.values: list[int] | None = None
        self.objective: int | None = None

    def on_solution_callback(self) -> None:
        self.values = [self.value(v) for v in self._watched]
        self.objective = round(self.objective_value)
        if self._report is not None:
            self._report(self.objective)


def run(
    model: cp_model.CpModel,
    watched: Sequence[cp_model.IntVar],
    *,
    seconds: float,
    workers: int,
    seed: int,
    should_stop: Callable[[], bool] | None = None,
    on_solution: Callable[[int], None] | None = None,
    on_bound: Callable[[int], None] | None = None,
    work_limit: float | None = None,
    is_proof: bool = False,
    log: Callable[[str], None] | None = None,
) -> CpResult:
    """Solve and return the best values of ``watched``.

    Parameters
    ----------
    seconds
        Wall time limit; not used with ``work_limit`` (deterministic seconds), which then has a
        wide wall time limit of its own as a safety net.
    is_proof
        The best values are likely known already: search for the proof.
    should_stop
        Polled about twenty times a second; when true the solver stops with what it has.

    Raises
    ------
    RuntimeError
        If CP-SAT calls the model invalid, which is a fault of ours.
    """
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = seed % 2_000_000_000
    solver.parameters.catch_sigint_signal = False
    solver.parameters.max_time_in_seconds = max(0.01, seconds)
    if len(watched) > MANY_VARIABLES:
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.find_big_linear_overlap = False
        solver.parameters.symmetry_level = 0
        solver.parameters.max_presolve_iterations = 1
    if is_proof:
        solver.parameters.subsolvers.extend(PROVERS[:workers])
        solver.parameters.num_workers = min(workers, len(PROVERS))
    if work_limit is not None:
        solver.parameters.max_deterministic_time = work_limit
        solver.parameters.max_time_in_seconds = 60.0 + 60.0 * work_limit
    if log is not None:
        solver.parameters.log_search_progress = True
        solver.parameters.log_to_stdout = False
        solver.log_callback = log
    if on_bound is not None:
        solver.best_bound_callback = lambda b: on_bound(int(b))
    keeper = _Keeper(watched, on_solution)
    outcome: list[cp_model.CpSolverStatus | BaseException] = []
    done = threading.Event()

    def work() -> None:
        try:
            outcome.append(solver.solve(model, keeper))
        except BaseException as fault:
            outcome.append(fault)
        finally:
            done.set()

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    while not done.wait(POLL_S):
        if should_stop is not None and should_stop():
            # A stop before the search has begun is ignored, so it is repeated while waiting.
            solver.stop_search()
    thread.join()
    status = outcome[0]
    if isinstance(status, BaseException):
        raise status
    match status:
        case cp_model.OPTIMAL | cp_model.FEASIBLE:
            values = [solver.value(v) for v in watched]
            has_objective = model.has_objective()
            objective = round(solver.objective_value) if has_objective else 0
            bound = _floor_bound(solver.best_objective_bound) if has_objective else 0
            proved = status == cp_model.OPTIMAL
            return CpResult(proved, True, values, objective, objective if proved else bound)
        case cp_model.INFEASIBLE:
            return CpResult(True, False, None, None, None)
        case cp_model.UNKNOWN:
            # Stopped before it began, the solver says 0 whatever the objective is.
            bound = None
            if model.has_objective() and solver.best_objective_bound != 0:
                bound = _floor_bound(solver.best_objective_bound)
            if keeper.values is not None:
                return CpResult(False, True, keeper.values, keeper.objective, bound)
            return CpResult(False, False, None, None, bound)
        case _:
            raise RuntimeError(f"model refused by CP-SAT: {model.validate()}")


def _floor_bound(value: float) -> int | None:
    if value != value or abs(value) > 2**62:
        return None
    # Costs are integers: a bound within rounding of one is that integer.
    return int(-(-(value - 1e-6) // 1))
