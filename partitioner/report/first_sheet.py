"""The first sheet of a layout's report: title block, figures, small plan, what comes first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from partitioner import __version__
from partitioner.model.assessment import Assessment
from partitioner.model.catalogue import Medium
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text, length_text
from partitioner.report.drawing_input import DrawingInput
from partitioner.report.key_figures import key_figures
from partitioner.report.sections import FirstSheet, Section
from partitioner.report.zone_plan import zone_plan

SHORT_DIGEST = 12
"""Letters of the digest in the title block; the run has all of them."""


def title_block(problem: Problem, made_on: date | None) -> tuple[tuple[str, str], ...]:
    """What is reported, of which state of its files, by what, under which rules.

    Parameters
    ----------
    problem
        Whose files were read.
    made_on
        The day of the report; None leaves it out.
    """
    rows = [("Problem", problem.name)]
    if problem.digest:
        rows.append(("Digest of its files", problem.digest[:SHORT_DIGEST]))
    if made_on is not None:
        rows.append(("Date", made_on.isoformat()))
    rows += [("Program", f"partitioner {__version__}"), ("Rules in force", _rules(problem))]
    return tuple(rows)


def _rules(problem: Problem) -> str:
    """The limits of shared lines, whose promise they are, and what is kept apart or together."""
    said = [
        f"{limits.basis.value} limits, {limits.nodes} nodes and "
        f"{length_text(limits.length_um, 0)} a line"
        for grade, limits in problem.limits.items()
        if problem.catalogue.grades[grade].medium is Medium.MIXING
    ]
    if problem.groups:
        said.append(count_text(len(problem.groups), "group"))
    if problem.failure_rules:
        said.append(count_text(len(problem.failure_rules), "rule on failures", "rules on failures"))
    return "; ".join(said) or "those of the catalogue"


def first_sheet(
    problem: Problem, assessment: Assessment, data: DrawingInput, sections: Sequence[Section]
) -> FirstSheet:
    """Gather the first sheet; ``sections`` are all of the page, as they stand on it."""
    parts = [part for section in sections for part in section.walk()]
    return FirstSheet(
        key_figures(problem, assessment),
        zone_plan(data),
        [(sentence, part.anchor) for part in parts for sentence in part.urgent],
        [caution for part in parts for caution in part.cautions],
    )
