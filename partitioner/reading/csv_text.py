"""CSV as text: the one writer of all tables, and the reader that takes them back unchanged.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula and runs it.
So the writer puts an apostrophe before such a text and the reader takes it away again.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import chain
from numbers import Number
from typing import Any

_NUMBER = re.compile(r"-(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?\Z")
# A cell starts at the start of the text and, in a spreadsheet that splits at another separator
# than the comma, behind that separator. The full-width signs mean the same to some spreadsheets.
_CELL_START = r"(?:\A|(?<=[;\t\r\n]))"
_FORMULA = r"(?=[^\S\t\r\n]*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r])"
_TO_DEFUSE = re.compile(rf"{_CELL_START}('*){_FORMULA}")
_DEFUSED = re.compile(rf"{_CELL_START}'('*){_FORMULA}")


def defused(text: str) -> str:
    """Put an apostrophe before what a spreadsheet would run; :func:`restored` takes it away.

    Where apostrophes stand there already, one more comes, so that none is lost. A negative number
    is left as it is.

    Examples
    --------
    >>> [defused(t) for t in ("=1+1", "-5.2", "-x", "it's", "'=1")]
    ["'=1+1", '-5.2', "'-x", "it's", "''=1"]
    """
    return text if _NUMBER.match(text) else _TO_DEFUSE.sub(r"'\1", text)


def restored(cell: str) -> str:
    """Undo :func:`defused`.

    Examples
    --------
    >>> [restored(t) for t in ("'=1+1", "-5.2", "'-x", "it's", "''=1", "'tis")]
    ['=1+1', '-5.2', '-x', "it's", "'=1", "'tis"]
    """
    return _DEFUSED.sub(r"\1", cell)


class _Lines(list[str]):
    """Takes what ``csv.writer`` writes, one row at a time."""

    def write(self, row: str) -> None:
        self.append(row.removesuffix("\r\n") + "\n")


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Write a table: a header line, RFC 4180 quoting, LF line ends, None as an empty cell.

    Numbers have no exponent, however small. Every text, the header's too, is :func:`defused`.
    """
    lines = _Lines()
    # Its own line end makes the writer quote cells with either of its characters in them.
    writer = csv.writer(lines, lineterminator="\r\n")
    for row in chain((header,), rows):
        writer.writerow([_cell(value) for value in row])
    return "".join(lines)


def _cell(value: Any) -> Any:
    """A cell as it is written; decimals without an exponent, which some readers take for a text."""
    if value is None:
        return ""
    if isinstance(value, float) and not 1e-4 <= abs(value) < 1e16 and math.isfinite(value):
        return f"{Decimal(float.__repr__(value)):f}"
    return value if isinstance(value, Number) else defused(str(value))


def csv_rows(text: str, separator: str = ",") -> Iterator[tuple[int, list[str]]]:
    """Give each row of a CSV text with the number of its first line, from 1.

    The cells are as they were before :func:`csv_text` defused them. Lines end with LF, CR or both.

    Raises
    ------
    UnreadableCsv
        Where the text does not have the form of a CSV file.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = 1
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise _unreadable(text, separator, line, reader.line_num, error) from None
        yield line, [restored(cell) for cell in row]
        line = reader.line_num + 1


class UnreadableCsv(Exception):
    """The text has no form of a CSV file from ``line`` and ``column`` (from 1) on."""

    def __init__(self, message: str, line: int, column: int):
        self.line = line
        self.column = column
        super().__init__(message)


_LINE_END = re.compile(r"\r\n|\r|\n")


def lines_of(text: str) -> tuple[str, ...]:
    """Lines of a CSV text as :func:`csv_rows` counts them, without their ends."""
    return tuple(_LINE_END.split(text))


def _unreadable(
    text: str, separator: str, first: int, last: int, error: csv.Error
) -> UnreadableCsv:
    """Point at the quote whose cell could not be read; the row starts on line ``first``."""
    lines = lines_of(text)
    opened = _open_quote(lines[first - 1 :], separator)
    if opened is None:
        return UnreadableCsv(f"this is no CSV: {error}", last, 1)
    line, column, end = opened
    line, end = line + first, end + first
    if end == line:
        return UnreadableCsv(f"this is no CSV: {error}", line, column)
    closes = f"closes only on line {end}" if end <= len(lines) else "is never closed"
    return UnreadableCsv(f"this is no CSV: the quote that opens here {closes}", line, column)


def _open_quote(lines: Sequence[str], separator: str) -> tuple[int, int, int] | None:
    """Find the first quoted cell that is not ended by a separator or a line end.

    Gives the line (from 0) and the column (from 1) of its opening quote, and the line of its
    closing one, which is the number of lines when there is none.
    """
    opened: tuple[int, int] | None = None
    for number, line in enumerate(lines):
        position, at_start = 0, opened is None
        while position < len(line):
            if opened is None and at_start and line[position] == '"':
                opened, position, at_start = (number, position + 1), position + 1, False
            elif opened is None:
                at_start = line[position] == separator
                position += 1
            else:
                closing = line.find('"', position)
                if closing < 0:
                    break
                after = line[closing + 1 : closing + 2]
                position = closing + 1
                if after == '"':
                    position += 1
                elif after in ("", separator):
                    opened = None
                else:
                    return (*opened, number)
    return None if opened is None else (*opened, len(lines))
