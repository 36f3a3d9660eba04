"""A planning run whose other workers look for a first layout too, where that is hard to find.

How long a search takes to find a place for the last devices is largely chance, often four times as
long from one seed as from another, so several at once are done sooner than one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from partitioner.model.layout import Layout
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.first_layout_task import FirstLayoutTask
from partitioner.solve.layout_in import read_start
from partitioner.solve.master import Selection
from partitioner.solve.side_process import SideProcess

MOST_BESIDE = 7
"""Most other searches: each keeps all that it has tried in memory."""
ALONE_S = 1.0
"""How long a place for every device is sought before others are set to it."""


class RacingRun(DirectRun):
    """A run over all devices at once with searches for a first layout beside it."""

    def _set_up(self) -> None:
        super()._set_up()
        self.beside: list[SideProcess] = []
        self.found: Layout | None = None
        """What came in first from beside, until it is taken in."""

    def close(self) -> None:
        """End all processes beside."""
        super().close()
        self._end_searches()

    def _on_better(self, selection: Selection) -> None:
        super()._on_better(selection)
        if not selection.left_out:
            self._end_searches()

    def _choose_ports(self, seconds: float) -> None:
        super()._choose_ports(min(seconds, ALONE_S))
        if self.cost is None and not self.over():
            self._begin_searches()
            super()._choose_ports(seconds)
            self._take_in_found()

    def _find_layout(self, seconds: float) -> None:
        super()._find_layout(seconds)
        self._take_in_found()

    def _at(self, seconds: float) -> Callable[[], bool]:
        ends = super()._at(seconds)
        return lambda: self._has_found() or ends()

    def _take_in_for_bound(self) -> None:
        if self._has_found():
            self._take_in_found()
        super()._take_in_for_bound()

    def _begin_searches(self) -> None:
        """Set the other workers to it, in place of the heuristic, which has not led to a layout."""
        self._end_seeds()
        for k in range(1, min(self.settings.workers - 1, MOST_BESIDE) + 1):
            settings = replace(
                self.settings,
                time_limit_s=self.seconds_left(),
                seed=self.settings.seed + k,
                workers=1,
                finishing_s=0.0,
            )
            task = FirstLayoutTask(self.instance.problem, settings)
            self.beside.append(SideProcess(task, self.should_stop))
        self.limits.workers = 1

    def _has_found(self) -> bool:
        """Whether a layout has come in from beside."""
        for process in self.beside:
            if self.found is None:
                self.found = next(iter(process.poll()), None)
        return self.found is not None

    def _take_in_found(self) -> None:
        """Begin with what was found beside, if the search has none of its own."""
        if self.found is not None:
            start = read_start(self.builder, self.backbone, self.found)
            self.search.pool.add(start.columns)
            if start.selection is not None:
                self.search.begin_with(start.selection)
            self.found = None

    def _end_searches(self) -> None:
        for process in self.beside:
            process.close()
        self.beside.clear()
        self.found = None
        self.limits.workers = self.settings.workers
