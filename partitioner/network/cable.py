"""Cable ways between places, devices and switches: lengths and the pathways they pass."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import networkx as nx
import numpy as np
import numpy.typing as npt

from partitioner.model.problem import Device, Metric, Problem, Routing, Switch
from partitioner.units import PPM


def _distances_um(
    rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64], routing: Routing
) -> npt.NDArray[np.int64]:
    """Distances of all pairs of two point sets, equal to :meth:`Routing.distance_um`."""
    factor_ppm = routing.factor_ppm
    gaps: npt.NDArray[np.int64] = np.abs(rows[:, None, :] - columns[None, :, :])
    if routing.metric is Metric.RECTILINEAR:
        sums: npt.NDArray[np.int64] = gaps.sum(axis=2)
        return -((-sums * factor_ppm) // PPM)
    factor = factor_ppm / PPM
    if factor_ppm == PPM and gaps.max(initial=0) < 2**30:
        # Floating point proposes, integers decide: the candidate is moved by at most a step or
        # two until it is the smallest one that is not too short.
        square = (gaps * gaps).sum(axis=2)
        guess: npt.NDArray[np.int64] = np.maximum(np.floor(np.sqrt(square)).astype(np.int64) - 1, 0)
        for _ in range(3):
            guess = np.where(guess * guess < square, guess + 1, guess)
        return guess
    # Where floating point is sure between which two integers the distance lies, it decides.
    wanted = np.sqrt((gaps.astype(float) ** 2).sum(axis=2)) * factor
    exact: npt.NDArray[np.int64] = np.ceil(wanted).astype(np.int64)
    for i, j in np.argwhere(np.abs(wanted - np.rint(wanted)) <= 1e-9 + 1e-14 * wanted):
        exact[i, j] = routing.distance_um(rows[i].tolist(), columns[j].tolist())
    return exact


_AT_ONCE = 250_000
"""Distances worked out between two looks."""
_BIG = 10_000
"""Weighs a place passed far below a µm, so that of equal ways the one with fewer corners wins."""


_Site = tuple[str | None, tuple[int, int, int]]
"""Place, if at one, and position in µm."""


@dataclass(frozen=True, slots=True)
class _Tree:
    """Shortest ways from one place: to every place the length (-1: none) and the place before."""

    length_um: npt.NDArray[np.int64]
    before: npt.NDArray[np.int32]


def _tree(edges: list[list[tuple[int, int]]], start: int) -> _Tree:
    """Find the shortest ways from ``start``, ties broken by the first place before (Dijkstra)."""
    weights = [-1] * len(edges)
    before = [-1] * len(edges)
    queue = [(0, -1, start)]
    while queue:
        weight, via, place = heapq.heappop(queue)
        # Of several ways of one weight the one by the first place comes out of the queue first.
        if weights[place] >= 0:
            continue
        weights[place], before[place] = weight, via
        for other, more in edges[place]:
            if weights[other] < 0:
                heapq.heappush(queue, (weight + more, place, other))
    lengths = [-1 if weight < 0 else weight // _BIG for weight in weights]
    return _Tree(np.array(lengths, dtype=np.int64), np.array(before, dtype=np.int32))


class CableNetwork:
    """Lengths and ways of cable between the ids of a problem.

    Ids are those of devices, switches and forecast devices. Without pathways every way is direct;
    with pathways it follows the shortest way along them (ties broken by fewest places, then by
    place order in the file, so that a problem always gets the same ways). ``look`` is called again
    and again while much is worked out; it may raise to end that. ``graph`` is a networkx graph of
    places and pathways: nodes are place ids with ``position_um``, edges have ``length_um`` and
    ``id``. It is empty without pathways.
    """

    def __init__(self, problem: Problem, look: Callable[[], object] = lambda: None):
        self._problem = problem
        self._look = look
        self._routing = problem.routing
        self._sites: dict[str, _Site] = {}
        # A report tries many other places, and asks it of every cable each time.
        self._pathways_on: dict[tuple[str, str], tuple[str, ...]] = {}
        forecast = [f.device for f in problem.forecast]
        everything: list[Switch | Device] = [
            *problem.switches.values(),
            *problem.devices.values(),
            *forecast,
        ]
        for item in everything:
            self._sites[item.id] = (item.place, problem.position_um(item))
        self.graph = nx.Graph()
        self.has_pathways = bool(problem.pathways)
        if self.has_pathways:
            self._build_graph()

    def _build_graph(self) -> None:
        used = {end for p in self._problem.pathways for end in p.ends}
        for place in self._problem.places.values():
            if place.id in used:
                self.graph.add_node(place.id, position_um=place.position_um)
        for pathway in self._problem.pathways:
            a, b = pathway.ends
            known = self.graph.get_edge_data(a, b)
            if known is None or pathway.length_um < known["length_um"]:
                self.graph.add_edge(a, b, length_um=pathway.length_um, id=pathway.id)
        self._place_index = {p: i for i, p in enumerate(self.graph.nodes)}
        self._place_ids = list(self.graph.nodes)
        self._place_xyz = np.array(
            [self.graph.nodes[p]["position_um"] for p in self._place_ids], dtype=np.int64
        )
        self._edges: list[list[tuple[int, int]]] = [[] for _ in self._place_ids]
        """By place: places next to it, with what the way there weighs."""
        for a, b, data in self.graph.edges(data=True):
            weight = data["length_um"] * _BIG + 1
            self._edges[self._place_index[a]].append((self._place_index[b], weight))
            self._edges[self._place_index[b]].append((self._place_index[a], weight))
        self._trees: dict[int, _Tree] = {}
        self._attach: dict[str, tuple[int, int]] = {}
        for id_, (own, position) in self._sites.items():
            if own is not None and own in self._place_index:
                self._attach[id_] = (self._place_index[own], 0)
                continue
            gaps = _distances_um(
                np.array([position], dtype=np.int64), self._place_xyz, self._routing
            )[0]
            nearest = int(np.argmin(gaps))
            self._attach[id_] = (nearest, int(gaps[nearest]))

    def _tree(self, place: int) -> _Tree:
        """Ways from one place to all others; made when first asked for."""
        if place not in self._trees:
            self._look()
            self._trees[place] = _tree(self._edges, place)
        return self._trees[place]

    def position_um(self, id_: str) -> tuple[int, int, int]:
        """Where a device or switch stands."""
        return self._sites[id_][1]

    def length_um(self, a: str, b: str) -> int:
        """Length of the cable way between two ids in µm (no slack).

        Raises
        ------
        ValueError
            If no pathway joins them. The reader refuses such files.
        """
        if not self.has_pathways:
            return self._routing.distance_um(self.position_um(a), self.position_um(b))
        (pa, ga), (pb, gb) = self._attach[a], self._attach[b]
        if self._same_point(a, b):
            return 0
        between = int(self._tree(pa).length_um[pb])
        if between < 0:
            raise ValueError(f"no pathway joins {a} and {b}")
        return ga + between + gb

    def place_near(self, id_: str) -> str:
        """Place of the pathways at which an id meets them; there have to be some."""
        place: str = self._place_ids[self._attach[id_][0]]
        return place

    def _same_point(self, a: str, b: str) -> bool:
        return self._sites[a] == self._sites[b]

    def matrix_um(self, rows: Sequence[str], columns: Sequence[str]) -> npt.NDArray[np.int64]:
        """Lengths of all ways from ``rows`` to ``columns``: int64 array (rows, columns) in µm."""
        if not self.has_pathways:
            a = np.array([self.position_um(r) for r in rows], dtype=np.int64).reshape(-1, 3)
            b = np.array([self.position_um(c) for c in columns], dtype=np.int64).reshape(-1, 3)
            lengths = np.empty((len(a), len(b)), dtype=np.int64)
            step = 1 + _AT_ONCE // (1 + len(b))
            for k in range(0, len(a), step):
                self._look()
                lengths[k : k + step] = _distances_um(a[k : k + step], b, self._routing)
            return lengths
        pa = np.array([self._attach[r] for r in rows], dtype=np.int64).reshape(-1, 2)
        pb = np.array([self._attach[c] for c in columns], dtype=np.int64).reshape(-1, 2)
        between = np.empty((len(pa), len(pb)), dtype=np.int64)
        for place in np.unique(pa[:, 0]):
            between[pa[:, 0] == place] = self._tree(int(place)).length_um[pb[:, 0]]
        if between.size and between.min() < 0:
            i, j = np.argwhere(between < 0)[0]
            raise ValueError(f"no pathway joins {rows[i]} and {columns[j]}")
        lengths = pa[:, 1][:, None] + between + pb[:, 1][None, :]
        sites_a = [self._sites[r] for r in rows]
        index: dict[_Site, list[int]] = {}
        for j, c in enumerate(columns):
            index.setdefault(self._sites[c], []).append(j)
        for i, site in enumerate(sites_a):
            for j in index.get(site, ()):
                lengths[i, j] = 0
        return lengths

    def way(self, a: str, b: str) -> tuple[str, ...]:
        """Network nodes the cable between two ids passes, from ``a`` to ``b``.

        Place ids; the id itself stands for a device or switch that is not at a place of the
        pathways. Without pathways the way is ``(a, b)``.
        """
        if not self.has_pathways:
            return (a, b)
        if self._same_point(a, b):
            node = self._node(a)
            return (node,)
        (pa, _), (pb, _) = self._attach[a], self._attach[b]
        tree = self._tree(pa)
        steps = [pb]
        while steps[-1] != pa:
            before = int(tree.before[steps[-1]])
            if before < 0:
                raise ValueError(f"no pathway joins {a} and {b}")
            steps.append(before)
        nodes = [self._place_ids[s] for s in reversed(steps)]
        if self._node(a) != nodes[0]:
            nodes.insert(0, self._node(a))
        if self._node(b) != nodes[-1]:
            nodes.append(self._node(b))
        return tuple(nodes)

    def _node(self, id_: str) -> str:
        place = self._sites[id_][0]
        return place if place is not None and place in self._place_index else id_

    def pathways_on(self, a: str, b: str) -> tuple[str, ...]:
        """Ids of the pathways that the cable between two ids runs through, in order."""
        if (a, b) not in self._pathways_on:
            self._pathways_on[a, b] = tuple(
                self.graph.edges[p, q]["id"]
                for p, q in pairwise(self.way(a, b))
                if self.graph.has_edge(p, q)
            )
        return self._pathways_on[a, b]
