"""Reads the rows of a sheet whose columns are known into the keys of the problem file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import Any

from partitioner.reading.cell_numbers import Mark, is_nothing, mark_of, split_number, to_decimal
from partitioner.reading.headings import (
    Columns,
    Holds,
    Unit,
    heading_unit,
    strange_unit,
    unit_named,
    unit_of_key,
)
from partitioner.reading.kinds import LONGEST_ID, plain_number
from partitioner.reading.origin import Findings
from partitioner.reading.sheet import AXES, Row, RowOrigin, Sheet, Unusable, Value
from partitioner.visible import some_of
from partitioner.wording import agree

_TOTAL = re.compile(r"\W*(grand |sub)?-?\s*(total|sum|summe|average|mean|count)\b", re.IGNORECASE)
_GAP = re.compile(r"([0-9][0-9.,]*)\s*([a-zµ]*)")
_WHOLE = frozenset({"payload_bytes", "pcp", "max_cables", "safety_level"})
_NAMES = frozenset({"id", "place", "from", "option", "security_domain", "zone", "switch",
                    "function", "bus"})  # fmt: skip
_EVENT = re.compile(r"(on[ -]?(change|event|demand|request)|event|spor|trigger|spont|a?cyclic on)")
_PERIODIC = re.compile(r"(periodic|cyclic|cycle|fixed|time)")
_STEPS = {"m": Decimal("0.000001"), "us": Decimal("0.001"), "g": Decimal("0.001"),
          "bytes": Decimal(1)}  # fmt: skip
_FARTHEST_M = 300
"""Coordinates beyond it, in a column that names no unit, are taken for millimetres."""
_NAMED_ROWS = 6


def name_of(text: str) -> str:
    """A text as a name: what a name must not hold becomes a dash.

    Examples
    --------
    >>> name_of("Head lamp, left (LED)")
    'Head-lamp-left-LED'
    """
    made = re.sub(r"[^\w.+]+", "-", text.strip()).strip("-.+")
    return made[:LONGEST_ID].strip("-.+")


class NameBook:
    """Names that are known, found again whatever their capitals and spaces."""

    def __init__(self, known: Iterable[str] = ()):
        self._by_fold: dict[str, str] = {}
        for name in known:
            self.add(name)

    def add(self, name: str) -> None:
        """Take one more name."""
        self._by_fold.setdefault(name_of(name).casefold(), name)

    def find(self, text: str) -> str | None:
        """The known name that a text means."""
        return self._by_fold.get(name_of(text).casefold())

    def several(self, text: str) -> list[str]:
        """The names that a cell lists, known or not."""
        whole = self.find(text)
        if whole is not None:
            return [whole]
        parts = re.split(r"[,;\n|&/]+|\s\+\s", text)
        if len(parts) == 1 and self._by_fold:
            words = text.split()
            if len(words) > 1 and any(self.find(w) for w in words):
                parts = words
        made = [self.find(p) or name_of(p) for p in parts if name_of(p)]
        return list(dict.fromkeys(made))


@dataclass(frozen=True, slots=True)
class ListedRow:
    """One row: its values by key, and the keys of cells that could not be read."""

    raw: dict[str, Any]
    origin: RowOrigin
    failed: frozenset[str]


@dataclass(slots=True)
class Listed:
    """What a sheet lists. ``told`` says in sentences what was guessed and what was left out."""

    columns: Columns
    rows: list[ListedRow] = field(default_factory=list)
    told: list[str] = field(default_factory=list)


def read_rows(
    sheet: Sheet,
    columns: Columns,
    findings: Findings,
    *,
    decimal: Mark | None = None,
    known: NameBook | None = None,
) -> Listed:
    """Read the rows of a sheet whose columns are known.

    There is one finding for each column in which something is wrong, however many cells are.
    ``decimal`` is what stands before the fraction, where the user states it; else each column is
    looked at, then the sheet as a whole. ``known`` are names that cells may refer to.
    """
    return _Reader(sheet, columns, findings, decimal, known or NameBook()).read()


class _Reader:
    def __init__(
        self,
        sheet: Sheet,
        columns: Columns,
        findings: Findings,
        decimal: Mark | None,
        known: NameBook,
    ):
        self._sheet, self._columns = sheet, columns
        self._findings, self._known = findings, known
        self._told: list[str] = []
        self._unitless: dict[str, list[str]] = {}
        self._rows = self._rows_of_the_list()
        self._failed: dict[int, set[str]] = {}
        self._decimal = decimal or self._mark_of_sheet()
        self._separate = decimal

    def read(self) -> Listed:
        section = self._columns.holds.value
        raws: dict[int, dict[str, Any]] = {row.number: {} for row in self._rows}
        for key, where in self._columns.twice.items():
            cells = ", ".join(self._sheet.cell(self._columns.heading_row, c) for c in where)
            self._tell(key, "duplicate-key", f"the heading '{self._columns.headings[key]}' stands "
                       f"{len(where)} times ({cells})", hint="rename all but the one that is "
                       "meant, or state the columns under columns", on=[])  # fmt: skip
        for key in self._columns.columns:
            values = self._formulas_told(key)
            if unit_of_key(key) or key in _WHOLE:
                self._numbers(key, values, raws)
            else:
                for row, value in values:
                    if not is_nothing(value):
                        raws[row.number][key] = self._text(key, value)
        rows = []
        for row in self._rows:
            raw = raws[row.number]
            rate = raw.pop("rate_kbps", None)
            if rate and "period_us" not in raw and raw.get("payload_bytes"):
                # Rounded down: a shorter period is the harder case.
                period = Decimal(raw["payload_bytes"]) * 8_000 / rate
                raw["period_us"] = period.quantize(_STEPS["us"], ROUND_FLOOR)
            axes = {a: raw.pop(a) for a in AXES if a in raw}
            failed = self._failed.get(row.number, set())
            if axes and not failed & set(AXES):
                raw["position_m"] = [axes.get(a, 0 if a == "z_m" else None) for a in AXES]
            label = f"{section}[{raw.get('id') or f'row {row.number}'}]"
            rows.append(ListedRow(raw, self._origin(row, label), frozenset(failed)))
        if self._columns.holds in (Holds.DEVICES, Holds.PLACES) and {"x_m", "y_m"} <= set(
            self._columns.columns
        ) and "z_m" not in self._columns.columns:  # fmt: skip
            self._told.append("no column for z: every height is taken as 0 m")
        self._told += [
            f"{', '.join(headings)} {agree(len(headings), 'names', 'name')} no unit: numbers "
            f"taken as {unit}"
            for unit, headings in self._unitless.items()
        ]
        return Listed(self._columns, rows, self._told)

    def _origin(self, row: Row, label: str) -> RowOrigin:
        at = self._columns
        return RowOrigin(self._sheet, row, at.columns, label, at.headings)

    def _cell(self, row: Row, key: str) -> Value:
        at = self._columns.columns[key]
        return row.cells[at] if at < len(row.cells) else None

    def _rows_of_the_list(self) -> list[Row]:
        """Rows below the headings without totals, headings between, and repeats of the heading."""
        columns = self._columns
        found, totals, between = [], [], []
        headings = {h for h in columns.header if h}
        for row in self._sheet.rows[columns.first :]:
            texts = [c for c in row.cells if c is not None and c != ""]
            distinct = list(dict.fromkeys(map(str, texts)))
            used = [self._cell(row, key) for key in columns.columns]
            if len(distinct) > 1 and headings.issuperset(distinct):
                continue  # The headings again, as on a new page.
            if any(isinstance(t, str) and _TOTAL.match(t) for t in texts[:2]) and self._lacks(row):
                totals.append(row)
            elif all(c is None or c == "" for c in used) or (
                len(distinct) == 1 and len(columns.columns) > 1
            ):
                between.append((row, " ".join(distinct)))
            else:
                found.append(row)
        if totals:
            numbers = some_of([str(row.number) for row in totals], _NAMED_ROWS)
            rows = "rows" if len(totals) > 1 else "row"
            self._told.append(f"{rows} {numbers} taken for totals and left out")
        if between:
            shown = some_of([f"{row.number} '{text[:40]}'" for row, text in between], _NAMED_ROWS)
            self._told.append(f"taken for headings and notes between the rows: row {shown}")
        return found

    def _lacks(self, row: Row) -> bool:
        """Whether a row lacks what every row of such a list has: where it is, or both its ends."""
        needed = [k for k in ("x_m", "y_m", "place", "from", "to") if k in self._columns.columns]
        cells = {k: self._cell(row, k) for k in needed}
        return any(
            is_nothing(cell) or (key in _NAMES and _is_number(cell) and self._holds_words(key))
            for key, cell in cells.items()
        )

    def _holds_words(self, key: str) -> bool:
        """Whether most cells of a column are words; a sum may stand below them all the same."""
        rows = self._sheet.rows[self._columns.first :]
        cells = [c for c in (self._cell(row, key) for row in rows) if not is_nothing(c)]
        return 2 * sum(map(_is_number, cells)) < len(cells)

    def _formulas_told(self, key: str) -> list[tuple[Row, Value]]:
        values: list[tuple[Row, Value]] = []
        unusable = []
        for row in self._rows:
            value = self._cell(row, key)
            if isinstance(value, Unusable):
                unusable.append((row, value))
            else:
                values.append((row, value))
        if unusable:
            self._tell(
                key, "wrong-kind",
                f"expected values, got {unusable[0][1].text} in {self._share(unusable)}",
                hint="open the workbook in a spreadsheet program, let it work out its formulas, "
                "and save it", on=unusable,
            )  # fmt: skip
        return values

    def _share(self, cells: Sequence[tuple[Row, Any]]) -> str:
        count = len(cells)
        return f"{count} of {len(self._rows)} rows" if count > 1 else "1 row"

    def _tell(
        self, key: str, code: str, message: str, *, hint: str, on: Sequence[tuple[Row, Any]]
    ) -> None:
        """One finding for a column, at the first of its cells that are wrong; these have failed."""
        self._fail(key, [row for row, _ in on])
        row = on[0][0] if on else Row(self._columns.heading_row, self._columns.header)
        origin = self._origin(row, self._columns.holds.value)
        cells = [self._sheet.cell(r.number, self._columns.columns[key]) for r, _ in on]
        if len(cells) > 1:
            shown = ", ".join(c.rpartition("!")[2] for c in cells[:_NAMED_ROWS])
            message += f" ({shown}{', …' * (len(cells) > _NAMED_ROWS)})"
        where = self._columns.headings[key]
        self._findings.add(origin, code, f"'{where}' is read as {key}: {message}", key, hint=hint)

    def _mark_of_sheet(self) -> Mark | None:
        """What stands before fractions in any column, if all that tell agree."""
        found = set()
        for key in self._columns.columns:
            if unit_of_key(key):
                texts = [self._cell(row, key) for row in self._rows]
                split = [split_number(t) for t in texts if isinstance(t, str)]
                try:
                    found.add(mark_of(s[0] for s in split if s))
                except ValueError:
                    continue
        found.discard(None)
        return found.pop() if len(found) == 1 else None

    def _numbers(
        self, key: str, values: Sequence[tuple[Row, Value]], raws: dict[int, dict[str, Any]]
    ) -> None:
        written: list[tuple[Row, str, str]] = []
        texts: list[tuple[Row, Any]] = []
        for row, value in values:
            if is_nothing(value):
                continue
            if isinstance(value, str):
                if key == "period_us" and _EVENT.search(value.lower()):
                    raws[row.number].setdefault("kind", "sporadic")
                    # "on change, at least 20 ms apart"
                    gap = _GAP.search(value.lower())
                    if gap is None:
                        continue
                    written.append((row, gap[1], gap[2]))
                elif (split := split_number(value)) is None:
                    texts.append((row, value))
                else:
                    written.append((row, *split))
            elif isinstance(value, bool):
                texts.append((row, value))
            else:
                written.append((row, format(value, "f") if isinstance(value, Decimal) else
                                str(value), "="))  # fmt: skip
        if texts:
            first = str(texts[0][1])
            kind = f"numbers in {unit_of_key(key)}" if unit_of_key(key) else "numbers"
            self._tell(
                key, "wrong-kind",
                f"expected {kind}, got text in {self._share(texts)}, first '{first[:40]}'",
                hint=f"mend the cells, or map {key} to another column under columns", on=texts,
            )  # fmt: skip
        mark = self._mark(key, [(row, n) for row, n, unit in written if unit != "="])
        if mark is not None:
            self._convert(key, written, mark, raws)

    def _mark(self, key: str, numbers: Sequence[tuple[Row, str]]) -> Mark | None:
        """What stands before the fraction in a column; None where that was refused."""
        try:
            own = mark_of(n for _, n in numbers)
        except ValueError as error:
            if self._separate is not None:
                return self._separate
            self._tell(
                key, "wrong-kind", f"expected one decimal mark, got {error}",
                hint="write all fractions with a point or all with a comma, or state decimal",
                on=numbers[:1],
            )  # fmt: skip
            self._fail(key, [r for r, _ in numbers])
            return None
        own = self._separate or own or self._decimal
        is_comma_land = self._sheet.separator == ";"
        unsure = [(r, n) for r, n in numbers if "," in n or (is_comma_land and "." in n)]
        if own is not None or not unsure:
            return own or Mark.POINT
        if is_comma_land and all("," in n for _, n in unsure):
            return Mark.COMMA
        if key in _WHOLE:
            return Mark.POINT
        as_comma = unsure[0][1].replace(",", ".")
        self._tell(
            key, "wrong-kind",
            f"can't tell whether '{unsure[0][1]}' is {as_comma} or {as_comma.replace('.', '')}",
            hint="write the numbers without a mark between thousands, or state decimal: comma or "
            "decimal: point for the table", on=unsure,
        )  # fmt: skip
        self._fail(key, [r for r, _ in numbers])
        return None

    def _fail(self, key: str, rows: Iterable[Row]) -> None:
        for row in rows:
            self._failed.setdefault(row.number, set()).add(key)

    def _convert(
        self,
        key: str,
        written: Sequence[tuple[Row, str, str]],
        mark: Mark,
        raws: dict[int, dict[str, Any]],
    ) -> None:
        heading = self._columns.headings[key]
        unit = heading_unit(heading, key)
        numbers: list[tuple[Row, Decimal, Unit | None]] = []
        bad: list[tuple[Row, Any]] = []
        for row, text, behind in written:
            number = Decimal(text) if behind == "=" else to_decimal(text, mark)
            own = unit_named(behind, key) if behind not in ("", "=") else None
            if number is None or (behind not in ("", "=") and own is None and unit_of_key(key)):
                bad.append((row, f"{text} {behind}".strip()))
            else:
                numbers.append((row, number, own))
        if bad:
            kind = f"a number in {unit_of_key(key)}" if unit_of_key(key) else "a number"
            self._tell(
                key, "wrong-kind",
                f"expected {kind}, got '{bad[0][1]}'"
                + f" and {len(bad) - 1} more" * (len(bad) > 1),
                hint="name the unit in the heading, as [mm] or (ms)", on=bad,
            )  # fmt: skip
        if unit is None and unit_of_key(key) and any(own is None for _, _, own in numbers):
            strange = strange_unit(heading)
            if strange and re.fullmatch(r"[A-Za-zµ°/%\"]{1,9}", strange) and len(strange) < 7:
                self._tell(
                    key, "wrong-kind", f"expected a unit of {unit_of_key(key)}, got [{strange}]",
                    hint="write one of mm, cm, m, ns, us, ms, s, bytes, g, kg", on=[],
                )  # fmt: skip
                self._fail(key, [r for r, _, _ in numbers])
                return
            unit = self._assumed_unit(key, [n for _, n, own in numbers if own is None])
        rounded = 0
        for row, number, own in numbers:
            used = own or unit
            made = number if used is None else used.converted(number)
            if made is None:
                continue
            kept = _on_step(key, made)
            rounded += kept != made
            raws[row.number][key] = int(kept) if kept == kept.to_integral_value() else kept
        if rounded:
            step = _STEPS[unit_of_key(key)]
            self._told.append(
                f"'{heading}': {rounded} of {len(numbers)} values rounded to steps of "
                f"{plain_number(step)} {unit_of_key(key)}"
            )

    def _assumed_unit(self, key: str, numbers: Sequence[Decimal]) -> Unit | None:
        heading = self._columns.headings[key]
        if heading == key:
            return None
        name = own = unit_of_key(key)
        if key in AXES and self._is_far(numbers):
            name = "mm"
        elif own == "us":
            name = "ms"
        told = "bytes" if own == "bytes" else name
        if key != "payload_bytes":
            self._unitless.setdefault(told, []).append(f"'{heading}'")
        return unit_named(name, key)

    def _is_far(self, numbers: Sequence[Decimal]) -> bool:
        """Whether any coordinate is too large for metres; the axes have one unit."""
        if any(abs(n) > _FARTHEST_M for n in numbers):
            return True
        cells = [self._cell(r, a) for a in AXES if a in self._columns.columns for r in self._rows]
        split = [split_number(c) for c in cells if isinstance(c, str)]
        texts = [to_decimal(s[0], self._decimal or Mark.POINT) for s in split if s and not s[1]]
        whole = [Decimal(c) for c in cells if isinstance(c, (int, Decimal))]
        return any(n is not None and abs(n) > _FARTHEST_M for n in (*whole, *texts))

    def _text(self, key: str, value: Value) -> Any:
        text = value if isinstance(value, str) else str(value)
        if isinstance(value, Decimal):
            text = plain_number(value)
        if key == "id":
            return name_of(text) or text
        if key == "to" and self._columns.holds is not Holds.PATHWAYS:
            return self._known.several(text)
        if key in _NAMES or key == "to":
            return self._known.find(text) or name_of(text) or text
        if key == "kind":
            folded = text.casefold()
            if _EVENT.search(folded):
                return "sporadic"
            return "periodic" if _PERIODIC.search(folded) else text
        if key == "grades":
            return [_grade(part) for part in re.split(r"[,;/\s|]+", text) if part]
        if key == "tagged":
            return {"yes": True, "y": True, "1": True, "true": True}.get(text.casefold(), False)
        return text


def _is_number(cell: Value) -> bool:
    return re.fullmatch(r"-?[0-9][0-9.,\s]*", str(cell)) is not None


def _on_step(key: str, number: Decimal) -> Decimal:
    """A number of a key in the steps that are kept, rounded to the harder case."""
    step = _STEPS.get(unit_of_key(key))
    if step is None or not number % step or abs(number) >= 10**12:
        return number
    if key in AXES:
        return number.quantize(step, ROUND_HALF_EVEN)
    return number.quantize(step, ROUND_FLOOR if key == "period_us" else ROUND_CEILING)


def _grade(text: str) -> str:
    """A grade's id from what people write for it; an unknown one stays as it is."""
    folded = text.casefold().replace("_", "-")
    if folded in ("10base-t1s", "t1s", "multidrop", "10base-t1s-multidrop"):
        return "10BASE-T1S-multidrop"
    known = ("10BASE-T1S-link", "10BASE-T1L", "100BASE-T1", "1000BASE-T1")
    return next((g for g in known if g.casefold() == folded), text)


def mapping_text(columns: Columns) -> str:
    """What the columns are read as, in one sentence."""
    return ", ".join(f"{key} = '{columns.headings[key]}'" for key in columns.columns)
