"""Dual values: those of the relaxation, and those that segments are judged by afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from partitioner.solve.arrays import Floats
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.instance import Instance


@dataclass(slots=True)
class MasterDuals:
    """Dual values in objective money, of the sign the Lagrangian needs.

    Float arrays, one value for each device (n,), row of ports (at most 0), row of counts, cut and
    cap (at least 0), in the order of the relaxation's lists of them.
    """

    device: Floats
    row: Floats
    count: Floats
    cut: Floats
    cap: Floats

    def mixed(self, other: MasterDuals, share: float) -> MasterDuals:
        """Mix: ``share`` of ``other`` and the rest of this one."""

        def grown(mine: Floats, theirs: Floats) -> Floats:
            # Rows added since count as 0 in the older duals.
            out = np.zeros(max(len(mine), len(theirs)))
            out[: len(mine)] += (1 - share) * mine
            out[: len(theirs)] += share * theirs
            return out

        names = [f.name for f in fields(self)]
        return MasterDuals(*(grown(getattr(self, n), getattr(other, n)) for n in names))

    def whole(self) -> MasterDuals:
        """Round to whole money steps."""
        return MasterDuals(*(np.rint(getattr(self, f.name)) for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Duals:
    """Dual values in objective money: per device (n,), per port class (P,), subset cuts.

    A cut is three devices and a price that a line pays if it holds two or more of them; a cap is a
    switch, devices and a price that a segment pays for each of them it has at that switch. Those of
    a bound are repaired so that every column's reduced cost is at least 0: a layout that costs at
    most ``bound + gap`` has only columns of reduced cost up to ``gap``. Leaving the prices of caps
    out, as here, keeps all of those and more.
    """

    device: Floats
    port: Floats
    cuts: tuple[tuple[tuple[int, int, int], int], ...] = ()
    caps: tuple[tuple[int, frozenset[int], int], ...] = ()

    def reduced(self, instance: Instance, column: Column, port: int | None = None) -> float:
        """Reduced cost of a column on a port class (the cheapest one if not given)."""
        ports = instance.ports_of[column.switch, column.grade] if port is None else [port]
        value = min(instance.port_classes[p].value - float(self.port[p]) for p in ports)
        value += column.cost - sum(float(self.device[i]) for i in column.devices)
        return value + self.cut_price(column.devices)

    def cut_price(self, devices: Sequence[int]) -> float:
        """What a line over the devices pays for subset cuts."""
        if len(devices) < 2 or not self.cuts:
            return 0.0
        inside = set(devices)
        return float(sum(p for cut, p in self.cuts if len(inside.intersection(cut)) >= 2))

    @classmethod
    def zero(cls, builder: ColumnBuilder) -> Duals:
        """All zeros: reduced cost is then plain cost."""
        inst = builder.instance
        return cls(np.zeros(inst.n), np.zeros(len(inst.port_classes)))
