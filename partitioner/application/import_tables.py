"""``import``: tables as people keep them to a problem file, and a first look at it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from partitioner.application.bus_lines import bus_variants
from partitioner.application.search import silent
from partitioner.errors import Finding, WrongFile
from partitioner.model.problem import Problem
from partitioner.pages.first_look import first_look_page
from partitioner.reading.bus_files import is_bus_file, read_bus_file
from partitioner.reading.collapse import collapsed
from partitioner.reading.csv_table import read_row
from partitioner.reading.draft import ASSUMED_GAP_US, ASSUMED_PAYLOAD, Draft, complete, draft_text
from partitioner.reading.files import Unreadable, as_text, read_bytes
from partitioner.reading.headings import (
    Columns,
    Holds,
    find_columns,
    guess_holds,
    headings_for,
    nearest_list,
)
from partitioner.reading.listed import ListedRow, NameBook, mapping_text, read_rows
from partitioner.reading.messages import streams_of
from partitioner.reading.origin import Enough, Findings, Origin
from partitioner.reading.problem import problem_of_text
from partitioner.reading.problem_tables import ORDER, ROW_TABLES
from partitioner.reading.schema import MessageTable, Packing
from partitioner.reading.sheet import Row, RowOrigin, Sheet
from partitioner.reading.tables import key_names
from partitioner.reading.workbook import read_sheets
from partitioner.report.sections import Page
from partitioner.report.text import wrapped
from partitioner.wording import count


@dataclass(frozen=True, slots=True)
class TableInput:
    """A file to import; ``holds`` and ``sheet`` are guessed where they are None."""

    path: Path
    holds: str | None = None
    sheet: str | None = None


@dataclass(frozen=True, slots=True)
class Imported:
    """A problem file made of tables.

    ``problem`` is None where the file needs mending before it can be planned: ``findings`` say
    where, by lines of ``text``. ``draft`` tells what was read and assumed, and what is missing;
    ``page`` is the first look.
    """

    text: str
    problem: Problem | None
    findings: tuple[Finding, ...]
    draft: Draft
    page: Page

    def summary(self) -> str:
        """What was read, assumed and is missing, for a terminal."""
        blocks = []
        for title, told in self.draft.told():
            blocks += [f"{title}:", *(wrapped(f"  - {t}", "    ") for t in told)]
        return "\n".join(blocks)


@dataclass(slots=True)
class _Known:
    """What came from the tables so far."""

    draft: Draft
    book: NameBook
    seen: dict[tuple[str, str], Origin] = field(default_factory=dict)
    messages: list[MessageTable] = field(default_factory=list)

    def take_message(
        self, raw: dict[str, Any], told: frozenset[str], origin: Origin, findings: Findings
    ) -> None:
        """Read one bus message; that a key of ``told`` is missing was said already."""
        item = read_row(MessageTable, raw, told, origin, findings)
        if item.whole:
            self.messages.append(item.table)


def import_tables(
    inputs: Sequence[TableInput],
    name: str,
    target: Path,
    *,
    packing: str = "none",
    on_step: Callable[[str], None] = silent,
) -> Imported:
    """Make a problem file of tables: ``.csv``, ``.xlsx``, or bus description files.

    It is not written; findings about it name the path ``target``. ``packing`` says how bus messages
    go into frames: ``none``, ``acf`` or ``data``. ``on_step`` is told which step is under way.

    Raises
    ------
    WrongFile
        If a table cannot be read: one finding for each thing that is wrong in it.
    """
    findings = Findings()
    draft = Draft(name)
    known = _Known(draft, NameBook())
    try:
        on_step("reading the tables")
        _read_all(inputs, known, findings)
    except Enough:
        pass
    if findings.errors():
        raise WrongFile(collapsed(findings.errors(), [str(i.path) for i in inputs]))
    if known.messages:
        made = streams_of(known.messages, Packing(packing))
        draft.streams += [dict(m.raw) for m in made]
        draft.read.append(
            f"{len(known.messages)} bus messages became {len(made)} streams (packing: {packing})"
        )
    if not (draft.devices or draft.streams):
        at = str(inputs[0].path) if inputs else str(target)
        told = "expected a list of devices, streams or bus messages, found none"
        raise WrongFile([Finding(at, 0, 0, "missing-key", "", told)])
    complete(draft)
    text = draft_text(draft, [i.path.name for i in inputs])
    on_step("reading the problem file that they make")
    problem, found = problem_of_text(text, target)
    variants = []
    if known.messages and problem is not None:
        on_step("weighing the ways to pack bus messages")
        variants = bus_variants(known.messages, problem)
    page = first_look_page(draft, problem, found, variants, known.messages)
    return Imported(text, problem, tuple(found), draft, page)


def _read_all(inputs: Sequence[TableInput], known: _Known, findings: Findings) -> None:
    """Read all tables, those with names before those that refer to them."""
    found: list[tuple[Sheet, Columns]] = []
    buses: list[tuple[TableInput, list[dict[str, Any]]]] = []
    for each in inputs:
        path = str(each.path)
        try:
            content = read_bytes(each.path)
            if is_bus_file(path):
                rows, told = read_bus_file(as_text(content), path)
                known.draft.read += [f"{each.path.name}: {t}" for t in told]
                buses.append((each, rows))
                continue
            sheets = read_sheets(content, path)
        except Unreadable as error:
            findings.take(error.finding(path))
            continue
        found += _lists_in(each, sheets, known, findings)
    if not buses and all(c.holds in (Holds.PLACES, Holds.PATHWAYS) for _, c in found):
        # A list of named points and nothing else: what else would they be than the devices?
        found = [
            (s, _as_devices(s, c) if c.holds is Holds.PLACES else c)
            for s, c in found
        ]
    for holds in ORDER:
        for sheet, columns in found:
            if columns.holds is holds:
                _take(sheet, columns, known, findings)
    for each, rows in buses:
        _take_bus(each, rows, known, findings)


def _lists_in(
    each: TableInput, sheets: Sequence[Sheet], known: _Known, findings: Findings
) -> list[tuple[Sheet, Columns]]:
    """The sheets of a file that are meant and list something, with what their columns hold."""
    chosen = [s for s in sheets if each.sheet in (None, s.name)]
    if not chosen:
        names = ", ".join(f"'{s.name}'" for s in sheets) or "nothing"
        told = f"expected a sheet '{each.sheet}', got {names}"
        if each.sheet is None:
            told = "expected a table, got an empty file"
        findings.take(Finding(str(each.path), 0, 0, "unreadable-file", "", told))
        return []
    holds = None if each.holds is None else Holds(each.holds)
    found = []
    for sheet in chosen:
        columns = guess_holds(sheet) if holds is None else find_columns(sheet, holds)
        if columns is not None:
            found.append((sheet, columns))
        elif len(chosen) > 1:
            known.draft.read.append(
                f"{_short(sheet)}: not read, since no row in it looks like the headings of a list"
            )
    if not found:
        findings.take(_no_headings(each, chosen[0]))
    return found


def _as_devices(sheet: Sheet, places: Columns) -> Columns:
    made = find_columns(sheet, Holds.DEVICES)
    return places if made is None or _needed(Holds.DEVICES, made) else made


def _short(sheet: Sheet) -> str:
    return replace(sheet, file=Path(sheet.file).name).title


def _no_headings(each: TableInput, sheet: Sheet) -> Finding:
    near = nearest_list(sheet) if each.holds is None else None
    if near is not None:
        return _lacks(sheet, *near, f"the sheet comes nearest to a list of {near[0].holds}; ")
    row = sheet.rows[0]
    seen = [str(c) for c in row.cells if isinstance(c, str) and c][:8]
    what = each.holds or "devices, streams, places, pathways or messages"
    return Finding(
        str(each.path), row.number, 1, "missing-key", "",
        f"expected a row with headings of a list of {what}, found none",
        "give the columns headings such as Name, X [m], Y [m], or From, To, Bytes, Period (ms)"
        + (f"; the first row has: {', '.join(seen)}" if seen else ""),
        cell=sheet.cell(row.number, 0) if sheet.name else "",
    )  # fmt: skip


def _take(sheet: Sheet, columns: Columns, known: _Known, findings: Findings) -> None:
    """Read the rows of one sheet into the draft."""
    draft, holds = known.draft, columns.holds
    needed = _needed(holds, columns)
    if needed:
        findings.take(_lacks(sheet, columns, needed))
        return
    listed = read_rows(sheet, columns, findings, known=known.book)
    draft.read.append(
        f"{_short(sheet)}: {len(listed.rows)} {holds.value} below row {columns.heading_row}; "
        + mapping_text(columns)
        + f"; columns not used: {', '.join(columns.unused)}" * bool(columns.unused)
    )
    draft.read += [f"{_short(sheet)}: {told}" for told in listed.told]
    if holds is Holds.MESSAGES:
        _take_messages(listed.rows, known, findings)
        return
    target: list[dict[str, Any]] = getattr(draft, holds.value)
    order = key_names(ROW_TABLES[holds])
    for row in listed.rows:
        raw = dict(row.raw)
        if (holds is not Holds.PATHWAYS and holds is not Holds.STREAMS) or raw.get("id"):
            _own_name(raw, holds, row.origin, known, findings)
        _complete_ends(raw, holds, row.origin, findings)
        target.append({k: raw[k] for k in order if k in raw})


def _lacks(sheet: Sheet, columns: Columns, needed: Sequence[str], why: str = "") -> Finding:
    holds = columns.holds
    found = Findings()
    origin = RowOrigin(sheet, Row(columns.heading_row, columns.header), {}, holds.value, {})
    words = "; ".join(f"headings for {key}: {headings_for(holds, key)}" for key in needed)
    unread = ", ".join(columns.unused) or "none"
    found.add(
        origin, "missing-key", f"expected a column for {' and '.join(needed)}, got none",
        hint=f"{why}{words}; not understood here: {unread}; understood: {mapping_text(columns)}",
    )  # fmt: skip
    return found.found[0]


def _needed(holds: Holds, columns: Columns) -> list[str]:
    given = columns.columns
    needed = {
        Holds.DEVICES: ["id"], Holds.PLACES: ["id", "x_m", "y_m"], Holds.MESSAGES: ["id", "from"],
    }.get(holds, ["from", "to"])  # fmt: skip
    absent = [k for k in needed if k not in given]
    if holds is Holds.DEVICES and "place" not in given:
        absent += [k for k in ("x_m", "y_m") if k not in given]
    return absent


def _own_name(
    raw: dict[str, Any], holds: Holds, origin: Origin, known: _Known, findings: Findings
) -> None:
    """A row has a name that no row of its kind has; others may refer to it."""
    name = raw.get("id")
    if not name:
        findings.add(origin, "missing-key", "expected a name, got none", "id")
        return
    first = known.seen.get((holds.value, name.casefold()))
    if first is not None:
        at = first.at(("id",))
        where = at.cell or f"line {at.line}"
        findings.add(
            origin, "duplicate-name", f"'{name}' given twice; first in {where}", "id",
            hint="names that differ only in spaces, signs or capitals are one; rename one of them",
        )  # fmt: skip
        return
    known.seen[holds.value, name.casefold()] = origin
    if holds.value in ("devices", "places"):
        known.book.add(name)


def _complete_ends(
    raw: dict[str, Any], holds: Holds, origin: Origin, findings: Findings
) -> None:
    """A row has what nothing can be assumed for: coordinates, or both its ends."""
    if holds in (Holds.STREAMS, Holds.PATHWAYS):
        for end in ("from", "to"):
            if not raw.get(end):
                findings.add(origin, "missing-key", f"expected a name in the column {end}, got "
                             "none", end)  # fmt: skip
        return
    point = raw.get("position_m")
    if point is None or None in point:
        if holds is Holds.DEVICES and raw.get("place"):
            raw.pop("position_m", None)
            return
        failed = getattr(origin, "columns", {})
        if holds is Holds.DEVICES and "place" in failed and "x_m" not in failed:
            findings.add(origin, "missing-key", "expected the name of a place, got none", "place")
            return
        steps = ("position_m", 0 if point is None or point[0] is None else 1)
        if "x_m" in failed and not _told(findings, origin):
            findings.add(origin, "missing-key", "expected coordinates, got none", *steps)


def _told(findings: Findings, origin: Origin) -> bool:
    """Whether the cells of a column of coordinates were refused already."""
    file = origin.at().file
    return any(f.file == file and " is read as " in f.message for f in findings.found)


def _take_messages(rows: Sequence[ListedRow], known: _Known, findings: Findings) -> None:
    assumed = 0
    for row in rows:
        raw = dict(row.raw)
        if not raw.get("id") and raw.get("identifier"):
            raw["id"] = raw["identifier"]
        if "period_us" not in raw and "period_us" not in row.failed:
            raw["period_us"], raw["kind"] = ASSUMED_GAP_US, "sporadic"
            assumed += 1
        raw.setdefault("payload_bytes", ASSUMED_PAYLOAD)
        known.take_message(raw, row.failed, row.origin, findings)
    if assumed:
        known.draft.assumed.append(
            f"least gap of {count(assumed, 'message')} without a period, sent on change: "
            f"{ASSUMED_GAP_US // 1000} ms"
        )


def _take_bus(
    each: TableInput, rows: Sequence[dict[str, Any]], known: _Known, findings: Findings
) -> None:

    gaps = 0
    sheet = Sheet(str(each.path), "", ())
    for number, raw in enumerate(rows, 1):
        row = dict(raw)
        if "period_us" not in row:
            row["period_us"] = ASSUMED_GAP_US
            gaps += 1
        row["from"] = known.book.find(row["from"]) or row["from"]
        row["to"] = [known.book.find(n) or n for n in row["to"]]
        label = f"message {number} '{row['id']}'"
        origin = RowOrigin(sheet, Row(0, ()), {}, label, {})
        known.take_message(row, frozenset(), origin, findings)
    known.draft.read.append(f"{each.path.name}: {len(rows)} bus messages")
    if gaps:
        known.draft.assumed.append(
            f"least gap of {count(gaps, 'message')} without a cycle time: "
            f"{ASSUMED_GAP_US // 1000} ms"
        )
