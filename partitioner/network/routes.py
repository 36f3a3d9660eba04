"""Ways of streams over the segments, the switches and the backbone of a layout.

A bridge learns or is told one way per destination. The way taken here is the shortest one: fewest
backbone links, then least cable, then the switch names in order. It is the same on every run, and
the ways from one switch form a tree, so a stream to several destinations crosses each link once.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from partitioner.model.catalogue import Grade
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import Problem, Stream
from partitioner.network.cable import CableNetwork


@dataclass(frozen=True, slots=True)
class StreamWay:
    """Way of one stream to one of its destinations.

    ``up_segment`` is the id of the segment the source sends on (None: the source is a switch),
    ``down_segment`` that of the segment on which a switch port sends (None: the destination is a
    switch, or hears the source on its own line). ``switches`` are passed in order; none on a line
    where source and destination hear each other directly.
    """

    stream: str
    destination: str
    up_segment: str | None
    switches: tuple[str, ...]
    down_segment: str | None

    @property
    def links(self) -> tuple[tuple[str, str], ...]:
        """Backbone links crossed, each as (from, to)."""
        return tuple(zip(self.switches, self.switches[1:], strict=False))


def link_key(a: str, b: str) -> tuple[str, str]:
    """Name of the backbone link between two switches, the same from both sides."""
    return (a, b) if a <= b else (b, a)


def known_links(problem: Problem, layout: Layout) -> Iterator[tuple[BuiltLink, Grade]]:
    """Backbone links of a layout whose switches and grade the problem has, each with its grade."""
    for link in layout.backbone:
        grade = problem.catalogue.grades.get(link.grade)
        if grade is not None and all(end in problem.switches for end in link.ends):
            yield link, grade


def backbone_length_um(problem: Problem, network: CableNetwork, ends: tuple[str, str]) -> int:
    """Cable of a backbone link in µm: as stated in the problem, else the shortest cable way.

    Raises
    ------
    ValueError
        If no length is stated and no pathway joins the two switches.
    """
    wanted = link_key(*ends)
    for link in problem.backbone.links:
        if link_key(*link.ends) == wanted and link.length_um is not None:
            return link.length_um
    return network.length_um(*ends)


def ways_from(start: str, links_um: Mapping[tuple[str, str], int]) -> dict[str, tuple[str, ...]]:
    """Shortest ways over the backbone from one switch to all it reaches.

    ``links_um`` is the cable length of each link by :func:`link_key`. Gives the switches passed,
    ``start`` and the target included, by target.

    Examples
    --------
    >>> ways_from("a", {("a", "b"): 5, ("b", "c"): 5, ("a", "c"): 99})["c"]
    ('a', 'c')
    """
    neighbours: dict[str, list[tuple[str, int]]] = {}
    for (a, b), length_um in links_um.items():
        neighbours.setdefault(a, []).append((b, length_um))
        neighbours.setdefault(b, []).append((a, length_um))
    # Among ways of equally many links the name tuples have one length, so a better beginning
    # makes a better whole: plain Dijkstra on the triple is exact.
    found: dict[str, tuple[str, ...]] = {}
    queue: list[tuple[int, int, tuple[str, ...]]] = [(0, 0, (start,))]
    while queue:
        hops, length_um, way = heapq.heappop(queue)
        if way[-1] in found:
            continue
        found[way[-1]] = way
        for switch, more_um in neighbours.get(way[-1], ()):
            if switch not in found:
                heapq.heappush(queue, (hops + 1, length_um + more_um, (*way, switch)))
    return found


def switch_ways(
    problem: Problem, layout: Layout, network: CableNetwork
) -> Mapping[tuple[str, str], tuple[str, ...]]:
    """Ways between all open switches that the built backbone joins, by (from, to)."""
    lengths_um = {
        link_key(*link.ends): backbone_length_um(problem, network, link.ends)
        for link in layout.backbone
        if all(end in problem.switches and end in layout.open_switches for end in link.ends)
    }
    return _all_ways(layout.open_switches, tuple(lengths_um.items()))


@lru_cache(maxsize=16)
def _all_ways(
    switches: tuple[str, ...], links_um: tuple[tuple[tuple[str, str], int], ...]
) -> Mapping[tuple[str, str], tuple[str, ...]]:
    """Ways from all of some switches to all of them; layouts that are compared often share them."""
    ways: dict[tuple[str, str], tuple[str, ...]] = {}
    for start in switches:
        for end, way in ways_from(start, dict(links_um)).items():
            ways[start, end] = way
    return MappingProxyType(ways)


def stream_ways(
    problem: Problem,
    layout: Layout,
    network: CableNetwork,
    *,
    streams: Iterable[Stream] | None = None,
) -> tuple[StreamWay, ...]:
    """Way of every stream to every destination, in the order of the problem.

    Pairs that the layout does not join (a device not placed, a switch not open, no backbone way)
    are left out. ``streams`` are those of the problem if not given.
    """
    between = switch_ways(problem, layout, network)
    segment_of = layout.segment_of()
    ways = []
    for stream in problem.streams.values() if streams is None else streams:
        for destination in stream.destinations:
            way = _way(stream.id, stream.source, destination, problem, segment_of, between)
            if way is not None:
                ways.append(way)
    return tuple(ways)


def _way(
    stream: str,
    source: str,
    destination: str,
    problem: Problem,
    segment_of: Mapping[str, Segment],
    between: Mapping[tuple[str, str], tuple[str, ...]],
) -> StreamWay | None:
    up = down = None
    start, end = source, destination
    if source not in problem.switches:
        up = segment_of.get(source)
        if up is None:
            return None
        start = up.switch
    if destination not in problem.switches:
        down = segment_of.get(destination)
        if down is None:
            return None
        if up is not None and up.id == down.id:
            return StreamWay(stream, destination, up.id, (), None)
        end = down.switch
    switches = between.get((start, end))
    if switches is None:
        return None
    return StreamWay(
        stream,
        destination,
        None if up is None else up.id,
        switches,
        None if down is None else down.id,
    )
