"""What each single failure takes down: devices, and ways of streams.

Failures considered one at a time: a segment (its cable cut or shorted, or its port down), a
switch, a backbone link. A cut line is a lost line, since it is no longer terminated at both ends.
After a failure the streams take the shortest way that is left.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Set
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
    ways = _Ways(facts)
    for switch in sound.open_switches:
        down = tuple(d for s in sound.segments if s.switch == switch for d in s.devices)
        rest = [s for s in sound.open_switches if s != switch]
        part = _parts(rest, links)
        found.append(ways.failure(FailureKind.SWITCH, (switch,), down, part, {switch, *down}))
    for key in links:
        part = _parts(sound.open_switches, [other for other in links if other != key])
        found.append(ways.failure(FailureKind.BACKBONE_LINK, key, (), part, set()))
    return tuple(found)


def _parts(switches: Collection[str], links: Iterable[tuple[str, str]]) -> dict[str, int]:
    """Number of the part of the backbone that each switch is in; links to others do not count."""
    graph = nx.Graph()
    graph.add_nodes_from(switches)
    graph.add_edges_from(link for link in links if graph.nodes >= set(link))
    return {s: n for n, part in enumerate(nx.connected_components(graph)) for s in part}


def _pairs(ways: Iterable[StreamWay]) -> tuple[tuple[str, str], ...]:
    return tuple((way.stream, way.destination) for way in ways)


class _Ways:
    """All ways of a layout by number, also by the switches at both ends and by who is there."""

    def __init__(self, facts: Facts):
        self._facts = facts
        self._ends: list[tuple[str, str]] = []
        self._between: dict[tuple[str, str], list[int]] = defaultdict(list)
        self._of: dict[str, set[int]] = defaultdict(set)
        for number, way in enumerate(facts.ways):
            ends = facts.problem.streams[way.stream].source, way.destination
            self._ends.append(ends)
            for end in ends:
                self._of[end].add(number)
            if way.switches:
                self._between[way.switches[0], way.switches[-1]].append(number)

    def failure(
        self,
        kind: FailureKind,
        where: tuple[str, ...],
        down: tuple[str, ...],
        part: Mapping[str, int],
        gone: Set[str],
    ) -> Failure:
        """What is lost when ``part`` says which switches the backbone still joins.

        ``gone`` names the devices and switches that are down.
        """
        parted = [
            number
            for (first, last), numbers in self._between.items()
            if first not in part or part[first] != part.get(last)
            for number in numbers
        ]
        lost = set(parted).union(*(self._of[end] for end in gone if end in self._of))
        # Whoever loses nothing to a partner that runs is not cut off.
        asked = {end for n in parted if gone.isdisjoint(self._ends[n]) for end in self._ends[n]}
        cut_off = {end for end in asked if self._of[end] <= lost}
        ways, devices = self._facts.ways, self._facts.problem.devices if cut_off else ()
        return Failure(
            kind, where, down, tuple(d for d in devices if d in cut_off),
            _pairs(ways[n] for n in sorted(lost)),
        )  # fmt: skip


def losses(facts: Facts) -> Iterator[tuple[FailureRule, Failure, tuple[str, ...]]]:
    """For every failure rule and single failure, the watched devices that it loses."""
    if not facts.problem.failure_rules:
        return
    failures = [(failure, failure.lost_devices) for failure in single_failures(facts)]
    for rule in facts.problem.failure_rules:
        watched = facts.problem.watched(rule)
        for failure, lost in failures:
            yield rule, failure, tuple(d for d in watched if d in lost)
