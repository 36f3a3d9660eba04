"""A segment of a layout with its grade, its limits and its cable."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.check.geometry import SegmentGeometry, segment_geometry
from partitioner.model.catalogue import Grade
from partitioner.model.layout import Segment
from partitioner.model.problem import Problem, SegmentLimits
from partitioner.network.cable import CableNetwork


@dataclass(frozen=True, slots=True)
class LaidSegment:
    """A segment with its grade, limits and cable.

    ``written`` is the segment as the layout has it; ``segment`` the part that makes sense.
    ``limits`` is None for a grade that no device and port share.
    """

    written: Segment
    segment: Segment
    grade: Grade
    limits: SegmentLimits | None
    geometry: SegmentGeometry

    @property
    def is_line(self) -> bool:
        """Whether it is a shared line."""
        return self.grade.is_line

    @property
    def length_limit_um(self) -> int:
        """Longest cable allowed: the problem's limit, else what the grade promises."""
        if self.limits is None:
            return self.grade.guaranteed_length_um
        return self.limits.length_um


def lay(problem: Problem, network: CableNetwork, segment: Segment) -> LaidSegment:
    """Lay the cable of a segment that names only what the problem has."""
    grade = problem.catalogue.grades[segment.grade]
    geometry = segment_geometry(segment, network, problem.line)
    return LaidSegment(segment, segment, grade, problem.limits.get(grade.id), geometry)
