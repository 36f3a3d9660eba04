"""What single failures take down in a selection, in every build, as the check counts it.

A device is lost if it hangs on what failed, or if it had partners that still run and reaches none
of them any more. Bulk transfers make no partners.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import networkx as nx
import numpy as np

from partitioner.model.problem import Problem
from partitioner.solve.arrays import Bools, Ints
from partitioner.solve.backbone import BackboneData
from partitioner.solve.instance import Instance
from partitioner.solve.nogood import NoGood

MOST_BUILDS = 256
"""Up to so many combinations of independent options, all are looked at."""

Home = Mapping[int, tuple[int, int]]
"""Switch and segment (its number) of each placed device."""


def option_sets(problem: Problem) -> list[frozenset[str]]:
    """Options of each build that is looked at, the one with all of them first."""
    used = {d.option for d in problem.devices.values()}
    options = [o for o in problem.options if o in used]
    found = [frozenset(options)]
    if problem.builds:
        found += [build.options for build in problem.builds]
    else:
        count = len(options)
        sizes = range(count) if 2**count <= MOST_BUILDS else (0, 1, 2, count - 1)
        found += [frozenset(c) for size in sizes for c in combinations(options, size)]
    return list(dict.fromkeys(found))


@dataclass(frozen=True, slots=True)
class Partners:
    """Devices and switches that a device sends to or hears."""

    devices: frozenset[int]
    switches: frozenset[int]


class Losses:
    """Failure rules of one instance over all builds."""

    def __init__(self, instance: Instance, backbone: BackboneData):
        self._instance, self._backbone = instance, backbone
        devices = list(instance.problem.devices.values())
        self.builds = [
            frozenset(i for i, d in enumerate(devices) if d.option is None or d.option in options)
            for options in option_sets(instance.problem)
        ] if instance.loss_caps else []
        self.builds = list(dict.fromkeys(self.builds))
        """Devices fitted in each build, where there are rules."""
        nobody = instance.n
        ends = [
            (nobody if device is None else device, switch)
            for stream in instance.streams if not stream.is_transfer
            for target in stream.targets
            for device, switch in (
                (stream.source_device, stream.source_switch), (target.device, target.switch)
            )
        ]
        self._pairs: Ints = np.array(ends, dtype=np.int64).reshape(-1, 2, 2)
        """Int (pairs, 2, 2): of each end of a stream the device, and the switch where it is none.

        What is no device counts as one more.
        """

    def partners(self, device: int, fitted: frozenset[int]) -> Partners:
        """Partners of a device in a build."""
        devices, switches = self._instance.partners(device)
        return Partners(fitted & devices, switches)

    def failures(
        self, opened: Iterable[int], built: Iterable[int]
    ) -> Iterator[tuple[int | None, Ints]]:
        """Give each failure of an open switch or a built link, with what then reaches what.

        The switch, or None where it is a link, and the number of the part that each switch is in.
        """
        running, count = set(opened), self._instance.switch_count
        ends = {k: self._backbone.links[k].ends for k in built}
        for s in sorted(running):
            yield s, parts_of(count, running - {s}, ends.values())
        for cut in ends:
            yield None, parts_of(count, running, [e for k, e in ends.items() if k != cut])

    def refused(self, home: Home, opened: Iterable[int], built: Iterable[int]) -> list[NoGood]:
        """Placements in which one failure loses too many watched devices.

        ``home`` says where devices are; partners that are placed nowhere yet may still be reached.
        ``built`` are the numbers of the backbone links built.
        """
        if not self.builds:
            return []
        opened, built = set(opened), sorted(built)
        links = self._backbone.links
        whole = parts_of(self._instance.switch_count, opened, [links[k].ends for k in built])
        absent = tuple(k for k in range(len(links)) if k not in built)
        found: dict[NoGood, None] = {}
        at: Ints = np.full((self._instance.n + 1, 2), -1, dtype=np.int64)
        for i, place in home.items():
            at[i] = place
        builds = [(fitted, _Pairs(self._pairs, at, fitted, whole)) for fitted in self.builds]
        for down, left in self.failures(opened, built):
            for fitted, pairs in builds:
                gone = {i for i, (s, _) in home.items() if s == down and i in fitted}
                lost = gone | pairs.cut_off(down, left)
                for members, cap in self._instance.loss_caps:
                    hit = [i for i in members if i in lost]
                    if len(hit) > cap:
                        made = self._refuse(home, hit, gone, fitted, absent)
                        if made is not None:
                            found[made] = None
        return list(found)

    def _refuse(
        self,
        home: Home,
        hit: Iterable[int],
        gone: set[int],
        fitted: frozenset[int],
        absent: tuple[int, ...],
    ) -> NoGood | None:
        """The placement of the devices lost and, for those cut off, of all their partners.

        None while a partner is left out: it may still be reached once it is placed too. More
        backbone may reach it as well, so that what is absent must stay so.
        """
        ends: set[int] = set()
        cut_off = False
        for i in hit:
            ends.add(i)
            if i in gone:
                continue
            cut_off = True
            ends |= self.partners(i, fitted).devices
        if not ends <= home.keys():
            return None
        homes = tuple((i, home[i][0]) for i in sorted(ends))
        return NoGood(homes=homes, absent=absent if cut_off else ())


class _Pairs:
    """Who talks to whom in one build of a layout: pairs of ends that reach each other in it."""

    def __init__(self, pairs: Ints, at: Ints, fitted: frozenset[int], whole: Ints):
        """``at``: int (devices + 1, 2), switch and segment of each that is placed, else -1."""
        self._count = len(at) - 1
        is_there = at[:, 0] >= 0
        is_there[[i for i in range(self._count) if i not in fitted]] = False
        is_there[-1] = True
        pairs = pairs[is_there[pairs[:, :, 0]].all(axis=1)]
        devices = pairs[:, :, 0]
        start, end = np.where(devices < self._count, at[devices, 0], pairs[:, :, 1]).T
        segment, other = at[devices, 1].T
        together = (segment == other) & (segment >= 0)
        reached = together | ((whole[start] == whole[end]) & (whole[start] >= 0))
        self._devices, self._together = devices[reached].T, together[reached]
        self._start, self._end = start[reached], end[reached]

    def cut_off(self, down: int | None, left: Ints) -> set[int]:
        """Devices that run and had partners that run, but reach none of them any more."""
        start, end = self._start, self._end
        fails = -1 if down is None else down
        runs: Bools = (start != fails) & (end != fails)
        joined: Bools = (left[start] == left[end]) & (left[start] >= 0)
        through: Bools = runs & (self._together | joined)
        had, has = np.zeros((2, self._count + 1), dtype=bool)
        for ends in self._devices:
            had[ends[runs]] = True
            has[ends[through]] = True
        return set(np.flatnonzero((had & ~has)[: self._count]).tolist())


def parts_of(count: int, switches: Iterable[int], links: Iterable[tuple[int, int]]) -> Ints:
    """Int (switches,): number of the part of the backbone that each switch is in; -1: in none."""
    graph = nx.Graph()
    graph.add_nodes_from(switches)
    graph.add_edges_from(ends for ends in links if all(e in graph for e in ends))
    parts: Ints = np.full(count, -1, dtype=np.int64)
    for k, part in enumerate(nx.connected_components(graph)):
        parts[list(part)] = k
    return parts
