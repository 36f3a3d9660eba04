"""Proposes where switches may stand, from the devices and the pathways alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import networkx as nx
import numpy as np
import numpy.typing as npt

from partitioner.model.problem import Metric
from partitioner.reading.build import distances
from partitioner.reading.catalogue import shipped_catalogue
from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts, Point
from partitioner.reading.schema import PROPOSE, BackboneTable, SwitchTable
from partitioner.reading.tables import Item, read_table
from partitioner.units import UM_PER_M, from_base

_DEVICES_OF_ONE = 8
_FEWEST, _MOST = 2, 8
_MOST_SITES = 400
_NEVER = 1e15
_BACKBONE = ("100BASE-T1", "1000BASE-T1")
_BACKBONE_LONG = "10BASE-T1L"


def propose_switches(parts: Parts, findings: Findings) -> None:
    """Put candidates for switches, and links between them, into the parts of a problem.

    Each candidate in turn stands where it shortens the cable ways of all devices to their nearest
    candidate most (the greedy median). The first one is the most central of all.
    """
    asked = parts.propose.table
    origin = parts.origin.part("switches", label="switches")
    ways = _Ways(parts)
    if not len(ways.sites) or not len(ways.distance_um):
        parts.unsure.add("switches")  # That no device has a place is told at each of them.
        return
    most = asked.number
    if most is None:
        most = max(_FEWEST, min(_MOST, -(-len(parts.devices) // _DEVICES_OF_ONE)))
    chosen = _medians(ways.distance_um, most)
    known = (parts.catalogue or shipped_catalogue()).grades
    # An unknown one is told at its device.
    used = [g for d in parts.everyone() for g, _ in d.table.grades or () if g in known]
    grades = list(dict.fromkeys(used)) or ["10BASE-T1S-multidrop"]
    taken = set(parts.names(("devices", "forecast")))
    names: list[str] = []
    for rank, site in enumerate(chosen):
        number = len(names) + (asked.central is None)
        name = f"zone-{number}"
        while name in taken:
            name += "-switch"
        if rank == 0 and asked.central is not None:
            name = asked.central
        taken.add(name)
        names.append(name)
        raw: dict[str, Any] = {"id": name, **ways.sites[site]}
        raw |= {
            "required": name == asked.central,
            "price": asked.price,
            "ports": [{"grades": grades, "count": asked.ports, "price": asked.port_price}],
        }
        here = origin.named(f"switches[{name}]")
        parts.switches.append(read_table(SwitchTable, raw, here, findings))
    if parts.backbone.whole and not parts.backbone.table.links and len(names) > 1:
        parts.backbone = _links(parts, names, ways.between_m(chosen), findings)


def _free_ways(
    parts: Parts, rows: Sequence[Point], columns: Sequence[Point]
) -> npt.NDArray[np.float64]:
    """Cable ways where no pathway leads, in µm."""
    routing = parts.routing.table
    return distances(rows, columns, routing.metric or Metric.RECTILINEAR) * float(
        routing.factor or 1
    )


def pathway_graph(parts: Parts) -> nx.Graph[str]:
    """The pathways between known places; ``weight`` is the length in µm, not rounded."""
    places = parts.points
    graph: nx.Graph[str] = nx.Graph()
    for item in parts.pathways:
        a, b = item.table.from_, item.table.to
        if a in places and b in places and a != b:
            length = item.table.length_m
            if length is None:
                weight = float(_free_ways(parts, [places[a]], [places[b]])[0, 0])
            else:
                weight = float(length) * UM_PER_M
            if not graph.has_edge(a, b) or graph[a][b]["weight"] > weight:
                graph.add_edge(a, b, weight=weight)
    return graph


def between_um(parts: Parts, ends: Sequence[Item[Any]], graph: nx.Graph[str]) -> float | None:
    """Cable way between two switches in µm, not rounded; None where it is not known.

    With pathways it is told of switches at places alone.
    """
    if graph.number_of_nodes():
        a, b = (item.table.place for item in ends)
        if a not in graph or b not in graph or not nx.has_path(graph, a, b):
            return None
        return float(nx.dijkstra_path_length(graph, a, b))
    points = [at for item in ends if (at := parts.position_um(item)) is not None]
    return float(_free_ways(parts, points[:1], points[1:])[0, 0]) if len(points) == 2 else None


class _Ways:
    """Distance of every device from every site a switch may stand at, in µm."""

    def __init__(self, parts: Parts):
        places = parts.points
        self._parts = parts
        standing = ((d.table.place, parts.position_um(d)) for d in parts.devices)
        at = [(place, where) for place, where in standing if where is not None]
        graph = pathway_graph(parts)
        self._graph_um = graph
        self.sites: list[dict[str, Any]] = []
        self.distance_um: npt.NDArray[np.float64] = np.zeros((0, 0))
        if not at:
            return
        points = [p for _, p in at]
        if graph.number_of_nodes():
            names = list(graph)
            names = names[:: -(-len(names) // _MOST_SITES)]
            nodes = list(graph)
            near = self._ways(points, [places[n] for n in nodes])
            meets = [
                (nodes.index(p), 0.0) if p in graph else (int(r.argmin()), float(r.min()))
                for (p, _), r in zip(at, near, strict=True)
            ]
            self.sites = [{"place": n} for n in names]
            rows = []
            for name in names:
                length = nx.single_source_dijkstra_path_length(graph, name)
                rows.append([length.get(nodes[m], _NEVER) + reach for m, reach in meets])
            self.distance_um = np.array(rows)
            self._points = [places[n] for n in names]
            self._names: list[str] | None = names
        else:
            distinct = list(dict.fromkeys(p for _, p in at))
            distinct = distinct[:: -(-len(distinct) // _MOST_SITES)]
            self.sites = [
                {"position_m": [from_base(int(c), UM_PER_M) for c in p]} for p in distinct
            ]
            self._points = distinct
            self.distance_um = self._ways(distinct, points)
            self._names = None

    def _ways(self, rows: Sequence[Point], columns: Sequence[Point]) -> npt.NDArray[np.float64]:
        return _free_ways(self._parts, rows, columns)

    def between_m(self, chosen: list[int]) -> npt.NDArray[np.float64]:
        """Cable ways between the sites chosen, in m."""
        if self._names is None:
            points = [self._points[c] for c in chosen]
            return self._ways(points, points) / UM_PER_M
        names = [self._names[c] for c in chosen]
        rows = []
        for name in names:
            length = nx.single_source_dijkstra_path_length(self._graph_um, name)
            rows.append([length.get(other, _NEVER) / UM_PER_M for other in names])
        return np.array(rows)


def _medians(distance_um: npt.NDArray[np.float64], number: int) -> list[int]:
    """Sites one by one, each the one that shortens the ways to the nearest most."""
    nearest = np.full(distance_um.shape[1], _NEVER)
    chosen: list[int] = []
    while len(chosen) < min(number, len(distance_um)):
        sums = np.minimum(distance_um, nearest).sum(axis=1)
        sums[chosen] = np.inf
        best = int(sums.argmin())
        chosen.append(best)
        nearest = np.minimum(nearest, distance_um[best])
    return chosen


def _links(
    parts: Parts, names: list[str], way_m: npt.NDArray[np.float64], findings: Findings
) -> Item[BackboneTable]:
    """A tree to be chosen among links of all pairs that a grade reaches."""
    grades = (parts.catalogue or shipped_catalogue()).grades
    links = []
    for i, a in enumerate(names):
        for j in range(i + 1, len(names)):
            reached = [
                g
                for g in (*_BACKBONE, _BACKBONE_LONG)
                if g in grades
                and not grades[g].is_line
                and way_m[i, j] <= grades[g].guaranteed_length_um / UM_PER_M
            ]
            kept = [g for g in reached if g in _BACKBONE] or reached
            if kept:
                links.append({"between": [a, names[j]], "grades": kept})
    raw = {"shape": "tree", "links": links}
    return read_table(BackboneTable, raw, parts.backbone.origin, findings)


def is_asked(raw: Any) -> bool:
    """Whether ``switches`` of a problem file asks for candidates."""
    return bool(raw == PROPOSE)
