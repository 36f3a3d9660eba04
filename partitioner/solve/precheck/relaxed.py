"""What any layout has to keep of switches, ports, pathways and backbone, as a small integer model.

Where each block of devices hangs and how many segments each switch has, but not which devices share
one: every row holds for every layout, so that a model without a solution proves that there is none.
Each row knows the statements of the problem that it rests on, and can be left out with any of them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

import networkx as nx
import numpy as np

from partitioner.model.problem import GroupKind
from partitioner.solve.precheck.places import Places
from partitioner.solve.precheck.rows import Rows
from partitioner.solve.precheck.segment_rows import SegmentRows
from partitioner.solve.precheck.statements import Key
from partitioner.timing.frames import slot_on_link_ns
from partitioner.units import PPM

MOST_BRIDGES = 300
"""Pathways tried that alone join two parts, those with the least room first."""


class Relaxation(Rows):
    """All rows over some blocks of a problem."""

    def __init__(self, places: Places, blocks: Iterable[int], *, is_strict: bool = False):
        super().__init__(places, blocks, is_strict=is_strict)
        self._segments = SegmentRows(self)
        for (s, g), here in self.at.items():
            self.instance.look()
            self._segments.add(s, g, here)
        self._groups()
        self._pathways()
        self._streams()
        self._load_between_switches()
        self._openings()

    # -- groups, failures ---------------------------------------------------------------------

    def _groups(self) -> None:
        """Groups apart and sets watched keep to their numbers on each switch."""
        inst = self.instance
        for group in inst.problem.groups:
            if group.kind is GroupKind.APART_SWITCH:
                self._cap([inst.index[d] for d in group.devices], 1, ("group", group.id))
        for (members, cap), rule in zip(inst.loss_caps, inst.problem.failure_rules, strict=True):
            self._cap(members, cap, ("failure", rule.id))

    def _cap(self, members: Sequence[int], cap: int, key: Key) -> None:
        of_block: dict[int, int] = defaultdict(int)
        for i in members:
            of_block[self.places.block_of[i]] += 1
        inside = [b for b in of_block if b in self.of_block]
        if sum(of_block[b] for b in inside) <= cap:
            return
        for s in range(self.instance.switch_count):
            terms = [(v, of_block[b]) for b in inside for v in self.on[b, s]]
            self.add(terms, cap, [key])

    # -- pathways -----------------------------------------------------------------------------

    def _pathways(self) -> None:
        """No more segments leave or enter a part of the pathways than its openings let through."""
        places, network = self.places, self.instance.network
        caps = places.backbone.pathway_caps
        if not network.has_pathways or not caps:
            return
        graph = network.graph
        capped = [(a, b) for a, b, d in graph.edges(data=True) if d["id"] in caps]
        if not capped:
            return
        rest = graph.copy()
        rest.remove_edges_from(capped)
        parts = [frozenset(part) for part in nx.connected_components(rest)]
        sides = set(parts)
        whole = {node: part for part in nx.connected_components(graph) for node in part}
        bridges = set(nx.bridges(graph))
        narrow = [e for e in capped if e in bridges or e[::-1] in bridges]
        narrow.sort(key=lambda e: (caps[graph.edges[e]["id"]], e))
        if narrow:
            cut = nx.Graph(graph.edges)
            for a, b in narrow[:MOST_BRIDGES]:
                self.instance.look()
                cut.remove_edge(a, b)
                side = frozenset(nx.node_connected_component(cut, a))
                cut.add_edge(a, b)
                other = frozenset(whole[a]) - side
                sides.add(min(side, other, key=lambda p: (len(p), sorted(p))))
        done: set[frozenset[str]] = set()
        for side in sorted(sides, key=lambda p: (len(p), sorted(p))):
            self.instance.look()
            ids = frozenset(
                d["id"] for a, b, d in graph.edges(data=True) if (a in side) != (b in side)
            )
            if ids and ids <= caps.keys() and ids not in done:
                done.add(ids)
                self._through(side, ids)

    def _through(self, side: frozenset[str], openings: frozenset[str]) -> None:
        inst, places = self.instance, self.places
        caps = places.backbone.pathway_caps
        most = sum(caps[p] or 0 for p in openings)
        network = inst.network
        inner = {i for i, place in enumerate(places.place_of) if place in side}
        crossing: list[tuple[int, int]] = []
        possible = 0
        crosses = {
            inside: {
                b for b in self.blocks
                if any((i in inner) != inside for i in places.blocks[b].devices)
            }
            for inside in (False, True)
        }
        for (s, g), here in self.at.items():
            inside = network.place_near(inst.switch_ids[s]) in side
            there = [(b, v) for b, v in here if b in crosses[inside]]
            if not there:
                continue
            possible += len(there)
            if inst.grades[g].is_line:
                v = self.var(len(self.blocks))
                self._segments.lines(g, there, [(v, -1)])
                self._segments.groups_on_lines(there, [(v, -1)])
                crossing.append((v, 1))
            else:
                crossing += [(v, 1) for _, v in there]
        if possible > most:
            self.add(crossing, most, [("pathway-capacity", p) for p in sorted(openings)])

    # -- streams ------------------------------------------------------------------------------

    def _streams(self) -> None:
        """Both ends of a stream hang where it arrives in time, if only by its bare way."""
        inst, places = self.instance, self.places
        done: set[tuple[int, int, bytes]] = set()
        for j, data in enumerate(inst.streams):
            source = data.source_device
            if source is None or places.block_of[source] not in self.of_block:
                continue
            a = places.block_of[source]
            for target in data.targets:
                if target.device is None:
                    continue
                b = places.block_of[target.device]
                if b == a or b not in self.of_block:
                    continue
                late = places.time_reasons(j, target.device)
                if not late.any() or (key := (a, b, late.tobytes())) in done:
                    continue
                done.add(key)
                inst.look()
                for s in range(inst.switch_count):
                    kinds = set(late[s].tolist()) - {0}
                    if kinds and self.on[a, s]:
                        because = {k for kind in kinds for k in places.reason_of(j, kind)}
                        fine = [
                            (v, -1) for t in np.flatnonzero(late[s] == 0).tolist()
                            for v in self.on[b, t]
                        ]
                        self.add(
                            [*((v, 1) for v in self.on[a, s]), *fine], 0, because
                        )

    def _load_between_switches(self) -> None:
        """What enters or leaves a switch, or one side of the backbone, fits on the links there."""
        inst, backbone = self.instance, self.places.backbone
        graph = nx.Graph()
        graph.add_nodes_from(range(inst.switch_count))
        rates = inst.problem.catalogue.grades
        for link in backbone.links:
            if link.grades:
                graph.add_edge(*link.ends)
        if not graph.edges:
            return
        share = min(inst.problem.backbone.load_share_ppm, PPM)
        fastest = max(rates[g].rate_bps for k in backbone.links for g in k.grades)
        loads = [
            slot_on_link_ns(d.frame_bytes, fastest) * PPM // d.period_ns for d in inst.streams
        ]
        if sum(loads) <= share:
            return
        sides = {frozenset({s}) for s in range(inst.switch_count)}
        for a, b in nx.bridges(graph):
            cut = graph.copy()
            cut.remove_edge(a, b)
            sides.add(frozenset(nx.node_connected_component(cut, a)))
        for side in sorted(sides, key=sorted):
            links = [k for k in backbone.links if k.grades and len(side & set(k.ends)) == 1]
            if links and sum(loads) > share * len(links):
                self._flow(side, share * len(links), loads, outward=True)
                self._flow(side, share * len(links), loads, outward=False)

    def _flow(self, side: frozenset[int], most: int, loads: list[int], *, outward: bool) -> None:
        inst, places = self.instance, self.places
        terms: list[tuple[int, int]] = []
        constant = 0
        for j, data in enumerate(inst.streams):
            if not loads[j]:
                continue
            # It crosses if it begins on one side and its first target is on the other.
            target = data.targets[0]
            ends = ((data.source_device, data.source_switch), (target.device, target.switch))
            row: list[tuple[int, int]] = []
            sure = -1
            for (device, switch), here in zip(ends, (outward, not outward), strict=True):
                if device is None:
                    sure += int((switch in side) == here)
                elif (b := places.block_of[device]) in self.of_block:
                    row += [
                        (v, 1) for s in range(inst.switch_count)
                        if (s in side) == here for v in self.on[b, s]
                    ]
                else:
                    sure -= 1
            if not row:
                constant += loads[j] * max(0, sure)
                continue
            crosses = self.var(1)
            self.add([*row, (crosses, -1)], -sure)
            terms.append((crosses, loads[j]))
        self.add(terms, most - constant, [("backbone-load",)])

    # -- switches -----------------------------------------------------------------------------

    def _openings(self) -> None:
        """Switches that something hangs on are open, and those that have to be."""
        inst = self.instance
        at: dict[int, list[int]] = defaultdict(list)
        for (_, s), there in self.on.items():
            at[s] += there
        for s, switch in enumerate(inst.problem.switches.values()):
            hanging = at[s]
            if hanging:
                self.add(
                    [*((v, 1) for v in hanging), (self.opened[s], -len(hanging))], 0
                )
            if switch.required or s in inst.talking_switches:
                self.add([(self.opened[s], -1)], -1, [("switch-open", switch.id)])
