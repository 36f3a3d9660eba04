"""Labels as parallel numpy arrays, and which of them no other beats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from partitioner.solve.arrays import Bools, Floats, Ints
from partitioner.solve.bound.resources import Amounts, Words

_MIX = np.array(
    [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0xD6E8FEB86659FD93],
    dtype=np.uint64,
)


@dataclass(slots=True)
class Labels:
    """Parallel arrays of labels. ``add`` holds the additive resources, length first.

    ``state`` is a state of the model on the first arm; on the second arm it is the number of
    states plus the local device, ``switch`` is the switch passed and ``first`` the weight of the
    first arm (-1 and 0 before).
    """

    cost: Floats
    weight: Ints
    state: npt.NDArray[np.int32]
    switch: npt.NDArray[np.int16]
    first: npt.NDArray[np.int32]
    words: Words
    add: Ints
    option: Ints
    budget: Ints
    parent: Ints

    def __len__(self) -> int:
        return len(self.cost)

    def take(self, index: Ints | Bools) -> Labels:
        """Give some of them."""
        return Labels(*(getattr(self, name)[index] for name in self.__slots__))


def joined(parts: Sequence[Labels]) -> Labels:
    """Several arrays of labels as one."""
    if len(parts) == 1:
        return parts[0]
    return Labels(*(np.concatenate([getattr(p, n) for p in parts]) for n in Labels.__slots__))


def undominated(labels: Labels, *, tells_switches: bool, length_matters: bool) -> Ints:
    """Indices of labels that no other of the same memory and innermost state beats.

    ``tells_switches``: labels that have passed one switch beat none that passed another.
    ``length_matters``: a dearer label stands where it is shorter.
    """
    if not len(labels):
        return np.zeros(0, dtype=np.int64)
    with np.errstate(over="ignore"):
        place = labels.first.astype(np.uint64) << np.uint64(32)
        place += labels.state.astype(np.uint64)
        if tells_switches:
            place += (labels.switch + 1).astype(np.uint64) << np.uint64(48)
        key = (place + np.uint64(1)) * _MIX[3]
        for w in range(labels.words.shape[1]):
            mixed = labels.words[:, w] * _MIX[w % 3] + np.uint64(w)
            mixed ^= mixed >> np.uint64(29)
            key = (key ^ mixed) * _MIX[0]
    order = np.argsort(key)
    place, words = place[order], labels.words[order]
    # Labels are one group only if they really agree, whatever their keys say.
    new = np.ones(len(order), dtype=bool)
    new[1:] = (place[1:] != place[:-1]) | (words[1:] != words[:-1]).any(axis=1)
    start = np.nonzero(new)[0]
    group = np.cumsum(new) - 1
    cost = labels.cost[order]
    least = np.minimum.reduceat(cost, start)
    cheapest = cost == least[group]
    if not length_matters:
        return np.sort(order[_first_of_each(group, cheapest)])
    # Of the cheapest the shortest; and everything dearer that is shorter still.
    length = labels.add[:, Amounts.LENGTH][order]
    shortest = np.minimum.reduceat(np.where(cheapest, length, np.int64(2**60)), start)
    keep = length < shortest[group]
    keep |= _first_of_each(group, cheapest & (length == shortest[group]))
    return np.sort(order[keep])


def _first_of_each(group: Ints, marked: Bools) -> Bools:
    """Mark only the first marked entry of each run of equal group numbers."""
    at = np.nonzero(marked)[0]
    first = np.ones(len(at), dtype=bool)
    first[1:] = group[at[1:]] != group[at[:-1]]
    out = np.zeros(len(marked), dtype=bool)
    out[at[first]] = True
    return out
