"""A layout made cheaper by choosing ports anew, by itself or in a process beside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Selection
from partitioner.solve.run import PlanSettings


@dataclass(frozen=True, slots=True)
class CheaperTask:
    """Make ``layout`` cheaper until the time of the settings is over."""

    problem: Problem
    settings: PlanSettings
    layout: Layout

    def run(self, emit: Callable[[Layout], None]) -> None:
        """Search, and give each better layout."""
        run = CheaperRun(self.problem, self.settings, start=self.layout)
        run.emit = emit
        try:
            run.run()
        except (NoAnswer, NoLayout):
            # The layout is no start after all, which the run that has it knows better.
            return


class CheaperRun(DirectRun):
    """Makes the layout that it starts from cheaper, and proves nothing.

    ``emit`` is given each layout that is.
    """

    emit: Callable[[Layout], None] | None = None
    is_start = True
    """Whether the layout is still the one it began with."""

    def plan(self) -> None:
        """Choose ports anew."""
        self.is_start = False
        self._cheaper_ports(self.seconds_left())

    def _on_better(self, selection: Selection) -> None:
        super()._on_better(selection)
        if self.emit is not None and not self.is_start and not selection.left_out:
            self.emit(to_layout(self.instance, self.backbone, selection))
