"""Subset cuts over three devices: at most one line can hold two or more of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from partitioner.solve.arrays import Floats
from partitioner.solve.bound.relaxed_master import MasterColumn

LEAST_VIOLATION = 0.02


def violated_triples(
    columns: Sequence[MasterColumn],
    values: Floats,
    known: set[tuple[int, int, int]],
    *,
    most: int,
    per_device: int,
) -> list[tuple[int, int, int]]:
    """Triples whose cut the fractional solution breaks most.

    Parameters
    ----------
    columns, values
        Columns and their values in the relaxation.
    known
        Triples that are cuts already.
    most, per_device
        Most triples in all, and of any one device.
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
    count: dict[int, int] = {}
    picked = []
    for _, triple in found:
        if all(count.get(d, 0) < per_device for d in triple):
            picked.append(triple)
            for d in triple:
                count[d] = count.get(d, 0) + 1
            if len(picked) == most:
                break
    return picked
