"""What each single failure takes down: devices, and ways of streams.

Failures considered one at a time: a segment (its cable cut or shorted, or its port down), a
switch, a backbone link. A cut line is a lost line, since it is no longer terminated at both ends.
After a failure the streams take the shortest way that is left.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Set
from dataclasses import dataclass
from enum import StrEnum

import networkx as nx

from partitioner.check.facts import Facts
from partitioner.model.problem import FailureRule
from partitioner.network.routes import StreamWay, link_key


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
    on_segment: dict[str, list[StreamWay]] = {s.id: [] for s in sound.segments}
    for way in facts.ways:
        for segment in (way.up_segment, way.down_segment):
            if segment is not None:
                on_segment[segment].append(way)
    found = [
        # No other way is touched, so whoever still has a partner that runs still reaches it.
        Failure(FailureKind.SEGMENT, (s.id,), s.devices, (), _pairs(on_segment[s.id]))
        for s in sound.segments
    ]
    links = tuple(dict.fromkeys(link_key(*link.ends) for link in sound.backbone))
    for switch in sound.open_switches:
        down = tuple(d for s in sound.segments if s.switch == switch for d in s.devices)
        rest = [s for s in sound.open_switches if s != switch]
        part = _parts(rest, links)
        found.append(_failure(facts, FailureKind.SWITCH, (switch,), down, part, {switch, *down}))
    for key in links:
        part = _parts(sound.open_switches, [other for other in links if other != key])
        found.append(_failure(facts, FailureKind.BACKBONE_LINK, key, (), part, set()))
    return tuple(found)


def _parts(switches: Iterable[str], links: Iterable[tuple[str, str]]) -> dict[str, int]:
    """Number of the part of the backbone that each switch is in; links to others do not count."""
    graph = nx.Graph(list(links))
    graph.add_nodes_from(switches)
    parts = nx.connected_components(graph.subgraph(switches))
    return {switch: number for number, part in enumerate(parts) for switch in part}


def _pairs(ways: Iterable[StreamWay]) -> tuple[tuple[str, str], ...]:
    return tuple((way.stream, way.destination) for way in ways)


def _failure(
    facts: Facts,
    kind: FailureKind,
    where: tuple[str, ...],
    down: tuple[str, ...],
    part: Mapping[str, int],
    gone: Set[str],
) -> Failure:
    """What is lost when ``part`` says which switches the backbone still joins.

    ``gone`` names the devices and switches that are down.
    """
    lost: list[StreamWay] = []
    reaches: dict[str, bool] = {}
    for way in facts.ways:
        source = facts.problem.streams[way.stream].source
        ends_run = source not in gone and way.destination not in gone
        joined = _is_joined(way, part)
        if not (ends_run and joined):
            lost.append(way)
        if ends_run:
            for end in (source, way.destination):
                reaches[end] = reaches.get(end, False) or joined
    cut_off = tuple(d for d in facts.problem.devices if reaches.get(d) is False)
    return Failure(kind, where, down, cut_off, _pairs(lost))


def _is_joined(way: StreamWay, part: Mapping[str, int]) -> bool:
    """Whether the switches at both ends of a way are still in one part."""
    if not way.switches:
        return True
    first, last = part.get(way.switches[0]), part.get(way.switches[-1])
    return first is not None and first == last


def losses(facts: Facts) -> Iterator[tuple[FailureRule, Failure, tuple[str, ...]]]:
    """For every failure rule and single failure, the watched devices that it loses."""
    if not facts.problem.failure_rules:
        return
    failures = single_failures(facts)
    for rule in facts.problem.failure_rules:
        watched = facts.problem.watched(rule)
        for failure in failures:
            yield rule, failure, tuple(d for d in watched if d in failure.lost_devices)
