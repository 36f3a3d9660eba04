"""What a report of a layout is made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.report.drawing_input import DrawingInput, drawing_input
from partitioner.report.sections import Section, Table
from partitioner.report.tables import all_tables
from partitioner.report.verdict import Verdict, verdict


@dataclass(frozen=True)
class Told:
    """A layout with what follows from it, and what its report says besides.

    ``outcome`` is how the planning run ended; None where the layout was only judged. Each of the
    further ``sections`` (simulation, builds, changes, failures, …) goes into its chapter, those
    without one come first. ``facts`` are further lines of the run block: what and its value.
    ``made_on`` is the day in the title block; None leaves it out.
    """

    problem: Problem
    assessment: Assessment
    outcome: Outcome | None = None
    sections: Sequence[Section] = ()
    facts: Sequence[tuple[str, str]] = ()
    made_on: date | None = None

    @cached_property
    def tables(self) -> dict[str, Table]:
        """Tables of the layout itself, by name."""
        return all_tables(self.problem, self.assessment)

    @cached_property
    def drawn(self) -> DrawingInput:
        """What the drawings show."""
        return drawing_input(self.problem, self.assessment)

    @cached_property
    def verdict(self) -> Verdict:
        """The verdict on the layout."""
        return verdict(self.problem, self.assessment, self.outcome)
