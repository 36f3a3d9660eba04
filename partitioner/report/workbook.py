"""Tables as one spreadsheet workbook: a sheet each, frozen headings with units, column widths."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from typing import Any

from partitioner.report.archive import EPOCH, packed
from partitioner.report.sections import Column, Kind, Table
from partitioner.visible import visible

NARROWEST, WIDEST = 8, 60
"""Letters of a column."""
_DATE = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*")


def workbook(tables: Sequence[Table], about: Sequence[tuple[str, str]]) -> bytes:
    """Write tables as an ``.xlsx`` file, the same bytes for the same tables.

    Parameters
    ----------
    tables
        A sheet each, named by their ids; all rows and all columns.
    about
        What the workbook is of, line by line: what and its value. The first sheet holds it.

    Notes
    -----
    Texts are written as texts, whatever they begin with: none becomes a formula.
    """
    # Loading it takes a good part of a second.
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.title = "about"
    _fill(sheet, ("what", "value"), about, (None, None))
    for table in tables:
        sheet = book.create_sheet(table.name[:31])
        headings = [_heading(column) for column in table.columns]
        _fill(sheet, headings, table.rows, [_format(column) for column in table.columns])
    made = io.BytesIO()
    book.save(made)
    with zipfile.ZipFile(made) as parts:
        content = {name: parts.read(name) for name in parts.namelist()}
    core = "docProps/core.xml"
    content[core] = _DATE.sub(rb"\g<1>" + f"{EPOCH:%Y-%m-%dT%H:%M:%SZ}".encode(), content[core])
    return packed(content)


def _heading(column: Column) -> str:
    title = column.title or column.key
    return f"{title} [{column.unit}]" if column.unit else title


def _format(column: Column) -> str | None:
    if column.kind in (Kind.PERCENT, Kind.BAR):
        return "0.0%"
    if column.kind is Kind.NUMBER and column.digits:
        return "0." + "0" * column.digits
    return None


def _fill(
    sheet: Any,
    headings: Sequence[str],
    rows: Sequence[Sequence[Any]],
    formats: Sequence[str | None],
) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    widths = [len(heading) for heading in headings]
    for line, row in enumerate((headings, *rows), 1):
        for place, value in enumerate(row):
            if value is None or value == "":
                continue
            text = visible(value) if isinstance(value, str) else value
            cell = sheet.cell(line, place + 1, text)
            if isinstance(text, str):
                cell.data_type = "s"
            elif isinstance(value, float) and formats[place]:
                cell.number_format = formats[place]
            widths[place] = max(widths[place], len(str(text)) if isinstance(text, str) else 8)
    for place, width in enumerate(widths, 1):
        letter = get_column_letter(place)
        sheet.column_dimensions[letter].width = min(max(width + 2, NARROWEST), WIDEST)
        sheet.cell(1, place).font = Font(bold=True)
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(headings))}{len(rows) + 1}"
