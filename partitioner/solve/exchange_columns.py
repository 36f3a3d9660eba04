"""Columns one exchange away from chosen segments: a unit in, a unit out, or one for another.

A unit is a device, or a group of devices that must be together.

Choosing among them all at once moves devices round in cycles and chains of any length (the cyclic
exchange neighbourhood), which is what finds a place for the last devices where ports, pathways and
lines are nearly full.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial, reduce

import numpy as np

from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.laying import with_device

NEAR, NEAREST_SWITCHES = 10, 3
"""Units to try on each line, and switches to try it at, where no more are needed."""


def exchange_columns(
    builder: ColumnBuilder,
    segments: Sequence[Column],
    others: Iterable[int],
    near: int,
    switches: int,
    should_stop: Callable[[], bool],
) -> list[Column]:
    """Columns that differ from one of the segments by one exchange, and these elsewhere.

    ``segments`` are what is chosen now, ``others`` devices that hang on none of them and may join.
    On each line the ``near`` units nearest to it are tried, and the line at the ``switches``
    nearest to it. Without repeats; cut short when ``should_stop`` says so.
    """
    inst = builder.instance
    lines = [c for c in segments if inst.grades[c.grade].is_line]
    movable = np.array(
        sorted({i for c in segments for i in c.devices} | set(others)), dtype=np.int64
    )
    found: dict[Column, None] = {}
    for line in lines:
        if should_stop():
            break
        way = inst.way_um(list(line.devices), movable).min(axis=0)
        ranked = [int(i) for i in movable[np.lexsort((movable, way))]]
        units = list(dict.fromkeys(inst.unit_of[i] for i in ranked))
        inside = [u for u in units if u[0] in line.devices]
        joining = [
            u for u in units if u not in inside and all(inst.can[i, line.grade] for i in u)
        ][:near]
        put_in = partial(with_device, builder, line.switch)
        orders = [(line.out, line.back)]
        if len(inside) > 1:
            orders += [line.arms_without(u) for u in inside]
        for out, back in list(orders):
            rest = frozenset(out) | frozenset(back)
            # One by one where each makes the cable least longer.
            orders += [
                reduce(put_in, unit, (out, back))
                for unit in joining
                if builder.set_allowed(line.grade, rest.union(unit))
            ]
        serving = [s for s in range(inst.switch_count) if (s, line.grade) in inst.ports_of]
        serving.sort(key=lambda s: (int(inst.switch_um[s, list(line.devices)].min()), s))
        for s in dict.fromkeys([line.switch, *serving[:switches]]):
            for out, back in orders:
                column = builder.line(s, line.grade, out, back)
                if column is None and not back and len(out) > 1:
                    column = builder.line(s, line.grade, out[::-1])
                if column is not None:
                    found.setdefault(column)
    return list(found)
