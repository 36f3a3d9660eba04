"""Segments any plan may need: each device alone at the switches next to it, each group together."""

from __future__ import annotations

import numpy as np

from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.instance import Instance


def _near_ports(instance: Instance, device: int, most: int) -> list[tuple[int, int]]:
    """(switch, grade) pairs with a port the device can use, per grade at most ``most`` nearest."""
    found = []
    for grade in np.nonzero(instance.can[device])[0]:
        serving = [
            s
            for s in range(instance.switch_count)
            if instance.may_hang[device, s] and (s, int(grade)) in instance.ports_of
        ]
        serving.sort(key=lambda s: (int(instance.switch_um[s, device]), s))
        found += [(s, int(grade)) for s in serving[:most]]
    return found


def basic_columns(builder: ColumnBuilder, most_switches: int) -> list[Column]:
    """Every link and every line of one device, every line of a group that must be together.

    Devices are tried at the nearest switches, ``most_switches`` for each grade.
    """
    inst = builder.instance
    found: list[Column | None] = []
    for i in range(inst.n):
        for s, grade in _near_ports(inst, i, most_switches):
            found.append(builder.alone(s, grade, i))
    for group in inst.together:
        for port in inst.port_classes:
            if inst.grades[port.grade].is_line and len(group) > 1:
                found.append(builder.line(port.switch, port.grade, group))
    return [c for c in found if c is not None]
