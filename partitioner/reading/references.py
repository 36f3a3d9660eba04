"""Names that keys take from elsewhere, found by the kinds of the keys."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from partitioner.reading.kinds import Grades, Name, Names
from partitioner.reading.origin import Steps
from partitioner.reading.schema import KeyTable
from partitioner.reading.tables import Item, key_infos, kind_of, tables_inside

Reference = tuple[str, str, Steps, bool]
"""Of what it is the name, the name, where in its item it stands, and whether it is a key there."""


def references(item: Item[Any]) -> Iterator[Reference]:
    """Give every name in an item but its own; keys of mappings by id are left out."""
    return _inside(item.table, item.raw, ())


def _inside(table: KeyTable, raw: Any, at: Steps) -> Iterator[Reference]:
    for field, key, kind in _referring(type(table)):
        value = getattr(table, field)
        if isinstance(value, str) and isinstance(kind, Name):
            yield kind.of, value, (*at, key), False
        elif isinstance(value, tuple):
            for index, part in enumerate(value):
                if kind is None:
                    yield from _inside(part, None, (*at, key, index))
                elif isinstance(kind, Names):
                    yield kind.of, part, (*at, key, index), False
                elif isinstance(raw[key], dict):
                    yield "grade", part[0], (*at, key, part[0]), True
                else:
                    yield "grade", part[0], (*at, key, index), False


@cache
def _referring(model: type[KeyTable]) -> list[tuple[str, str, Name | Names | Grades | None]]:
    """Fields of a table that may refer, with their keys and kinds; None for lists of tables.

    Its own id does not, nor does a label, which is a name of no certain thing.
    """
    found: list[tuple[str, str, Name | Names | Grades | None]] = []
    for field, (key, info) in zip(model.model_fields, key_infos(model).items(), strict=True):
        kind = kind_of(info)
        if tables_inside(info.annotation):
            found.append((field, key, None))
        elif isinstance(kind, Grades) or (
            isinstance(kind, (Name, Names)) and key != "id" and kind.of != "name"
        ):
            found.append((field, key, kind))
    return found
