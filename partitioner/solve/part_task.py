"""A part of a large problem to be planned on its own, in this process or beside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.run import PlanSettings


@dataclass(frozen=True, slots=True)
class PartTask:
    """Plan ``problem``, knowing the segments of ``known`` already."""

    problem: Problem
    settings: PlanSettings
    known: Layout

    def run(self, emit: Callable[[Layout], None]) -> None:
        """Plan and give the layout, if there is one."""
        run = DirectRun(self.problem, self.settings, known=(self.known,))
        try:
            emit(run.go().layout)
        except (NoAnswer, NoLayout):
            # What the part has already stays as it is.
            return
        finally:
            run.close()
