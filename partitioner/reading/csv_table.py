"""Reads a device or stream list from a CSV file, row by row, with line numbers.

The comma, the semicolon and the tab are understood as separators; the header line says which one
is used.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from partitioner.errors import Finding
from partitioner.reading.csv_text import UnreadableCsv, csv_rows, lines_of
from partitioner.reading.headings import other_unit
from partitioner.reading.kinds import Grades, Name, Names, Point, Text, ValueKind, did_you_mean
from partitioner.reading.limits import LONGEST_ROW_LINE, MOST_COLUMNS, MOST_ROWS
from partitioner.reading.origin import Findings, Origin
from partitioner.reading.schema import KeyTable
from partitioner.reading.sheet import AXES, Row, RowOrigin, Sheet
from partitioner.reading.tables import Item, key_infos, key_names, kind_of, read_table
from partitioner.reading.yaml_text import plain_value
from partitioner.wording import agree, count, listed


def column_kinds(model: type[KeyTable]) -> dict[str, ValueKind]:
    """Columns that a table with rows of ``model`` may have, with the kinds of their values."""
    kinds: dict[str, ValueKind] = {}
    for name, info in key_infos(model).items():
        kind = kind_of(info)
        if isinstance(kind, Point):
            kinds.update(dict.fromkeys(AXES, kind))
        elif kind is not None:
            kinds[name] = kind
    return kinds


def _cell(text: Any, kind: ValueKind) -> Any:
    """Give a cell the meaning the same words would have in the YAML file.

    Numbers and lists, as DataFrames hold them, keep theirs; a number that names something is text.
    """
    if not isinstance(text, str):
        is_whole = isinstance(text, int) and not isinstance(text, bool)
        return str(text) if is_whole and isinstance(kind, (Name, Text)) else text
    if isinstance(kind, (Name, Text)):
        return text
    if isinstance(kind, Names):
        return text.split()
    if isinstance(kind, Grades):
        parts = [part.partition("=") for part in text.split()]
        if any(equals for _, equals, _ in parts):
            return {name: plain_value(price) for name, _, price in parts}
        return [name for name, _, _ in parts]
    return plain_value(text)


def read_csv(
    model: type[KeyTable], text: str, file: str, section: str, findings: Findings
) -> tuple[list[Item[Any]], bool]:
    """Read the rows of a CSV text by a table; tell whether all rows could be told apart.

    Empty cells are left out, lists are separated by spaces, a position stands in the columns
    ``x_m``, ``y_m``, ``z_m``. Findings, one for each fault, name ``file`` and call the list
    ``section``.
    """
    lines = lines_of(text)

    def refuse(line: int, message: str, hint: str = "") -> tuple[list[Item[Any]], bool]:
        # No line is repeated: it might be any file.
        top = RowOrigin(Sheet(file, "", (), ("",)), Row(line, ()), {}, section, {})
        findings.add(top, "unreadable-file", message, hint=hint)
        return [], False

    first = next((n for n, line in enumerate(lines) if line.strip()), None)
    if first is None:
        return refuse(1, "expected a header line with column names, got an empty file")
    for number, line_text in enumerate(lines, start=1):
        if len(line_text) > LONGEST_ROW_LINE:
            told = f"expected at most {LONGEST_ROW_LINE} characters a line, got {len(line_text)}"
            return refuse(number, told)
    separator = max(",;\t", key=lines[first].count)
    with contextlib.suppress(UnreadableCsv):  # It is told where it stands, below.
        if sum(any(row) for _, row in csv_rows(text, separator)) > MOST_ROWS + 1:
            return refuse(0, f"expected at most {MOST_ROWS} rows, got more")
    sheet = Sheet(file, "", (), lines, separator)
    header: Header | None = None
    columns: dict[str, int] = {}
    items: list[Item[Any]] = []
    filled = 0
    short: list[tuple[RowOrigin, int]] = []
    try:
        for line, row in csv_rows(text, separator):
            if not any(cell.strip() for cell in row):
                continue
            if header is None:
                names = tuple(cell.strip() for cell in row)
                header = Header(model, names)
                if not _is_header(names, header.kinds):
                    told = f"this is no list of {section}: expected a header with names of columns"
                    return refuse(line, told, "columns: " + ", ".join(header.kinds))
                columns = {name: names.index(name) for name in names}
                header.check(RowOrigin(sheet, Row(line, ()), columns, section, {}), findings)
                continue
            label = f"{section}[{_row_id(names, row) or f'line {line}'}]"
            origin = RowOrigin(sheet, Row(line, ()), columns, label, {})
            told = f"expected {len(names)} cells as in the header, got {len(row)}"
            if len(row) > len(names):
                hint = "put quotes round a cell that has the separator in it"
                findings.add(origin, "wrong-kind", told, hint=hint)
            before = len(findings.found)
            # Cells beyond the header belong to no column.
            items.append(header.read(row[: len(names)], origin, findings))
            filled = max(filled, *(n for n, cell in enumerate(row, start=1) if cell.strip()))
            if len(row) < len(names) and len(findings.found) == before:
                short.append((origin, len(row)))
            elif len(row) < len(names):
                # Spreadsheets leave out empty cells at the end; where the rest does not fit, a
                # cell further left may be missing.
                hint = "cells left out at the end count as empty; is one missing before them?"
                findings.add(origin, "wrong-kind", told, hint=hint)
    except UnreadableCsv as error:
        # Only of what has shown to be a list is a line repeated.
        source = lines[error.line - 1] if header and error.line <= len(lines) else ""
        at = (file, error.line, error.column)
        findings.take(Finding(*at, "unreadable-file", section, str(error), source_line=source))
        return items, False
    _tell_short([(origin, cells) for origin, cells in short if cells < filled], filled, findings)
    return items, True


def _tell_short(short: list[tuple[RowOrigin, int]], filled: int, findings: Findings) -> None:
    """Warn of rows that end before the last column that others fill; of several in one."""
    if not short:
        return
    origin, cells = short[0]
    lost = [name for name, index in origin.columns.items() if cells <= index < filled]
    message = f"the row ends before {listed(lost)}, which others fill; it counts as empty"
    if further := len(short) - 1:
        message += f"; {count(further, 'more row')} {agree(further, 'is', 'are')} too short as well"
    source = origin.sheet.lines[origin.row.number - 1]
    findings.take(
        Finding(
            origin.sheet.file, origin.row.number, len(source) + 1, "unlikely",
            f"{origin.label}.{lost[0]}", message,
            "if nothing was cut off, write the separators of the empty cells too",
            source, "warning", lost[0],
        )
    )  # fmt: skip


def _is_header(header: tuple[str, ...], kinds: dict[str, ValueKind]) -> bool:
    """Whether a row names columns of a list, if perhaps some of them wrongly."""
    named = [name for name in header if name]
    known = sum(name in kinds for name in named)
    return len(header) <= MOST_COLUMNS and 0 < len(named) <= 2 * known


def _row_id(header: tuple[str, ...], row: list[str]) -> str:
    if "id" not in header or header.index("id") >= len(row):
        return ""
    return row[header.index("id")].strip()


class Header:
    """Names of the columns of a table, and how its rows are read by a model.

    ``more`` are kinds of columns that only some tables of the model have.
    """

    def __init__(
        self,
        model: type[KeyTable],
        names: tuple[str, ...],
        more: Mapping[str, ValueKind] = MappingProxyType({}),
    ):
        self.model, self.names = model, names
        self.kinds = {**more, **column_kinds(model)}

    def check(self, origin: Origin, findings: Findings) -> None:
        """Tell columns that are unknown, twice there, or missing though required."""
        names = self.names
        required = [key for key, info in key_infos(self.model).items() if info.is_required()]
        if "position_m" in required:
            # The height may be left out.
            place = required.index("position_m")
            required[place : place + 1] = AXES[:2]
        absent = [name for name in required if name not in names]
        for number, name in enumerate(names):
            if names.index(name) < number:
                findings.add(origin, "duplicate-key", f"column '{name}' stands twice", name)
            elif name not in self.kinds:
                hint = did_you_mean(name, absent, list_known=False) or did_you_mean(
                    name, list(self.kinds), list_known=False
                )
                if hint and any(f"'{a}'" in hint for a in absent):
                    absent = [a for a in absent if f"'{a}'" not in hint]
                if hint:
                    hint += other_unit(name, hint.split("'")[1])
                told = f"no such column '{name}'" if name else "expected a column name, got nothing"
                findings.add(origin, "unknown-key", told, name, hint=hint)
        for name in absent:
            findings.add(origin, "missing-key", f"expected the column '{name}', got none")

    def read(
        self,
        row: Sequence[Any],
        origin: Origin,
        findings: Findings,
        more: Mapping[str, Any] = MappingProxyType({}),
    ) -> Item[Any]:
        """Read one row; ``more`` holds keys that do not stand in its cells."""
        raw = {**self.values(row), **more}
        # A column that is missing as a whole was told once, at the header.
        told = frozenset(n for n in key_names(self.model) if n not in self.names and n not in raw)
        return read_row(self.model, raw, told, origin, findings)

    def values(self, row: Sequence[Any]) -> dict[str, Any]:
        """Values of known columns as the YAML file would hold them; empty ones are left out.

        Cells are text or, in DataFrames, plain values.
        """
        raw: dict[str, Any] = {}
        axes: dict[str, Any] = {}
        for name, cell in zip(self.names, row, strict=False):
            value = cell.strip() if isinstance(cell, str) else cell
            if value is None or value == "" or name not in self.kinds:
                continue
            if name in AXES:
                axes[name] = plain_value(value) if isinstance(value, str) else value
            elif name not in raw:
                raw[name] = _cell(value, self.kinds[name])
        if axes:
            raw["position_m"] = [axes.get(axis, 0 if axis == "z_m" else None) for axis in AXES]
        return raw


def read_row(
    model: type[KeyTable],
    raw: dict[str, Any],
    told: frozenset[str],
    origin: Origin,
    findings: Findings,
) -> Item[Any]:
    """Read one row; that a key of ``told`` is missing was said already."""
    mine = Findings()
    item = read_table(model, raw, origin, mine)
    for finding in mine.found:
        if finding.code != "missing-key" or not any(f"'{n}'" in finding.message for n in told):
            findings.take(finding)
    return item
