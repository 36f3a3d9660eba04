"""Reads the sheets of an ``.xlsx`` workbook and of a CSV text into tables of cells."""

from __future__ import annotations

import io
import itertools
import warnings
import zipfile
from typing import Any

from partitioner.reading.csv_text import UnreadableCsv, csv_rows, lines_of
from partitioner.reading.files import Unreadable, as_text
from partitioner.reading.limits import (
    LARGEST_UNPACKED_BYTES,
    LONGEST_ROW_LINE,
    MOST_COLUMNS,
    MOST_ROWS,
)
from partitioner.reading.sheet import Row, Sheet, Unusable, plain_cell

_LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""Start of the older compound file, in which a workbook with a password is wrapped too."""
_LARGE_BYTES = 15_000_000
_SPREADSHEET = (".xlsx", ".xlsm")
_NO_LIST = (".yaml", ".yml", ".json", ".html", ".svg", ".pdf", ".zip")


def read_sheets(content: bytes, file: str) -> list[Sheet]:
    """Read all sheets of a workbook or a CSV file that hold anything.

    Raises
    ------
    Unreadable
        If it is neither, has a password, is cut off, or is larger than what is read.
    """
    if content.startswith(_LOCKED) or file.lower().endswith(_SPREADSHEET):
        return _workbook(content, file)
    if file.lower().endswith(_NO_LIST):
        told = f"expected a list as .csv or .xlsx, got a .{file.rpartition('.')[2]} file"
        raise Unreadable(told)
    sheet = csv_sheet(as_text(content), file)
    return [sheet] if sheet.rows else []


def csv_sheet(text: str, file: str) -> Sheet:
    """Take a CSV text for a sheet; its separator is the one most lines agree on.

    Raises
    ------
    Unreadable
        If it does not have the form of a CSV file, with the place.
    """
    lines = lines_of(text)
    longest = max(range(len(lines)), key=lambda n: len(lines[n]))
    if len(lines[longest]) > LONGEST_ROW_LINE:
        told = f"expected at most {LONGEST_ROW_LINE} characters a line, got {len(lines[longest])}"
        raise Unreadable(told, line=longest + 1, column=1)
    separator = max(";\t,", key=lambda mark: _agreeing(lines[:200], mark))
    try:
        rows = [
            Row(line, tuple(cell.strip() for cell in cells))
            for line, cells in csv_rows(text, separator)
            if any(cell.strip() for cell in cells)
        ]
    except UnreadableCsv as error:
        raise Unreadable(str(error), line=error.line, column=error.column) from None
    _check_size(len(rows), max((len(r.cells) for r in rows), default=0), "")
    return Sheet(file, "", tuple(rows), lines, separator)


def _agreeing(lines: tuple[str, ...], mark: str) -> int:
    """How many lines have the number of separators that most lines with any have."""
    counts = [n for n in (line.count(mark) for line in lines) if n]
    return max((counts.count(n) * min(n, 3) for n in set(counts)), default=0)


def _check_size(rows: int, columns: int, sheet: str) -> None:
    where = f" in sheet '{sheet}'" if sheet else ""
    if rows > MOST_ROWS:
        hint = "split the list into several files, or leave out what is no row of it"
        raise Unreadable(f"expected at most {MOST_ROWS} rows{where}, got more", hint)
    if columns > MOST_COLUMNS:
        raise Unreadable(f"expected at most {MOST_COLUMNS} columns{where}, got {columns}")


def _workbook(content: bytes, file: str) -> list[Sheet]:
    if content.startswith(_LOCKED):
        raise Unreadable(
            "expected an .xlsx workbook, got one with a password or of an older kind (.xls)",
            "open it and save a copy as .xlsx without a password",
        )
    cut_off = Unreadable(
        "expected an .xlsx workbook, got a file that is cut off or damaged",
        "copy it again, or open it and save it anew",
    )
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            size = sum(part.file_size for part in archive.infolist())
            names = set(archive.namelist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        raise cut_off from None
    if size > LARGEST_UNPACKED_BYTES:
        most = LARGEST_UNPACKED_BYTES // 1_000_000
        raise Unreadable(
            f"expected a workbook of at most {most} MB unpacked, got {size // 1_000_000} MB",
            "leave out sheets and columns that are no lists, or save the list as CSV",
        )
    if "xl/workbook.xml" not in names:
        raise cut_off
    try:
        return _sheets(content, file, is_large=size > _LARGE_BYTES)
    except Unreadable:
        raise
    except Exception:
        # The library raises whatever the damaged part made it stumble over.
        raise cut_off from None


def _sheets(content: bytes, file: str, *, is_large: bool) -> list[Sheet]:
    import openpyxl  # A second of imports, and most problems have no workbook.

    with warnings.catch_warnings():
        # It warns of styles and drawings that it does not keep; none is of interest here.
        warnings.simplefilter("ignore")
        if is_large:
            # Row by row first: whole, a sheet of that size takes a gigabyte.
            for sheet in openpyxl.load_workbook(io.BytesIO(content), read_only=True).worksheets:
                values = sheet.iter_rows(values_only=True)
                some = (row for row in values if any(v is not None for v in row))
                count = sum(1 for _ in itertools.islice(some, MOST_ROWS + 1))
                _check_size(count, 0, sheet.title)
        book = openpyxl.load_workbook(io.BytesIO(content), data_only=False)
        worked_out: Any = None
        found = []
        for sheet in book.worksheets:
            rows = []
            merged = _merged(sheet)
            for number, cells in enumerate(sheet.iter_rows(), 1):
                row = []
                for cell in cells:
                    at = merged.get((cell.row, cell.column))
                    source = cell if at is None else sheet.cell(*at)
                    value = source.value
                    if source.data_type == "f":
                        if worked_out is None:
                            worked_out = openpyxl.load_workbook(io.BytesIO(content), data_only=True)
                        same = worked_out[sheet.title].cell(source.row, source.column)
                        known = same.value
                        value = Unusable("a formula without a value") if known is None else known
                    elif source.data_type == "e":
                        value = Unusable(str(value))
                    row.append(plain_cell(value))
                made = Row(number, _trimmed(row))
                if not made.is_blank:
                    rows.append(made)
            made_sheet = Sheet(file, sheet.title, tuple(rows))
            _check_size(len(rows), made_sheet.width, sheet.title)
            if rows:
                found.append(made_sheet)
        return found


def _trimmed(row: list[Any]) -> tuple[Any, ...]:
    """A row without empty cells at its end."""
    end = len(row)
    while end and row[end - 1] in (None, ""):
        end -= 1
    return tuple(row[:end])


def _merged(sheet: Any) -> dict[tuple[int, int], tuple[int, int]]:
    """For each cell of a merged area the one that holds its value."""
    found = {}
    for area in sheet.merged_cells.ranges:
        if area.size["rows"] * area.size["columns"] > 10_000:
            continue
        for row, column in area.cells:
            found[row, column] = (area.min_row, area.min_col)
    return found
