"""Put ``plan`` to the oracle: what it says of one problem, and whether that is true."""

from __future__ import annotations

import time
from dataclasses import dataclass

from partitioner.check.judge import assess
from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome, Status
from partitioner.model.problem import Problem
from partitioner.solve.planner import PlanSettings, plan_layout
from tests.brute.oracle import accepts, best_layout

COUNTED = PlanSettings(time_limit_s=60, seed=0, workers=1, work_limit=60)
"""Work is counted, so the same problem ends the same way on every machine."""


@dataclass(frozen=True)
class Verdict:
    """What was found of one problem.

    ``faults`` is empty when all that ``plan`` says is true: ``no-layout`` (said although there is
    one), ``dearer`` (than the best layout, under the word optimal), ``bound`` (above the best),
    ``refused`` (the layout by the check, or at another cost), ``no-answer``, ``unproved`` (not
    finished within the limit), ``crash``; ``oracle`` would be a fault of the oracle itself:
    cheaper than its best, or a layout where it has none.
    """

    name: str
    best_money: int | None
    planned_money: int | None
    faults: tuple[str, ...]
    detail: str = ""
    oracle_s: float = 0.0
    plan_s: float = 0.0
    is_tight: bool = False
    """The layout planned keeps its deadlines by the response-time analysis alone."""


def judge_plan(problem: Problem, settings: PlanSettings = COUNTED) -> Verdict:
    """Plan a problem, have the oracle plan it, and compare."""
    started = time.monotonic()
    best = best_layout(problem)
    between = time.monotonic()
    outcome, faults, detail, is_tight = None, [], "", False
    try:
        outcome = plan_layout(problem, settings)
        found = assess(problem, outcome.layout)
        faults = _faults(problem, outcome, found, None if best is None else best[0])
        is_tight = any(s.linear_ns is None or s.linear_ns > s.deadline_ns for s in found.streams)
    except NoLayout as error:
        faults, detail = ["no-layout"] if best is not None else [], str(error)
    except NoAnswer as error:
        faults, detail = ["no-answer"], str(error)
    except Exception as error:
        faults, detail = ["crash"], f"{type(error).__name__}: {error}"
    return Verdict(
        problem.name,
        None if best is None else best[0],
        None if outcome is None else outcome.cost_money,
        tuple(faults),
        detail,
        between - started,
        time.monotonic() - between,
        is_tight,
    )


def _faults(
    problem: Problem, outcome: Outcome, found: Assessment, best_money: int | None
) -> list[str]:
    faults = []
    cost = found.cost.objective_money
    if not accepts(problem, outcome.layout) or cost != outcome.cost_money:
        faults.append("refused")
    elif best_money is None or outcome.cost_money < best_money:
        faults.append("oracle")
    if best_money is not None:
        if outcome.bound_money > best_money:
            faults.append("bound")
        if outcome.status is Status.OPTIMAL and outcome.cost_money > best_money:
            faults.append("dearer")
    if outcome.status is not Status.OPTIMAL:
        faults.append("unproved")
    return faults
