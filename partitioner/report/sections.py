"""The pieces a report page is made of: sections with paragraphs, figures and tables.

Every part of the program that has something to show (a plan, a simulation, a rerun) makes
:class:`Section` objects; the page lays them out without knowing what they are about.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from partitioner.reading.csv_text import csv_text
from partitioner.report.amounts import NBSP, NONE, number_text
from partitioner.report.file_names import clean_name


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
    NUMBER = "number"
    PAIR = "pair"
    """A figure and its limit, written already."""
    PERCENT = "percent"
    """A ratio (1 is the whole) written as a percentage."""
    BAR = "bar"
    """As PERCENT, with a small bar behind it."""
    STATE = "state"
    """A :class:`State`."""
    TRUST = "trust"
    """A trust mark; invented figures and those from memory are flagged."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: ``key`` names it in the CSV file, ``title`` and ``unit`` on the page.

    ``digits`` are the decimals of fractions; whole numbers (``int``) are shown whole. ``heads_row``
    makes the cell the heading of its row for screen readers. ``state_words`` are the words for
    ok, warn and bad; the CSV file keeps those three.
    """

    key: str
    title: str
    kind: Kind = Kind.TEXT
    unit: str = ""
    digits: int | None = None
    heads_row: bool = False
    state_words: tuple[str, str, str] = ("ok", "warn", "bad")

    @property
    def is_numeric(self) -> bool:
        """True when cells stand right-aligned."""
        return self.kind in (Kind.NUMBER, Kind.PAIR, Kind.PERCENT, Kind.BAR)

    def text(self, value: Any) -> str:
        """Cell text for the page."""
        # A frame keeps "not a number" where a row has no figure of this kind.
        missing = value is None or value == "" or (isinstance(value, float) and math.isnan(value))
        if missing:
            return NONE if self.is_numeric else ""
        if isinstance(value, float) and math.isinf(value):
            return "∞"
        if self.kind is Kind.STATE:
            return self.state_words[list(State).index(State(value))]
        if self.kind in (Kind.PERCENT, Kind.BAR):
            return f"{number_text(100 * value, self.digits if self.digits else 0)}{NBSP}%"
        if self.kind is Kind.NUMBER:
            if isinstance(value, int):
                return number_text(value, 0)
            return number_text(value, 2 if self.digits is None else self.digits)
        return str(value)


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its caption. ``rows`` hold plain values in the order of ``columns``.

    ``notes`` are numbered below the table. ``folded`` tables are shown closed (open on paper).
    ``csv_name`` is the file that holds the same rows; empty means ``id`` + ``.csv``. A table
    without ``has_csv`` has no such file.
    """

    id: str
    caption: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Any]]
    note: str = ""
    folded: bool = False
    csv_name: str = ""
    notes: Sequence[str] = ()
    has_csv: bool = True
    csv_rows: Sequence[Sequence[Any]] | None = None
    """Rows of the file where they are more than the page shows."""

    @property
    def file_name(self) -> str:
        """Name of the CSV file with the same content."""
        return clean_name(self.csv_name or f"{self.id}.csv")

    def csv_text(self) -> str:
        """The rows as CSV, columns named by their keys."""
        rows = self.rows if self.csv_rows is None else self.csv_rows
        return csv_text([c.key for c in self.columns], rows)


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture: a whole ``<svg>`` element made by this package, with title and description."""

    id: str
    caption: str
    svg: str
    wide: bool = False
    """Keep it at its own width and let it scroll on small screens."""


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the page. ``intro`` is one paragraph, or several."""

    title: str
    intro: str | Sequence[str] = ""
    tables: Sequence[Table] = ()
    figures: Sequence[Figure] = ()
    id: str = ""
    points: Sequence[str] = ()
    """Bullet points after the paragraphs."""
    figures_last: bool = False

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


FLAGGED_TRUST = frozenset({"memory", "invented"})
"""Trust marks that a reader must be warned of."""


def csv_twins(sections: Sequence[Section]) -> Mapping[str, str]:
    """CSV files of all tables of ``sections``, by file name.

    Raises ValueError when two tables claim one file name with different content.
    """
    files: dict[str, str] = {}
    for section in sections:
        for table in section.tables:
            if not table.has_csv:
                continue
            text = table.csv_text()
            if files.setdefault(table.file_name, text) != text:
                raise ValueError(f"two tables are called {table.file_name}")
    return files
