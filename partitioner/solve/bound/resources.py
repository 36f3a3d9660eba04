"""What labels carry along a line: amounts, devices remembered, pathways passed, options met."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from partitioner.solve.arrays import Bools, Ints
from partitioner.solve.bound.line_model import LineModel
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.kept import kept
from partitioner.units import PPM

WORD = 64
"""Bits that one word of a bit row has."""
Words = npt.NDArray[np.uint64]


def word_count(bits: int) -> int:
    """Words of a bit row of so many bits."""
    return -(-bits // WORD)


def bit_rows(table: Bools) -> Words:
    """Rows of a bool table (..., k) as words (..., words), the first column in the lowest bit."""
    bits = table.shape[-1]
    padded = np.zeros((*table.shape[:-1], word_count(bits) * WORD), dtype=bool)
    padded[..., :bits] = table
    return np.packbits(padded, axis=-1, bitorder="little").view("<u8").astype(np.uint64)


def holds(words: Words, device: Ints | int) -> Bools:
    """Whether each bit row has a device, or the device of the same place."""
    number = np.asarray(device)
    held = words[np.arange(len(words)), number // WORD] >> (number % WORD).astype(np.uint64)
    has: Bools = (held & np.uint64(1)) == 1
    return has


class Amounts:
    """Resources that add up device by device, and their limits.

    Parameters
    ----------
    exact
        Whether labels remember every device, so that what they add up is true. Else only length
        (kept by dominance) is limited.

    Attributes
    ----------
    gain
        int64 (k, 4): length (0 here), unit loads, load and slot that each device brings.
    budget
        int64 (k,): longest cycle each device's deadlines allow.
    """

    LENGTH, UNIT, LOAD, SLOT = range(4)

    def __init__(self, model: LineModel, exact: bool):
        self.model, self.exact = model, exact
        inst, ids = model.instance, model.members
        least = model.builder.latency.least(model.grade)
        self.gain = np.zeros((model.k, 4), dtype=np.int64)
        self.gain[:, self.UNIT] = inst.unit_mul[ids]
        self.gain[:, self.LOAD] = least.load_ppm[ids]
        self.gain[:, self.SLOT] = least.slot_ns[ids]
        self.budget = least.budget_ns[ids].astype(np.int64)
        self._base_cycle_ns = int(least.base_cycle_ns)
        self._unit_cap = int(model.data.unit_cap_mul)
        self._load_cap = int(model.data.load_cap_ppm)
        self._has_cycle = bool((self.budget < 2**49).any())
        self.length_matters = self._length_matters()

    def _length_matters(self) -> bool:
        """Whether any line could be too long."""
        model = self.model
        if not model.k:
            return False
        most = min(model.capacity, model.k)
        top = np.sort(model.arc_um.max(axis=1))[::-1][: most - 1].sum()
        return bool(top + 2 * model.close_um.max() + model.end_um > model.max_length_um)

    def within(self, add: Ints, budget: Ints, device: Ints, on_first: bool) -> Bools:
        """Whether lines with these amounts can be finished at all."""
        model = self.model
        length = add[:, self.LENGTH]
        if on_first:
            # A first arm still has to reach a switch, and every line has a second end slack.
            length = length + model.nearest_um[device] + model.end_um
        ok: Bools = length <= model.max_length_um
        if self.exact:
            ok &= add[:, self.UNIT] <= self._unit_cap
            ok &= add[:, self.LOAD] <= self._load_cap
            if self._has_cycle:
                ok &= self._base_cycle_ns + add[:, self.SLOT] <= budget
        return ok


class Memory:
    """What tells labels apart: devices remembered and, if asked, capped pathways passed.

    Both are bits of the same row of words: first those of devices, then those of pathways.

    Parameters
    ----------
    near
        bool (k, k): row i marks what a walk at device i remembers; None remembers everything.
    tells_pathways
        Whether lines through other capped pathways are other lines.
    """

    def __init__(self, model: LineModel, near: Bools | None, tells_pathways: bool = False):
        k = model.k
        self.is_full = near is None
        capped = [p.id for p in model.instance.problem.pathways if p.max_cables is not None]
        if not tells_pathways:
            capped = []
        self._devices = max(1, word_count(k))
        self.width = self._devices + word_count(len(capped))
        self.own = self._widened(bit_rows(np.eye(k, dtype=bool)))
        self._keep = None
        if near is not None:
            self._keep = self._widened(bit_rows(near | np.eye(k, dtype=bool)))
            self._keep[:, self._devices :] = ~np.uint64(0)
        conflict = model.instance.conflict[np.ix_(model.members, model.members)]
        self._block = bit_rows(conflict) if self.is_full and conflict.any() else None
        self._ways: tuple[Words, Words] | None = None
        if capped:
            self._ways = self._passed(model, capped)

    def _widened(self, words: Words) -> Words:
        rows = np.zeros((len(words), self.width), dtype=np.uint64)
        rows[:, : words.shape[1]] = words
        return rows

    def _passed(self, model: LineModel, capped: Sequence[str]) -> tuple[Words, Words]:
        """Words (k, k, width), (S, k, width): pathways between devices, and from each switch."""
        inst = model.instance
        number = {p: b for b, p in enumerate(capped)}
        devices = [inst.device_ids[i] for i in model.members]
        switches = [inst.switch_ids[s] for s in model.switches]
        tables = []
        for ends in (devices, switches):
            bits = np.zeros((len(ends), len(devices), len(capped)), dtype=bool)
            for a, one in enumerate(ends):
                for b, other in enumerate(devices):
                    if one == other:
                        continue
                    inside = [number.get(p) for p in inst.network.pathways_on(one, other)]
                    bits[a, b, [x for x in inside if x is not None]] = True
            row = np.zeros((*bits.shape[:2], self.width), dtype=np.uint64)
            row[..., self._devices :] = bit_rows(bits)
            tables.append(row)
        return tables[0], tables[1]

    def on_way(
        self, outer: npt.NDArray[np.integer], inner: npt.NDArray[np.integer]
    ) -> Words | None:
        """What cables between two devices each pass; None where that is not told."""
        return None if self._ways is None else self._ways[0][outer, inner]

    def at_switch(self, switch: int, device: npt.NDArray[np.integer]) -> Words | None:
        """What cables from a local switch to devices pass; None where that is not told."""
        return None if self._ways is None else self._ways[1][switch, device]

    def after(self, words: Words, target: Ints) -> Words:
        """What is remembered after stepping on to devices."""
        if self._keep is not None:
            words = words & self._keep[target]
        return words | self.own[target]

    def free(self, words: Words, source: Ints, target: Ints) -> Bools:
        """Whether a row ``source`` remembers neither a device nor one in conflict with it."""
        ok = words[source, target // WORD] & self.own[target, target // WORD] == 0
        if self._block is not None:
            for w in range(self._devices):
                ok &= (words[source, w] & self._block[target, w]) == 0
        free: Bools = ok
        return free


class OptionValues:
    """What depends on the options of a set of devices only, cached.

    A set of options is a sum of option bits, or -1 where a device of the set is always fitted.
    """

    def __init__(self, builder: ColumnBuilder, grade: int, members: Sequence[int]):
        self._builder, self._grade = builder, grade
        bits = builder.instance.option_bit
        self._of_bit = {int(bits[i]): int(i) for i in reversed(members)}

    def _devices(self, option: int) -> list[int]:
        """Devices of exactly these options."""
        if option == -1:
            return [self._of_bit[0]]
        return [i for bit, i in self._of_bit.items() if bit & option]

    @kept
    def _share_of(self, option: int) -> int:
        if option == -1:
            return PPM
        return self._builder.instance.share_of(self._devices(option))

    @kept
    def _value_of(self, option: int) -> int:
        return self._builder.line_value(self._grade, self._devices(option), switch_at_end=True)

    def shares(self, option: Ints) -> Ints:
        """Share of the units, in ppm, that have a device of each set."""
        unique, inverse = np.unique(option, return_inverse=True)
        return np.array([self._share_of(int(o)) for o in unique], dtype=np.int64)[inverse]

    def line_values(self, option: Ints) -> Ints:
        """Objective money of what a line with its switch at the end carries once."""
        unique, inverse = np.unique(option, return_inverse=True)
        values = [self._value_of(int(o)) for o in unique]
        return np.array(values, dtype=np.int64)[inverse]
