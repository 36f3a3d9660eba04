"""All files of a report, by name, ready to be written."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.reading.layout_file import layout_text
from partitioner.report.drawing_input import drawing_input
from partitioner.report.outcome_json import outcome_text
from partitioner.report.page import layout_page, render
from partitioner.report.sections import Section, csv_files, tables_of
from partitioner.report.story import own_sections
from partitioner.report.tables import all_tables, plca_commands
from partitioner.report.verdict import verdict


def report_files(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section] = (),
    facts: Sequence[tuple[str, str]] = (),
) -> dict[str, str]:
    """Make every file of a report.

    Parameters
    ----------
    problem, assessment
        The problem and what follows from the layout.
    outcome
        How the planning run ended; None when the layout was only judged.
    sections
        Further sections of the page (simulation, builds, changes, failures, …), placed after the
        costs; their tables get CSV files too.
    facts
        Further lines of the run block: what and its value.

    Returns
    -------
    dict
        ``layout.yaml``, ``report.html``, ``outcome.json``, ``plca-ethtool.sh`` and one CSV file per
        table.

    Raises
    ------
    ValueError
        If two sections, tables or figures share an id, or two tables a file.
    """
    own = all_tables(problem, assessment)
    tables = own | tables_of(sections)
    data = drawing_input(problem, assessment)
    shown = own_sections(problem, assessment, outcome, own, data, sections, facts)
    judged = verdict(problem, assessment, outcome)
    return {
        "layout.yaml": layout_text(assessment.layout, problem),
        "report.html": render(layout_page(problem, judged, shown)),
        "outcome.json": outcome_text(problem, assessment, outcome, tables),
        "plca-ethtool.sh": plca_commands(own["plca"]),
        **csv_files(tables),
    }
