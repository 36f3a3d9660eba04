"""Reads a problem from plain data and DataFrames, as strictly as from files.

A row of a frame goes the way of a row of a CSV file, a finding names frame, row and column, and
what was read is written as the problem file that reads back the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from partitioner.reading.csv_table import Header
from partitioner.reading.kinds import ValueKind
from partitioner.reading.limits import MOST_COLUMNS, MOST_ROWS
from partitioner.reading.origin import Findings
from partitioner.reading.parts import LISTS, Parts, table_of
from partitioner.reading.problem import (
    FileKind,
    Reader,
    Source,
    SourceFiles,
    judged_source,
    problem_data,
    read_document,
)
from partitioner.reading.schema import FORMAT, KeyTable, PortTable, SwitchId, key
from partitioner.reading.sheet import Row, RowOrigin, Sheet
from partitioner.reading.tables import Item, key_names
from partitioner.reading.yaml_text import dump

if TYPE_CHECKING:
    import pandas as pd

SETTINGS = "settings"
"""What findings call the plain data."""
PORTS = "ports"
FRAMES = (*LISTS, PORTS)
"""Names of the frames that a problem may be made of: its lists, and the ports of its switches."""
PROBLEM_FILE = "problem.yaml"


class SwitchPortTable(PortTable):
    """Ports that are alike, with the switch they belong to."""

    switch: SwitchId = key("Switch that has them.")


def _origin(
    frame: str, header: Sequence[str] = (), label: str = "", number: int = 0, index: str = ""
) -> RowOrigin:
    """Where a row of a frame stands; number 0 is its heading."""
    columns = {name: header.index(name) for name in header}
    sheet = Sheet(f"frame {frame}", "", (), is_frame=True)
    return RowOrigin(sheet, Row(number, ()), columns, label or frame, {}, index)


def source_from_frames(
    settings: Mapping[str, Any], frames: Mapping[str, pd.DataFrame]
) -> Source:
    """Read a problem from the keys of a problem file and frames for its lists.

    ``settings`` hold plain values; ``format`` may be left out. Rows of the frame of a list, by its
    key, come after those that ``settings`` hold. Columns are named as in CSV files. ``ports`` has
    those of the switches: the columns of a port group, and ``switch``.

    Raises
    ------
    ValueError
        If there is no such list.
    """
    for name in frames:
        if name not in FRAMES:
            raise ValueError(f"a problem has no list '{name}'; it has {', '.join(FRAMES)}")
    text = dump({"format": FORMAT, **plain(settings)})
    files = SourceFiles()

    def read(findings: Findings) -> Parts | None:
        root = read_document(text, SETTINGS, FileKind.PROBLEM, findings)
        if root is None:
            return None
        listed = {n: _items(n, frames, findings) for n in frames if n != PORTS}
        parts = Reader(root, Path(), files, findings, listed).parts()
        if not findings.errors():
            files.contents.append((PROBLEM_FILE, dump(problem_data(parts)).encode()))
        return parts

    return judged_source(read, files, SETTINGS)


def _items(name: str, frames: Mapping[str, pd.DataFrame], findings: Findings) -> list[Item[Any]]:
    """Items of one list from its frame."""
    has_ports = name == "switches" and PORTS in frames
    ports = _ports(frames[PORTS], findings) if has_ports else None
    more = (PORTS,) if ports is not None else ()
    header = _heading(name, frames[name], table_of(name), findings, *more)
    items: list[Item[Any]] = []
    for number, label, row in _rows(name, frames[name], findings):
        id_ = header.values(row).get("id")
        shown = id_ if isinstance(id_, str) and id_ else f"row {label}"
        origin = _origin(name, header.names, f"{name}[{shown}]", number, label)
        own = [] if ports is None else ports.pop(str(id_), [])
        if ports is not None:
            origin = replace(origin, inner={PORTS: [o for o, _ in own]})
        items.append(header.read(row, origin, findings, {k: [v for _, v in own] for k in more}))
    known = [item.id for item in items if item.id is not None]
    for switch, rows in (ports or {}).items():
        message = f"no such switch '{switch}' in the frame switches"
        findings.unknown(rows[0][0], message, switch, known, "switch")
    return items


def _ports(
    frame: pd.DataFrame, findings: Findings
) -> dict[str, list[tuple[RowOrigin, dict[str, Any]]]]:
    """Rows of the frame of ports, as the file would hold them, by switch."""
    header = _heading(PORTS, frame, SwitchPortTable, findings)
    found: dict[str, list[tuple[RowOrigin, dict[str, Any]]]] = {}
    for number, label, row in _rows(PORTS, frame, findings):
        values = header.values(row)
        origin = _origin(PORTS, header.names, f"{PORTS}[row {label}]", number, label)
        switch = values.pop("switch", None)
        if switch is None:
            if "switch" in header.names:
                told = "expected a switch, got none"
                findings.add(origin, "missing-key", told, "switch")
            continue
        found.setdefault(str(switch), []).append((origin, values))
    return found


def _heading(
    name: str, frame: pd.DataFrame, model: type[KeyTable], findings: Findings, *further: str
) -> Header:
    """Columns of a frame, checked; ``further`` ones stand elsewhere."""
    names = tuple(str(column) for column in frame.columns)
    # Lists of tables inside a row have no kind of their own; they stand in one cell.
    inner = dict.fromkeys(key_names(model), ValueKind())
    inner.pop("position_m", None)
    if len(names) > MOST_COLUMNS:
        told = f"expected at most {MOST_COLUMNS} columns, got {len(names)}"
        findings.add(_origin(name), "unreadable-file", told)
    header = Header(model, (*names[:MOST_COLUMNS], *further), inner)
    header.check(_origin(name, header.names), findings)
    return header


def _rows(
    name: str, frame: pd.DataFrame, findings: Findings
) -> Iterator[tuple[int, str, Sequence[Any]]]:
    """Give number, from 1, label and plain cells of each row that has any."""
    if len(frame) > MOST_ROWS:
        told = f"expected at most {MOST_ROWS} rows, got {len(frame)}"
        findings.add(_origin(name), "unreadable-file", told)
        return
    rows = zip(frame.index, frame.itertuples(index=False, name=None), strict=True)
    for number, (label, cells) in enumerate(rows, start=1):
        row = [plain(cell) for cell in cells]
        if any(cell is not None and cell != "" for cell in row):
            yield number, str(label), row


def plain(value: Any) -> Any:
    """Give a value of Python, NumPy or pandas as a file would hold it; None where it is missing.

    A float has the digits it is shown with, and is whole where it has none behind the point: a
    column of whole numbers with gaps is one of floats.

    Examples
    --------
    >>> plain({"length_m": 2.5, "nodes": 8.0, "price": float("nan"), "grades": ("a",)})
    {'length_m': Decimal('2.5'), 'nodes': 8, 'price': None, 'grades': ['a']}
    """
    if value is None or isinstance(value, (str, bool, int, Decimal)):
        return value
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        ordered = sorted(value, key=str) if isinstance(value, (set, frozenset)) else value
        return [plain(v) for v in ordered]
    if hasattr(value, "tolist"):  # Of NumPy: a number or an array.
        return plain(value.tolist())
    if isinstance(value, float):
        return _number(value)
    # What pandas puts where something is missing is not equal to itself, or says so.
    is_missing = value != value
    return None if is_missing is True or str(value) in ("<NA>", "NaT") else str(value)


def _number(value: float) -> int | Decimal | str | None:
    if math.isnan(value):
        return None
    if math.isinf(value):
        return str(value)
    return int(value) if value.is_integer() else Decimal(format(Decimal(repr(value)), "f"))
