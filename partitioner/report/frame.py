"""The frame of every page: title block, verdict, and of a layout its figures and small plan."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date

from partitioner import __version__
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text, length_limit_text
from partitioner.report.key_figures import key_figures
from partitioner.report.looking_around import things_of
from partitioner.report.sections import Chapter, FirstSheet, Page, Section, State
from partitioner.report.story import own_sections
from partitioner.report.told import Told
from partitioner.report.zone_plan import zone_plan

SHORT_DIGEST = 12
"""Letters of the digest in the title block; the run has all of them."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a page says before all else.

    ``lead`` holds the paragraphs of the verdict. ``chapters`` are those of the layout's own report
    that the page has, and ``whose`` says whose figures the first sheet shows, where that is not
    plain. ``data_file`` is the file with the same figures as data.
    """

    title: str
    state: State
    word: str
    lead: Sequence[str]
    data_file: str = "outcome.json"
    whose: str = ""
    chapters: Collection[Chapter] = tuple(Chapter)


ANSWER_CHAPTERS = (
    Chapter.VIEWS, Chapter.LINES, Chapter.PORTS, Chapter.DEADLINES, Chapter.RULES, Chapter.COSTS,
    Chapter.ASSUMPTIONS, Chapter.RUN,
)  # fmt: skip
"""Chapters on the layout that stand behind the answer to a question about it."""


def framed(
    problem: Problem, head: Head, sections: Sequence[Section], made_on: date | None = None
) -> Page:
    """A page on a problem that speaks of no layout."""
    return Page(
        head.title, head.state, head.word, (*head.lead, problem.note), sections, head.data_file,
        title_block("Problem", problem.name, problem, made_on),
    )  # fmt: skip


def layout_framed(told: Told, head: Head) -> Page:
    """A page on a layout: its chapters, and further sections among or before them."""
    shown = own_sections(told, head.chapters)
    parts = (part for section in shown for part in section.walk())
    why = {thing: words for part in parts for thing, words in part.told.items()}
    return replace(
        framed(told.problem, head, shown, told.made_on),
        sheet=_first_sheet(told, shown, head.whose),
        things={**things_of(told.problem, told.assessment), "why": why},
    )


def title_block(
    kind: str, name: str, problem: Problem | None, made_on: date | None
) -> tuple[tuple[str, str], ...]:
    """What is reported, of which state of its files, by what, under which rules.

    ``problem`` is None where not the files of a single one were read.
    """
    rows = [(kind, name)]
    if problem is not None and problem.digest:
        rows.append(("Digest of its files", problem.digest[:SHORT_DIGEST]))
    if made_on is not None:
        rows.append(("Date", made_on.isoformat()))
    rows.append(("Program", f"partitioner {__version__}"))
    if problem is not None:
        rows.append(("Rules in force", _rules(problem)))
    return tuple(rows)


def _rules(problem: Problem) -> str:
    """The limits of shared lines, whose promise they are, and what is kept apart or together."""
    said = [
        f"{limits.basis.value} limits, {limits.nodes} nodes and "
        f"{length_limit_text(limits.length_um)} a line"
        for grade, limits in problem.limits.items()
        if problem.catalogue.is_line(grade)
    ]
    if problem.groups:
        said.append(count_text(len(problem.groups), "group"))
    if problem.failure_rules:
        said.append(count_text(len(problem.failure_rules), "rule on failures", "rules on failures"))
    return "; ".join(said) or "those of the catalogue"


def _first_sheet(told: Told, sections: Sequence[Section], whose: str) -> FirstSheet:
    """Gather the first sheet; ``sections`` are all of the page, as they stand on it."""
    parts = [part for section in sections for part in section.walk()]
    return FirstSheet(
        key_figures(told.problem, told.assessment),
        zone_plan(told.drawn),
        [(sentence, part.anchor) for part in parts for sentence in part.urgent],
        [caution for part in parts for caution in part.cautions],
        whose,
    )
