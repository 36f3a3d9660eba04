"""Subset cuts over three devices: at most one line can hold two or more of them.

Found here, and priced where lines are searched.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.bound.line_model import LineModel
from partitioner.solve.bound.relaxed_master import MasterColumn
from partitioner.solve.bound.resources import Words, holds

LEAST_VIOLATION = 0.02


@dataclass(frozen=True, slots=True)
class SubsetCut:
    """At most one line may hold two or more of some devices; ``price`` at least 0.

    ``devices`` are local numbers, three of them or the two that belong to the model.
    """

    devices: tuple[int, ...]
    price: float


def local_cuts(model: LineModel, cuts: Iterable[tuple[Iterable[int], float]]) -> list[SubsetCut]:
    """Cuts given as devices and price, as far as a model's lines may have to pay for them."""
    local = []
    for devices, price in cuts:
        ids = tuple(model.local[d] for d in devices if d in model.local)
        if price > 0 and len(ids) >= 2:
            local.append(SubsetCut(ids, float(price)))
    return local


class CutPrices:
    """What stepping on to a device makes a line pay: prices by device and the others of a cut."""

    def __init__(self, cuts: Iterable[SubsetCut]):
        self._of: dict[int, list[tuple[int, int, float]]] = defaultdict(list)
        for cut in cuts:
            for j in cut.devices:
                others = [d for d in cut.devices if d != j]
                self._of[j].append((others[0], others[-1], cut.price))

    def paid(self, words: Words, source: Ints, target: Ints) -> Floats:
        """Prices of the cuts whose second device is the target, for each step from a label.

        ``words`` are the memories of the labels that ``source`` numbers.
        """
        out = np.zeros(len(source))
        if not self._of:
            return out
        order = np.argsort(target.astype(np.int16), kind="stable")
        ranked = target[order]
        for j, rows in self._of.items():
            lo, hi = np.searchsorted(ranked, [j, j + 1])
            at = order[lo:hi]
            held = words[source[at]]
            for x, y, price in rows:
                # The second device of a cut pays its price; the third pays nothing more.
                pays = holds(held, x)
                if y != x:
                    pays ^= holds(held, y)
                out[at[pays]] += price
        return out


def violated_triples(
    columns: Sequence[MasterColumn],
    values: Floats,
    known: set[tuple[int, int, int]],
    *,
    most: int,
    per_device: int,
    look: Callable[[], object],
) -> list[tuple[int, int, int]]:
    """Triples whose cut the fractional solution breaks most, but those that are ``known``.

    ``values`` are those of the columns in the relaxation. At most ``most`` are given, and of any
    one device ``per_device``. ``look`` is called often; it may raise to end the work.
    """
    used = [
        (np.array([d for d, _ in c.visits]), float(v))
        for c, v in zip(columns, values, strict=True)
        if v > 1e-6 and c.is_line and len(c.visits) >= 2
    ]
    if not used:
        return []
    ids = np.unique(np.concatenate([d for d, _ in used]))
    place = {int(d): a for a, d in enumerate(ids)}
    m = len(ids)
    held = np.zeros((len(used), m))
    for row, (devices, _) in enumerate(used):
        held[row, [place[int(d)] for d in devices]] = 1.0
    value = np.array([v for _, v in used])
    pair = (held * value[:, None]).T @ held
    np.fill_diagonal(pair, 0.0)
    found: list[tuple[float, tuple[int, int, int]]] = []
    for a in range(m):
        look()
        near = np.nonzero(pair[a, a + 1 :] > 1e-9)[0] + a + 1
        # A broken triple has at least two pairs in use; a is its least or meets it later.
        others = np.nonzero((pair[near] > 1e-9).any(axis=0))[0] if len(near) else near
        others = np.union1d(near, others[others > a])
        if len(others) < 2:
            continue
        inside = held[:, others]
        with_a = held[:, a] > 0
        sums = pair[a, others][:, None] + pair[a, others][None, :] + pair[np.ix_(others, others)]
        weighted = inside[with_a] * value[with_a][:, None]
        all_three = weighted.T @ inside[with_a]
        broken = sums - 2 * all_three - 1.0
        x, y = np.nonzero(np.triu(broken > LEAST_VIOLATION, 1))
        for i, j in zip(x, y, strict=True):
            triple = (int(ids[a]), int(ids[others[i]]), int(ids[others[j]]))
            if triple not in known:
                found.append((float(broken[i, j]), triple))
    found.sort(key=lambda f: (-round(f[0], 9), f[1]))
    count: Counter[int] = Counter()
    picked = []
    for _, triple in found:
        if all(count[d] < per_device for d in triple):
            picked.append(triple)
            count.update(triple)
            if len(picked) == most:
                break
    return picked
