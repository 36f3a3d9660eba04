"""Rules on the PLCA settings of a line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from partitioner.check.facts import Facts
from partitioner.check.rules.measure import Breach
from partitioner.check.rules.rule import Chapter
from partitioner.model.layout import Segment
from partitioner.model.plca import HIGHEST_ID
from partitioner.wording import count, listed

CHAPTER = Chapter("PLCA settings")

HIGHEST_COUNT = 255
"""Largest PLCA node count (Linux net/ethtool/plca.c)."""
HIGHEST_BURST = 255
"""Largest PLCA burst count (Linux net/ethtool/plca.c)."""
_RANGES = "the ranges that the Linux kernel accepts (net/ethtool/plca.c) and ethtool(8) describes"


def _lines(facts: Facts) -> Iterator[Segment]:
    for segment in facts.layout.segments:
        if facts.problem.catalogue.is_line(segment.grade):
            yield segment


def _plca_segments(facts: Facts) -> Iterator[Segment]:
    """Lines, and links that are half duplex: lines of two nodes."""
    for segment in facts.layout.segments:
        grade = facts.problem.catalogue.grades.get(segment.grade)
        if grade is not None and not grade.full_duplex:
            yield segment


@CHAPTER.rule(
    "plca-ids",
    "Every device on a line has a PLCA ID of its own from 1 to 254; the switch port has 0.",
    source=_RANGES,
    note="The node with ID 0 is the coordinator, and a line has exactly one. ID 255 (not "
    "configured), which the kernel accepts, is refused.",
    by_segment=True,
)
def _plca_ids(facts: Facts) -> Iterator[Breach]:
    for segment in _lines(facts):
        ids, devices = segment.plca_ids, segment.devices
        if len(ids) != len(devices):
            yield (
                (segment.id,),
                f"{segment.id} gives {count(len(ids), 'PLCA ID')} to "
                f"{count(len(devices), 'device')}.",
            )
            continue
        for id_, times in sorted(Counter(ids).items()):
            if times > 1:
                holders = [d for d, i in zip(devices, ids, strict=True) if i == id_]
                yield (
                    (segment.id, *holders),
                    f"{listed(holders)} share PLCA ID {id_} on {segment.id}.",
                )
        for device, id_ in zip(devices, ids, strict=True):
            if id_ == 0:
                yield (
                    (segment.id, device),
                    f"{device} has PLCA ID 0 on {segment.id}; the switch port is the one "
                    f"coordinator.",
                )
            elif not 1 <= id_ <= HIGHEST_ID:
                yield (
                    (segment.id, device),
                    f"{device} has PLCA ID {id_} on {segment.id}; 1 to {HIGHEST_ID} can be set.",
                )


@CHAPTER.rule(
    "plca-node-count",
    "The PLCA node count of a line is above its highest ID and at most 255, and counts the nodes "
    "kept in reserve.",
    source=_RANGES,
    note="The reserve counts so that every delay still holds when its nodes come. A higher count "
    "is allowed: each spare ID costs a silent transmit opportunity in every cycle.",
    by_segment=True,
)
def _plca_node_count(facts: Facts) -> Iterator[Breach]:
    for segment in _lines(facts):
        highest = max(segment.plca_ids, default=0)
        if segment.node_count > HIGHEST_COUNT:
            yield (
                (segment.id,),
                f"The PLCA node count of {segment.id} is {segment.node_count}, "
                f"{segment.node_count - HIGHEST_COUNT} above the {HIGHEST_COUNT} that can be set.",
            )
        elif segment.node_count <= highest <= HIGHEST_ID:
            silenced = sum(id_ >= segment.node_count for id_ in segment.plca_ids)
            yield (
                (segment.id,),
                f"The PLCA node count of {segment.id} is {segment.node_count}, but IDs go up to "
                f"{highest}: {count(silenced, 'device')} would never be given a turn.",
            )
    for laid in facts.lines:
        count_set, devices = laid.written.node_count, len(laid.segment.devices)
        spare = 0 if laid.limits is None else laid.limits.reserve.nodes
        wanted = min(1 + devices + spare, HIGHEST_COUNT)
        if spare and 0 < devices < count_set < wanted:
            yield (
                (laid.segment.id,),
                f"The PLCA node count of {laid.segment.id} is {count_set}; with the reserve of "
                f"{count(spare, 'node')} it has to be {wanted}, so that delays still hold when "
                f"they come.",
            )


@CHAPTER.rule(
    "plca-burst",
    "PLCA burst counts are from 0 to 255 and set for nodes of the line, or half-duplex link, only.",
    source=_RANGES,
    by_segment=True,
)
def _plca_burst(facts: Facts) -> Iterator[Breach]:
    for segment in _plca_segments(facts):
        for node, burst in segment.burst_counts:
            if node != segment.switch and node not in segment.devices:
                yield (
                    (segment.id, node),
                    f"{segment.id} sets a PLCA burst count for {node}, which is not on it.",
                )
            elif not 0 <= burst <= HIGHEST_BURST:
                yield (
                    (segment.id, node),
                    f"The PLCA burst count of {node} on {segment.id} is {burst}; 0 to "
                    f"{HIGHEST_BURST} can be set.",
                )
