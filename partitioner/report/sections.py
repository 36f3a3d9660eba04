"""What there is to show: sections with paragraphs, figures and tables, described once.

Every part of the program that has something to show (a layout, a simulation, a rerun) makes
:class:`Section` objects. The page, the terminal, CSV and JSON are written from them without
knowing what they are about.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from enum import Enum, IntEnum, StrEnum
from typing import TYPE_CHECKING, Any, TypeVar

from partitioner.reading.csv_text import csv_text
from partitioner.report.amounts import (
    NBSP,
    NONE,
    limit_text,
    number_text,
    per_cent_text,
    rounded_amounts,
    significant_text,
)
from partitioner.report.file_names import clean_name
from partitioner.report.svg import stacked

if TYPE_CHECKING:
    import pandas as pd


Item = TypeVar("Item")


class State(StrEnum):
    """A judgement; always shown as a shape and a word, never as a colour alone."""

    OK = "ok"
    WARN = "warn"
    BAD = "bad"

    @property
    def glyph(self) -> str:
        """The shape that stands before the word."""
        return {State.OK: "●", State.WARN: "▲", State.BAD: "■"}[self]


class Kind(StrEnum):
    """How the cells of a column are written and aligned."""

    TEXT = "text"
    ID = "id"
    """A name from the problem file; kept on one line."""
    NAMES = "names"
    """Several names with spaces between; each is kept on one line."""
    AMOUNTS = "amounts"
    """Words with exact amounts in them, which are shown rounded."""
    NUMBER = "number"
    PERCENT = "percent"
    """A ratio (1 is the whole) written as a percentage."""
    BAR = "bar"
    """As PERCENT, with a small bar behind it."""
    STATE = "state"
    """A :class:`State`."""
    TRUST = "trust"
    """A trust mark; invented figures and those from memory are flagged."""
    SOURCE = "source"
    """Where a figure comes from; a long one becomes a note below the table."""


class Chapter(Enum):
    """Parts of the report of a layout, in the order of the page: anchor and title."""

    VIEWS = ("views", "Plan and side views")
    LINES = ("lines", "Lines, one by one")
    PORTS = ("ports", "Ports and backbone")
    DEADLINES = ("deadlines", "Deadlines")
    RULES = ("rules", "Rules and limits")
    WHY = ("why", "Why it is so")
    FAILURES = ("failures", "Single failures")
    COSTS = ("costs", "Cost against the star")
    OPTIONS = ("options", "Options and builds")
    GROWTH = ("growth", "Growth")
    SETTINGS = ("settings", "Software settings")
    ASSUMPTIONS = ("assumptions", "Assumptions and sources")
    RUN = ("run", "The run")

    @property
    def anchor(self) -> str:
        """Id of the chapter on the page."""
        return self.value[0]

    @property
    def title(self) -> str:
        """Its heading."""
        return self.value[1]


class Paper(IntEnum):
    """What is printed: each choice has all that the ones before it have."""

    SUMMARY = 0
    """The first sheet and what fits on one more page."""
    SHEETS = 1
    """With one sheet per line, for the shop."""
    ALL = 2

    @property
    def word(self) -> str:
        """The choice on the command line."""
        return self.name.lower()

    @property
    def label(self) -> str:
        """The choice on the page."""
        return ("the summary", "with line sheets", "all")[self]


TIMES = {"µs": 2, "ms": 5, "s": 8}
"""Units whose figures have three significant digits, and the decimals down to 10 ns: more than that
nobody can measure."""
SHORT_SOURCE = 36
"""Letters up to which a source stands in the table itself."""
MOST_ROWS = 1000
"""Rows of a table that are shown unless it says otherwise; its file has all."""


_HOLDS = {
    key: kinds
    for kinds, keys in {
        "device": "device devices",
        "device switch": "node from to source destination destinations",
        "device stream": "name subject",
        "option": "option options only_with only_without",
        "pathway": "pathway pathways",
        "segment": "segment segments line lines fitting_lines before after",
        "segment switch": "place",
        "segment switch backbone": "failure where",
        "stream": "stream tightest_stream",
        "switch": "switch from_switch to_switch open_switches",
    }.items()
    for key in keys.split()
}
"""What columns name, by their keys; a name that no thing of the kind has stays plain text."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table, described for every form it is written in.

    ``key`` names it in CSV and JSON, ``title`` and ``unit`` for people; without a title it is in
    those two alone. ``digits`` are the decimals of fractions; whole numbers (``int``) are shown
    whole, and times without it to three significant digits. ``rounding`` is that of the digits:
    worst cases go up and what is left goes down, so that no figure flatters the layout. ``limit``
    is the key of the column that holds the limit, shown behind the figure; ``start`` that of the
    column that holds where a bar begins; ``between`` are those of the two columns, rounded alike,
    of which a fraction is the difference, second less first: it is shown as the difference of what
    is shown of them, so that the row adds up.
    ``heads_row`` makes the cell the heading of its row for screen readers. ``state_words`` are the
    words for ok, warn and bad; CSV and JSON keep those three.
    """

    key: str
    title: str = ""
    kind: Kind = Kind.TEXT
    unit: str = ""
    digits: int | None = None
    heads_row: bool = False
    state_words: tuple[str, str, str] = ("ok", "warn", "bad")
    limit: str = ""
    start: str = ""
    between: tuple[str, str] | None = None
    rounding: str = ROUND_HALF_EVEN

    @property
    def is_numeric(self) -> bool:
        """True when cells stand right-aligned."""
        return self.kind in (Kind.NUMBER, Kind.PERCENT, Kind.BAR)

    @property
    def holds(self) -> str:
        """Kinds of things that the cells may name, for the script of the page; empty: none."""
        return _HOLDS.get(self.key, "")

    @property
    def heading(self) -> tuple[str, str]:
        """Title and unit; figures that stand before their limit have no unit of their own."""
        return self.title, "%" if self.limit and self.kind is Kind.PERCENT else self.unit

    def text(self, value: Any) -> str:
        """Cell text for people."""
        if value is None or value == "":
            return NONE if self.is_numeric else ""
        if isinstance(value, float) and math.isinf(value):
            return "∞"
        if self.kind is Kind.STATE:
            return self.state_words[list(State).index(State(value))]
        if self.kind in (Kind.PERCENT, Kind.BAR):
            return f"{per_cent_text(value, self.digits or 0, self.rounding)}{NBSP}%"
        if self.kind is Kind.AMOUNTS:
            return rounded_amounts(str(value))
        if self.kind is Kind.NUMBER:
            return number_text(value, 0) if isinstance(value, int) else self._number(value, 2)
        return str(value)

    def _number(self, value: float, digits: int) -> str:
        if self.digits is None and self.unit in TIMES:
            return significant_text(value, self.rounding, TIMES[self.unit])
        digits = digits if self.digits is None else self.digits
        return number_text(value, digits, self.rounding)

    def limited_text(self, value: Any, limit: Any) -> str:
        """Cell text of a figure that stands before its limit."""
        if not limit:
            return NONE
        if self.kind is Kind.PERCENT:
            own = per_cent_text(value, self.digits or 0, self.rounding)
            return f"{own} / {limit_text(Decimal(str(limit)) * 100)}"
        digits = self.digits if self.digits and isinstance(value, float) else 0
        return f"{number_text(value, digits, self.rounding)} / {limit_text(limit)}"

    def difference_text(self, value: Any, first: Any, second: Any) -> str:
        """Cell text of a difference of two figures; what is not there counts as nothing."""
        if not isinstance(value, float) or self.digits is None:
            return self.text(value)
        step = Decimal(1).scaleb(-self.digits)
        shown = [Decimal(str(v or 0)).quantize(step, rounding=self.rounding)
                 for v in (first, second)]
        return number_text(shown[1] - shown[0], self.digits)


@dataclass(frozen=True, slots=True)
class Cell:
    """A value in its column with the words that people read, and where its bar begins."""

    column: Column
    value: Any
    words: str
    start: Any = None


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its caption. ``rows`` hold plain values in the order of ``columns``.

    ``shown`` are the keys of the columns that people see, where it is not all those with a title
    in their order. ``folded`` tables are shown closed (open on paper), and of more than
    ``most_rows`` rows the first ones. ``csv_name`` is the file that holds all rows and columns;
    empty means ``id`` + ``.csv``. A table without ``has_csv`` has no such file.
    """

    id: str
    caption: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Any]]
    note: str = ""
    folded: bool = False
    csv_name: str = ""
    has_csv: bool = True
    shown: Sequence[str] = ()
    most_rows: int = MOST_ROWS

    @classmethod
    def of(
        cls,
        id: str,
        caption: str,
        items: Iterable[Item],
        columns: Sequence[tuple[Column, Callable[[Item], Any]]],
        **more: Any,
    ) -> Table:
        """A row for each item; every column stands with what it holds of one.

        ``more`` are further fields of the table.
        """
        rows = [tuple(held(item) for _, held in columns) for item in items]
        return cls(id, caption, [column for column, _ in columns], rows, **more)

    @property
    def file_name(self) -> str:
        """Name of the CSV file with the same content."""
        return clean_name(self.csv_name or f"{self.id}.csv")

    @property
    def name(self) -> str:
        """Name of the table in JSON: that of its file without the ending."""
        return self.file_name.removesuffix(".csv")

    def csv_text(self) -> str:
        """All rows as CSV, columns named by their keys."""
        return csv_text([c.key for c in self.columns], self.rows)

    def records(self) -> list[dict[str, Any]]:
        """All rows as objects for JSON, named as in CSV."""
        keys = [c.key for c in self.columns]
        return [dict(zip(keys, row, strict=True)) for row in self.rows]

    def frame(self) -> pd.DataFrame:
        """All rows as a pandas DataFrame; whole numbers stay whole where some cells are empty."""
        # Loading pandas is a good part of what a check takes, which makes no frames.
        import pandas as pd

        values = {c.key: [row[i] for row in self.rows] for i, c in enumerate(self.columns)}
        return pd.DataFrame({k: pd.Series(v, dtype=_dtype(v)) for k, v in values.items()})

    def shown_columns(self, keys: Sequence[str] = ()) -> list[Column]:
        """The columns that people see; ``keys`` chooses others."""
        by_key = {c.key: c for c in self.columns}
        chosen = keys or self.shown
        return [by_key[k] for k in chosen] if chosen else [c for c in self.columns if c.title]

    def cells(self, keys: Sequence[str] = (), most: int | None = None) -> list[list[Cell]]:
        """What people see, row by row."""
        place = {c.key: i for i, c in enumerate(self.columns)}
        columns = self.shown_columns(keys)
        notes = self.source_notes
        found = []
        for row in self.rows[: self.most_rows if most is None else most]:
            cells = []
            for column in columns:
                value = row[place[column.key]]
                if column.limit:
                    words = column.limited_text(value, row[place[column.limit]])
                elif column.between:
                    words = column.difference_text(value, *(row[place[k]] for k in column.between))
                elif column.kind is Kind.SOURCE and value in notes:
                    words = f"note {notes.index(value) + 1}"
                else:
                    words = column.text(value)
                start = row[place[column.start]] if column.start else None
                cells.append(Cell(column, value, words, start))
            found.append(cells)
        return found

    @property
    def source_notes(self) -> list[str]:
        """Long sources, each once; they are numbered below the table."""
        at = [i for i, c in enumerate(self.columns) if c.kind is Kind.SOURCE]
        sources = dict.fromkeys(str(row[i]) for row in self.rows for i in at)
        return [s for s in sources if len(s) > SHORT_SOURCE]

    def row_names(self) -> tuple[dict[str, str], list[dict[str, str]]]:
        """What the columns that people do not see name, as attributes of the page.

        First what all rows name, then what each row names besides.
        """
        seen = {c.key for c in self.shown_columns()}
        hidden = [
            (i, f"data-{c.holds}")
            for i, c in enumerate(self.columns)
            if c.key not in seen and c.holds and " " not in c.holds
        ]
        shared = {
            name: self.rows[0][i]
            for i, name in hidden
            if self.rows and self.rows[0][i] and len({row[i] for row in self.rows}) == 1
        }
        own = [(i, name) for i, name in hidden if name not in shared]
        return shared, [{name: row[i] for i, name in own if row[i]} for row in self.rows]

    @property
    def remark(self) -> str:
        """The note below the table, which also says when no row or not all rows are shown."""
        count = len(self.rows)
        if not count:
            return f"None. {self.note}".strip()
        if count <= self.most_rows:
            return self.note
        most = "" if self.most_rows == 1 else f" {self.most_rows}"
        cut = f"The first{most} of {count} rows; {self.file_name} has all of them."
        return f"{cut} {self.note}".strip()


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture: a whole ``<svg>`` element made by this package, with title and description."""

    id: str
    caption: str
    svg: str
    wide: bool = False
    """Keep it at its own width and let it scroll on small screens."""
    legend: Figure | None = None
    """What its signs mean: a page has it once, a file or sheet of the drawing below the drawing."""

    @property
    def alone(self) -> str:
        """The picture as it stands in a file or on a sheet of its own."""
        return self.svg if self.legend is None else stacked(self.svg, self.legend.svg)


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the page. ``intro`` is one paragraph, or several.

    ``parts`` stand under it, one heading lower. In the report of a layout ``chapter`` says where
    the section belongs; without one it comes first. ``urgent`` and ``cautions`` are the sentences
    of it that belong on the first sheet as well: what to clear before anything is ordered, and
    what limits all that is said. ``told`` is what else the page says of a thing where one points
    at it, by its key (``device/NAME``). ``paper`` is the smallest choice of print that has its own
    content.
    """

    title: str
    intro: str | Sequence[str] = ""
    tables: Sequence[Table] = ()
    figures: Sequence[Figure] = ()
    id: str = ""
    points: Sequence[str] = ()
    """Bullet points after the paragraphs."""
    figures_last: bool = False
    parts: Sequence[Section] = ()
    chapter: Chapter | None = None
    urgent: Sequence[str] = ()
    cautions: Sequence[str] = ()
    told: Mapping[str, str] = field(default_factory=dict)
    paper: Paper = Paper.ALL
    is_beside: bool = False
    """Tables stand beside each other where there is room."""

    def walk(self) -> Iterator[Section]:
        """The section and all parts below it, in the order of the page."""
        yield self
        for part in self.parts:
            yield from part.walk()

    @property
    def least_paper(self) -> Paper:
        """The smallest choice of print that has anything of it, its heading among that."""
        return min(section.paper for section in self.walk())

    @property
    def paragraphs(self) -> tuple[str, ...]:
        """The intro as paragraphs."""
        if isinstance(self.intro, str):
            return (self.intro,) if self.intro else ()
        return tuple(self.intro)

    @property
    def anchor(self) -> str:
        """Id of the section on the page."""
        return self.id or "-".join(
            "".join(c if c.isalnum() else " " for c in self.title.lower()).split()
        )


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """One of the few figures that a reader looks for first, with the place that tells more."""

    name: str
    value: str
    remark: str
    anchor: str


@dataclass(frozen=True, slots=True)
class FirstSheet:
    """What the first screen and the first printed page show besides the verdict.

    ``plan`` is a small drawing; ``urgent`` are sentences, each with the anchor of the section
    that it comes from: what to order or clear first. ``whose`` says whose figures they are,
    where the page speaks of several layouts.
    """

    figures: Sequence[KeyFigure] = ()
    plan: Figure | None = None
    urgent: Sequence[tuple[str, str]] = ()
    cautions: Sequence[str] = ()
    whose: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """A page of sections under a verdict.

    ``lead`` holds the paragraphs of the verdict, the first one set large, empty ones left out;
    ``data_file`` is the file beside the page with the same figures as data. ``block`` is the
    title block: what, and its words. ``paper`` is set for a page that is to be printed at once:
    it then holds nothing that needs a click. ``things`` is what the script of the page knows of a
    layout.
    """

    title: str
    state: State
    word: str
    lead: Sequence[str]
    sections: Sequence[Section]
    data_file: str = "outcome.json"
    block: Sequence[tuple[str, str]] = ()
    sheet: FirstSheet = FirstSheet()
    things: Mapping[str, Any] = field(default_factory=dict)
    paper: Paper | None = None

    @property
    def anchors(self) -> frozenset[str]:
        """Ids of sections that the page has, so that no link leads nowhere."""
        return frozenset(section.anchor for section in self.walk())

    def walk(self) -> Iterator[Section]:
        """All sections and their parts, in the order of the page."""
        for section in self.sections:
            yield from section.walk()


def _dtype(values: Sequence[Any]) -> str:
    """What pandas keeps a column as: numbers as numbers, anything else as it is."""
    kinds = {type(value) for value in values if value is not None}
    if kinds == {int}:
        return "Int64" if None in values else "int64"
    return "float64" if kinds and kinds <= {int, float} else "object"


FLAGGED_TRUST = frozenset({"memory", "invented"})
"""Trust marks that a reader must be warned of."""


def tables_of(sections: Iterable[Section]) -> dict[str, Table]:
    """All tables of ``sections`` and their parts that have a file, by name.

    Raises
    ------
    ValueError
        If two tables have one name and other content.
    """
    found: dict[str, Table] = {}
    for section in (part for whole in sections for part in whole.walk()):
        for table in section.tables:
            if table.has_csv and found.setdefault(table.name, table) != table:
                raise ValueError(f"two tables are called {table.file_name}")
    return found


def drawings_of(sections: Iterable[Section]) -> list[Figure]:
    """The pictures of ``sections`` and their parts that stand alone somewhere; no legend does."""
    figures = [f for whole in sections for part in whole.walk() for f in part.figures]
    legends = {f.legend for f in figures}
    return [f for f in figures if f not in legends]


def csv_files(tables: Mapping[str, Table]) -> dict[str, str]:
    """The CSV file of each table, by file name."""
    return {table.file_name: table.csv_text() for table in tables.values()}
