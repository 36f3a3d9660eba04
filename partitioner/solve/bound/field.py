"""Walks over all devices of a large problem, a block of rows at a time.

No matrix over all pairs is kept: distances are made block by block, so memory grows with the
number of devices only. Option devices are valued by their own share of units throughout, which
never costs more than the share their cable really has.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from partitioner.solve.bound.line_model import FAR
from partitioner.solve.columns import ColumnBuilder
from partitioner.units import PPM

BLOCK_CELLS = 4_000_000


@dataclass(slots=True)
class _Layer:
    """Best and second-best by the other neighbour: values and the neighbour of the best."""

    best: np.ndarray
    second: np.ndarray
    via: np.ndarray


class Field:
    """All lines of one grade over all devices that may be on one.

    Parameters
    ----------
    builder
        Makes and prices exact columns.
    grade
        Index of a line grade.
    """

    def __init__(self, builder: ColumnBuilder, grade: int):
        inst = self.instance = builder.instance
        self.grade = grade
        self.data = inst.grades[grade]
        self.members = np.nonzero(inst.can[:, grade])[0]
        k = self.k = len(self.members)
        unit = np.sort(inst.unit_mul[self.members])
        fits = int(np.searchsorted(np.cumsum(unit), int(self.data.unit_cap_mul), side="right"))
        self.capacity = min(self.data.max_devices, k, fits)
        line = inst.problem.line
        drop_um, end_um = line.drop_slack_um, line.end_slack_um
        own = np.array([inst.share_of((int(i),)) for i in self.members], dtype=np.int64)
        self.own = own if inst.has_options else None
        value = np.array([builder.device_value(grade, int(i)) for i in self.members], dtype=float)
        drop = inst.cable_values(grade, np.full(k, drop_um), own)
        self.base = value + drop
        self.switches = [s for s in range(inst.switch_count) if (s, grade) in inst.ports_of]
        end = inst.cable_values(grade, np.full(k, end_um), own).astype(float)
        line_end = np.array([builder.line_value(grade, [int(i)], True) for i in self.members])
        through = [builder.line_value(grade, [int(i)], False) for i in self.members]
        self.line_end = line_end.astype(float)
        if inst.has_options and (own == PPM).any():
            # An arm of always-fitted devices only may join one of option devices: least of all.
            self.line_end = np.minimum(self.line_end, self.line_end.min())
        self.line_through = float(min(through, default=0))
        reach = inst.switch_um[self.switches][:, self.members]
        shares = own[None, :] if inst.has_options else PPM
        near = inst.cable_values(grade, reach, shares) + end[None, :]
        self.close = np.where(inst.may_hang[self.members].T[self.switches], near, FAR)
        self.through = inst.line_may_pass_through

    def _cost(self, outer: np.ndarray, inner: np.ndarray) -> np.ndarray:
        """Float (outer, inner): cost of the outer device's way to the inner one."""
        inst = self.instance
        way = inst.way_um(self.members[outer], self.members[inner])
        share = PPM if self.own is None else self.own[outer][:, None]
        cost = inst.cable_values(self.grade, way, share).astype(float)
        cost[inst.conflict[np.ix_(self.members[outer], self.members[inner])]] = FAR
        cost[outer[:, None] == inner[None, :]] = FAR
        return cost

    def _stepped(self, before: _Layer, node: np.ndarray, forward: bool) -> _Layer:
        """One device more. Forward: the new device is inward of the old; else outward of it.

        ``node`` is what the device stepped to brings.
        """
        k = self.k
        out = _Layer(np.full(k, FAR), np.full(k, FAR), np.full(k, -1, dtype=np.int64))
        everyone = np.arange(k)
        rows = max(1, BLOCK_CELLS // max(1, k))
        for start in range(0, k, rows):
            new = np.arange(start, min(start + rows, k))
            if forward:
                total = self._cost(everyone, new).T.copy()
                total += before.best[None, :]
            else:
                total = self._cost(new, everyone)
                total += (before.best + node)[None, :]
            # Stepping straight back takes the second best of the device in between.
            old = np.nonzero((before.via >= new[0]) & (before.via <= new[-1]))[0]
            rows_back = before.via[old] - new[0]
            total[rows_back, old] += before.second[old] - before.best[old]
            at = np.arange(len(new))
            first = total.argmin(axis=1)
            best = total[at, first]
            total[at, first] = FAR
            second = total.min(axis=1)
            if forward:
                best, second = best + node[new], second + node[new]
            out.best[new] = np.minimum(best, FAR)
            out.second[new] = np.minimum(second, FAR)
            out.via[new] = np.where(best < FAR / 2, first, -1)
        return out

    def try_step(self) -> None:
        """Take one step with made-up figures, to see how long it takes."""
        if self.k and self.capacity:
            none = np.full(self.k, -1, dtype=np.int64)
            self._stepped(_Layer(self.base, np.full(self.k, FAR), none), self.base, True)

    def shortfall(
        self,
        dual: np.ndarray,
        fee: Callable[[int], float],
    ) -> np.ndarray:
        """How much each device's dual must fall so that no line has a negative reduced cost.

        Parameters
        ----------
        dual
            float (n,), whole money steps.
        fee
            Least value of a port less its duals, by switch.

        Returns
        -------
        ndarray
            float (n,), whole money steps. For every line the sum over its devices covers what
            its reduced cost lacks: each device lacks at least the line's lack per device.
        """
        inst = self.instance
        if not self.k or not self.capacity or not self.switches:
            return np.zeros(inst.n)
        node = self.base - dual[self.members]
        fees = np.array([fee(s) for s in self.switches])
        forward = [
            _Layer(node.copy(), np.full(self.k, FAR), np.full(self.k, -1, dtype=np.int64))
        ]
        for _ in range(1, self.capacity):
            forward.append(self._stepped(forward[-1], node, True))
        once = self.close + fees[:, None]
        ends = [once.min(axis=0) + self.line_end]
        if self.through:
            arms = np.array([(self.close + f.best[None, :]).min(axis=1) for f in forward])
            for size in range(1, self.capacity):
                ends.append((once + arms[size - 1][:, None]).min(axis=0) + self.line_through)
        lack = np.zeros(self.k)
        back = None
        for rest in range(self.capacity):
            if back is None:
                layer = _Layer(ends[0], np.full(self.k, FAR), np.full(self.k, -1, dtype=np.int64))
            else:
                layer = self._stepped(back, node, False)
                if self.through:
                    attach = ends[rest]
                    go = attach < layer.best
                    layer.second = np.where(go, np.minimum(layer.best, layer.second), layer.second)
                    layer.second = np.where(go, layer.second, np.minimum(layer.second, attach))
                    layer.best = np.where(go, attach, layer.best)
                    layer.via = np.where(go, -1, layer.via)
            back = layer
            for used in range(1, self.capacity - rest + 1):
                arm = forward[used - 1]
                # Arm and rest must not meet in the same neighbour on both sides.
                same = (arm.via == layer.via) & (arm.via >= 0)
                both = np.where(
                    same,
                    np.minimum(arm.second + layer.best, arm.best + layer.second),
                    arm.best + layer.best,
                )
                lack = np.maximum(lack, np.ceil(-np.minimum(both, 0.0) / (used + rest)))
        out = np.zeros(inst.n)
        out[self.members] = lack
        return out
