"""Planning as a task of its own, in a process beside or elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field

from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.layout_out import to_layout
from partitioner.solve.run import PlanSettings, Run
from partitioner.solve.search import Study

MOST_BESIDE = 7
"""Most such tasks for the whole problem beside one run: each keeps all that it has tried in
memory."""


@dataclass(frozen=True, slots=True)
class PlanTask:
    """Plan ``problem`` with what the ``study`` asks: any layout, or ``start`` made cheaper.

    The search knows the segments of ``known``. The best layout is given in the end, or with
    ``as_found`` each better one as it is found, that to start from first.
    """

    problem: Problem
    settings: PlanSettings
    study: Study = field(default_factory=Study)
    start: Layout | None = None
    known: tuple[Layout, ...] = ()
    as_found: bool = False

    def run(self, emit: Callable[[Layout], None]) -> None:
        """Plan, and give what is found."""
        try:
            run = DirectRun(
                self.problem, self.settings, study=self.study, start=self.start, known=self.known,
                on_layout=(lambda _, make: emit(make())) if self.as_found else None,
            )  # fmt: skip
            with closing(run):
                best = run.go().layout
        except (NoAnswer, NoLayout):
            # Whoever waits for it goes on without.
            return
        if not self.as_found:
            emit(best)


def cheaper_task(run: Run, seed: int, seconds: float) -> PlanTask:
    """Give the task of making the best layout of a run cheaper, each better one given as found."""
    best = run.search.incumbent
    assert best is not None
    return PlanTask(
        run.instance.problem,
        run.settings_beside(seed, seconds),
        Study(only_cheaper=True),
        start=to_layout(run.instance, run.backbone, best),
        as_found=True,
    )
