"""Ways of streams over switches: shortest, always the same, round the ring after a failure."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise, permutations

import pytest

from partitioner.model.layout import BuiltLink
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import (
    StreamWay,
    backbone_length_um,
    link_key,
    stream_ways,
    switch_ways,
    ways_from,
)
from tests.brute.parts import LINK1000
from tests.check.ground import M, ground_layout, ground_problem, stream, without_segment

SQUARE = {("a", "b"): 4, ("b", "c"): 4, ("c", "d"): 4, ("a", "d"): 4}


def all_simple_ways(start, end, links):
    switches = sorted({s for key in links for s in key} - {start, end})
    for size in range(len(switches) + 1):
        for inner in permutations(switches, size):
            way = (start, *inner, end)
            if all(link_key(a, b) in links for a, b in pairwise(way)):
                yield way


def test_fewest_links_first():
    links = {("a", "b"): 1, ("b", "c"): 1, ("a", "c"): 1_000}
    assert ways_from("a", links)["c"] == ("a", "c")


def test_then_least_cable():
    links = {**SQUARE, ("a", "d"): 3}
    assert ways_from("a", links)["c"] == ("a", "d", "c")


def test_then_names():
    assert ways_from("a", SQUARE)["c"] == ("a", "b", "c")
    assert ways_from("c", SQUARE)["a"] == ("c", "b", "a")


def test_a_ring_goes_round_the_other_side_when_a_link_is_down():
    links = {key: length for key, length in SQUARE.items() if key != ("a", "b")}
    assert ways_from("a", links)["b"] == ("a", "d", "c", "b")


def test_a_switch_without_links_reaches_itself():
    assert ways_from("x", SQUARE) == {"x": ("x",)}


@pytest.mark.parametrize("seed", range(60))
def test_ways_are_the_best_of_all_simple_ways(seed):
    rng = random.Random(seed)
    names = "abcde"
    links = {
        (p, q): rng.choice([1, 2, 2, 3])
        for p in names
        for q in names
        if p < q and rng.random() < 0.6
    }
    found = ways_from("a", links)
    for end in names[1:]:
        ranked = sorted(
            (len(way), sum(links[link_key(p, q)] for p, q in pairwise(way)), way)
            for way in all_simple_ways("a", end, links)
        )
        assert found.get(end) == (ranked[0][2] if ranked else None)
    # The ways form a tree: the beginning of each is the way to where it ends.
    for way in found.values():
        for k in range(1, len(way)):
            assert found[way[k - 1]] == way[:k]


def test_backbone_length_is_the_stated_one_or_the_cable_way():
    problem = ground_problem()
    network = CableNetwork(problem)
    assert backbone_length_um(problem, network, ("rear", "front")) == 6 * M
    assert backbone_length_um(problem, network, ("spare", "front")) == 4_500_000


def test_backbone_links_have_no_slack_but_what_is_stated():
    problem = ground_problem()
    slack = replace(problem, line=replace(problem.line, end_slack_um=M, drop_slack_um=M))
    for ends in (("rear", "front"), ("spare", "front")):
        assert backbone_length_um(slack, CableNetwork(slack), ends) == backbone_length_um(
            problem, CableNetwork(problem), ends
        )


def ways(problem, layout):
    rows = stream_ways(problem, layout, CableNetwork(problem))
    return {(w.stream, w.destination): w for w in rows}


def test_ways_of_the_ground_layout():
    found = ways(ground_problem(), ground_layout())
    assert found["light", "lamp-1"] == StreamWay(
        "light", "lamp-1", "link-brain", ("front",), "line-front"
    )
    assert found["drive", "motor-2"] == StreamWay(
        "drive", "motor-2", "link-brain", ("front", "rear"), "line-rear"
    )
    assert found["drive", "motor-2"].links == (("front", "rear"),)
    # On one line the motors hear each other; towards a switch no segment follows.
    assert found["speed", "motor-2"] == StreamWay("speed", "motor-2", "line-rear", (), None)
    assert found["speed", "front"] == StreamWay(
        "speed", "front", "line-rear", ("rear", "front"), None
    )


def test_a_stream_may_begin_at_a_switch():
    problem = ground_problem()
    more = [stream("hello", "rear", ("lamp-1", "rear"))]
    problem = replace(problem, streams={s.id: s for s in more})
    found = ways(problem, ground_layout())
    assert found["hello", "lamp-1"] == StreamWay(
        "hello", "lamp-1", None, ("rear", "front"), "line-front"
    )
    assert found["hello", "rear"] == StreamWay("hello", "rear", None, ("rear",), None)


def test_what_the_layout_does_not_join_has_no_way():
    problem, layout = ground_problem(), ground_layout()
    assert ("picture", "brain") not in ways(problem, without_segment(layout, "link-camera"))
    assert ("heat", "brain") not in ways(problem, without_segment(layout, "link-brain"))
    apart = ways(problem, replace(layout, backbone=()))
    assert ("drive", "motor-1") not in apart
    assert ("light", "lamp-1") in apart


def test_closed_switches_carry_nothing():
    problem = ground_problem()
    layout = replace(
        ground_layout(),
        backbone=(BuiltLink(("front", "spare"), LINK1000), BuiltLink(("spare", "rear"), LINK1000)),
    )
    assert ("front", "rear") not in switch_ways(problem, layout, CableNetwork(problem))
    opened = replace(layout, open_switches=("front", "rear", "spare"))
    found = switch_ways(problem, opened, CableNetwork(problem))
    assert found["front", "rear"] == ("front", "spare", "rear")
