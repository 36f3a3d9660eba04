"""A planning run whose other workers look for a first layout too, where that is hard to find.

How long a search takes to find a place for the last devices is largely chance, often four times as
long from one seed as from another, so several at once are done sooner than one. While the bound is
proved they then make the layout cheaper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.model.layout import Layout
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Selection
from partitioner.solve.plan_task import MOST_BESIDE, PlanTask
from partitioner.solve.search import Study
from partitioner.solve.side_process import SideProcess

ALONE_S = 1.0
"""How long a place for every device is sought before others are set to it."""
NEWS_S = 5.0
"""How long one beside goes on with its own layout although there is a cheaper one."""


@dataclass(slots=True)
class _Improver:
    """A process that makes the layout cheaper."""

    process: SideProcess
    seed: int
    best: int
    """Cost of the best layout it has."""
    begun: float


class RacingRun(DirectRun):
    """A run over all devices at once with searches for a first layout beside it."""

    def _set_up(self) -> None:
        super()._set_up()
        self.beside: list[SideProcess] = []
        self.found: Layout | None = None
        """What came in first from beside, until it is taken in."""
        self.races_at: float | None = None
        """When others are set to look for a first layout too."""
        self.improvers: list[_Improver] = []

    def close(self) -> None:
        """End all processes beside."""
        super().close()
        self._end_searches()
        for improver in self.improvers:
            improver.process.close()
        self.improvers.clear()

    def _on_better(self, selection: Selection) -> None:
        super()._on_better(selection)
        if not selection.left_out:
            self._end_searches()

    def _choose_ports(self, seconds: float) -> None:
        if self.cost is None and not self.over():
            self.races_at = self.seconds() + ALONE_S
            self.limits.workers = 1
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
        self._take_improvements()
        super()._take_in_for_bound()

    def take_in(self) -> bool:
        """Take in what has been found beside; true if it made a better layout."""
        before = self.search.incumbent_value
        self._take_improvements()
        super().take_in()
        return self.search.incumbent_value < before

    def _begin_searches(self) -> None:
        """Set the other workers to it, in place of the heuristic, which has not led to a layout."""
        self.races_at = None
        self._end_seeds()
        for seed in self._seeds_beside():
            settings = self._settings_beside(seed, self.seconds_left())
            task = PlanTask(self.instance.problem, settings, Study(first_only=True))
            self.beside.append(SideProcess(task, self.should_stop))
        self.limits.workers = 1

    def _seeds_beside(self) -> range:
        """Seeds of the searches beside, one each."""
        first = self.settings.seed + 1
        return range(first, first + min(self.settings.workers - 1, MOST_BESIDE))

    def _has_found(self) -> bool:
        """Whether a layout has come in from beside, where it is time for that."""
        if self.races_at is not None and self.seconds() >= self.races_at and not self.over():
            self._begin_searches()
        for process in self.beside:
            if self.found is None:
                self.found = next(iter(process.poll()), None)
        return self.found is not None

    def _take_in_found(self) -> None:
        """Begin with what was found beside, if the search has none of its own."""
        if self.found is not None:
            self._begin_with_found(self.found)
            self.found = None

    def _end_searches(self) -> None:
        for process in self.beside:
            process.close()
        self.beside.clear()
        self.found = self.races_at = None
        if not self.improvers:
            self.limits.workers = self.settings.workers

    # -- cheaper ports beside -----------------------------------------------------------------

    def _go_on_from_ports(self) -> None:
        """Have ports chosen anew for less beside, so that the bound need not wait for that."""
        if self.cost is None or self.over():
            return
        for seed in self._seeds_beside():
            self.improvers.append(
                _Improver(SideProcess(None, self.should_stop), seed, self.cost, self.seconds())
            )
            self._set_to_improve(self.improvers[-1])
        self.limits.workers = 1

    def _set_to_improve(self, improver: _Improver) -> None:
        """Let it go on from the best layout."""
        best = self.search.incumbent
        assert best is not None
        layout = to_layout(self.instance, self.backbone, best)
        improver.best, improver.begun = self.search.incumbent_value, self.seconds()
        settings = self._settings_beside(improver.seed, self.seconds_left())
        cheaper = Study(only_cheaper=True)
        improver.process.give(
            PlanTask(self.instance.problem, settings, cheaper, layout, as_found=True)
        )

    def _take_improvements(self) -> None:
        """Take in the last layouts found beside, and tell of better ones."""
        for improver in self.improvers:
            for layout in improver.process.poll()[-1:]:
                selection = self._known_from(layout)
                assert selection is not None
                improver.best = selection.cost
                self.search.take_layout(selection)
            is_behind = self.search.incumbent_value < improver.best
            if is_behind and self.seconds() - improver.begun > NEWS_S:
                improver.process.close()
                improver.process = SideProcess(None, self.should_stop)
                self._set_to_improve(improver)
