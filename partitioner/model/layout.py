"""A layout: the decisions of a plan and nothing derived from them. Data only."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Segment:
    """One shared line or one point-to-point link.

    ``devices`` in the order in which the cable meets them. ``switch_index`` is how many of them
    come before the switch: 0 puts the switch at the start, ``len(devices)`` at the end; anything
    between puts it along the line. ``plca_ids`` gives each device's PLCA ID, parallel to
    ``devices`` (the switch port is ID 0); empty for links. ``port`` counts from 1.
    """

    id: str
    switch: str
    port: int
    grade: str
    devices: tuple[str, ...]
    switch_index: int = 0
    plca_ids: tuple[int, ...] = ()
    node_count: int = 0
    """PLCA node count set at the coordinator: highest ID in use + 1, plus reserve; 0 for links."""
    burst_counts: tuple[tuple[str, int], ...] = ()
    """Devices (or the switch) whose PLCA burst count differs from the problem's, sorted."""

    @property
    def arms(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Devices outward from the switch: those after it, then those before it."""
        split = min(max(self.switch_index, 0), len(self.devices))
        return self.devices[split:], self.devices[:split][::-1]

    def plca_id_of(self) -> dict[str, int]:
        """PLCA ID of each device that has one, by device id."""
        return dict(zip(self.devices, self.plca_ids, strict=False))

    def at(self, places: Sequence[int]) -> Segment:
        """The same with the devices at some places along its cable only; the first place is 0."""
        has_ids = len(self.plca_ids) == len(self.devices)
        return replace(
            self,
            devices=tuple(self.devices[k] for k in places),
            switch_index=sum(k < self.switch_index for k in places),
            plca_ids=tuple(self.plca_ids[k] for k in places) if has_ids else (),
        )

    def only(self, devices: Collection[str]) -> Segment:
        """The same with those of its devices only that are among ``devices``."""
        kept = self.at([k for k, device in enumerate(self.devices) if device in devices])
        bursts = (row for row in self.burst_counts if row[0] == self.switch or row[0] in devices)
        return replace(kept, burst_counts=tuple(bursts))


@dataclass(frozen=True, slots=True)
class BuiltLink:
    """A backbone link that is built, with its grade."""

    ends: tuple[str, str]
    grade: str


def link_name(a: str, b: str) -> str:
    """Name of the backbone link between two switches, the same from both sides.

    Examples
    --------
    >>> link_name("rear", "front")
    'front-rear'
    """
    return "-".join(sorted((a, b)))


@dataclass(frozen=True, slots=True)
class Layout:
    """All decisions for one problem."""

    problem_name: str
    problem_digest: str
    open_switches: tuple[str, ...]
    backbone: tuple[BuiltLink, ...]
    segments: tuple[Segment, ...]

    def segment_of(self) -> dict[str, Segment]:
        """Each device's segment, by device id."""
        return {device: s for s in self.segments for device in s.devices}

    def plca_id_of(self) -> dict[str, int]:
        """Each device's PLCA ID, by device id; the first one of a device that is there twice."""
        return {d: id_ for s in self.segments[::-1] for d, id_ in s.plca_id_of().items()}
