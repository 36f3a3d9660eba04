"""What of an earlier layout a changed problem still knows."""

from __future__ import annotations

from dataclasses import replace

from partitioner.model.layout import Layout
from partitioner.model.problem import Problem


def without_gone(layout: Layout, problem: Problem) -> Layout:
    """What of a layout the problem still knows: devices and switches gone are left out."""
    segments = []
    for segment in layout.segments:
        if segment.switch not in problem.switches:
            continue
        if segment.grade not in problem.catalogue.grades:
            continue
        kept = segment.only(problem.devices)
        if kept.devices:
            segments.append(kept)
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
