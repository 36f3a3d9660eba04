"""Pages cut down to what is to be printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from partitioner.report.sections import Page, Paper, Section


def paper_page(page: Page, paper: Paper) -> Page:
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
