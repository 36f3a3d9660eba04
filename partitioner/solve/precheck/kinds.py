"""Kinds of devices, by safety level and security domain, and which of them never share a line."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import networkx as nx
import numpy as np

from partitioner.solve.arrays import Bools
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.blocks import Block, Reason

MOST_SETS = 60
"""Sets of kinds that never mix, of one part: there may be more of them than can be counted."""

Kind = int
"""Number of a safety level, a security domain, or both."""


@dataclass(frozen=True, slots=True)
class Kinds:
    """Kinds of devices on each block, and which never mix, by ``keys``.

    ``parts``: kinds of different parts never share a line. For each part sets of its kinds of which
    no two do; so one set of every part makes a set of that sort.
    """

    keys: Reason
    of_block: list[list[Kind]]
    parts: list[list[tuple[Kind, ...]]]


def kinds_of(inst: Instance, blocks: list[Block]) -> list[Kinds]:
    """Kinds by level, by domain and by both, as far as each tells something new."""
    devices = list(inst.problem.devices.values())
    levels, domains = frozenset({("safety-span",)}), frozenset({("security-domain",)})
    by: list[tuple[Reason, Bools, list[tuple[int | None, str | None]]]] = [
        (levels, inst.levels_apart, [(d.safety_level, None) for d in devices]),
        (domains, inst.domains_apart, [(None, d.security_domain) for d in devices]),
        (levels | domains, inst.levels_apart | inst.domains_apart,
         [(d.safety_level, d.security_domain) for d in devices]),
    ]
    found: list[Kinds] = []
    seen: set[tuple[int, int]] = set()
    for keys, apart, names in by:
        _, first, kind = np.unique(
            list(map(repr, names)), return_index=True, return_inverse=True
        )
        differ = apart[np.ix_(first, first)]
        size = len(first), int(differ.sum())
        if differ.any() and size not in seen:
            seen.add(size)
            of_block = [
                list(dict.fromkeys(kind[list(block.devices)].tolist())) for block in blocks
            ]
            found.append(Kinds(keys, of_block, _parts(inst, differ)))
    return found


def _parts(inst: Instance, differ: Bools) -> list[list[tuple[Kind, ...]]]:
    """Kinds that are joined by some that mix make one part; of each the sets that never do.

    Kinds that mix with all others are in none.
    """
    mixing = nx.from_numpy_array(~differ).subgraph(np.flatnonzero(differ.any(axis=1)).tolist())
    return [
        _sets(inst, differ, sorted(part))
        for part in sorted(nx.connected_components(mixing), key=min)
    ]


def _sets(inst: Instance, differ: Bools, part: list[Kind]) -> list[tuple[Kind, ...]]:
    """Largest sets of kinds of which no two mix; of too many, one begun at each of some kinds."""
    graph = nx.Graph()
    graph.add_nodes_from(part)
    graph.add_edges_from((a, b) for a in part for b in part if a < b and differ[a, b])
    found = [tuple(sorted(c)) for c in islice(nx.find_cliques(graph), MOST_SETS + 1)]
    if len(found) > MOST_SETS:
        found = []
        for start in part[:: -(-len(part) // MOST_SETS)]:
            inst.look()
            chosen = [start]
            for more in part:
                if differ[more, chosen].all():
                    chosen.append(more)
            found.append(tuple(sorted(chosen)))
    return sorted(set(found))
