"""Segments any plan may need: each device alone at the switches next to it, each group together."""

from __future__ import annotations

from itertools import islice

import numpy as np

from partitioner.solve.columns import Column, ColumnBuilder


def basic_columns(builder: ColumnBuilder, most_switches: int) -> list[Column]:
    """Every link and every line of one device, every line of a group that must be together.

    Devices are tried at the nearest switches, ``most_switches`` for each grade.
    """
    inst = builder.instance
    found: list[Column | None] = []
    for i in range(inst.n):
        near = np.argsort(inst.switch_um[:, i], kind="stable").tolist()
        for grade in np.flatnonzero(inst.can[i]).tolist():
            serving = (s for s in near if inst.may_hang[i, s] and (s, grade) in inst.ports_of)
            found += [builder.alone(s, grade, i) for s in islice(serving, most_switches)]
    for group in inst.together:
        for port in inst.port_classes:
            if inst.grades[port.grade].is_line and len(group) > 1:
                found.append(builder.line(port.switch, port.grade, group))
    return [c for c in found if c is not None]
