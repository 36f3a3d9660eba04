"""Simulated worst case <= response-time bound <= linear bound, on many random inputs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.timing.order import broken_network_order, broken_order, is_judged
from tests.timing.random_traffic import random_network, random_segment

SEGMENTS = 2_000
NETWORKS = 200


@pytest.mark.parametrize("start", range(0, SEGMENTS, 500))
def test_some_random_segments(start):
    """15 of every 500; the rest is behind the marker ``slow``."""
    segments = {seed: random_segment(seed) for seed in range(start, start + 15)}
    assert sum(is_judged(s) for s in segments.values()) >= 4
    for seed, segment in segments.items():
        assert broken_order(segment, seed) == []


def test_bursts_between_long_silent_opportunities():
    judged = 0
    for seed in range(30):
        nodes, count, settings = random_segment(seed, collision=False)
        nodes = tuple(replace(n, burst_count=3) for n in nodes)
        segment = nodes, count, replace(settings, to_timer_bt=255, burst_timer_bt=128)
        judged += is_judged(segment)
        assert broken_order(segment, seed, searched=4) == []
    assert judged >= 10


@pytest.mark.parametrize("start", range(0, NETWORKS, 40))
def test_some_random_networks(start):
    """Three of every 40; the rest is behind the marker ``slow``."""
    for seed in range(start, start + 3):
        assert broken_network_order(random_network(seed), seed) == []


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, SEGMENTS, 100))
def test_two_thousand_random_segments(start):
    judged = 0
    for seed in range(start, start + 100):
        segment = random_segment(seed)
        judged += is_judged(segment)
        assert broken_order(segment, seed) == []
    assert judged >= 25


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, NETWORKS, 20))
def test_two_hundred_random_networks(start):
    for seed in range(start, start + 20):
        assert broken_network_order(random_network(seed), seed, searched=2, tries=30) == []
