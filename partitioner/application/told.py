"""How every answer about one layout is told: as the page of its report, and as its files."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from partitioner.report.told import Told

if TYPE_CHECKING:
    from partitioner.report.sections import Page

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

        return report_page(self._told())

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
        told = replace(self._told(), made_on=made_on)
        return report_files(told, paper=wanted, drawings=is_drawn)
