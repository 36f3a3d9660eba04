"""What of an earlier layout a changed problem still knows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem


def without_gone(layout: Layout, problem: Problem) -> Layout:
    """What of a layout the problem still knows: devices and switches gone are left out."""
    segments = []
    for segment in layout.segments:
        if segment.switch not in problem.switches:
            continue
        if segment.grade not in problem.catalogue.grades:
            continue
        stays = [d in problem.devices for d in segment.devices]
        if not any(stays):
            continue
        segments.append(only(segment, stays))
    return replace(
        layout,
        open_switches=tuple(s for s in layout.open_switches if s in problem.switches),
        backbone=tuple(
            b
            for b in layout.backbone
            if all(e in problem.switches for e in b.ends) and b.grade in problem.catalogue.grades
        ),
        segments=tuple(segments),
    )


def only(segment: Segment, stays: Sequence[bool]) -> Segment:
    """A segment with those of its devices only that stay, in their order."""
    pairs = list(zip(segment.devices, stays, strict=True))
    return replace(
        segment,
        devices=tuple(d for d, s in pairs if s),
        switch_index=sum(s for k, (_, s) in enumerate(pairs) if k < segment.switch_index),
        plca_ids=tuple(i for i, s in zip(segment.plca_ids, stays, strict=False) if s),
        burst_counts=tuple(
            (n, c) for n, c in segment.burst_counts
            if n == segment.switch or n in {d for d, s in pairs if s}
        ),
    )
