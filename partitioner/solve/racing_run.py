"""A planning run whose other workers look for a first layout too, where that is hard to find.

While the bound is proved they then make the layout cheaper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.solve.direct_run import DirectRun
from partitioner.solve.master import Selection
from partitioner.solve.plan_task import cheaper_task
from partitioner.solve.race import Race, seeds_beside
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
        self.race: Race | None = None
        self.races_at: float | None = None
        """When others are set to look for a first layout too."""
        self.improvers: list[_Improver] = []

    def close(self) -> None:
        """End all processes beside."""
        super().close()
        self._end_race()
        for improver in self.improvers:
            improver.process.close()
        self.improvers.clear()

    def _on_better(self, selection: Selection) -> None:
        super()._on_better(selection)
        if not selection.left_out:
            self._end_race()

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

    def _begin_race(self) -> None:
        """Set the other workers to it, in place of the heuristic, which has not led to a layout."""
        self.races_at = None
        self._end_seeds()
        self.race = Race(self, self.seconds_left())
        self.limits.workers = 1

    def _has_found(self) -> bool:
        """Whether a layout has come in from beside, where it is time for that."""
        if self.races_at is not None and self.seconds() >= self.races_at and not self.over():
            self._begin_race()
        return self.race is not None and self.race.found() is not None

    def _take_in_found(self) -> None:
        """Begin with what was found beside, if the search has none of its own."""
        found = None if self.race is None else self.race.found()
        if found is not None:
            self._begin_with_found(found)

    def _end_race(self) -> None:
        if self.race is not None:
            self.race.close()
        self.race = self.races_at = None
        if not self.improvers:
            self.limits.workers = self.settings.workers

    # -- cheaper ports beside -----------------------------------------------------------------

    def _go_on_from_ports(self) -> None:
        """Have ports chosen anew for less beside, so that the bound need not wait for that."""
        if self.cost is None or self.over():
            return
        for seed in seeds_beside(self.settings):
            self.improvers.append(
                _Improver(SideProcess(None, self.should_stop), seed, self.cost, self.seconds())
            )
            self._set_to_improve(self.improvers[-1])
        self.limits.workers = 1

    def _set_to_improve(self, improver: _Improver) -> None:
        """Let it go on from the best layout."""
        improver.best, improver.begun = self.search.incumbent_value, self.seconds()
        improver.process.give(cheaper_task(self, improver.seed, self.seconds_left()))

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
