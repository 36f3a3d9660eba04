"""The layout as a graph for other programs: GraphML and node-link JSON."""

from __future__ import annotations

from typing import Any

import networkx as nx

from partitioner.model.assessment import Assessment
from partitioner.model.plca import plca_ids
from partitioner.model.problem import Device, Problem, Switch
from partitioner.units import UM_PER_M
from partitioner.visible import json_file, visible


def layout_graph(problem: Problem, assessment: Assessment, mark: dict[str, str]) -> nx.Graph:
    """Devices and open switches with the pieces of cable between them.

    Nodes by id with ``kind`` (``device``, ``switch``), ``x_m``, ``y_m``, ``z_m``, and for devices
    ``segment``, ``order`` (place along the cable from its first end), ``plca_id`` where there is
    one, ``option`` and ``stub_m``. Edges with ``piece``, ``segment``, ``cable``, ``grade``,
    ``length_m``, ``cut_m``, ``fitted_share`` and ``pathways`` (names with spaces between). A piece
    that units need in two lengths has the longer one. ``mark`` has the digests that tell which
    problem and layout the graph is of; they are its own attributes.
    """
    graph = nx.Graph(problem=visible(problem.name), **mark)
    layout = assessment.layout
    for id_ in layout.open_switches:
        if id_ in problem.switches:
            graph.add_node(id_, kind="switch", **_position(problem, problem.switches[id_]))
    grade_of: dict[str, str] = {}
    for segment in layout.segments:
        grade_of[segment.id] = segment.grade
        grade = problem.catalogue.grades.get(segment.grade)
        ids = plca_ids(segment, grade) if grade else ()
        for order, id_ in enumerate(segment.devices):
            if id_ not in problem.devices:
                continue
            device = problem.devices[id_]
            # The switch counts where the cable meets it.
            place = order + 1 + (order >= segment.switch_index)
            graph.add_node(
                id_, kind="device", segment=segment.id, order=place,
                stub_m=device.stub_um / UM_PER_M, **_position(problem, device),
            )  # fmt: skip
            if order < len(ids):
                graph.nodes[id_]["plca_id"] = ids[order]
            if device.option is not None:
                graph.nodes[id_]["option"] = device.option
    backbone = {frozenset(link.ends): link.grade for link in layout.backbone}
    for wire in assessment.wires:
        ends = (wire.from_node, wire.to_node)
        if any(end not in graph for end in ends):
            continue  # A stub: its length is with its device.
        known = graph.get_edge_data(*ends)
        share = wire.share_ppm / 1e6
        length_um = wire.length_um
        if known is not None:
            share += known["fitted_share"]
            length_um = max(length_um, round(known["length_m"] * UM_PER_M))
        graph.add_edge(
            *ends,
            piece=wire.id if known is None else known["piece"],
            segment=wire.segment,
            cable=wire.cable,
            grade=grade_of.get(wire.segment) or backbone.get(frozenset(ends), ""),
            length_m=length_um / UM_PER_M,
            cut_m=problem.shop.cut_um(length_um) / UM_PER_M,
            fitted_share=round(share, 6),
            pathways=" ".join(wire.pathways),
        )
    return graph


def _position(problem: Problem, item: Device | Switch) -> dict[str, float]:
    at = zip("xyz", problem.position_um(item), strict=True)
    return {f"{axis}_m": um / UM_PER_M for axis, um in at}


def graph_files(graph: nx.Graph) -> dict[str, str]:
    """The graph as GraphML and as node-link JSON, by file name."""
    links: dict[str, Any] = nx.node_link_data(graph, edges="links")
    return {
        "layout.graphml": "\n".join(nx.generate_graphml(graph)) + "\n",
        "layout-graph.json": json_file(links),
    }
