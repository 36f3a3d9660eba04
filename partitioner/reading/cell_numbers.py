"""Numbers as people write them in tables: decimal comma or point, thousands, a unit behind."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from enum import StrEnum

from partitioner.reading.sheet import Value


class Mark(StrEnum):
    """What stands before the fraction of a number."""

    POINT = "point"
    COMMA = "comma"


_GAPS = "\u0020\u00a0\u2007\u2009\u202f'\u2019"
"""Space, no-break, figure, thin and narrow no-break space, and apostrophes."""
_NUMBER = re.compile(rf"([-+\u2212]?)([0-9][0-9.,{_GAPS}]*|[.,][0-9]+)\s*(\D.{{0,15}})?\Z")
_GROUPS = re.compile(rf"[0-9]{{1,3}}(?:[{_GAPS}][0-9]{{3}})+(?![0-9])")
NOTHING = frozenset({"", "-", "–", "—", "n/a", "na", "n.a.", "none", "tbd", "?", "nil"})
"""Texts that people put where they have no value."""


def split_number(text: str) -> tuple[str, str] | None:
    """Part a text into its number, without spaces, and the unit behind it; None: no number.

    Examples
    --------
    >>> split_number("1 250,5 mm"), split_number("A1"), split_number("12 34")
    (('1250,5', 'mm'), None, None)
    """
    match = _NUMBER.match(text.strip())
    if match is None:
        return None
    sign, digits, unit = match.groups()
    digits = digits.strip(_GAPS)
    if any(gap in digits for gap in _GAPS):
        whole = re.split(r"[.,]", digits, maxsplit=1)[0]
        if not _GROUPS.fullmatch(whole):
            return None
        digits = "".join(c for c in digits if c not in _GAPS)
    return ("-" if sign in ("-", "\u2212") else "") + digits, (unit or "").strip()


def mark_of(numbers: Iterable[str]) -> Mark | None:
    """Decide what stands before the fraction in the numbers of a column; None: they don't tell.

    Raises
    ------
    ValueError
        If some numbers have a comma there and others a point; its text says which.

    Examples
    --------
    >>> mark_of(["1.234,5"]), mark_of(["0,125", "1"]), mark_of(["1.234.567", "12"])
    (<Mark.COMMA: 'comma'>, <Mark.COMMA: 'comma'>, <Mark.COMMA: 'comma'>)
    >>> mark_of(["1,250", "2,500"]) is None
    True
    """
    votes: dict[Mark, str] = {}
    for number in numbers:
        mark = _vote(number)
        if mark is not None:
            votes.setdefault(mark, number)
    if len(votes) > 1:
        raise ValueError(f"'{votes[Mark.COMMA]}' and '{votes[Mark.POINT]}'")
    return next(iter(votes), None)


def _vote(number: str) -> Mark | None:
    digits = number.lstrip("-")
    comma, point = digits.count(","), digits.count(".")
    if comma and point:
        return Mark.COMMA if digits.rfind(",") > digits.rfind(".") else Mark.POINT
    if comma + point == 0:
        return None
    own, other = (Mark.COMMA, Mark.POINT) if comma else (Mark.POINT, Mark.COMMA)
    if comma + point > 1:
        return other  # Several of one kind part thousands.
    whole, _, fraction = digits.replace(",", ".").partition(".")
    if len(fraction) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0"):
        return None  # 1,250 may be either.
    return own


def to_decimal(number: str, mark: Mark) -> Decimal | None:
    """Read a number that :func:`split_number` gave; None where it does not have that form."""
    thousands, point = (".", ",") if mark is Mark.COMMA else (",", ".")
    whole, _, fraction = number.partition(point)
    groups = whole.lstrip("-").split(thousands)
    if thousands in fraction or point in fraction:
        return None
    if len(groups) > 1 and any(len(g) != 3 for g in groups[1:]):
        return None
    text = whole.replace(thousands, "") + f".{fraction}" * bool(fraction)
    return Decimal(text) if re.fullmatch(r"-?([0-9]+(\.[0-9]+)?|\.[0-9]+)", text) else None


def is_nothing(value: Value) -> bool:
    """Whether a cell says that there is no value."""
    return value is None or (isinstance(value, str) and value.strip().lower() in NOTHING)
