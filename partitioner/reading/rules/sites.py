"""Places, pathways, switches and the backbone: what stands where and how cable gets there."""

from __future__ import annotations

from collections import Counter
from math import ceil
from typing import Any

import networkx as nx
import numpy as np

from partitioner.model.problem import BackboneShape, Metric
from partitioner.reading.build import STRAIGHT, distances, limits_of
from partitioner.reading.kinds import plain_number
from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts
from partitioner.reading.propose import between_um, pathway_graph
from partitioner.reading.rules.grades import is_mixing
from partitioner.reading.rules.names import has_one_of
from partitioner.reading.schema import LimitTable
from partitioner.reading.tables import Item
from partitioner.units import UM_PER_M, from_base, to_base
from partitioner.visible import some_of
from partitioner.wording import agree


def check_positions(parts: Parts, findings: Findings) -> None:
    """A device or switch has a place or coordinates, one of both."""
    for item in (*parts.switches, *parts.everyone()):
        has_one_of(item, ("place", "position_m"), findings, hint="remove one of them")


def check_pathways(parts: Parts, findings: Findings) -> None:
    """Pathways join two different places and are no shorter than the straight way."""
    points = parts.points
    for item in parts.pathways:
        way = item.table
        if way.from_ is not None and way.from_ == way.to:
            findings.clash(
                item.origin, f"expected two different places, got '{way.to}' at both ends", "to"
            )
            continue
        a, b = points.get(way.from_), points.get(way.to)
        if a is None or b is None:
            continue
        straight = STRAIGHT.distance_um(a, b)
        if straight == 0 and way.length_m is None and "length_m" not in item.given:
            findings.add(
                item.origin, "missing-key",
                "expected the key 'length_m', since both places are at one point",
            )  # fmt: skip
        elif way.length_m is not None and to_base(way.length_m, UM_PER_M) < straight:
            shortest = plain_number(from_base(straight, UM_PER_M))
            findings.add(
                item.origin, "out-of-range",
                f"shorter than the straight way between its places, {shortest} m", "length_m",
                is_warning=True,
            )  # fmt: skip


def check_connected(parts: Parts, findings: Findings) -> None:
    """With pathways, cable can get from every device and switch to every other.

    A device or switch given by coordinates meets the pathways at the place nearest to it.
    """
    ways = [i.table for i in parts.pathways]
    if not ways or any(w.from_ is None or w.to is None for w in ways) or parts.unsure & {"places"}:
        return
    places = parts.ids("places")
    if any(w.from_ not in places or w.to not in places or w.from_ == w.to for w in ways):
        return  # told by check_pathways; more would only follow from it
    ends = {end for way in ways for end in (way.from_, way.to)}
    graph = nx.Graph()
    graph.add_nodes_from(n for n in places if n in ends)
    graph.add_edges_from((w.from_, w.to) for w in ways)
    sites = [i for s in ("switches", "devices", "forecast") for i in parts.items(s)]
    used = {i.table.place for i in sites}
    for name, item in places.items():
        if name not in graph and name not in used and item.whole:
            findings.add(
                item.origin, "disconnected",
                "no pathway leads to this place and nothing stands there", is_warning=True,
            )  # fmt: skip
    parts_of_graph = list(nx.connected_components(graph))
    component = {n: number for number, c in enumerate(parts_of_graph) for n in c}
    where = _components(sites, parts, component, len(parts_of_graph))
    if not where:
        return
    _tell_disconnected(sites, where, parts_of_graph, places, parts, findings)


def _components(
    sites: list[Item[Any]], parts: Parts, component: dict[str, int], number: int
) -> dict[int, int | None]:
    """Component of each site by its index; None at a place without a pathway."""
    where: dict[int, int | None] = {}
    names = [n for n in parts.points if n in component]
    ends = np.array([parts.points[n] for n in names], dtype=float)
    metric = parts.routing.table.metric or Metric.RECTILINEAR
    for index, item in enumerate(sites):
        place = item.table.place
        if place is not None:
            if place in parts.names(("places",)):
                where[index] = component.get(place)
        elif names and (at := parts.position_um(item)) is not None:
            nearest = int(distances([at], ends, metric).argmin()) if number > 1 else 0
            where[index] = component[names[nearest]]
    return where


def _tell_disconnected(
    sites: list[Item[Any]],
    where: dict[int, int | None],
    components: list[set[str]],
    places: dict[str, Item[Any]],
    parts: Parts,
    findings: Findings,
) -> None:
    # The part with most switches is the one the others should be joined to.
    switches = len(parts.switches)
    votes = Counter(c for i, c in where.items() if c is not None and i < switches) or Counter(
        c for c in where.values() if c is not None
    )
    main = min(votes, key=lambda c: (-votes[c], c), default=None)
    anchor = next((sites[i] for i, c in where.items() if c == main), None)
    name = anchor.id if anchor is not None and anchor.id is not None else "the switches"
    told = set[str]()
    for index, found in where.items():
        item = sites[index]
        if found is None:
            place = item.table.place
            if place in told:
                continue
            told.add(place)
            there = sum(c is None and sites[i].table.place == place for i, c in where.items()) - 1
            findings.add(
                item.origin, "disconnected",
                f"no pathway leads to the place '{place}'"
                + f"; {there} more {agree(there, 'stands', 'stand')} there" * (there > 0),
                "place", hint="add a pathway to it, or give position_m",
            )  # fmt: skip
        elif found != main:
            step = "place" if item.table.place is not None else "position_m"
            findings.add(
                item.origin, "disconnected", f"no pathways lead from here to '{name}'", step,
                hint="add the missing pathway",
            )  # fmt: skip
    busy = set(where.values())
    rank = {name: number for number, name in enumerate(places)}
    for number, members in enumerate(components):
        if number not in busy:
            first = min(members, key=rank.__getitem__)
            findings.add(
                places[first].origin, "disconnected",
                "no pathways lead from here to a switch, and no device stands there",
                is_warning=True,
            )  # fmt: skip


def check_backbone(parts: Parts, findings: Findings) -> None:
    """Backbone links join different known switches once and can take the shape asked for."""
    backbone = parts.backbone
    links = backbone.table.links
    if links is None or backbone.table.shape is None:
        return
    first: dict[frozenset[str], int] = {}
    broken = not backbone.whole or bool(parts.unsure & {"switches"})
    switches = parts.names(("switches",))
    for index, link in enumerate(links):
        steps = ("links", index)
        for number, grade in enumerate(link.grades or ()):
            if is_mixing(parts, grade):
                findings.clash(
                    backbone.origin,
                    f"{grade} makes shared lines; a backbone link needs a grade of links",
                    *steps, "grades", number,
                )  # fmt: skip
        if link.between is None:
            continue
        broken |= not switches.keys() >= set(link.between)
        ends = frozenset(link.between)
        line = backbone.origin.at(steps).line
        if ends in first:
            findings.add(
                backbone.origin, "duplicate-name",
                f"link between {' and '.join(link.between)} given twice; "
                f"first on line {first[ends]}",
                *steps, "between", hint="one link may list several grades",
            )  # fmt: skip
        first.setdefault(ends, line)
    if not broken:
        _check_shape(parts, findings)


def check_backbone_reach(parts: Parts, findings: Findings) -> None:
    """Each grade of the backbone reaches from some switch to one that it may join it with."""
    catalogue = parts.catalogue
    if findings.errors() or catalogue is None:
        return  # What is certain comes first.
    graph, switches = pathway_graph(parts), parts.ids("switches")
    nearest: dict[str, tuple[float, int, int]] = {}
    for index, link in enumerate(parts.backbone.table.links):
        way = between_um(parts, [switches[end] for end in link.between], graph)
        if link.length_m is not None:
            way = float(link.length_m) * UM_PER_M
        for number, grade in enumerate(link.grades):
            here = (0.0 if way is None else way, index, number)
            nearest[grade] = min(here, nearest.get(grade, here))
    for grade, (way, index, number) in nearest.items():
        stated = parts.limits[grade].table if grade in parts.limits else LimitTable()
        reach = limits_of(grade, stated, catalogue).length_um
        if way > reach + 1:
            ends = " and ".join(parts.backbone.table.links[index].between)
            findings.no_effect(
                parts.backbone.origin,
                f"{grade} reaches {plain_number(from_base(reach, UM_PER_M))} m, and no two "
                f"switches that it may join are so near; the nearest are {ends} with "
                f"{ceil(way / 1_000) / 1_000:g} m of cable",
                "links", index, "grades", number, on_key=False,
            )  # fmt: skip


def _check_shape(parts: Parts, findings: Findings) -> None:
    table, origin = parts.backbone.table, parts.backbone.origin
    graph = nx.Graph()
    graph.add_nodes_from(s.id for s in parts.switches)
    graph.add_edges_from(link.between for link in table.links)
    required = [s.id for s in parts.switches if s.table.required]
    if len(required) < 2:
        return
    reach = nx.node_connected_component(graph, required[0])
    cut_off = [name for name in required if name not in reach]
    joins_all = table.shape.joins_all
    if cut_off and (joins_all or parts.streams):
        told = some_of([f"'{name}'" for name in cut_off], 8)
        message = f"no backbone links lead from '{required[0]}' to {told}"
        hint = "" if joins_all else "streams between their devices can't pass"
        findings.add(origin, "disconnected", message, hint=hint, is_warning=not joins_all)
    elif table.shape is BackboneShape.RING and len(required) > 2:
        for name in required:
            if graph.degree(name) < 2:
                findings.clash(
                    origin, f"a ring needs two links at '{name}', got {graph.degree(name)}", "shape"
                )
