"""All arms worth looking at: paths of devices built from the far end towards the switch.

An arm is what hangs on one side of a switch. Building it from its far end makes options exact
without a second pass: which units carry a piece of cable depends only on the devices at and
beyond it, and those are known when the piece is added.

The enumeration goes level by level (one more device each), whole levels at a time as numpy
arrays. Two arms over the same devices with the same innermost device differ only in cost and
length, so only the undominated are kept; and arms that cannot be completed below a threshold of
reduced cost are dropped when completion bounds are given.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.label_parts import WORD, OptionValues, bit_rows, word_count

CHUNK_CELLS = 4_000_000
"""Most label x device cells extended at a time, which bounds the memory of one step."""


class TooManyArms(Exception):
    """The enumeration went over its size limit; the caller falls back to something coarser."""


@dataclass(slots=True)
class ArmLevel:
    """Arms of one size, as parallel arrays (L arms).

    ``mask`` uint64 (L, words) over local device numbers; ``last`` the innermost device (local);
    ``cost`` objective money without the innermost way; ``length_um`` likewise; ``share_ppm`` the
    share of units that carry the innermost piece; ``reduced`` cost less duals; ``parent`` index
    into the level before (-1 at the first). ``passes`` bits of the capped pathways run through.
    """

    mask: npt.NDArray[np.uint64]
    last: npt.NDArray[np.int32]
    cost: npt.NDArray[np.int64]
    length_um: npt.NDArray[np.int64]
    share_ppm: npt.NDArray[np.int64]
    option: npt.NDArray[np.int64]
    unit: npt.NDArray[np.int64]
    load: npt.NDArray[np.int64]
    slot: npt.NDArray[np.int64]
    budget: npt.NDArray[np.int64]
    reduced: npt.NDArray[np.float64]
    parent: npt.NDArray[np.int64]
    passes: npt.NDArray[np.uint64]

    def __len__(self) -> int:
        return len(self.last)

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> ArmLevel:
        """Give the arms at ``index`` (indices or booleans) as a level of their own."""
        return ArmLevel(*(getattr(self, name)[index] for name in self.__slots__))


class ArmSpace:
    """The devices and figures of an enumeration: one grade, some devices, all switches.

    What devices add to load and cycle, and the longest cycle their deadlines allow, may only err on
    the side of allowing too much; what is kept is judged exactly later.

    Parameters
    ----------
    builder
        Exact columns of the compiled problem.
    grade
        Index of a line grade.
    members
        Device indices to build arms from; those that cannot hang on such a line are left out.
    """

    def __init__(self, builder: ColumnBuilder, grade: int, members: Sequence[int]):
        instance = self.instance = builder.instance
        self.grade = grade
        self.data = instance.grades[grade]
        usable = [i for i in members if instance.can[i, grade] and instance.may_hang[i].any()]
        self.members = np.asarray(usable, dtype=np.int64)
        self.m = len(self.members)
        self.words = word_count(self.m)
        self.values = OptionValues(builder, grade, usable)
        line = instance.problem.line
        self.drop_um, self.end_um = line.drop_slack_um, line.end_slack_um
        self.tail_rule = line.option_tail
        self.way_um = instance.way_um(self.members, self.members)
        self.switch_um = instance.switch_um[:, self.members]
        self.device_value = np.array(
            [builder.device_value(grade, i) for i in usable], dtype=np.int64
        )
        self.unit = instance.unit_mul[self.members]
        self.option = instance.option_bit[self.members]
        # -1 stands for a set with a device that is always fitted.
        self.own_option = np.where(self.option == 0, np.int64(-1), self.option)
        least = builder.latency.least(grade)
        self.load, self.slot = least.load_ppm[usable], least.slot_ns[usable]
        self.budget = least.budget_ns[usable]
        self.base_cycle_ns = least.base_cycle_ns
        self.may_hang = instance.may_hang[self.members].T
        reach = np.where(self.may_hang, self.switch_um, np.int64(2**50))
        self.nearest_um = reach.min(axis=0)
        arc_ok = ~instance.conflict[np.ix_(self.members, self.members)]
        np.fill_diagonal(arc_ok, False)
        self.compatible_switch = (
            self.may_hang.astype(np.int32).T @ self.may_hang.astype(np.int32)
        ) > 0
        arc_ok &= self.compatible_switch
        self.block = bit_rows(~arc_ok)
        apart = self.data.spacing_min_um
        self.step_ok = arc_ok & ((self.way_um + self.drop_um >= apart) if apart else True)
        self.own_bit = bit_rows(np.eye(self.m, dtype=bool))
        self.arc_value = instance.cable_values(grade, self.way_um)
        self.drop_value = instance.cable_value(grade, self.drop_um)
        self._build_passes()

    def _build_passes(self) -> None:
        """Bits of the pathways with a cap that each way runs through (0 where nothing is capped).

        Arms that differ in these are both kept, since a pathway may be full. Only the tightest
        64 caps are told apart.
        """
        problem = self.instance.problem
        capped = sorted(
            (p for p in problem.pathways if p.max_cables is not None),
            key=lambda p: (p.max_cables, p.id),
        )[:WORD]
        self.has_caps = bool(capped)
        self.capped_ids = [p.id for p in capped]
        if not capped:
            return
        bit = {p.id: np.uint64(1 << k) for k, p in enumerate(capped)}
        network = self.instance.network
        ids = [self.instance.device_ids[i] for i in self.members]

        def bits(a: str, b: str) -> np.uint64:
            total = np.uint64(0)
            for pathway in network.pathways_on(a, b):
                total |= bit.get(pathway, np.uint64(0))
            return total

        self.way_passes = np.zeros((self.m, self.m), dtype=np.uint64)
        for i, a in enumerate(ids):
            for j in range(i):
                self.way_passes[i, j] = self.way_passes[j, i] = bits(a, ids[j])

    def cable_values(
        self, lengths_um: npt.NDArray[np.int64], share_ppm: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.int64]:
        """Objective money of cable lengths carried by shares of the units."""
        if not self.instance.has_options:
            return self.instance.cable_values(self.grade, lengths_um)
        return self.instance.cable_values(self.grade, lengths_um, share_ppm)

    # -- enumeration --------------------------------------------------------------------------

    def first_level(self, duals: npt.NDArray[np.float64]) -> ArmLevel:
        """Arms of a single device each."""
        m = self.m
        option = self.own_option
        share = self.values.shares(option)
        drop = self.cable_values(np.full(m, self.drop_um, dtype=np.int64), share)
        cost = self.device_value + drop
        level = ArmLevel(
            mask=self.own_bit.copy(),
            last=np.arange(m, dtype=np.int32),
            cost=cost,
            length_um=np.full(m, self.drop_um, dtype=np.int64),
            share_ppm=share,
            option=option,
            unit=self.unit.copy(),
            load=self.load.copy(),
            slot=self.slot.copy(),
            budget=self.budget.copy(),
            reduced=cost - duals,
            parent=np.full(m, -1, dtype=np.int64),
            passes=np.zeros(m, dtype=np.uint64),
        )
        slack = self.end_um * (1 if self.instance.line_may_pass_through else 2)
        keep = (
            (level.length_um + self.nearest_um + slack <= self.data.max_length_um)
            & (level.unit <= self.data.unit_cap_mul)
            & (level.load <= self.data.load_cap_ppm)
            & (self.base_cycle_ns + level.slot <= level.budget)
        )
        return level.take(keep)

    def extend(
        self,
        level: ArmLevel,
        duals: npt.NDArray[np.float64],
        bound: npt.NDArray[np.float64] | None = None,
        threshold: float = 0.0,
    ) -> ArmLevel:
        """Put one more device on the inner side of every arm, in every allowed way.

        ``bound`` (m,) is a lower bound on the reduced cost that completing an arm with that
        innermost device still adds; arms that cannot end below ``threshold`` are dropped.
        """
        parts: list[ArmLevel] = []
        rows = max(1, CHUNK_CELLS // max(1, self.m))
        for start in range(0, len(level), rows):
            piece = self._extend_rows(level, start, min(start + rows, len(level)), duals, bound,
                                      threshold)
            if len(piece):
                parts.append(piece)
        if not parts:
            return level.take(np.zeros(0, dtype=np.int64))
        joined = ArmLevel(
            *(np.concatenate([getattr(p, name) for p in parts]) for name in ArmLevel.__slots__)
        )
        return joined.take(self.undominated(joined))

    def _extend_rows(
        self,
        level: ArmLevel,
        start: int,
        stop: int,
        duals: npt.NDArray[np.float64],
        bound: npt.NDArray[np.float64] | None,
        threshold: float,
    ) -> ArmLevel:
        sub = slice(start, stop)
        last = level.last[sub]
        ok = self.step_ok[last].copy()
        for w in range(self.words):
            width = min(WORD, self.m - w * WORD)
            bits = np.left_shift(np.uint64(1), np.arange(width, dtype=np.uint64))
            # A device is out if the arm holds it or holds one that conflicts with it.
            inside = level.mask[sub, w][:, None] & bits[None, :]
            ok[:, w * WORD : w * WORD + width] &= inside == 0
        if self.block.any():
            for w in range(self.words):
                clash = self.block[None, :, w] & level.mask[sub, w][:, None]
                ok &= clash == 0
        if self.tail_rule and self.instance.has_options:
            ok &= ~((level.option[sub] == -1)[:, None] & (self.option != 0)[None, :])
        slack = self.end_um * (1 if self.instance.line_may_pass_through else 2)
        length = level.length_um[sub][:, None] + self.way_um[last] + self.drop_um
        ok &= length + self.nearest_um[None, :] + slack <= self.data.max_length_um
        ok &= level.unit[sub][:, None] + self.unit[None, :] <= self.data.unit_cap_mul
        ok &= level.load[sub][:, None] + self.load[None, :] <= self.data.load_cap_ppm
        slot = level.slot[sub][:, None] + self.slot[None, :]
        budget = np.minimum(level.budget[sub][:, None], self.budget[None, :])
        ok &= self.base_cycle_ns + slot <= budget
        i, j = np.nonzero(ok)
        if not len(i):
            return level.take(np.zeros(0, dtype=np.int64))
        old = i + start
        prev = level.last[old]
        drop: npt.NDArray[np.int64] | int
        if self.instance.has_options:
            way = self.cable_values(self.way_um[prev, j], level.share_ppm[old])
            # An arm with an always-fitted device (-1) stays so; a set of option bits grows.
            option = np.where(
                (level.option[old] == -1) | (self.option[j] == 0),
                np.int64(-1),
                level.option[old] | self.option[j],
            )
            share = self.values.shares(option)
            drop = self.cable_values(np.full(len(j), self.drop_um, dtype=np.int64), share)
        else:
            way = self.arc_value[prev, j]
            option = level.option[old]
            share = level.share_ppm[old]
            drop = self.drop_value
        keep: npt.NDArray[np.bool_] | slice = slice(None)
        step = way + self.device_value[j] + drop
        reduced = level.reduced[old] + step - duals[j]
        if bound is not None:
            keep = reduced + bound[j] < threshold
            i, j, old, option, share = i[keep], j[keep], old[keep], option[keep], share[keep]
            step, reduced = step[keep], reduced[keep]
        passes = level.passes[old]
        if self.has_caps:
            passes = passes | self.way_passes[prev[keep], j]
        return ArmLevel(
            mask=level.mask[old] | self.own_bit[j],
            last=j.astype(np.int32),
            cost=level.cost[old] + step,
            length_um=length[i, j],
            share_ppm=share,
            option=option,
            unit=level.unit[old] + self.unit[j],
            load=level.load[old] + self.load[j],
            slot=slot[i, j],
            budget=budget[i, j],
            reduced=reduced,
            parent=old.astype(np.int64),
            passes=passes,
        )

    def undominated(self, level: ArmLevel) -> npt.NDArray[np.int64]:
        """Indices of arms that no other with the same devices and innermost device beats."""
        words = [level.mask[:, w] for w in range(self.words)]
        if self.has_caps:
            words.append(level.passes)
        keys: tuple[npt.NDArray[np.integer], ...] = (
            level.length_um, level.cost, level.last, *words
        )
        order = np.lexsort(keys)
        last = level.last[order]
        new = np.ones(len(order), dtype=bool)
        new[1:] = last[1:] != last[:-1]
        for word in words:
            ranked = word[order]
            new[1:] |= ranked[1:] != ranked[:-1]
        if not self.instance.has_options:
            return order[new]
        # With options a dearer arm may be shorter: keep each new least length of its group.
        # Subtracting a growing offset per group makes one running minimum restart in every group.
        group = np.cumsum(new)
        length = level.length_um[order] - group * np.int64(2**42)
        best = np.minimum.accumulate(length)
        keep = new.copy()
        keep[1:] |= best[1:] < best[:-1]
        return order[keep]

    def levels(
        self,
        duals: npt.NDArray[np.float64] | None = None,
        bounds: Callable[[int], npt.NDArray[np.float64]] | None = None,
        threshold: float = 0.0,
        max_size: int | None = None,
        limit: int = 3_000_000,
    ) -> list[ArmLevel]:
        """Enumerate all arms up to the most devices a line may carry.

        Parameters
        ----------
        duals
            float (m,), what covering a device earns; zeros if not given.
        bounds
            ``bounds(size)`` gives the completion bound for arms of that size, see :meth:`extend`.
        limit
            Most arms kept in all.

        Raises
        ------
        TooManyArms
            If more than ``limit`` arms would be kept.
        """
        duals = np.zeros(self.m) if duals is None else duals
        top = self.data.max_devices if max_size is None else min(max_size, self.data.max_devices)
        level = self.first_level(duals)
        if bounds is not None:
            level = level.take(level.reduced + bounds(1)[level.last] < threshold)
        out = [level]
        total = len(level)
        for size in range(2, top + 1):
            if len(level) * self.m > 40 * limit:
                raise TooManyArms
            level = self.extend(level, duals, None if bounds is None else bounds(size), threshold)
            if not len(level):
                break
            total += len(level)
            if total > limit:
                raise TooManyArms
            out.append(level)
        return out

    def order(self, levels: list[ArmLevel], size: int, index: int) -> tuple[int, ...]:
        """Devices (instance numbers) of one arm, outward from the switch."""
        devices = []
        for k in range(size - 1, -1, -1):
            devices.append(int(self.members[levels[k].last[index]]))
            index = int(levels[k].parent[index])
        return tuple(devices)
