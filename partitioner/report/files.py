"""All files of a report, by name, ready to be written."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from partitioner.reading.layout_file import layout_text
from partitioner.report.ethtool import plca_commands
from partitioner.report.file_names import clean_name
from partitioner.report.frame import Head, layout_framed
from partitioner.report.graph import graph_files, layout_graph
from partitioner.report.outcome_json import outcome_text
from partitioner.report.page import render, render_drawings
from partitioner.report.sections import Page, Paper, Section, csv_files, drawings_of, tables_of
from partitioner.report.svg import standalone
from partitioner.report.told import Told
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
    told: Told, *, paper: Paper | None = None, drawings: bool = False
) -> dict[str, str | bytes]:
    """Make every file of a report, by name, as docs/reference/report.md lists them.

    Each file tells the digests of the problem and of the layout that it was made from; CSV files
    are told by the list of the set. ``paper`` also writes a page that holds what this choice of
    print has, ``drawings`` one that holds the drawings, to be printed on a sheet each.

    Raises
    ------
    ValueError
        If two sections, tables or figures share an id, or two tables a file.
    """
    problem = told.problem
    tables = told.tables | tables_of(told.sections)
    page = report_page(told)
    layout = layout_text(told.assessment.layout, problem)
    digests = {
        "problem_digest": problem.digest,
        "layout_digest": hashlib.sha256(layout.encode()).hexdigest(),
    }
    mark = f"{visible(problem.name)}, " + ", ".join(f"{k} {v}" for k, v in digests.items())
    about = [("problem", problem.name), *digests.items(), ("caution", SHOP_CAUTION)]
    return {
        "layout.yaml": layout,
        "report.html": render(page),
        "outcome.json": outcome_text(told, digests["layout_digest"]),
        "plca-ethtool.sh": plca_commands(told.tables["plca"], mark),
        "harness.xlsx": workbook([tables[n] for n in SHOP_SHEETS if n in tables], about),
        **({} if paper is None else {f"print-{paper.word}.html": render(_on_paper(page, paper))}),
        **({"print-drawings.html": render_drawings(page)} if drawings else {}),
        **graph_files(layout_graph(problem, told.assessment, digests)),
        **yang_files(tables, mark),
        **{
            clean_name(f"drawing-{figure.id}.svg"): standalone(figure.alone, mark)
            for figure in drawings_of(page.sections)
        },
        **csv_files(tables),
    }


def report_page(told: Told) -> Page:
    """Make the page of a report."""
    judged = told.verdict
    title = f"Layout of {told.problem.name}"
    return layout_framed(told, Head(title, judged.state, judged.word, (judged.sentence,)))


def _on_paper(page: Page, paper: Paper) -> Page:
    """The page with what a choice of print has; the first sheet is in every one."""
    return replace(page, sections=_cut(page.sections, paper), paper=paper)


def _cut(sections: Sequence[Section], paper: Paper) -> list[Section]:
    kept = []
    for section in sections:
        if section.least_paper > paper:
            continue
        if section.paper > paper:
            section = replace(section, intro="", points=(), tables=(), figures=())
        kept.append(replace(section, parts=_cut(section.parts, paper)))
    return kept
