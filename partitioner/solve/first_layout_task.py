"""A search for any layout of a problem, in a process beside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.run import PlanSettings
from partitioner.solve.search import Study

MOST_BESIDE = 7
"""Most such searches beside one: each keeps all that it has tried in memory."""


@dataclass(frozen=True, slots=True)
class FirstLayoutTask:
    """Look for any layout of ``problem``."""

    problem: Problem
    settings: PlanSettings

    def run(self, emit: Callable[[Layout], None]) -> None:
        """Search and give the layout, if there is one."""
        try:
            run = DirectRun(self.problem, self.settings, study=Study(first_only=True))
            emit(run.go().layout)
        except (NoAnswer, NoLayout):
            # The run that waits for it finds that out by itself.
            return
