"""What both enumerations of lines share: bit rows, and values by the options of devices."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from partitioner.solve.columns import ColumnBuilder
from partitioner.units import PPM

WORD = 64
"""Devices that one word of a bit row tells of."""


def word_count(devices: int) -> int:
    """Words of a bit row over so many devices, at least one."""
    return max(1, -(-devices // WORD))


def bit_rows(table: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint64]:
    """Rows of a bool table (r, k) as words (r, words), the first column in the lowest bit."""
    rows = np.zeros((len(table), word_count(table.shape[1])), dtype=np.uint64)
    for w in range(rows.shape[1]):
        part = table[:, w * WORD : (w + 1) * WORD].astype(np.uint64)
        rows[:, w] = (part << np.arange(part.shape[1], dtype=np.uint64)).sum(
            axis=1, dtype=np.uint64
        )
    return rows


class OptionValues:
    """What depends on the options of a set of devices only, cached.

    A set of options is a sum of option bits, or -1 where a device of the set is always fitted.
    """

    def __init__(self, builder: ColumnBuilder, grade: int, members: Sequence[int]):
        self._builder, self._grade = builder, grade
        bits = builder.instance.option_bit
        self._of_bit = {int(bits[i]): int(i) for i in reversed(members)}
        self._share: dict[int, int] = {-1: PPM}
        self._value: dict[tuple[int, bool], int] = {}

    def _devices(self, option: int) -> list[int]:
        """Devices of exactly these options."""
        if option == -1:
            return [self._of_bit[0]]
        return [i for bit, i in self._of_bit.items() if bit & option]

    def _share_of(self, option: int) -> int:
        if option not in self._share:
            self._share[option] = self._builder.instance.share_of(self._devices(option))
        return self._share[option]

    def _value_of(self, option: int, at_end: bool) -> int:
        if (option, at_end) not in self._value:
            self._value[option, at_end] = self._builder.line_value(
                self._grade, self._devices(option), at_end
            )
        return self._value[option, at_end]

    def shares(self, option: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Share of the units, in ppm, that have a device of each set."""
        if not self._builder.instance.has_options:
            return np.full(len(option), PPM, dtype=np.int64)
        unique, inverse = np.unique(option, return_inverse=True)
        return np.array([self._share_of(int(o)) for o in unique], dtype=np.int64)[inverse]

    def line_values(
        self, option: npt.NDArray[np.int64], at_end: bool
    ) -> npt.NDArray[np.int64]:
        """Objective money of what a line carries once, by the options of its devices."""
        unique, inverse = np.unique(option, return_inverse=True)
        values = [self._value_of(int(o), at_end) for o in unique]
        return np.array(values, dtype=np.int64)[inverse]
