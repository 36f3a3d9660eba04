"""Reads the tables that a problem names: spreadsheets with devices, streams, places, messages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from partitioner.reading.csv_table import read_row
from partitioner.reading.headings import Columns, Holds, find_columns, keys_of
from partitioner.reading.kinds import did_you_mean
from partitioner.reading.listed import Listed, ListedRow, NameBook, mapping_text, read_rows
from partitioner.reading.messages import streams_of
from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts, table_of
from partitioner.reading.schema import KeyTable, MessageTable, SourceTable, StreamTable
from partitioner.reading.sheet import AXES, Sheet
from partitioner.reading.tables import Item, key_infos, key_names

ROW_TABLES: dict[Holds, type[KeyTable]] = {
    h: MessageTable if h is Holds.MESSAGES else table_of(h.value) for h in Holds
}
ORDER = (Holds.PLACES, Holds.DEVICES, Holds.PATHWAYS, Holds.STREAMS, Holds.MESSAGES)
"""Names are read before what refers to them."""


def items_of(
    listed: Listed, rows: Sequence[ListedRow], findings: Findings
) -> list[Item[Any]]:
    """Make items of rows; a key whose column or cell was told already is not told again."""
    model = ROW_TABLES[listed.columns.holds]
    found = []
    for row in rows:
        told = set(row.failed)
        if not told.isdisjoint(AXES):
            told.add("position_m")
        read = read_row(model, row.raw, frozenset(told), row.origin, findings)
        found.append(replace(read, guessed=read.guessed | told))
    return found


def tables_into(
    parts: Parts, item: Item[SourceTable], sheets: Sequence[Sheet], findings: Findings
) -> bool:
    """Read one table into the parts of a problem; tell whether all its rows could be told apart."""
    source = item.table
    found = _columns(item, sheets, findings)
    if found is None:
        return False
    sheet, columns = found
    absent = _lacking(columns, source)
    if absent:
        findings.add(
            item.origin, "missing-key",
            f"expected a column for {', '.join(absent)} in {sheet.title}, got none",
            *(["columns"] if source.columns else []),
            hint=_headings(columns),
        )  # fmt: skip
        return False
    if not source.columns:
        findings.add(
            item.origin, "guessed",
            f"row {columns.heading_row} of {sheet.title} is read as {mapping_text(columns)}"
            + f"; not used: {', '.join(columns.unused)}" * bool(columns.unused),
            hint="state it under columns to settle it", is_warning=True,
        )  # fmt: skip
    book = NameBook(parts.names(("places", "devices", "switches")))
    listed = read_rows(sheet, columns, findings, decimal=source.decimal, known=book)
    for told in listed.told:
        findings.add(item.origin, "guessed", f"{sheet.title}: {told}", is_warning=True)
    fill = dict(source.fill)
    rows = [replace(r, raw={**fill, **r.raw}) for r in listed.rows]
    items = items_of(listed, rows, findings)
    if source.holds is Holds.MESSAGES:
        _streams(parts, items, source, findings)
    else:
        parts.items(source.holds.value).extend(items)
    parts.forget_names()
    return all(i.id is not None for i in items) or source.holds is Holds.PATHWAYS


def _streams(
    parts: Parts, items: list[Item[Any]], source: SourceTable, findings: Findings
) -> None:
    if not all(i.whole for i in items):
        return
    rows = {id(i.table): i for i in items}
    for made in streams_of([i.table for i in items], source.packing):
        at = rows[id(made.messages[0])].origin.named(f"streams[{made.raw['id']}]")
        parts.streams.append(read_row(StreamTable, made.raw, frozenset(), at, findings))


def _columns(
    item: Item[SourceTable], sheets: Sequence[Sheet], findings: Findings
) -> tuple[Sheet, Columns] | None:
    """The sheet that is meant and its columns; what is wrong is told once."""
    source = item.table
    stated = dict(source.columns)
    known = keys_of(source.holds)
    for key in stated:
        if key not in known:
            findings.unknown(item.origin, f"no such key '{key}' for {source.holds.value}", key,
                             known, "columns", key, on_key=True)  # fmt: skip
    stated = {k: h for k, h in stated.items() if k in known}
    names = [s.name for s in sheets]
    if source.sheet is not None and source.sheet not in names:
        findings.unknown(item.origin, f"no such sheet '{source.sheet}'", source.sheet, names,
                         "sheet")  # fmt: skip
        return None
    chosen = [s for s in sheets if source.sheet in (None, s.name)]
    found = [
        (s, c)
        for s in chosen
        if (c := find_columns(s, source.holds, stated or None, source.heading_row)) is not None
    ]
    if not found:
        where = chosen[0].title if len(chosen) == 1 else source.file
        told = f"expected headings of a list of {source.holds.value} in {where}, found none"
        steps = ("columns",) if stated else ("file",)
        first = next((r for s in chosen for r in s.rows), None)
        seen = [str(c) for c in first.cells if isinstance(c, str) and c] if first else []
        findings.add(item.origin, "missing-key", told, *steps,
                     hint=f"its first row: {', '.join(seen[:8])}" if seen else "")  # fmt: skip
        return None
    sheet, columns = max(found, key=lambda f: f[1].score)
    for key, heading in stated.items():
        if key not in columns.columns:
            used = set(columns.columns.values())
            free = [h for n, h in enumerate(columns.header) if h and n not in used]
            told = f"no column '{heading}' in {sheet.title}, row {columns.heading_row}"
            findings.add(
                item.origin, "unknown-name", told, "columns", key,
                hint=did_you_mean(heading, free, list_known=False) or _headings(columns),
            )  # fmt: skip
    if set(stated) - set(columns.columns):
        return None
    return sheet, columns


def _headings(columns: Columns) -> str:
    return f"headings in row {columns.heading_row}: " + ", ".join(h for h in columns.header if h)


def _lacking(columns: Columns, source: SourceTable) -> list[str]:
    """Keys that every row needs and that no column and no filling gives."""
    model = ROW_TABLES[source.holds]
    given = {*columns.columns, *dict(source.fill)}
    if "rate_kbps" in given:
        given.add("period_us")
    if {"x_m", "y_m"} <= given:
        given.add("position_m")
    required = {key for key, info in key_infos(model).items() if info.is_required()}
    if source.holds is Holds.DEVICES and not {"place", "position_m"} & given:
        required |= {"x_m", "y_m"} if {"x_m", "y_m"} & given else {"place"}
    return [k for k in key_names(model) if k in required - given] + [
        a for a in ("x_m", "y_m") if a in required - given
    ]
