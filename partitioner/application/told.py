"""How every answer about one layout is told: as the page of its report, and as its files."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    from partitioner.report.sections import Page, Section

Told = tuple[Problem, Assessment, Outcome | None, "Sequence[Section]", Sequence[tuple[str, str]]]
"""What a report is made of: the outcome of a layout that was planned, and facts of the run."""

DRAWINGS = "drawings"
"""What is printed: the drawings alone, a sheet each."""


class LayoutAnswer:
    """An answer about one layout."""

    __slots__ = ()

    def _told(self) -> Told:
        raise NotImplementedError

    def page(self) -> Page:
        """The page of the report."""
        from partitioner.report.files import report_page

        return report_page(*self._told())

    def files(
        self, *, made_on: date | None = None, paper: str | None = None
    ) -> dict[str, str | bytes]:
        """Every file of the report, by name.

        Parameters
        ----------
        made_on
            The day of the report, for its title block; None leaves it out.
        paper
            ``summary``, ``sheets``, ``all`` or ``drawings``: also a page that holds what is to be
            printed.
        """
        from partitioner.report.files import report_files
        from partitioner.report.sections import Paper

        is_drawn = paper == DRAWINGS
        wanted = None if paper is None or is_drawn else Paper[paper.upper()]
        return report_files(*self._told(), made_on=made_on, paper=wanted, drawings=is_drawn)
