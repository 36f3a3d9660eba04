"""A table of cells, wherever it came from, and where a row of it stands for findings."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from partitioner.reading.origin import At, Steps

AXES = ("x_m", "y_m", "z_m")
"""Columns that make the key ``position_m``."""


@dataclass(frozen=True, slots=True)
class Unusable:
    """A cell without a value of its own: a formula that was never worked out, or an error."""

    text: str


Value = str | int | Decimal | bool | Unusable | None


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a sheet; ``number`` counts from 1 as a spreadsheet shows it."""

    number: int
    cells: tuple[Value, ...]

    @property
    def is_blank(self) -> bool:
        """Whether nothing stands in it."""
        return all(c is None or c == "" for c in self.cells)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table of cells; blank rows are left out.

    ``name`` is that of the sheet in a workbook, empty for a CSV file, whose text is in ``lines``.
    A DataFrame is a sheet that shows neither cells nor lines.
    """

    file: str
    name: str
    rows: tuple[Row, ...]
    lines: tuple[str, ...] = ()
    separator: str = ","
    is_frame: bool = False

    @property
    def title(self) -> str:
        """File and sheet in words."""
        return f"{self.file}, sheet '{self.name}'" if self.name else self.file

    @property
    def width(self) -> int:
        """Number of columns."""
        return max((len(row.cells) for row in self.rows), default=0)

    def cell(self, row: int, column: int) -> str:
        """Name of a cell, as ``Sheet!C4``; ``column`` counts from 0."""
        from xlsxwriter.utility import xl_rowcol_to_cell  # Only what is wrong names its cell.

        cell = xl_rowcol_to_cell(row - 1, column)
        return f"{self.name}!{cell}" if self.name else cell


def plain_cell(value: Any) -> Value:
    """A value of any library as one of ours; what is not a number (NaN, NaT) is no value."""
    if value is None or isinstance(value, (str, bool, int, Unusable)):
        return value.strip() if isinstance(value, str) else value
    if isinstance(value, Decimal):
        return value
    if isinstance(value, (datetime.date, datetime.time, datetime.timedelta)):
        return str(value)
    try:
        number = float(value)
    except (TypeError, ValueError):
        return str(value).strip()
    if number != number or number in (float("inf"), float("-inf")):
        return None
    if number == int(number):
        return int(number)
    # 15 digits are what a spreadsheet shows of a binary fraction.
    return Decimal(f"{number:.15g}")


@dataclass(frozen=True, slots=True)
class RowOrigin:
    """A row of a sheet; ``columns`` say which cell holds a key, ``headings`` what it is called.

    ``index`` is the label of the row of a DataFrame; ``inner`` are rows elsewhere that stand for a
    list under a key.
    """

    sheet: Sheet
    row: Row
    columns: Mapping[str, int]
    label: str
    headings: Mapping[str, str]
    index: str = ""
    inner: Mapping[str, Sequence[RowOrigin]] = field(default_factory=dict)

    def at(self, steps: Steps = (), *, on_key: bool = False) -> At:
        """Position of a cell, or of the row."""
        if len(steps) > 1 and (rows := self.inner.get(str(steps[0]))):
            return rows[int(steps[1])].at(steps[2:])
        file, line = self.sheet.file, self.row.number
        name = column_at(steps)
        index = self.columns.get(name)
        shown = self.headings.get(name, name)
        if self.sheet.is_frame:
            column = 0 if index is None else index + 1
            shown = shown if column or not line else ""
            return At(file, line, column, "", shown, row=self.index)
        if self.sheet.lines:
            text = self.sheet.lines[line - 1] if 1 <= line <= len(self.sheet.lines) else ""
            starts = cell_starts(text, self.sheet.separator) if index is not None else [1]
            column = starts[index] if index is not None and index < len(starts) else 1
            return At(file, line, column, text, shown)
        told = [_shown(c) for c in self.row.cells]
        at = 0 if index is None else min(index, len(told))
        column = 1 + sum(len(t) + 3 for t in told[:at])
        cell = self.sheet.cell(line, index or 0)
        if index is None:
            cell = f"{self.sheet.name}!" * bool(self.sheet.name) + f"row {line}"
        return At(file, line, column, " | ".join(told), shown, cell)

    def named(self, label: str) -> RowOrigin:
        """Give the same row another label."""
        return replace(self, label=label)


def _shown(value: Value) -> str:
    if isinstance(value, Unusable):
        return value.text
    return "" if value is None else str(value).replace("\n", " ")


def column_at(steps: Steps) -> str:
    """Name of the column that holds a part of a row; a position stands in three of them."""
    if not steps:
        return ""
    if steps[0] == "position_m" and len(steps) > 1 and isinstance(steps[1], int):
        return AXES[steps[1]]
    return str(steps[0])


def cell_starts(line: str, separator: str) -> list[int]:
    """Column, from 1, at which each cell of a line of CSV starts."""
    starts, quoted = [1], False
    for number, character in enumerate(line, start=1):
        if character == '"':
            quoted = not quoted
        elif character == separator and not quoted:
            starts.append(number + 1)
    return starts
