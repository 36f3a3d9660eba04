"""Waiting on the backbone that no layout over given columns can avoid.

Where all columns hold a device at one switch only, its home is certain, and so are the backbone
links that its streams cross. A stream waits behind those at least. More streams never make a wait
shorter, so this stays below what any layout over these columns has.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from itertools import pairwise

from partitioner.model.problem import BackboneShape
from partitioner.network.routes import switch_ways
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import Column
from partitioner.solve.instance import Instance
from partitioner.solve.master import Selection
from partitioner.solve.verify import backbone_only, link_queue
from partitioner.timing.link import linear_link_bound

Pair = tuple[int, int]


def certain_waits(
    instance: Instance, backbone: BackboneData, columns: Iterable[Column]
) -> dict[tuple[int, int, int], int]:
    """Delay between switches beyond the least, by (stream, from, to), in ns.

    Only for a backbone that is built whole over switches that are all open: ways between switches
    are then known. What is not known to wait is left out.
    """
    switches = instance.problem.switches.values()
    if backbone.shape is not BackboneShape.FIXED or not all(s.required for s in switches):
        return {}
    built = tuple((k, link.grades[0]) for k, link in enumerate(backbone.links) if link.grades)
    opened = tuple(range(instance.switch_count))
    whole = Selection((), opened, built, 0)
    names = switch_ways(
        instance.problem, backbone_only(instance, backbone, whole), instance.network
    )
    ways = {
        (instance.switch_index[a], instance.switch_index[b]): [
            instance.switch_index[x] for x in way
        ]
        for (a, b), way in names.items()
        if a != b
    }
    delays = _Delays(instance, backbone, _certain_crossings(instance, columns, ways))
    forward = [s.forwarding_delay_ns for s in switches]
    waits = {}
    for stream in range(len(instance.streams)):
        least = backbone.hop_function(stream)
        for (start, end), way in ways.items():
            between = sum(forward[s] for s in way)
            between += sum(delays.of(pair, stream) for pair in pairwise(way))
            if between > least(start, end):
                waits[stream, start, end] = between - least(start, end)
    return waits


def _certain_crossings(
    instance: Instance, columns: Iterable[Column], ways: dict[Pair, list[int]]
) -> dict[Pair, set[int]]:
    """Streams sure to cross each backbone link, by its two ends in the direction of travel."""
    homes: dict[int, set[int]] = defaultdict(set)
    for column in columns:
        for device in column.devices:
            homes[device].add(column.switch)
    crossing: dict[Pair, set[int]] = defaultdict(set)
    for number, stream in enumerate(instance.streams):
        starts = (
            {stream.source_switch} if stream.source_device is None
            else homes[stream.source_device]
        )
        for target in stream.targets:
            ends = {target.switch} if target.device is None else homes[target.device]
            if len(starts) == len(ends) == 1 and starts != ends:
                (start,), (end,) = starts, ends
                for pair in pairwise(ways.get((start, end), ())):
                    crossing[pair].add(number)
    return crossing


class _Delays:
    """Least delay of a stream over a backbone link behind those that are sure to cross it."""

    def __init__(
        self, instance: Instance, backbone: BackboneData, crossing: dict[Pair, set[int]]
    ):
        self._instance, self._backbone, self._crossing = instance, backbone, crossing
        self._links: dict[Pair, list[int]] = defaultdict(list)
        for index, link in enumerate(backbone.links):
            self._links[link.ends].append(index)
            self._links[link.ends[::-1]].append(index)
        self._known: dict[tuple[Pair, int], int] = {}
        self._legs: dict[tuple[int, str, Pair], dict[str, int]] = {}

    def of(self, pair: Pair, stream: int) -> int:
        """At the grade where it is least, in ns; 0 where no grade tells."""
        key = pair, stream
        if key not in self._known:
            id_ = self._instance.streams[stream].id
            found = [
                legs[id_]
                for index in self._links[pair]
                for grade in self._backbone.links[index].grades
                if id_ in (legs := self._legs_over(index, grade, pair, stream))
            ]
            self._known[key] = min(found, default=0)
        return self._known[key]

    def _legs_over(self, index: int, grade: str, pair: Pair, stream: int) -> dict[str, int]:
        sure = self._crossing.get(pair, set())
        key = index, grade, pair
        if stream in sure and key in self._legs:
            return self._legs[key]
        queue = link_queue(
            self._instance, self._backbone, index, grade, pair, sorted(sure | {stream})
        )
        legs = {id_: leg.total_ns for id_, leg in linear_link_bound(queue).legs.items()}
        if stream in sure:
            self._legs[key] = legs
        return legs
