"""Tables as one spreadsheet workbook: a sheet each, frozen headings with units, column widths."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from partitioner.report.archive import EPOCH
from partitioner.report.sections import Column, Kind, Table
from partitioner.visible import visible

if TYPE_CHECKING:
    from xlsxwriter import Workbook

NARROWEST, WIDEST = 8, 60
"""Letters of a column."""
LONGEST = 32_767
"""Letters of a cell; a sheet holds no more."""
_PLAIN = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}


def workbook(tables: Sequence[Table], about: Sequence[tuple[str, str]]) -> bytes:
    """Write tables as an ``.xlsx`` file, the same bytes for the same tables.

    All rows and columns of each have a sheet, named by its id. The first sheet holds what the
    workbook is ``about``, line by line: what and its value. Texts are written as texts, whatever
    they begin with: none becomes a formula.
    """
    from xlsxwriter import Workbook  # Few commands write a workbook.

    made = io.BytesIO()
    with Workbook(made, _PLAIN) as book:
        book.set_properties({"created": EPOCH})
        _fill(book, "about", ("what", "value"), about, (None, None))
        for table in tables:
            headings = [_heading(column) for column in table.columns]
            formats = [_format(column) for column in table.columns]
            _fill(book, table.name[:31], headings, table.rows, formats)
    return made.getvalue()


def _heading(column: Column) -> str:
    title = column.title or column.key.replace("_", " ").capitalize()
    return f"{title} [{column.unit}]" if column.unit else title


def _format(column: Column) -> str | None:
    if column.kind in (Kind.PERCENT, Kind.BAR):
        return "0.0%"
    if column.kind is Kind.NUMBER and column.digits:
        return "0." + "0" * column.digits
    return None


def _fill(
    book: Workbook,
    name: str,
    headings: Sequence[str],
    rows: Sequence[Sequence[Any]],
    formats: Sequence[str | None],
) -> None:
    sheet = book.add_worksheet(name)
    number_formats = [book.add_format({"num_format": f}) if f else None for f in formats]
    widths = [len(heading) for heading in headings]
    for line, row in enumerate(rows, 1):
        for place, value in enumerate(row):
            if value is None or value == "":
                continue
            if isinstance(value, str):
                text = visible(value)[:LONGEST]
                sheet.write_string(line, place, text)
                widths[place] = max(widths[place], len(text))
            else:
                is_measured = isinstance(value, float)
                sheet.write(line, place, value, number_formats[place] if is_measured else None)
                widths[place] = max(widths[place], 8)
    sheet.write_row(0, 0, headings, book.add_format({"bold": True}))
    for place, width in enumerate(widths):
        sheet.set_column(place, place, min(max(width + 2, NARROWEST), WIDEST))
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, len(rows), len(headings) - 1)
