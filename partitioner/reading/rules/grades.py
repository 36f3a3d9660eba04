"""Which grades devices and ports have."""

from __future__ import annotations

from typing import Any

from partitioner.reading.parts import Parts
from partitioner.reading.tables import Item


def is_mixing(parts: Parts, grade: str) -> bool:
    """Tell whether a grade makes shared lines; False when the catalogue is wrong."""
    return parts.catalogue is not None and parts.catalogue.is_line(grade)


def grades_of(item: Item[Any]) -> tuple[str, ...]:
    """Grade ids of a device; none when they are wrong."""
    return tuple(grade for grade, _ in item.table.grades or ())


def offered_grades(parts: Parts) -> dict[str, set[str]] | None:
    """Grades that the ports of each switch serve; None when a switch could not be read whole."""
    offered: dict[str, set[str]] = {}
    for item in parts.switches:
        if item.id is None or not item.whole:
            return None
        offered[item.id] = {grade for port in item.table.ports for grade in port.grades}
    return offered if not parts.unsure & {"switches"} else None
