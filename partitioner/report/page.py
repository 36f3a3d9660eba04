"""``report.html``: one file with everything inline, no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.report import story
from partitioner.report.drawing_input import DrawingInput, drawing_input
from partitioner.report.sections import FLAGGED_TRUST, Column, Kind, Section, State
from partitioner.report.strokes import tokens_css
from partitioner.report.svg import DRAWING_CSS
from partitioner.report.tables import all_frames
from partitioner.report.verdict import verdict


def own_sections(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section] = (),
    facts: Sequence[tuple[str, str]] = (),
    drawing: DrawingInput | None = None,
) -> tuple[Section, ...]:
    """All sections of a page in their order; ``sections`` come after the costs."""
    frames = all_frames(problem, assessment)
    data = drawing if drawing is not None else drawing_input(problem, assessment)
    made = (
        story.what_to_build(problem, assessment, frames, data),
        story.drawings(frames, data),
        story.good_enough(problem, assessment, frames),
        story.deadlines(problem, assessment, frames),
        story.costs(problem, assessment, frames, outcome),
        story.options(problem, frames),
        *sections,
        story.cautions(problem, assessment, frames),
        story.run_block(problem, outcome, facts),
    )
    return tuple(s for s in made if s is not None)


def render(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section] = (),
    facts: Sequence[tuple[str, str]] = (),
) -> str:
    """Write the report page.

    Parameters
    ----------
    problem, assessment
        The problem and what follows from the layout.
    outcome
        How the planning run ended; None when the layout was only judged.
    sections
        Further sections (simulation, builds, changes, failures, …), placed after the costs.
    facts
        Further lines of the run block: what and its value.

    Returns
    -------
    str
        HTML that needs no other file.

    Raises
    ------
    ValueError
        If two sections, tables or figures share an id.
    """
    made = own_sections(problem, assessment, outcome, sections, facts)
    return render_plan(problem, assessment, outcome, made)


def render_plan(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section],
) -> str:
    """As :func:`render`, with all sections of the page made already."""
    judged = verdict(problem, assessment, outcome)
    return render_sections(
        title=f"Layout of {problem.name}",
        state=judged.state,
        word=judged.word,
        lead=(judged.sentence, judged.proof, judged.tightest, problem.note),
        sections=sections,
    )


def render_sections(
    title: str,
    state: State,
    word: str,
    lead: Sequence[str],
    sections: Sequence[Section],
    data_file: str = "outcome.json",
) -> str:
    """Lay out any sections as a page of the same looks.

    ``lead`` holds the paragraphs of the verdict, the first one set large; ``data_file`` is the file
    beside the page with the same figures as data.
    """
    _check_ids(sections)
    template = _environment().get_template("page.html")
    return template.render(
        title=title,
        state=state,
        word=word,
        lead=[p for p in lead if p],
        sections=sections,
        data_file=data_file,
        styles=Markup(tokens_css() + DRAWING_CSS),
    )


def _check_ids(sections: Sequence[Section]) -> None:
    ids: list[str] = []
    for section in sections:
        ids.append(section.anchor)
        ids += [f"table-{t.id}" for t in section.tables]
        ids += [f.id for f in section.figures]
    twice = sorted({i for i in ids if ids.count(i) > 1})
    if twice:
        raise ValueError(f"ids used twice on one page: {', '.join(twice)}")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("partitioner.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(Kind=Kind, State=State, flagged=FLAGGED_TRUST)
    environment.filters["cell"] = _cell
    environment.filters["share"] = _bar_share
    # Figures are built as trees by this package and escaped there.
    environment.filters["svg"] = lambda markup: Markup(markup)
    return environment


def _cell(value: object, column: Column) -> str:
    return column.text(value)


def _bar_share(value: object) -> str:
    """Width of the bar behind a cell, as a percentage; never wider than the cell."""
    if not isinstance(value, (int, float)) or not value > 0:
        return "0"
    return f"{100 * min(float(value), 1.0):.1f}"
