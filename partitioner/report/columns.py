"""Columns with what they hold: kind, unit and the step from base units told once.

Each function gives a column and what it holds of an item, for :meth:`Table.of`. ``held`` gives the
amount in base units; the column has it in the unit that its key ends with. A column without a title
is for files alone, where its key says all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import ROUND_CEILING
from typing import Any, TypeVar

from partitioner.report.sections import Column, Kind, State
from partitioner.units import MG_PER_G, MONEY_STEPS, NS_PER_S, NS_PER_US, PPM, UM_PER_M, in_units

Item = TypeVar("Item")
Held = tuple[Column, Callable[[Item], Any]]
Amount = Callable[[Item], int | None]


def text(key: str, title: str, held: Callable[[Item], Any], **more: Any) -> Held[Item]:
    """Words."""
    return Column(key, title, **more), held


def name(key: str, title: str, held: Callable[[Item], str], **more: Any) -> Held[Item]:
    """A name from the problem file."""
    return Column(key, title, Kind.ID, **more), held


def names(key: str, title: str, held: Callable[[Item], Iterable[object]]) -> Held[Item]:
    """Several names, with spaces between."""
    return Column(key, title, Kind.NAMES), lambda item: " ".join(map(str, held(item)))


def number(
    key: str, title: str, held: Callable[[Item], Any], unit: str = "", digits: int | None = None,
    **more: Any,
) -> Held[Item]:  # fmt: skip
    """A count, or a figure that is in its unit already."""
    return Column(key, title, Kind.NUMBER, unit, digits, **more), held


def exact(value: float) -> float | int:
    """A figure that somebody stated or sets: whole where it is, so that no decimals are shown."""
    return int(value) if value == int(value) else value


def percent(
    key: str, title: str, held: Callable[[Item], Any], digits: int | None = None, **more: Any
) -> Held[Item]:
    """A ratio: 1 is the whole."""
    return Column(key, title, Kind.PERCENT, "", digits, **more), held


def share(key: str, title: str, held: Amount[Item], **more: Any) -> Held[Item]:
    """A ratio in parts per million."""
    return _scaled(Column(key, title, Kind.PERCENT, **more), held, PPM)


def load(key: str, title: str, held: Amount[Item], **more: Any) -> Held[Item]:
    """How busy something is at most, in parts per million; shown rounded up."""
    return share(key, title, held, rounding=ROUND_CEILING, **more)


def metres(
    key: str, title: str, held: Amount[Item], digits: int = 2, *, rounding: str = ROUND_CEILING,
    **more: Any,
) -> Held[Item]:  # fmt: skip
    """A length in µm, shown rounded up unless it is one that is left."""
    column = Column(key, title, Kind.NUMBER, "m", digits, rounding=rounding, **more)
    return _scaled(column, held, UM_PER_M)


def micros(
    key: str, title: str, held: Amount[Item], digits: int | None = None, *,
    rounding: str = ROUND_CEILING,
) -> Held[Item]:  # fmt: skip
    """A time in ns, shown in µs and rounded up unless it is one that is allowed or left."""
    column = Column(key, title, Kind.NUMBER, "µs", digits, rounding=rounding)
    return _scaled(column, held, NS_PER_US)


def seconds(
    key: str, title: str, held: Amount[Item], *, rounding: str = ROUND_CEILING
) -> Held[Item]:
    """A time in ns, shown in s; rounded as those in µs."""
    return _scaled(Column(key, title, Kind.NUMBER, "s", rounding=rounding), held, NS_PER_S)


def grams(key: str, title: str, held: Amount[Item]) -> Held[Item]:
    """A mass in mg."""
    return _scaled(Column(key, title, Kind.NUMBER, "g", 0), held, MG_PER_G)


def money(key: str, title: str, held: Amount[Item], currency: str) -> Held[Item]:
    """An amount of money in money steps."""
    return _scaled(Column(key, title, Kind.NUMBER, currency, 2), held, MONEY_STEPS)


def state(
    key: str, title: str, held: Callable[[Item], State],
    words: tuple[str, str, str] = ("ok", "warn", "bad"),
) -> Held[Item]:  # fmt: skip
    """A judgement, with the words for ok, warn and bad."""
    return Column(key, title, Kind.STATE, state_words=words), lambda item: held(item).value


def bar(key: str, title: str, held: Callable[[Item], Any], **more: Any) -> Held[Item]:
    """A ratio with a small bar behind it."""
    return Column(key, title, Kind.BAR, **more), held


def trust(held: Callable[[Item], str]) -> Held[Item]:
    """A trust mark."""
    return Column("trust", "Trust", Kind.TRUST), held


def source(held: Callable[[Item], str], title: str = "Source") -> Held[Item]:
    """Where a figure comes from."""
    return Column("source", title, Kind.SOURCE), held


def part_amount(kind: str, quantity: int) -> float:
    """So much of a part of some kind in :func:`part_unit`; of cable ``quantity`` is µm."""
    return quantity / UM_PER_M if kind == "cable" else quantity


def part_unit(kind: str) -> str:
    """What parts of a kind are counted in."""
    return "m" if kind == "cable" else "pieces"


def _scaled(column: Column, held: Amount[Item], steps: int) -> Held[Item]:
    plain = column if column.title else Column(column.key)
    return plain, lambda item: in_units(held(item), steps)
