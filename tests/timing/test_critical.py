"""The search for bad moments comes close to the bounds, and never above them."""

from __future__ import annotations

import statistics
from random import Random

from partitioner.timing.critical import critical_search
from partitioner.timing.line import LineFlow, LineNode, LineSettings
from partitioner.timing.response import response_bound
from tests.timing.one_line import line_traffic
from tests.timing.order import is_judged
from tests.timing.random_traffic import random_network, random_segment

MS = 1_000_000


def test_critical_instant_reaches_the_bound():
    """One frame of each node, all released as the node's TO has just passed: 2 ns are lost."""
    nodes = tuple(
        LineNode(f"n{i}", (LineFlow(f"f{i}", 64 + 10 * i, 10 * MS, 0, 10 * MS),)) for i in range(6)
    )
    settings = LineSettings(logical_collision=False)
    bounds = response_bound(nodes, 8, settings).legs
    traffic = line_traffic(nodes, 8, settings)
    for i in range(6):
        bound = bounds[f"n{i}", f"f{i}"].total_ns
        found = critical_search(traffic, f"f{i}", "listener", seed=1, tries=1, span_ns=bound)
        assert bound - 3 <= found <= bound


def test_more_tries_never_find_less():
    segment = random_segment(9)
    traffic = line_traffic(*segment)
    stream = traffic.streams[0].id
    found = [critical_search(traffic, stream, "listener", seed=4, tries=n) for n in (1, 5, 20, 40)]
    assert found == sorted(found)


def test_search_is_repeatable():
    traffic = random_network(2)
    key = (traffic.streams[0].id, traffic.streams[0].routes[0].destination)
    first, again = (critical_search(traffic, *key, seed=3, tries=20) for _ in range(2))
    assert first == again > 0


def shares_reached(seeds: range, *, collision: bool) -> list[float]:
    """Median share of the bound that an adversary reaches, for each line that can be judged."""
    shares = []
    for seed in seeds:
        segment = random_segment(seed, collision=collision)
        if not is_judged(segment):
            continue
        legs = response_bound(*segment).legs
        traffic = line_traffic(*segment)
        keys = Random(seed).sample(sorted(legs), min(3, len(legs)))
        reached = [
            critical_search(
                traffic, flow, "listener", seed=seed, tries=40, span_ns=legs[node, flow].total_ns
            )
            / legs[node, flow].total_ns
            for node, flow in keys
        ]
        assert max(reached) <= 1
        shares.append(statistics.median(reached))
    return shares


def test_half_of_the_lines_come_within_85_percent():
    """Over lines without and with logical collisions; with them it is harder to come near."""
    without = shares_reached(range(500, 530), collision=False)
    plain = shares_reached(range(500, 530), collision=True)
    assert min(len(without), len(plain)) >= 8
    assert statistics.median(without + plain) >= 0.85
    assert statistics.median(without) >= 0.9
    assert statistics.median(plain) >= 0.75
