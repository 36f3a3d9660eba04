"""What switches and backbone cost at least, by the candidate switches that are open."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import networkx as nx
from ortools.sat.python import cp_model

from partitioner.model.problem import BackboneShape
from partitioner.solve.backbone import BackboneData
from partitioner.solve.cpsat import run
from partitioner.solve.instance import Instance

MOST_CANDIDATES = 6
"""Up to so many candidate switches every set of them is priced with its cheapest backbone."""
SECONDS = 2.0
"""Most seconds for one such set; one that takes longer counts with what was proved by then."""


@dataclass(frozen=True, slots=True)
class Openings:
    """Objective money of switches and backbone, whatever the segments.

    Attributes
    ----------
    constant
        What every layout pays.
    own
        By candidate switch: what opening it adds at least. Used if there are no ``sets``.
    sets
        Every set of candidates that can be open together, and what that adds at least; empty
        where there are too many candidates to price each set.
    """

    constant: int
    own: Mapping[int, int] = field(default_factory=dict)
    sets: tuple[tuple[frozenset[int], int], ...] = ()

    def least(self, paid: Mapping[int, int]) -> int:
        """Least that opening adds when each candidate, open, also brings ``paid`` (by switch)."""
        if not self.sets:
            return sum(min(0, value + paid.get(s, 0)) for s, value in self.own.items())
        return min(extra + sum(paid.get(s, 0) for s in opened) for opened, extra in self.sets)


def openings_of(instance: Instance) -> Openings:
    """Price the candidates: every set of them if there are few, else each by itself."""
    switches = list(instance.problem.switches.values())
    candidates = [s for s, switch in enumerate(switches) if not switch.required]
    if len(candidates) <= MOST_CANDIDATES:
        backbone = BackboneData(instance)
        required = {s for s, switch in enumerate(switches) if switch.required}
        values = {}
        for number in range(len(candidates) + 1):
            for chosen in itertools.combinations(candidates, number):
                value = _least_with(backbone, required.union(chosen))
                if value is not None:
                    values[frozenset(chosen)] = value
        if values:
            constant = min(values.values())
            own = dict.fromkeys(candidates, 0)
            return Openings(constant, own, tuple((o, v - constant) for o, v in values.items()))
    return Openings(_least_constant(instance), _opening_values(instance))


def _least_with(backbone: BackboneData, opened: Iterable[int]) -> int | None:
    """Least value of these switches and a backbone over them; None if none has the shape."""
    inside = set(opened)
    model = cp_model.CpModel()
    switches = [
        model.new_constant(int(s in inside)) for s in range(backbone.instance.switch_count)
    ]
    built = {}
    values = []
    for index, link in enumerate(backbone.links):
        for grade in link.grades:
            built[index, grade] = model.new_bool_var(f"link[{index},{grade}]")
            values.append(backbone.link_value(index, grade))
    backbone.add_shape(model, switches, built)
    total = sum(backbone.switch_value(s) for s in inside)
    variables = list(built.values())
    if not variables:
        return total
    model.minimize(cp_model.LinearExpr.weighted_sum(variables, values))
    result = run(model, variables, seconds=SECONDS, workers=1, seed=0, work_limit=SECONDS)
    if result.proved and result.values is None:
        return None
    return total + max(0, result.bound or 0)


def _least_constant(instance: Instance) -> int:
    """Objective money that every layout pays whatever its segments.

    Required switches, and of the backbone what no layout can do without: the links that must be
    built between required switches, and for a tree or ring the cheapest links that could join the
    required switches (a least spanning tree if there are no candidates).
    """
    backbone = BackboneData(instance)
    required = {
        s for s, switch in enumerate(instance.problem.switches.values()) if switch.required
    }
    value = sum(backbone.switch_value(s) for s in required)
    must: list[tuple[int, tuple[int, int]]] = []
    free: list[tuple[int, tuple[int, int]]] = []
    for index, link in enumerate(backbone.links):
        if not link.grades:
            continue
        least = min(backbone.link_value(index, g) for g in link.grades)
        forced = link.required or backbone.shape is BackboneShape.FIXED
        (must if forced and set(link.ends) <= required else free).append((least, link.ends))
    value += sum(v for v, _ in must)
    if not backbone.shape.joins_all or len(required) < 2:
        return value
    if len(required) == instance.switch_count:
        net = nx.Graph()
        net.add_nodes_from(required)
        net.add_edges_from((a, b, {"value": v}) for v, (a, b) in sorted(free, reverse=True))
        net.add_edges_from((a, b, {"value": 0}) for _, (a, b) in must)
        tree = nx.minimum_spanning_edges(net, weight="value", data=True)
        joined: int = sum(data["value"] for _, _, data in tree)
        return value + joined
    short = len(required) - 1 - len(must)
    return value + sum(v for v, _ in sorted(free)[: max(0, short)])


def _opening_values(instance: Instance) -> dict[int, int]:
    """Objective money that opening each candidate switch adds at least.

    Its own value, and of the backbone what it brings on top of :func:`_least_constant`: in a tree
    or ring one more link, the cheapest there is; else those of its links to required switches that
    have to be built.
    """
    backbone = BackboneData(instance)
    required = {
        s for s, switch in enumerate(instance.problem.switches.values()) if switch.required
    }
    value = {
        s: backbone.switch_value(s) for s in range(instance.switch_count) if s not in required
    }
    spare = []
    for index, link in enumerate(backbone.links):
        if not link.grades:
            continue
        least = min(backbone.link_value(index, g) for g in link.grades)
        outside = [s for s in link.ends if s not in required]
        if not backbone.shape.joins_all:
            forced = link.required or backbone.shape is BackboneShape.FIXED
            if forced and len(outside) == 1:
                value[outside[0]] += least
        elif outside or not link.required:
            spare.append(least)
    if required and spare:
        for s in value:
            value[s] += min(spare)
    return value
