"""Small sets of blocks that are likely to find no places: what one rule, or one place, concerns."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from partitioner.solve.precheck.places import Places

MOST_BLOCKS = 100
"""Sets of more blocks are left to halving."""
MOST_SWITCHES = 3
"""Blocks that have so many switches to choose among at most are looked at together."""


def suspects(places: Places) -> Iterator[list[int]]:
    """Sets of blocks, each once, the smallest first; a block alone is seen before."""
    seen: set[frozenset[int]] = set()
    for blocks in _all(places):
        key = frozenset(blocks)
        if key not in seen and 1 < len(key) <= MOST_BLOCKS:
            seen.add(key)
            places.instance.look()
            yield sorted(key)


def _all(places: Places) -> Iterator[frozenset[int]]:
    switches = [
        frozenset(h.switch for h in homes if not h.against) for homes in places.homes
    ]
    yield from _late_pairs(places, switches)
    sets = [frozenset(rule.of_block) for rule in places.counted]
    for side in places.sides:
        inner = [place in side.places for place in places.place_of]
        sets.append(
            frozenset(
                b for b, block in enumerate(places.blocks) if all(inner[i] for i in block.devices)
            )
        )
    for few in sorted({s for s in switches if 0 < len(s) <= MOST_SWITCHES}, key=sorted):
        sets.append(frozenset(b for b, s in enumerate(switches) if s <= few))
    yield from sorted((s for s in sets if s), key=lambda s: (len(s), sorted(s)))


def _late_pairs(places: Places, switches: list[frozenset[int]]) -> Iterator[frozenset[int]]:
    """Both ends of a stream that is late wherever they hang."""
    for j, data in enumerate(places.instance.streams):
        if data.source_device is None:
            continue
        a = places.block_of[data.source_device]
        for target in data.targets:
            if target.device is not None and (b := places.block_of[target.device]) != a:
                late = places.time_reasons(j, target.device)
                if late[np.ix_(sorted(switches[a]), sorted(switches[b]))].all():
                    yield frozenset({a, b})
