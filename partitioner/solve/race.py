"""Searches for a first layout beside a run, each from a seed of its own: what comes first is taken.

How long a search takes to find a place for the last devices is largely chance, often four times as
long from one seed as from another, so several at once are done sooner than one.
"""

from __future__ import annotations

from partitioner.model.layout import Layout
from partitioner.solve.plan_task import MOST_BESIDE, PlanTask
from partitioner.solve.run import PlanSettings, Run
from partitioner.solve.search import Study
from partitioner.solve.side_process import SideProcess


class Race:
    """Processes that look for a layout of what a run plans, for so many seconds."""

    def __init__(self, run: Run, seconds: float):
        study = Study(first_only=True, helps=True)
        self._processes = [
            SideProcess(
                PlanTask(run.instance.problem, run.settings_beside(seed, seconds), study),
                run.should_stop,
            )
            for seed in seeds_beside(run.settings)
        ]
        self._found: Layout | None = None

    def found(self) -> Layout | None:
        """Give the layout that came in first, if one has."""
        for process in self._processes:
            if self._found is None:
                self._found = next(iter(process.poll()), None)
        return self._found

    def close(self) -> None:
        """End all searches."""
        for process in self._processes:
            process.close()
        self._processes.clear()


def seeds_beside(settings: PlanSettings) -> range:
    """Seeds of the searches for the whole problem beside a run, one each."""
    first = settings.seed + 1
    return range(first, first + min(settings.workers - 1, MOST_BESIDE))
