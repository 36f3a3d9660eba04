"""Points cut into parts that lie together."""

from __future__ import annotations

import numpy as np

from partitioner.solve.arrays import Floats, Ints


def split(points: Floats, most: int, shift: float = 0.0, block: int = 1) -> list[Ints]:
    """Split points (k, d) into parts of about even size, at most ``most``, across the longest side.

    ``shift`` (0..1) moves the cuts by that share of a part, so that borders come elsewhere. Cuts
    come at whole multiples of ``block`` points where the parts are large enough for that.
    """
    parts: list[Ints] = []
    waiting = [np.arange(len(points))]
    while waiting:
        part = waiting.pop()
        number = -(-len(part) // most)
        if number <= 1:
            parts.append(part)
            continue
        inside = points[part]
        axis = int(np.argmax(inside.max(axis=0) - inside.min(axis=0)))
        order = part[np.argsort(inside[:, axis], kind="stable")]
        cut = int(len(order) * (number // 2 + shift) / number)
        if block * 4 <= len(order) // number:
            cut = -(-cut // block) * block
        waiting += [order[cut:], order[:cut]]
    return parts
