"""All files of a report, by name, ready to be written."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import date

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.reading.layout_file import layout_text
from partitioner.report.ethtool import plca_commands
from partitioner.report.file_names import clean_name
from partitioner.report.frame import Head, layout_framed
from partitioner.report.graph import graph_files, layout_graph
from partitioner.report.outcome_json import outcome_text
from partitioner.report.page import render, render_drawings
from partitioner.report.paper import paper_page
from partitioner.report.sections import (
    Page,
    Paper,
    Section,
    Table,
    csv_files,
    drawings_of,
    tables_of,
)
from partitioner.report.svg import standalone
from partitioner.report.tables import all_tables
from partitioner.report.verdict import verdict
from partitioner.report.workbook import workbook
from partitioner.report.yang import yang_files
from partitioner.visible import visible

SHOP_SHEETS = (
    "wires", "drops", "cut-sums", "cuts", "orders", "terminators", "backbone", "parts",
    "order-lines", "order-pieces", "order-fittings",
)  # fmt: skip
"""Tables in the workbook of the harness shop, as far as there are any."""
SHOP_CAUTION = (
    "These lists are no approval of a wiring. Beyond 8 nodes or 25 m a line must be qualified "
    "electrically. Local codes and responsible engineers decide."
)


def report_files(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section] = (),
    facts: Sequence[tuple[str, str]] = (),
    made_on: date | None = None,
    paper: Paper | None = None,
    drawings: bool = False,
) -> dict[str, str | bytes]:
    """Make every file of a report.

    Parameters
    ----------
    problem, assessment
        The problem and what follows from the layout.
    outcome
        How the planning run ended; None when the layout was only judged.
    sections
        Further sections of the page (simulation, builds, changes, failures, …), each placed in its
        chapter; their tables get CSV files too.
    facts
        Further lines of the run block: what and its value.
    made_on
        The day of the report, for its title block; None leaves it out.
    paper
        Also write a page that holds what this choice of print has.
    drawings
        Also write a page that holds the drawings, to be printed on a sheet each.

    Returns
    -------
    dict
        Content by name, as docs/reference/report.md lists them. Each file tells the digests of the
        problem and of the layout that it was made from; CSV files are told by the list of the set.

    Raises
    ------
    ValueError
        If two sections, tables or figures share an id, or two tables a file.
    """
    own = all_tables(problem, assessment)
    tables = own | tables_of(sections)
    page = report_page(problem, assessment, outcome, sections, facts, made_on, own)
    layout = layout_text(assessment.layout, problem)
    digests = {
        "problem_digest": problem.digest,
        "layout_digest": hashlib.sha256(layout.encode()).hexdigest(),
    }
    mark = f"{visible(problem.name)}, " + ", ".join(f"{k} {v}" for k, v in digests.items())
    about = [("problem", problem.name), *digests.items(), ("caution", SHOP_CAUTION)]
    return {
        "layout.yaml": layout,
        "report.html": render(page),
        "outcome.json": outcome_text(
            problem, assessment, outcome, tables, digests["layout_digest"]
        ),
        "plca-ethtool.sh": plca_commands(own["plca"], mark),
        "harness.xlsx": workbook([tables[n] for n in SHOP_SHEETS if n in tables], about),
        **({} if paper is None else {f"print-{paper.word}.html": render(paper_page(page, paper))}),
        **({"print-drawings.html": render_drawings(page)} if drawings else {}),
        **graph_files(layout_graph(problem, assessment, digests)),
        **yang_files(tables, mark),
        **{
            clean_name(f"drawing-{figure.id}.svg"): standalone(figure.alone, mark)
            for figure in drawings_of(page.sections)
        },
        **csv_files(tables),
    }


def report_page(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section] = (),
    facts: Sequence[tuple[str, str]] = (),
    made_on: date | None = None,
    tables: Mapping[str, Table] | None = None,
) -> Page:
    """Make the page of a report; parameters as of :func:`report_files`."""
    judged = verdict(problem, assessment, outcome)
    head = Head(f"Layout of {problem.name}", judged.state, judged.word, (judged.sentence,))
    return layout_framed(problem, assessment, outcome, head, sections, facts, made_on, tables)
