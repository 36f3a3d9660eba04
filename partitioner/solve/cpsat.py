"""Run CP-SAT the way this program needs it: stoppable, with the best values kept outside.

The solve runs in a thread of its own while this one watches ``should_stop``; CP-SAT's own
handling of Ctrl-C is off, since after a solve it leaves the process with the default handler.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from ortools.sat.python import cp_model

POLL_S = 0.05
MANY_VARIABLES = 4_000
"""Above so many variables presolve probes, looks for symmetry and repeats itself for longer than
the search then takes."""
SEARCHES = ("reduced_costs", "default_lp")
"""Searches of CP-SAT, in order of workers.

Branching by reduced costs over the whole linear relaxation ends in a second where the searches that
CP-SAT starts by itself take three to seven times as long, or have no proof after half a minute; see
the optimiser's page."""


@dataclass(frozen=True, slots=True)
class Effort:
    """What one run of the solver may take.

    Attributes
    ----------
    seconds
        Wall time limit; not used with ``work_limit`` (deterministic seconds), which then has a
        wide wall time limit of its own as a safety net.
    should_stop
        Polled about twenty times a second; when true the solver stops with what it has.
    better_s
        Most seconds of making what was found first better, if not all there are.
    """

    seconds: float
    workers: int = 1
    seed: int = 0
    should_stop: Callable[[], bool] | None = None
    work_limit: float | None = None
    better_s: float | None = None


@dataclass(frozen=True, slots=True)
class CpResult:
    """How a run ended.

    ``proved`` is true when the values are optimal or infeasibility is certain; ``values`` the
    best assignment of the watched variables, None if none was found; ``bound`` the proved bound
    of the objective.
    """

    proved: bool
    values: list[int] | None
    bound: int | None


class Model(cp_model.CpModel):
    """A model without the names of earlier versions.

    CP-SAT binds those anew for each model, which takes longer than a small model does otherwise,
    and makes it refer to itself, so that only the collector of cycles frees it.
    """

    def _add_pre_pep8_methods(self) -> None:
        pass


class _Keeper(cp_model.CpSolverSolutionCallback):
    """Keeps the best values outside the solver, which may say "unknown" when it is stopped."""

    def __init__(self, watched: Sequence[cp_model.LinearExprT]):
        super().__init__()
        self._watched = watched
        self.values: list[int] | None = None
        self.found_at: float | None = None
        """When the first values came."""

    def on_solution_callback(self) -> None:
        self.values = [self.value(v) for v in self._watched]
        if self.found_at is None:
            self.found_at = time.monotonic()


def run(
    model: cp_model.CpModel,
    watched: Sequence[cp_model.LinearExprT],
    effort: Effort,
    *,
    presolve: bool = True,
    searches: Sequence[str] = SEARCHES,
    by_learning_rate: bool = False,
    short_presolve: bool | None = None,
) -> CpResult:
    """Solve and return the best values of ``watched``.

    Parameters
    ----------
    presolve
        Whether the model is simplified before the search.
    searches
        Searches of CP-SAT in order of workers; with more workers than those, its own set as well.
    by_learning_rate
        Whether to branch on what conflicts were learned from lately: exponential recency weighted
        averages (Liang, Ganesh, Poupart, Czarnecki, AAAI 2016).
    short_presolve
        Whether presolve is cut short; None: where there are many variables.

    Notes
    -----
    Where nothing is to be made cheaper every worker searches by itself. CP-SAT would give one of
    two to local search, and what searches tell each other made hard ones slower; see the
    optimiser's page.

    Raises
    ------
    RuntimeError
        If CP-SAT calls the model invalid, which is a fault of ours.
    """
    solver = cp_model.CpSolver()
    _set_parameters(solver.parameters, effort, searches)
    solver.parameters.cp_model_presolve = presolve
    if len(watched) > MANY_VARIABLES if short_presolve is None else short_presolve:
        _cut_presolve_short(solver.parameters)
    if not model.has_objective() and effort.workers <= len(searches):
        _search_apart(solver.parameters, effort.workers)
    solver.parameters.use_erwa_heuristic = by_learning_rate
    keeper = _Keeper(watched)
    status = _solve_beside(solver, model, keeper, effort)
    match status:
        case cp_model.OPTIMAL | cp_model.FEASIBLE:
            values = [solver.value(v) for v in watched]
            proved = status == cp_model.OPTIMAL
            if not model.has_objective():
                return CpResult(proved, values, 0)
            value = round(solver.objective_value)
            bound = value if proved else _floor_bound(solver.best_objective_bound)
            return CpResult(proved, values, bound)
        case cp_model.INFEASIBLE:
            return CpResult(True, None, None)
        case cp_model.UNKNOWN:
            # Stopped before it began, the solver says 0 whatever the objective is.
            bound = None
            if model.has_objective() and solver.best_objective_bound != 0:
                bound = _floor_bound(solver.best_objective_bound)
            return CpResult(False, keeper.values, bound)
        case _:
            raise RuntimeError(f"model refused by CP-SAT: {model.validate()}")


def _set_parameters(parameters: Any, effort: Effort, searches: Sequence[str]) -> None:
    parameters.random_seed = effort.seed % 2_000_000_000
    parameters.catch_sigint_signal = False
    parameters.max_time_in_seconds = max(0.01, effort.seconds)
    parameters.num_workers = effort.workers
    if effort.workers <= len(searches):
        parameters.subsolvers.extend(searches[: effort.workers])
    else:
        parameters.extra_subsolvers.append(searches[0])
    if effort.work_limit is not None:
        parameters.max_deterministic_time = effort.work_limit
        parameters.max_time_in_seconds = 60.0 + 60.0 * effort.work_limit


def _cut_presolve_short(parameters: Any) -> None:
    parameters.cp_model_probing_level = 0
    parameters.find_big_linear_overlap = False
    parameters.symmetry_level = 0
    parameters.max_presolve_iterations = 1


def _search_apart(parameters: Any, workers: int) -> None:
    parameters.num_full_subsolvers = workers
    parameters.share_level_zero_bounds = False
    parameters.share_binary_clauses = False
    parameters.share_glue_clauses = False


def _solve_beside(
    solver: cp_model.CpSolver,
    model: cp_model.CpModel,
    keeper: _Keeper,
    effort: Effort,
) -> cp_model.CpSolverStatus:
    """Solve in a thread of its own while this one watches whether it is to stop."""
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
        found_at, better_s = keeper.found_at, effort.better_s
        is_good = found_at and better_s and time.monotonic() - found_at > better_s
        if is_good or (effort.should_stop is not None and effort.should_stop()):
            # A stop before the search has begun is ignored, so it is repeated while waiting.
            solver.stop_search()
    thread.join()
    status = outcome[0]
    if isinstance(status, BaseException):
        raise status
    return status


def _floor_bound(value: float) -> int | None:
    if value != value or abs(value) > 2**62:
        return None
    # Costs are integers: a bound within rounding of one is that integer.
    return int(-(-(value - 1e-6) // 1))
