"""Backbone links and switches on which more watched devices depend than a rule lets be lost."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import networkx as nx

from partitioner.solve.backbone import BackboneData
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.statements import Key


@dataclass(frozen=True, slots=True)
class Dependent:
    """A watched device and all that it sends to or hears: devices, and switches themselves.

    Bulk transfers do not count, as in the check.
    """

    device: int
    partners: frozenset[int]
    switches: frozenset[int]


@dataclass(frozen=True, slots=True)
class Cut:
    """A failure that parts the backbone, whichever of the links listed are built.

    ``down``: the switch that fails, None for a link. ``key`` is the failure rule and what fails,
    ``most`` the devices it lets be lost, ``surely`` those lost wherever they and their partners
    may hang.
    """

    down: int | None
    parts: tuple[frozenset[int], ...]
    key: Key
    most: int
    watched: tuple[Dependent, ...]
    surely: tuple[Dependent, ...]

    def sides(self, dependent: Dependent) -> Iterator[tuple[frozenset[int], frozenset[int]]]:
        """Parts in which a device is cut off if its partners are in the others, and these."""
        for part in self.parts:
            others = frozenset[int]().union(*self.parts) - part
            if dependent.switches <= others:
                yield part, others


def cuts_that_lose(
    inst: Instance, backbone: BackboneData, switches: Sequence[Collection[int]]
) -> list[Cut]:
    """Cuts that surely lose too many watched devices; ``switches`` are those each may hang on."""
    graph = backbone.graph()
    failures: list[tuple[tuple[int, ...], nx.Graph]] = []
    for bridge in sorted(nx.bridges(graph)):
        left = graph.copy()
        left.remove_edge(*bridge)
        failures.append((bridge, left))
    for s in sorted(nx.articulation_points(graph)):
        failures.append(((s,), graph.subgraph(set(graph) - {s})))
    found = []
    for (members, most), rule in zip(inst.loss_caps, inst.problem.failure_rules, strict=True):
        dependents = (Dependent(i, *inst.partners(i)) for i in members)
        watched = tuple(d for d in dependents if d.partners or d.switches)
        if len(watched) <= most:
            continue
        for where, left in failures:
            inst.look()
            parts = tuple(frozenset(part) for part in nx.connected_components(left))
            key = ("failure", rule.id, *(inst.switch_ids[s] for s in where))
            cut = Cut(where[0] if len(where) == 1 else None, parts, key, most, watched, ())
            surely = tuple(d for d in watched if _is_lost(cut, d, switches))
            if len(surely) > most:
                found.append(replace(cut, surely=surely))
    return found


def _is_lost(cut: Cut, dependent: Dependent, switches: Sequence[Collection[int]]) -> bool:
    own, down = set(switches[dependent.device]), {cut.down}
    return own <= down or any(
        own <= part | down and all(others.issuperset(switches[i]) for i in dependent.partners)
        for part, others in cut.sides(dependent)
    )
