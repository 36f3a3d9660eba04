"""What frames wait on the backbone while ports are chosen: behind what usually crosses."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from functools import cached_property
from itertools import pairwise

import networkx as nx

from partitioner.solve.compact_ports import PortModel
from partitioner.solve.delays import Behind, Pair
from partitioner.timing.constants import PCPS
from partitioner.timing.frames import slot_on_link_ns


class BackboneWaits:
    """Hops over the backbone links built, with devices at the switches where they usually are."""

    def __init__(self, ports: PortModel):
        self.instance, self.backbone, self.built = ports.instance, ports.backbone, ports.built
        self.unit_no, self.switch_of = ports.unit_no, ports.switch_of
        self.behind_ns: Behind = {}
        """What waits there as an analysis found it, once there was one."""

    def take(self, behind_ns: Behind) -> None:
        """Take what an analysis found, and where devices usually are now."""
        self.behind_ns = behind_ns
        self.__dict__.pop("crossing", None)

    def hop_ns(self, stream: int, start: int, end: int) -> int:
        """Time from the port a frame comes in by to the one it leaves by, behind others, in ns."""
        bare = self.backbone.hop_function(stream, self.built)(start, end)
        pcp = self.instance.streams[stream].pcp
        wait = 0
        for link in pairwise(self.ways.get((start, end), ())):
            if link in self.crossing:
                waits, added = self.crossing[link]
                wait += waits[pcp] - added.get(stream, 0)
        return bare + wait

    @cached_property
    def ways(self) -> dict[tuple[int, int], list[int]]:
        """Switches passed from one to another over the links built."""
        graph = nx.Graph(self.backbone.links[k].ends for k in self.built)
        return {
            (s, t): way
            for s, ways in nx.all_pairs_shortest_path(graph) for t, way in ways.items()
        }

    @cached_property
    def passed(self) -> dict[tuple[int, int], frozenset[Pair]]:
        """Links passed from one switch to another, with their direction."""
        return {ends: frozenset(pairwise(way)) for ends, way in self.ways.items()}

    @cached_property
    def crossing(self) -> dict[Pair, tuple[list[int], dict[int, int]]]:
        """By link and direction: wait behind all that crosses, by PCP, and what each stream adds.

        As far as devices are where they usually are.
        """
        added: dict[Pair, dict[int, int]] = defaultdict(dict)
        for j, stream in enumerate(self.instance.streams):
            start = self.usual(stream.source_device, stream.source_switch)
            for target in stream.targets:
                way = self.ways.get((start, self.usual(target.device, target.switch)), ())
                for link in pairwise(way):
                    added[link][j] = self.slot_ns(j, link)
        return {
            link: (self._waits(frames, self.behind_ns.get(link, {})), frames)
            for link, frames in added.items()
        }

    def slot_ns(self, stream: int, link: Pair) -> int:
        """Time of a frame on a backbone link, with the gap after it."""
        rate_bps = self._rates_bps[frozenset(link)]
        return slot_on_link_ns(self.instance.streams[stream].frame_bytes, rate_bps)

    @cached_property
    def _rates_bps(self) -> dict[frozenset[int], int]:
        """By the ends of each backbone link."""
        grades = self.instance.problem.catalogue.grades
        return {
            frozenset(self.backbone.links[k].ends): grades[g].rate_bps
            for k, g in self.built.items()
        }

    def _waits(self, frames: Mapping[int, int], found: Mapping[int, int]) -> list[int]:
        """Wait by PCP as found, else behind one frame each as urgent, and the longest other."""
        streams = self.instance.streams
        waits = [0] * PCPS
        above = 0
        for pcp in reversed(range(PCPS)):
            one_each = sum(ns for j, ns in frames.items() if streams[j].pcp >= pcp)
            one_each += max((ns for j, ns in frames.items() if streams[j].pcp < pcp), default=0)
            # Who is less urgent waits no less.
            waits[pcp] = above = max(above, found.get(pcp, one_each))
        return waits

    def usual(self, device: int | None, switch: int) -> int:
        """Switch at which an end of a stream usually is, -1 if that is not known."""
        return switch if device is None else self.switch_of.get(self.unit_no[device], -1)
