"""Names that keys take from elsewhere, found by the kinds of the keys."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any, NamedTuple

from partitioner.reading.kinds import Grades, Name, Names
from partitioner.reading.origin import Steps
from partitioner.reading.schema import KeyTable
from partitioner.reading.tables import Item, key_infos, kind_of, tables_inside


class Reference(NamedTuple):
    """A name, of what, and where in its item it stands; ``is_key``: it is a key of a mapping."""

    what: str
    name: str
    steps: Steps
    is_key: bool = False


def references(item: Item[Any]) -> Iterator[Reference]:
    """Give every name in an item but its own; keys of mappings by id are left out."""
    return _inside(item.table, item.raw, ())


def _inside(table: KeyTable, raw: Any, at: Steps) -> Iterator[Reference]:
    for field, key, kind in _referring(type(table)):
        value, steps = getattr(table, field), (*at, key)
        if isinstance(value, str) and isinstance(kind, Name):
            yield Reference(kind.of, value, steps)
        for index, part in enumerate(value if isinstance(value, tuple) else ()):
            if kind is None:
                yield from _inside(part, None, (*steps, index))
            elif isinstance(kind, Names):
                yield Reference(kind.of, part, (*steps, index))
            elif isinstance(raw[key], dict):
                yield Reference("grade", part[0], (*steps, part[0]), is_key=True)
            else:
                yield Reference("grade", part[0], (*steps, index))


@cache
def _referring(model: type[KeyTable]) -> list[tuple[str, str, Name | Names | Grades | None]]:
    """Fields of a table that may refer, with their keys and kinds; None for lists of tables."""
    found: list[tuple[str, str, Name | Names | Grades | None]] = []
    for field, (key, info) in zip(model.model_fields, key_infos(model).items(), strict=True):
        kind = kind_of(info)
        if tables_inside(info.annotation):
            found.append((field, key, None))
        elif isinstance(kind, (Name, Names, Grades)) and key != "id":
            found.append((field, key, kind))
    return found
