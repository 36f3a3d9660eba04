"""The step from the keys of a table, in people's units, to an object of the model in base units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from decimal import Decimal
from functools import cache
from typing import Any, TypeVar

from partitioner.reading.kinds import Number
from partitioner.reading.schema import KeyTable
from partitioner.reading.tables import kind_of
from partitioner.units import UM_PER_M, to_base

M = TypeVar("M")

_BASE_NAMES = {
    "m": ("_m", "_um"),
    "us": ("_us", "_ns"),
    "s": ("_s", "_ns"),
    "g": ("_g", "_mg"),
    "currency units": ("", "_money"),
    "": ("", "_ppm"),
    "unit loads": ("s", "_mul"),
}
"""By unit of a key: the end of its name in the file, and of the field of the model."""


@cache
def _conversions(table: type[KeyTable]) -> tuple[tuple[str, str, int], ...]:
    """For each key of a table: its name, the field it becomes, base units in one (0: as it is)."""
    found = []
    for name, kind in ((n, kind_of(i)) for n, i in table.model_fields.items()):
        if isinstance(kind, Number) and kind.unit in _BASE_NAMES:
            ours, base = _BASE_NAMES[kind.unit]
            found.append((name, name.removesuffix(ours) + base, kind.steps))
        else:
            found.append((name, name, 0))
    return tuple(found)


@cache
def _fields(model: Any) -> tuple[str, ...]:
    return tuple(field.name for field in fields(model))


def made(model: type[M], table: type[KeyTable], values: Any, **given: Any) -> M:
    """Make an object of the model from the keys of a table.

    Each field takes the value of the key of its name, in base units; figures in units that have
    none become floats. ``values`` are an object of ``table``, or a mapping by its fields; ``given``
    are fields of the model that are not simply a key.
    """
    for name, field, steps in _conversions(table):
        if field not in given:
            value = values[name] if isinstance(values, Mapping) else getattr(values, name)
            if value is not None and steps:
                value = to_base(value, steps)
            given[field] = float(value) if isinstance(value, Decimal) else value
    return model(**{field: given[field] for field in _fields(model)})  # type: ignore[arg-type]


def position_um(value: tuple[Decimal, Decimal, Decimal] | None) -> tuple[int, int, int] | None:
    """Coordinates in base units."""
    if value is None:
        return None
    x, y, z = (to_base(axis, UM_PER_M) for axis in value)
    return x, y, z


def same(model: type[M], table: KeyTable, **given: Any) -> M:
    """:func:`made` from an object of a table."""
    return made(model, type(table), table, **given)
