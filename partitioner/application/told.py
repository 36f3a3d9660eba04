"""How every answer about one layout is told: as the page of its report, and as its files."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from partitioner.report.told import Told

if TYPE_CHECKING:
    from partitioner.model.assessment import Assessment
    from partitioner.model.outcome import Outcome
    from partitioner.model.problem import Problem
    from partitioner.report.sections import Page

DRAWINGS = "drawings"
"""What is printed: the drawings alone, a sheet each."""


@dataclass(frozen=True, slots=True)
class LayoutAnswer:
    """An answer about one layout, and all there is to tell of it."""

    told: Told

    @property
    def problem(self) -> Problem:
        """The problem of the layout."""
        return self.told.problem

    @property
    def assessment(self) -> Assessment:
        """What the check says of the layout."""
        return self.told.assessment

    @property
    def outcome(self) -> Outcome | None:
        """How the run that planned it ended, where one did."""
        return self.told.outcome

    def page(self) -> Page:
        """The page of the report."""
        from partitioner.report.files import report_page

        return report_page(self.told)

    def files(
        self, *, made_on: date | None = None, paper: str | None = None
    ) -> dict[str, str | bytes]:
        """Every file of the report, by name.

        ``made_on`` is the day in its title block; None leaves it out. ``paper`` (``summary``,
        ``sheets``, ``all`` or ``drawings``) adds a page that holds what is to be printed.
        """
        from partitioner.report.files import report_files
        from partitioner.report.sections import Paper

        is_drawn = paper == DRAWINGS
        wanted = None if paper is None or is_drawn else Paper[paper.upper()]
        told = replace(self.told, made_on=made_on)
        return report_files(told, paper=wanted, drawings=is_drawn)
