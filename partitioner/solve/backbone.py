"""The backbone as the master sees it: possible links, their values, shapes and least hop times."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import networkx as nx
import numpy as np
from ortools.sat.python import cp_model

from partitioner.model.problem import BackboneShape
from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.columns import Column
from partitioner.solve.instance import Instance
from partitioner.solve.kept import kept
from partitioner.timing.frames import wire_ns
from partitioner.timing.line import propagation_ns

Expr = cp_model.LinearExpr

MOST_QUICK = 12
"""Most trees of the backbone that a search for a first layout goes through."""


@dataclass(frozen=True, slots=True)
class PossibleLink:
    """A backbone link that may be built: ends as switch numbers, grades that reach."""

    ends: tuple[int, int]
    grades: tuple[str, ...]
    length_um: int
    required: bool


class BackboneData:
    """Values and rules of the backbone for one instance."""

    def __init__(self, instance: Instance):
        self.instance = instance
        problem = instance.problem
        self.shape = problem.backbone.shape
        self.links: list[PossibleLink] = []
        for link in problem.backbone.links:
            a, b = link.ends
            length = (
                link.length_um if link.length_um is not None else instance.network.length_um(a, b)
            )
            grades = tuple(g for g in link.grades if length <= problem.reach_um(g))
            ends = (instance.switch_index[a], instance.switch_index[b])
            self.links.append(PossibleLink(ends, grades, length, link.required))
        self.pathway_caps = {
            p.id: p.max_cables for p in problem.pathways if p.max_cables is not None
        }
        self._hops: dict[tuple[object, ...], dict[tuple[int, int], int]] = {}

    def graph(self) -> nx.Graph:
        """All switches, joined by the links that may be built."""
        graph = nx.Graph()
        graph.add_nodes_from(range(self.instance.switch_count))
        graph.add_edges_from(link.ends for link in self.links if link.grades)
        return graph

    # -- values -------------------------------------------------------------------------------

    def switch_value(self, switch: int) -> int:
        """Objective money of one open switch."""
        data = self.instance.problem.switches[self.instance.switch_ids[switch]]
        return self.instance.value(data.price_money, data.mass_mg)

    def link_value(self, index: int, grade_id: str) -> int:
        """Objective money of one backbone link: cable, two connectors, two port PHYs."""
        inst = self.instance
        grade = inst.problem.catalogue.grades[grade_id]
        value = inst.length_value(grade.cable, self.links[index].length_um)
        return value + 2 * inst.part_value(grade.connector) + 2 * inst.part_value(grade.port_phy)

    # -- pathways -----------------------------------------------------------------------------

    @kept
    def passes(self, column: Column) -> frozenset[str]:
        """Pathways with a cap that the cable of a segment runs through.

        A segment that runs there and back through a pathway counts once.
        """
        inst = self.instance
        through: set[str] = set()
        for arm in (column.out, column.back):
            ids = [inst.switch_ids[column.switch], *(inst.device_ids[i] for i in arm)]
            for a, b in pairwise(ids):
                through.update(inst.network.pathways_on(a, b))
        return frozenset(through & self.pathway_caps.keys())

    @kept
    def link_passes(self, index: int) -> frozenset[str]:
        """Pathways with a cap that the cable of a backbone link runs through."""
        inst = self.instance
        a, b = (inst.switch_ids[s] for s in self.links[index].ends)
        return frozenset(self.pathway_caps.keys() & inst.network.pathways_on(a, b))

    # -- hop times ----------------------------------------------------------------------------

    def hop_function(
        self, stream: int, built: Mapping[int, str] | None = None
    ) -> Callable[[int, int], int]:
        """Least time a stream's frame needs from the port it enters to the port it leaves by.

        The forwarding delay of each switch crossed and, between switches, the bare transmission
        on each link of the quickest possible way; waiting behind others is left out, so this
        never says too much. What a finished layout really needs is judged afterwards.
        ``built``: over these links only, each in the grade given; else over any that can be built.
        """
        data = self.instance.streams[stream]
        key = (data.frame_bytes, None if built is None else tuple(sorted(built.items())))
        table = self._hops.get(key)
        if table is None:
            table = self._hops[key] = self._hop_table(data.frame_bytes, built)
        return lambda s, t: table.get((s, t), 2**40)

    def _hop_table(
        self, frame_bytes: int, built: Mapping[int, str] | None
    ) -> dict[tuple[int, int], int]:
        forward = self.instance.forward_ns
        graph = nx.Graph()
        graph.add_nodes_from(range(self.instance.switch_count))
        for k, link in enumerate(self.links):
            grades = link.grades if built is None else [built[k]] if k in built else []
            if not grades:
                continue
            hop = min(self._bare_hop_ns(frame_bytes, g, link.length_um) for g in grades)
            a, b = link.ends
            # Half the forwarding delay at each end makes a way's weight its exact delay once
            # the two outer halves are added back.
            weight = 2 * hop + forward[a] + forward[b]
            if not graph.has_edge(a, b) or graph.edges[a, b]["w"] > weight:
                graph.add_edge(a, b, w=weight)
        table = {}
        for s, reached in nx.all_pairs_dijkstra_path_length(graph, weight="w"):
            for t, weight in reached.items():
                table[s, t] = (weight + forward[s] + forward[t]) // 2
        return table

    def direct_link_ns(self, stream: int) -> int:
        """Least time that a stream's frame needs on a link of any grade, were it no cable long."""
        frame_bytes = self.instance.streams[stream].frame_bytes
        grades = self.instance.problem.catalogue.grades
        return min(self._bare_hop_ns(frame_bytes, g, 0) for g in grades)

    def _bare_hop_ns(self, frame_bytes: int, grade_id: str, length_um: int) -> int:
        problem = self.instance.problem
        grade = problem.catalogue.grades[grade_id]
        return (
            wire_ns(frame_bytes, grade.rate_bps)
            + grade.phy_tx_ns
            + grade.phy_rx_ns
            + propagation_ns(problem, grade_id, length_um)
        )

    # -- shape --------------------------------------------------------------------------------

    def quick_backbones(self) -> list[dict[int, str]]:
        """Give sets of links (numbers) with a grade each that delay streams little, best first.

        Every link in its fastest grade; of a tree over switches that are all required only some:
        in turn those that leave most room in limited pathways, and those that urgent streams cross
        few links of, were each device at its nearest switch. They are found by exchanging links;
        nothing is proved of them.
        """
        fastest = {k: self._fastest(k) for k, link in enumerate(self.links) if link.grades}
        switches = self.instance.problem.switches.values()
        if self.shape is not BackboneShape.TREE or not all(s.required for s in switches):
            return [fastest]
        number = {frozenset(self.links[k].ends): k for k in fastest}
        graph = self.graph()
        must = {k for k, link in enumerate(self.links) if link.required}
        urgency = self._urgency()
        urgency = urgency + urgency.T
        taken = {k: self._taken(k) for k in fastest}
        rated: dict[frozenset[int], float] = {}
        for a, b in graph.edges:
            link = number[frozenset((a, b))]
            graph.edges[a, b]["taken"] = -1.0 if link in must else taken[link]
        roomy = nx.minimum_spanning_tree(graph, weight="taken").edges
        for edges in (roomy, *(nx.bfs_edges(graph, root) for root in graph)):
            tree = frozenset(number[frozenset(ends)] for ends in edges)
            if len(tree) == len(graph) - 1 and must <= tree:
                rated[tree] = float((self._hops_in(tree) * urgency).sum()) / 2
        if not rated:
            return [fastest]

        def urgent(tree: frozenset[int]) -> tuple[float, list[int]]:
            return rated[tree], sorted(tree)

        def crowded(tree: frozenset[int]) -> tuple[float, float, list[int]]:
            return math.fsum(taken[k] for k in tree), *urgent(tree)

        ranks: list[Callable[[frozenset[int]], Any]] = [urgent]
        if any(taken.values()):
            ranks.insert(0, crowded)
        for rank in ranks:
            best: frozenset[int] | None = None
            while (now := min(rated, key=rank)) != best:
                best = now
                hops = self._hops_in(best)
                for old in best - must:
                    others = fastest.keys() - best
                    for new, crossed in self._crossed_after(hops, old, others, urgency):
                        rated.setdefault(best - {old} | {new}, crossed)
        in_turn = zip(*(sorted(rated, key=rank) for rank in ranks), strict=True)
        good = list(dict.fromkeys(itertools.chain(*in_turn)))[:MOST_QUICK]
        return [{k: fastest[k] for k in sorted(tree)} for tree in good]

    def _taken(self, link: int) -> float:
        """Shares of the room in limited pathways that a link takes, added up."""
        return sum(1 / max(1, self.pathway_caps[p]) for p in self.link_passes(link))

    def exchanges(self, built: Mapping[int, str]) -> list[dict[int, str]]:
        """Give the trees that another link in place of one makes of a tree; none of other shapes.

        A link has the grade of the one it takes the place of, if it may, else its fastest.
        """
        if self.shape is not BackboneShape.TREE:
            return []
        tree = nx.Graph(self.links[k].ends for k in built)
        found = []
        for old in (k for k in built if not self.links[k].required):
            tree.remove_edge(*self.links[old].ends)
            here = nx.node_connected_component(tree, self.links[old].ends[0])
            tree.add_edge(*self.links[old].ends)
            for new, link in enumerate(self.links):
                a, b = link.ends
                joins = a in tree and b in tree and (a in here) != (b in here)
                if new in built or not joins or not link.grades:
                    continue
                rest = {k: g for k, g in built.items() if k != old}
                grade = built[old] if built[old] in link.grades else self._fastest(new)
                found.append(rest | {new: grade})
        return found

    def _fastest(self, link: int) -> str:
        rates = self.instance.problem.catalogue.grades
        return max(self.links[link].grades, key=lambda g: rates[g].rate_bps)

    def _urgency(self) -> Floats:
        """Deliveries from switch to switch, each worth one over its deadline in ms.

        Each device is thought to be at the nearest switch that has a port for it.
        """
        inst = self.instance
        nearest = np.where(inst.finds_port.T, inst.switch_um, np.inf).argmin(axis=0)
        urgency = np.zeros((inst.switch_count, inst.switch_count))
        for stream in inst.streams:
            source = stream.source_switch
            if stream.source_device is not None:
                source = int(nearest[stream.source_device])
            for target in stream.targets:
                end = target.switch if target.device is None else int(nearest[target.device])
                urgency[source, end] += 1e6 / stream.deadline_ns
        return urgency

    def _crossed_after(
        self, hops: Ints, old: int, others: Iterable[int], urgency: Floats
    ) -> Iterator[tuple[int, float]]:
        """Give each link that joins a tree again without ``old``, and what is crossed with it.

        That is the links between two switches times the urgency of what goes either way, added up
        over all pairs.
        """
        a, b = self.links[old].ends
        here = hops[:, a] < hops[:, b]
        across = urgency[np.ix_(here, ~here)]
        inside = float((hops * urgency)[here[:, None] == here[None, :]].sum()) / 2
        for new in others:
            a, b = self.links[new].ends
            if here[a] == here[b]:
                continue
            a, b = (a, b) if here[a] else (b, a)
            way = hops[here, a][:, None] + 1 + hops[b, ~here][None, :]
            yield new, inside + float((way * across).sum())

    def _hops_in(self, tree: frozenset[int]) -> Ints:
        """(s, s) links on the way from switch to switch."""
        graph = nx.Graph([self.links[k].ends for k in tree])
        hops: Ints = np.zeros((self.instance.switch_count,) * 2, dtype=np.int64)
        for a, ways in nx.all_pairs_shortest_path_length(graph):
            for b, length in ways.items():
                hops[a, b] = length
        return hops

    def add_shape(
        self,
        model: cp_model.CpModel,
        opened: list[cp_model.IntVar],
        built: dict[tuple[int, str], cp_model.IntVar],
    ) -> None:
        """Add the rows that give the backbone its shape."""
        any_grade: list[Expr | int] = []
        for index, link in enumerate(self.links):
            grades = [built[index, g] for g in link.grades]
            whole: Expr | int = Expr.sum(grades) if grades else 0
            a, b = link.ends
            must = link.required or self.shape is BackboneShape.FIXED
            if grades:
                model.add_at_most_one(grades)
                for end in (a, b):
                    model.add(whole <= opened[end])
            if must:
                model.add(whole >= opened[a] + opened[b] - 1)
            any_grade.append(whole)
        if self.shape is BackboneShape.TREE:
            model.add(sum(any_grade) == sum(opened) - 1)
            self._connect(model, opened, any_grade)
        elif self.shape is BackboneShape.RING:
            self._ring(model, opened, any_grade)

    def _connect(
        self,
        model: cp_model.CpModel,
        opened: Sequence[cp_model.IntVar],
        any_grade: Sequence[Expr | int],
    ) -> None:
        """All open switches are joined: one of them feeds a unit of flow to every open one."""
        count = len(opened)
        if count < 2:
            return
        net: list[Expr | int] = [0] * count
        for index, link in enumerate(self.links):
            if not link.grades:
                continue
            a, b = link.ends
            flow = model.new_int_var(-count, count, f"flow[{index}]")
            model.add(flow <= count * any_grade[index])
            model.add(flow >= -count * any_grade[index])
            net[a] -= flow
            net[b] += flow
        roots = [model.new_bool_var(f"root[{s}]") for s in range(count)]
        model.add_exactly_one(roots)
        for s in range(count):
            supply = model.new_int_var(0, count, f"supply[{s}]")
            model.add(supply <= count * roots[s])
            model.add(net[s] + supply == opened[s])
            model.add_implication(roots[s], opened[s])

    def _ring(
        self,
        model: cp_model.CpModel,
        opened: Sequence[cp_model.IntVar],
        any_grade: Sequence[Expr | int],
    ) -> None:
        """The open switches lie on one ring; two of them are joined by one link, one needs none."""
        arcs = []
        alone = model.new_bool_var("ring alone")
        model.add(sum(opened) == 1).only_enforce_if(alone)
        for s, var in enumerate(opened):
            loop = model.new_bool_var(f"ring skip[{s}]")
            model.add(loop + var >= 1)
            model.add(loop + var <= 1 + alone)
            model.add_implication(alone, loop)
            arcs.append((s, s, loop))
        for index, link in enumerate(self.links):
            if not link.grades:
                continue
            a, b = link.ends
            there = model.new_bool_var(f"ring[{index},there]")
            back = model.new_bool_var(f"ring[{index},back]")
            arcs += [(a, b, there), (b, a, back)]
            model.add(any_grade[index] >= there)
            model.add(any_grade[index] >= back)
            model.add(any_grade[index] <= there + back)
        model.add_circuit(arcs)
