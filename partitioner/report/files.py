"""All files of a report, by name, ready to be written."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.reading.layout_file import layout_text
from partitioner.report.outcome_json import outcome_text
from partitioner.report.page import own_sections, render_plan
from partitioner.report.sections import Section, csv_twins
from partitioner.report.tables import all_frames, frames_csv, plca_commands


def report_files(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section] = (),
    facts: Sequence[tuple[str, str]] = (),
) -> dict[str, str | bytes]:
    """Make every file of a report.

    Parameters
    ----------
    problem, assessment, outcome
        As for :func:`partitioner.report.page.render`.
    sections
        Further sections of the page; their tables get CSV files too.
    facts
        Further lines of the run block.

    Returns
    -------
    dict
        ``layout.yaml``, ``report.html``, ``outcome.json``, ``plca-ethtool.sh`` and one CSV file per
        table.
    """
    frames = all_frames(problem, assessment)
    page = own_sections(problem, assessment, outcome, sections, facts)
    files: dict[str, str | bytes] = {
        "layout.yaml": layout_text(assessment.layout, problem),
        "report.html": render_plan(problem, assessment, outcome, page),
        "outcome.json": outcome_text(problem, assessment, outcome, sections),
        "plca-ethtool.sh": plca_commands(frames["plca"]),
    }
    # Tables that show a frame in part have the whole frame in their file.
    files.update(csv_twins(page))
    files.update(frames_csv(frames))
    return files
