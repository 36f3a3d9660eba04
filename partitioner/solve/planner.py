"""Plan a layout: the entry to the solver."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Sample
from partitioner.model.problem import Problem
from partitioner.solve.choice_run import ChoiceRun
from partitioner.solve.columns import Column
from partitioner.solve.crew import Crew
from partitioner.solve.decomposed_run import MANY_DEVICES, DecomposedRun
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.racing_run import RacingRun
from partitioner.solve.run import OnLayout, PlanSettings, Run
from partitioner.solve.search import Study

__all__ = ["PlanSettings", "plan_layout"]


def plan_layout(
    problem: Problem,
    settings: PlanSettings,
    clock: Callable[[], float] = time.monotonic,
    on_progress: Callable[[Sample, str], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    *,
    study: Study | None = None,
    start: Layout | None = None,
    known: Iterable[Layout] = (),
    only: Iterable[Column] | None = None,
    crew: Crew | None = None,
    on_layout: OnLayout | None = None,
) -> Outcome:
    """Plan a layout at least cost and say how far from optimal it can be.

    Parameters
    ----------
    on_progress
        Told each better cost or bound with the part of the run it came from.
    should_stop
        Asked often, from other threads too; true ends the run with the best layout so far.
    study
        Rows and costs that a study adds; the costs count in the outcome.
    start
        A layout to start from. If it is whole and keeps all rules, the run does not end with a
        worse one, however short it is. Of one that is partial, names what the problem does not
        have or breaks rules, the segments that can be used are known to the search, and the
        outcome's ``start_unusable`` tells the rest.
    known
        Layouts, whole or in part, whose segments are known to the search as well.
    only
        The only segments to choose among. Nothing is proved then but that they do not do.
    crew
        Who works on the parts of a large problem; closed at the end. None: processes beside, as
        many as there are workers.
    on_layout
        Told of each better layout that keeps all rules: its cost, and what makes it.

    Raises
    ------
    NoLayout
        Proved that no layout keeps all rules.
    NoAnswer
        None found within the limit, or before the user asked to stop.
    """
    kind: type[Run] = DirectRun
    only_cheaper = study is not None and study.only_cheaper
    if len(problem.devices) > MANY_DEVICES and not only_cheaper:
        kind = DecomposedRun
    elif (study is None or study.only_watches) and RacingRun.has_workers_beside(
        len(problem.devices), settings
    ):
        kind = RacingRun
    if only is not None:
        kind = ChoiceRun
    run = kind(problem, settings, clock, on_progress, should_stop, study, start, known, on_layout)
    if isinstance(run, ChoiceRun):
        run.choose_among(only or ())
    if crew is not None and isinstance(run, DecomposedRun):
        run.work_with(crew)
    try:
        return run.go()
    finally:
        run.close()
