"""What was refuted once and must not come together again: no-good cuts of the master."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SegmentFamily:
    """Segments over one set of devices, in any order, at least as slow as one that was refuted.

    Their cable is at least ``least_um`` long and their PLCA node count at least ``least_count``;
    both are 0 where the cable and the IDs do not matter.
    """

    switch: int
    grade: int
    devices: frozenset[int]
    least_um: int = 0
    least_count: int = 0


@dataclass(frozen=True, slots=True)
class NoGood:
    """Choices that break a rule when all of them come together, whatever else is chosen.

    ``homes``: devices at switches. ``segments``: lines or links of these families. ``built``:
    backbone links (their numbers), each in one of the grades named. ``absent``: backbone links that
    are not built. Whoever makes one answers for every layout that it forbids.
    """

    homes: tuple[tuple[int, int], ...] = ()
    segments: tuple[SegmentFamily, ...] = ()
    built: tuple[tuple[int, tuple[str, ...]], ...] = ()
    absent: tuple[int, ...] = ()

    @property
    def depends_on_length(self) -> bool:
        """Whether another order of the same devices could still do."""
        return any(f.least_um for f in self.segments)
