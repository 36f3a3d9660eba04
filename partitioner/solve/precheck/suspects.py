"""Small sets of blocks that are likely to find no places: what one rule, or one place, concerns."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from partitioner.solve.precheck.places import Places, Side

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


def crowded(places: Places) -> Iterator[tuple[list[int], bool]]:
    """Sets of blocks that a plain count already leaves no room; whether it is of a pathway."""
    switches = places.open_at
    for pair in _late_pairs(places):
        yield sorted(pair), False
    for rule in places.counted:
        count = sum(rule.of_block.values())
        there = {s for b in rule.of_block for s in switches[b]}
        ports = sum(p.count for (s, _), kinds in places.ports.items() if s in there for p in kinds)
        if count > rule.most * (len(there) if rule.is_by_switch else ports):
            yield sorted(rule.of_block), False
    for cut in places.cuts:
        devices = {i for d in cut.surely for i in (d.device, *d.partners)}
        yield sorted({places.block_of[i] for i in devices}), False
    for side in places.sides:
        inside = _inside(places, side)
        if not side.switches and _segments_into(places, inside) > side.most:
            # Who may share a line is left out first.
            yield sorted(inside, key=lambda b: (not _may_share(places, b), b)), True


def _segments_into(places: Places, blocks: frozenset[int]) -> int:
    """Segments that some blocks need at least: lines as full as can be, links for the others."""
    lines = [b for b in blocks if _may_share(places, b)]
    full = min(
        (
            max((-(-int(h.taken[lines].sum()) // h.each) for h in rows), default=1)
            for rows in places.holds.values()
        ),
        default=0,
    )
    return len(blocks) - len(lines) + (full if lines else 0)


def _may_share(places: Places, block: int) -> bool:
    return any(h.grade in places.holds for h in places.homes[block] if not h.against)


def _inside(places: Places, side: Side) -> frozenset[int]:
    return frozenset(range(len(places.blocks))) - side.crossing[True]


def _all(places: Places) -> Iterator[frozenset[int]]:
    switches = places.open_at
    yield from _late_pairs(places)
    sets = [frozenset(rule.of_block) for rule in places.counted]
    sets += [_inside(places, side) for side in places.sides]
    for few in sorted({s for s in switches if 0 < len(s) <= MOST_SWITCHES}, key=sorted):
        sets.append(frozenset(b for b, s in enumerate(switches) if s <= few))
    yield from sorted((s for s in sets if s), key=lambda s: (len(s), sorted(s)))


def _late_pairs(places: Places) -> Iterator[frozenset[int]]:
    """Both ends of a stream that is late wherever they hang."""
    for j, data in enumerate(places.instance.streams):
        if data.source_device is None:
            continue
        a = places.block_of[data.source_device]
        for target in data.targets:
            if target.device is not None and (b := places.block_of[target.device]) != a:
                late = places.time_reasons(j, target.device)
                if late[np.ix_(*(sorted(places.open_at[block]) for block in (a, b)))].all():
                    yield frozenset({a, b})
