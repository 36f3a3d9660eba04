"""``report.html``: one file, everything inline, nothing fetched, complete without its script."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from partitioner.report.sections import (
    FLAGGED_TRUST,
    Cell,
    Column,
    Kind,
    Page,
    Paper,
    State,
    csv_files,
    drawings_of,
    tables_of,
)
from partitioner.report.short import in_fewer_bytes
from partitioner.report.strokes import tokens_css
from partitioner.report.svg import DRAWING_CSS
from partitioner.visible import json_text


def page_files(page: Page) -> dict[str, str]:
    """The page as ``report.html``, and the CSV file of each of its tables.

    Raises
    ------
    ValueError
        If two sections, tables or figures share an id, or two tables a file.
    """
    return {"report.html": render(page), **csv_files(tables_of(page.sections))}


def render(page: Page) -> str:
    """Write a page as HTML that needs no other file.

    Raises
    ------
    ValueError
        If two sections, tables or figures share an id.
    """
    _check_ids(page)
    whole = environment().get_template("page.html").render(page=page, styles=_styles())
    return in_fewer_bytes(whole)


def render_drawings(page: Page) -> str:
    """Write the drawings of a page as HTML to be printed, each on a sheet of its own."""
    figures = drawings_of(page.sections)
    template = environment().get_template("drawings.html")
    return template.render(page=page, figures=figures, styles=_styles())


def _styles() -> Markup:
    return Markup(tokens_css() + DRAWING_CSS)


def _check_ids(page: Page) -> None:
    ids: list[str] = []
    for section in page.walk():
        ids.append(section.anchor)
        ids += [f"table-{t.id}" for t in section.tables]
        ids += [f.id for f in section.figures]
    twice = sorted({i for i in ids if ids.count(i) > 1})
    if twice:
        raise ValueError(f"ids used twice on one page: {', '.join(twice)}")


MOST_LISTED = 8
"""Sentences on the first sheet of what to clear first, so that it stays one page."""
MANY_ROWS = 40
"""A longer table is laid out by the browser when it comes into sight."""


@cache
def environment() -> Environment:
    """What the templates are rendered by."""
    environment = Environment(
        loader=PackageLoader("partitioner.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        State=State, most_listed=MOST_LISTED, many_rows=MANY_ROWS, papers=tuple(Paper),
        columns_css=_columns_css,
    )  # fmt: skip
    environment.filters.update(
        cell_class=_cell_class, cell_markup=_cell_markup, css_text=_css_text, height_px=_height_px,
        is_narrow=_is_narrow, script_json=_script_json, with_code=_with_code,
        # Figures are built as trees by this package and escaped there.
        svg=Markup,
    )  # fmt: skip
    return environment


def _with_code(sentence: str) -> Markup:
    """A sentence with what stands between grave accents, a command or a key, in the code face."""
    return Markup(re.sub("`([^`]+)`", r"<code>\1</code>", str(escape(sentence))))


def _cell_markup(row: Sequence[Cell]) -> Markup:
    """The cells of a row; one has a class of its own only where it differs from its column.

    Made here, not by a template: of cells there are tens of thousands.
    """
    return Markup("".join(map(_one_cell, row)))


def _one_cell(cell: Cell) -> str:
    column, words = cell.column, escape(cell.words)
    if column.heads_row:
        return f"<th scope=row{' class=num' if column.is_numeric else ''}>{words}"
    if column.kind is Kind.BAR:
        begins = f"--from:{_bar_share(cell.start)}%;" if cell.start else ""
        return f"<td class=bar style={begins}--used:{_bar_share(cell.value)}%>{words}"
    if column.kind is Kind.STATE and words:
        return _judged(State(cell.value), words)
    if column.kind is Kind.TRUST and cell.value in FLAGGED_TRUST:
        return _judged(State.WARN, words)
    if column.kind is Kind.NAMES and " " in words:
        return f"<td class=text>{' '.join(f'<i>{n},</i>' for n in words.split())[:-5]}</i>"
    return f"<td>{words}"


def _judged(state: State, words: str) -> str:
    return f'<td class="state {state}"><span aria-hidden="true">{state.glyph}</span> {words}'


MOST_COLUMNS = 24
"""Columns of a table up to which the style sheet can tell their kind."""


def _cell_class(column: Column, number: int) -> str:
    """What the table is to be called for the cells of this column; figures need no name."""
    if column.is_numeric or column.kind is Kind.STATE:
        return ""
    return f"{'i' if column.kind in (Kind.ID, Kind.NAMES) else 't'}{number} "


NARROW = 90
"""Letters of all columns up to which a long table stands in columns side by side on paper."""


def _is_narrow(columns: Sequence[Column], cells: Sequence[Sequence[Cell]]) -> bool:
    """Whether a table takes less than half the width of a page."""
    room = NARROW
    for number, column in enumerate(columns):
        title, unit = column.heading
        words = (len(row[number].words) for row in cells)
        room -= 2 + max(len(title) + len(unit), *words)
        if room < 0:
            return False
    return True


def _columns_css(letter: str) -> str:
    """Cells of all columns that a table was given this letter for."""
    return ",".join(f".{letter}{n} :nth-child({n})" for n in range(1, MOST_COLUMNS + 1))


def _css_text(words: str) -> Markup:
    """Words as a string of a style sheet; whatever they hold ends neither it nor the element."""
    plain = "".join(c if c.isalnum() or c in " .-" else f"\\{ord(c):x} " for c in words)
    return Markup(f'"{plain}"')


def _script_json(data: object) -> Markup:
    """Data within a script element, which no text in it can end."""
    return Markup(json_text(data, indent=None).replace("<", "\\u003c"))


def _height_px(markup: str) -> str:
    """Height of a figure in px, as its element tells it."""
    element = markup.partition(">")[0]
    return element.partition(' height="')[2].partition('"')[0] or "0"


def _bar_share(value: object) -> str:
    """Width of the bar behind a cell, as a percentage; never wider than the cell."""
    if not isinstance(value, (int, float)) or not value > 0:
        return "0"
    return f"{100 * min(float(value), 1.0):.1f}"
