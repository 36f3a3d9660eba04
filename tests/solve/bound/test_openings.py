"""What switches and backbone cost at least, against every ring and tree written out."""

from __future__ import annotations

import itertools
from dataclasses import replace

import networkx as nx
import pytest

from partitioner.application.reading import read_problem
from partitioner.model.problem import BackboneShape, Problem
from partitioner.solve.backbone import BackboneData
from partitioner.solve.bound.openings import MOST_CANDIDATES, Openings, openings_of
from partitioner.solve.instance import Instance


@pytest.fixture(scope="module")
def ferry(problems) -> Problem:
    return read_problem(problems / "river-ferry" / "problem.yaml")


def link_prices(backbone: BackboneData) -> dict[frozenset[int], int]:
    return {
        frozenset(link.ends): min(backbone.link_value(k, g) for g in link.grades)
        for k, link in enumerate(backbone.links)
        if link.grades
    }


def cheapest_ring(inside: list[int], price: dict[frozenset[int], int]) -> int | None:
    """By going through all orders."""
    first, *others = inside
    sums = []
    for order in itertools.permutations(others):
        pairs = [frozenset(p) for p in itertools.pairwise((first, *order, first))]
        if all(p in price for p in pairs):
            sums.append(sum(price[p] for p in pairs))
    return min(sums, default=None)


def cheapest_tree(inside: list[int], price: dict[frozenset[int], int]) -> int | None:
    net = nx.Graph()
    net.add_nodes_from(inside)
    net.add_weighted_edges_from(
        (*pair, value) for pair, value in price.items() if pair <= set(inside)
    )
    if not nx.is_connected(net):
        return None
    return int(nx.minimum_spanning_tree(net).size(weight="weight"))


@pytest.mark.parametrize(
    ("shape", "cheapest"),
    [(BackboneShape.RING, cheapest_ring), (BackboneShape.TREE, cheapest_tree)],
)
def test_every_set_of_candidates_has_its_cheapest_backbone(ferry, shape, cheapest) -> None:
    problem = replace(ferry, backbone=replace(ferry.backbone, shape=shape))
    instance = Instance(problem)
    backbone = BackboneData(instance)
    openings = openings_of(instance)
    price = link_prices(backbone)
    required = [s for s, w in enumerate(problem.switches.values()) if w.required]
    candidates = [s for s, w in enumerate(problem.switches.values()) if not w.required]
    expected = {}
    for number in range(len(candidates) + 1):
        for chosen in itertools.combinations(candidates, number):
            inside = [*required, *chosen]
            links = cheapest(inside, price)
            if links is not None:
                expected[frozenset(chosen)] = links + sum(map(backbone.switch_value, inside))
    got = {opened: openings.constant + extra for opened, extra in openings.sets}
    assert got == expected
    # Without a candidate the ring cannot close: the engine rooms are too far apart.
    assert (frozenset() in got) is (shape is BackboneShape.TREE)


def test_the_cheapest_set_depends_on_what_it_brings() -> None:
    sets = ((frozenset({1}), 0), (frozenset({2}), 5), (frozenset({1, 2}), 20))
    openings = Openings(100, {1: 0, 2: 0}, sets)
    assert openings.least({}) == 0
    assert openings.least({1: -3, 2: -10}) == -5
    assert openings.least({1: -30, 2: -30}) == -40


def test_many_candidates_are_priced_one_by_one(ferry) -> None:
    switches = {
        f"{id_}-{k}": replace(switch, id=f"{id_}-{k}", required=False)
        for id_, switch in ferry.switches.items()
        for k in range(2)
    }
    problem = replace(
        ferry,
        switches=ferry.switches | switches,
        backbone=replace(ferry.backbone, shape=BackboneShape.TREE),
    )
    openings = openings_of(Instance(problem))
    assert len(openings.own) > MOST_CANDIDATES
    assert openings.sets == ()
    assert openings.least(dict.fromkeys(openings.own, 0)) == 0
    assert openings.least({s: -value - 7 for s, value in openings.own.items()}) == -7 * len(
        openings.own
    )
