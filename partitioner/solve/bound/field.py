"""Walks over all devices of a large problem, block by block.

No matrix over all pairs is kept: devices stand in blocks of neighbours, distances are made for
pairs of blocks when needed, and pairs that are too far apart to matter are passed over. So memory
grows with the number of devices only. Option devices are valued by their own share of units
throughout, which never costs more than the share their cable really has.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from partitioner.model.problem import Metric
from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.bound.line_model import FAR, most_fitting
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.split import split
from partitioner.units import PPM, UM_PER_M

BLOCK = 60
"""Most devices of a block."""


@dataclass(slots=True)
class _Layer:
    """Best and second-best by the other neighbour: values and the neighbour of the best."""

    best: Floats
    second: Floats
    via: Ints

    @classmethod
    def of(cls, best: Floats) -> _Layer:
        """Values without a neighbour behind them."""
        return cls(best, np.full(len(best), FAR), np.full(len(best), -1, dtype=np.int64))


class Field:
    """All lines of one grade over all devices that may be on one."""

    def __init__(self, builder: ColumnBuilder, grade: int):
        inst = self.instance = builder.instance
        self.grade = grade
        self.data = inst.grades[grade]
        members = np.nonzero(inst.can[:, grade])[0]
        k = self.k = len(members)
        points = inst.positions_um[members]
        parts = split(points, BLOCK) if k else []
        # Devices are renumbered so that each block is a range.
        self.members = members = members[np.concatenate(parts)] if parts else members
        ends = np.cumsum([0] + [len(part) for part in parts])
        self.blocks = [np.arange(a, b) for a, b in itertools.pairwise(ends)]
        self.points = points[np.concatenate(parts)] if parts else points
        self.least_cost: Floats | None = None
        self.radius = 0.0
        fits = most_fitting(inst.unit_mul[self.members], int(self.data.unit_cap_mul))
        self.capacity = min(self.data.max_devices, k, fits)
        line = inst.problem.line
        drop_um, end_um = line.drop_slack_um, line.end_slack_um
        own = inst.share_ppm[self.members]
        self.least_share = int(own.min(initial=PPM))
        # Objective money per micrometre of each device's way, not rounded.
        grade_row = inst.problem.catalogue.grades[self.data.id]
        cable = inst.problem.catalogue.cables[grade_row.cable]
        mass_price = inst.problem.objective.mass_price_per_kg_money
        per_um = (cable.price_per_m_money + cable.mass_mg_per_m * mass_price / 1e6) / UM_PER_M
        self.rate = per_um * own / PPM
        self.has_conflicts = bool(inst.conflict.any())
        value = np.array(
            [builder.device_value(grade, int(i)) for i in self.members], dtype=np.float64
        )
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
        near = inst.cable_values(grade, reach, own[None, :]) + end[None, :]
        self.close = np.where(inst.may_hang[self.members].T[self.switches], near, FAR)
        self.through = inst.line_may_pass_through

    def _cost(self, outer: Ints, inner: Ints) -> Floats:
        """Float (outer, inner): least cost of the outer device's way to the inner one."""
        inst = self.instance
        if inst.network.has_pathways:
            length = inst.way_um(self.members[outer], self.members[inner]).astype(float)
        else:
            length = np.zeros((len(outer), len(inner)))
            straight = inst.problem.routing.metric is Metric.STRAIGHT
            for axis in range(3):
                gap = self.points[outer, axis][:, None] - self.points[inner, axis][None, :]
                length += gap * gap if straight else np.abs(gap)
            if straight:
                np.sqrt(length, out=length)
            length *= inst.problem.routing.factor_ppm / PPM
        # Every length is priced with each item rounded up: without rounding it is never dearer,
        # and the last digits of the floats are given away too.
        length *= self.rate[outer][:, None]
        cost = np.maximum(np.floor(length - 1e-3), 0.0)
        if self.has_conflicts:
            cost[inst.conflict[np.ix_(self.members[outer], self.members[inner])]] = FAR
        _, *same = np.intersect1d(outer, inner, assume_unique=True, return_indices=True)
        cost[tuple(same)] = FAR
        return cost

    def _block_costs(self) -> Floats:
        """Float (blocks, blocks): least cost of a way from outer to inner block, or below it."""
        if self.least_cost is None and not self.instance.network.has_pathways:
            self.least_cost = self._costs_between_boxes()
        if self.least_cost is None:
            everyone = np.arange(self.k)
            starts = [block[0] for block in self.blocks]
            rows = [
                np.minimum.reduceat(self._cost(block, everyone).min(axis=0), starts)
                for block in self.blocks
            ]
            self.least_cost = np.array(rows)
        return self.least_cost

    def _costs_between_boxes(self) -> Floats:
        """Lower bounds by the boxes around the blocks, where distance is by metric."""
        inst = self.instance
        routing = inst.problem.routing
        low = np.array([self.points[b].min(axis=0) for b in self.blocks])
        high = np.array([self.points[b].max(axis=0) for b in self.blocks])
        gap = np.maximum(low[:, None] - high[None, :], 0) + np.maximum(
            low[None, :] - high[:, None], 0
        )
        if routing.metric is Metric.RECTILINEAR:
            length = gap.sum(axis=2)
        else:
            length = np.sqrt((gap**2).sum(axis=2))
        # A step of rounding is taken off, so that no way is shorter than its blocks are apart.
        length_um = np.maximum(length * (routing.factor_ppm / PPM) - 1.0, 0.0).astype(np.int64)
        return inst.cable_values(self.grade, length_um, self.least_share).astype(float)

    def _stepped(self, before: _Layer, node: Floats, forward: bool) -> _Layer:
        """One device more. Forward: the new device is inward of the old; else outward of it.

        ``node`` is what the device stepped to brings. Ways dearer than the radius are left out,
        see :meth:`shortfall`.
        """
        out = _Layer.of(np.full(self.k, FAR))
        costs = self._block_costs()
        for number, new in enumerate(self.blocks):
            least = costs[:, number] if forward else costs[number]
            near = np.nonzero(least <= self.radius)[0]
            if not len(near):
                continue
            old = np.concatenate([self.blocks[b] for b in near])
            if forward:
                total = self._cost(old, new).T.copy()
                total += before.best[old][None, :]
            else:
                total = self._cost(new, old)
                total += (before.best + node)[old][None, :]
            # Stepping straight back takes the second best of the device in between.
            via = before.via[old]
            back = np.nonzero((via >= new[0]) & (via <= new[-1]))[0]
            total[via[back] - new[0], back] += (before.second - before.best)[old[back]]
            at = np.arange(len(new))
            first = total.argmin(axis=1)
            best = total[at, first]
            total[at, first] = FAR
            second = total.min(axis=1)
            if forward:
                best, second = best + node[new], second + node[new]
            out.best[new] = np.minimum(best, FAR)
            out.second[new] = np.minimum(second, FAR)
            out.via[new] = np.where(best < FAR / 2, old[first], -1)
        return out

    def try_step(self) -> None:
        """Take one step with made-up figures, to see how long it takes."""
        if self.k and self.capacity:
            costs = self._block_costs()
            self.radius = float(np.quantile(costs, 0.25))
            self._stepped(_Layer.of(self.base), self.base, True)

    def shortfall(self, dual: Floats, fee: Callable[[int], float]) -> Floats:
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

        Notes
        -----
        A line with ways dearer than the radius falls into pieces between them: one with the
        switch, a line itself, and others that are parts of arms. Each such way costs more than
        the radius, so once that is above what a part of an arm and a line can lack together, no
        line with such a way lacks anything. The radius is widened until this holds.
        """
        inst = self.instance
        out = np.zeros(inst.n)
        if not self.k or not self.capacity or not self.switches:
            return out
        node = self.base - dual[self.members]
        fees = np.array([fee(s) for s in self.switches])
        if self.radius <= 0:
            # Roughly what the best arms bring; widened below if that was too little.
            self.radius = max(1.0, -0.7 * (self.capacity - 1) * float(np.quantile(node, 0.05)))
        while True:
            lack, arm, line = self._lack(node, fees)
            needed = -min(arm, 0.0) - min(line, 0.0)
            if self.radius >= needed:
                break
            self.radius = 1.1 * needed
        out[self.members] = lack
        return out

    def _lack(self, node: Floats, fees: Floats) -> tuple[Floats, float, float]:
        """Lack per device over all walks within the radius; the least part of an arm and line."""
        forward = [_Layer.of(node)]
        for _ in range(1, self.capacity):
            forward.append(self._stepped(forward[-1], node, True))
        once = self.close + fees[:, None]
        ends = [once.min(axis=0) + self.line_end]
        if self.through:
            arms = np.array([(self.close + f.best[None, :]).min(axis=1) for f in forward])
            for size in range(1, self.capacity):
                ends.append((once + arms[size - 1][:, None]).min(axis=0) + self.line_through)
        lack = np.zeros(self.k)
        least_line = FAR
        least_arm = min(float(f.best.min()) for f in forward)
        back = None
        for rest in range(self.capacity):
            if back is None:
                layer = _Layer.of(ends[0])
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
                least_line = min(least_line, float(both.min()))
        return lack, least_arm, least_line
