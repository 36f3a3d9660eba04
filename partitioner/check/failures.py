"""What each single failure takes down: devices, and ways of streams.

Failures considered one at a time: a segment (its cable cut or shorted, or its port down), a
switch, a backbone link. A cut line is a lost line, since it is no longer terminated at both ends.
After a failure the streams take the shortest way that is left.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from partitioner.check.facts import Facts
from partitioner.model.layout import Layout
from partitioner.network.routes import StreamWay, link_key, stream_ways


class FailureKind(StrEnum):
    """What fails."""

    SEGMENT = "segment"
    """Cable of a segment cut or shorted, or its switch port down: the effect is the same."""
    SWITCH = "switch"
    BACKBONE_LINK = "backbone link"


@dataclass(frozen=True, slots=True)
class Failure:
    """One single failure and what it takes down.

    ``where`` names the segment, the switch, or both ends of the link. ``down_devices`` hang on
    what failed. ``cut_off_devices`` still run, but no stream of theirs gets through although its
    other end runs too. ``lost_streams`` are (stream, destination) pairs that had a way before.
    """

    kind: FailureKind
    where: tuple[str, ...]
    down_devices: tuple[str, ...]
    cut_off_devices: tuple[str, ...]
    lost_streams: tuple[tuple[str, str], ...]

    @property
    def lost_devices(self) -> frozenset[str]:
        """All devices lost, down or cut off."""
        return frozenset(self.down_devices) | frozenset(self.cut_off_devices)

    @property
    def sentence(self) -> str:
        """The failure in words, fit to begin a sentence."""
        match self.kind:
            case FailureKind.SEGMENT:
                return f"A cut or short of {self.where[0]}, or its port down,"
            case FailureKind.SWITCH:
                return f"{self.where[0]} down"
            case FailureKind.BACKBONE_LINK:
                return f"The backbone link {'-'.join(self.where)} down"


def single_failures(facts: Facts) -> tuple[Failure, ...]:
    """Every single failure of a layout: segments, then switches, then backbone links."""
    sound = facts.sound
    found = []
    for segment in sound.segments:
        rest = replace(sound, segments=tuple(s for s in sound.segments if s.id != segment.id))
        found.append(
            _failure(facts, FailureKind.SEGMENT, (segment.id,), segment.devices, rest, ())
        )
    for switch in sound.open_switches:
        down = tuple(d for s in sound.segments if s.switch == switch for d in s.devices)
        rest = replace(
            sound,
            open_switches=tuple(s for s in sound.open_switches if s != switch),
            segments=tuple(s for s in sound.segments if s.switch != switch),
        )
        found.append(_failure(facts, FailureKind.SWITCH, (switch,), down, rest, (), {switch}))
    for key in dict.fromkeys(link_key(*link.ends) for link in sound.backbone):
        found.append(_failure(facts, FailureKind.BACKBONE_LINK, key, (), sound, (key,)))
    return tuple(found)


def _failure(
    facts: Facts,
    kind: FailureKind,
    where: tuple[str, ...],
    down: tuple[str, ...],
    rest: Layout,
    without: Iterable[tuple[str, str]],
    down_switches: Iterable[str] = (),
) -> Failure:
    left = stream_ways(facts.problem, rest, facts.network, without=without)
    works = {(way.stream, way.destination) for way in left}
    lost = tuple(
        (way.stream, way.destination)
        for way in facts.ways
        if (way.stream, way.destination) not in works
    )
    gone = frozenset(down) | frozenset(down_switches)
    return Failure(kind, where, down, _cut_off(facts, facts.ways, works, gone), lost)


def _cut_off(
    facts: Facts,
    before: Iterable[StreamWay],
    works: set[tuple[str, str]],
    gone: frozenset[str],
) -> tuple[str, ...]:
    """Devices that run and had partners that run, but reach none of them any more."""
    reaches: dict[str, bool] = {}
    for way in before:
        source = facts.problem.streams[way.stream].source
        if source in gone or way.destination in gone:
            continue
        for end in (source, way.destination):
            got_through = (way.stream, way.destination) in works
            reaches[end] = reaches.get(end, False) or got_through
    return tuple(d for d in facts.problem.devices if reaches.get(d) is False)
