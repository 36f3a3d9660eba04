"""What switches and backbone cost at least, by the candidate switches that are open."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

import networkx as nx
from ortools.sat.python import cp_model

from partitioner.model.problem import BackboneShape
from partitioner.solve.backbone import BackboneData
from partitioner.solve.cpsat import Effort, Model, run
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


def openings_of(instance: Instance, should_stop: Callable[[], bool] = lambda: False) -> Openings:
    """Price the candidates: every set of them if there are few, else, or cut short, each alone."""
    switches = list(instance.problem.switches.values())
    candidates = [s for s, switch in enumerate(switches) if not switch.required]
    backbone = BackboneData(instance)
    required = {s for s, switch in enumerate(switches) if switch.required}
    if len(candidates) <= MOST_CANDIDATES:
        values = {}
        for number in range(len(candidates) + 1):
            for chosen in itertools.combinations(candidates, number):
                if should_stop():
                    return _one_by_one(backbone, required, candidates)
                value = _least_with(backbone, required.union(chosen))
                if value is not None:
                    values[frozenset(chosen)] = value
        if values:
            constant = min(values.values())
            own = dict.fromkeys(candidates, 0)
            return Openings(constant, own, tuple((o, v - constant) for o, v in values.items()))
    return _one_by_one(backbone, required, candidates)


def _least_with(backbone: BackboneData, opened: Collection[int]) -> int | None:
    """Least value of these switches and a backbone over them; None if none has the shape."""
    model = Model()
    switches = [model.new_constant(int(s in opened)) for s in range(backbone.instance.switch_count)]
    built = {}
    values = []
    for index, link in enumerate(backbone.links):
        for grade in link.grades:
            built[index, grade] = model.new_bool_var(f"link[{index},{grade}]")
            values.append(backbone.link_value(index, grade))
    backbone.add_shape(model, switches, built)
    total = sum(backbone.switch_value(s) for s in opened)
    variables = list(built.values())
    if not variables:
        return total
    model.minimize(cp_model.LinearExpr.weighted_sum(variables, values))
    result = run(model, variables, Effort(SECONDS, work_limit=SECONDS))
    if result.proved and result.values is None:
        return None
    return total + max(0, result.bound or 0)


def _one_by_one(
    backbone: BackboneData, required: Collection[int], candidates: Sequence[int]
) -> Openings:
    """What every layout pays, and what each candidate, by itself, adds at least.

    Every layout pays for the required switches, and of the backbone for what it cannot do without:
    the links that must be built between required switches, and for a tree or ring the cheapest
    links that could join these (a least spanning tree if there are no candidates). A candidate
    adds its own value, and of the backbone in a tree or ring one more link, the cheapest there is;
    else those of its links to required switches that have to be built.
    """
    own = {s: backbone.switch_value(s) for s in candidates}
    must: list[tuple[int, tuple[int, int]]] = []
    free: list[tuple[int, tuple[int, int]]] = []
    spare = []
    for index, link in enumerate(backbone.links):
        if not link.grades:
            continue
        least = min(backbone.link_value(index, g) for g in link.grades)
        outside = [s for s in link.ends if s not in required]
        forced = link.required or backbone.shape is BackboneShape.FIXED
        (free if outside or not forced else must).append((least, link.ends))
        if backbone.shape.joins_all:
            if outside or not link.required:
                spare.append(least)
        elif forced and len(outside) == 1:
            own[outside[0]] += least
    constant = sum(backbone.switch_value(s) for s in required) + sum(v for v, _ in must)
    if backbone.shape.joins_all and len(required) > 1:
        constant += _least_joining(required, must, free, is_all=not candidates)
    if required and spare:
        own = {s: value + min(spare) for s, value in own.items()}
    return Openings(constant, own)


def _least_joining(
    switches: Collection[int],
    must: Sequence[tuple[int, tuple[int, int]]],
    free: Sequence[tuple[int, tuple[int, int]]],
    *,
    is_all: bool,
) -> int:
    """Least value of links that join switches beside those that must be built."""
    if not is_all:
        short = len(switches) - 1 - len(must)
        return sum(v for v, _ in sorted(free)[: max(0, short)])
    net = nx.Graph()
    net.add_nodes_from(switches)
    net.add_edges_from((a, b, {"value": v}) for v, (a, b) in sorted(free, reverse=True))
    net.add_edges_from((a, b, {"value": 0}) for _, (a, b) in must)
    tree = nx.minimum_spanning_edges(net, weight="value", data=True)
    return sum(data["value"] for _, _, data in tree)
