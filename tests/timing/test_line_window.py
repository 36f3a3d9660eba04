"""Counts of the response-time analysis against their definition, stream by stream."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from partitioner.timing.line import LineNode
from partitioner.timing.line_window import Line
from partitioner.units import ceil_div
from tests.timing.random_traffic import random_segment


def drawn(seed: int, *, bursts: bool) -> tuple[Line, list[LineNode], Random]:
    """A random line whose lives have grown to anything."""
    rng = Random(seed)
    nodes, count, settings = random_segment(seed)
    if bursts:
        settings = replace(settings, burst_timer_bt=128, to_timer_bt=rng.choice((32, 250)))
    senders = [replace(n, burst_count=rng.randrange(5) if bursts else 0) for n in nodes if n.flows]
    line = Line(senders, count, settings, {})
    for _ in range(rng.randint(1, 3)):
        line.others(0, rng.randrange(50_000_000), rng.randint(1, 8))
        queues = rng.sample(line.queues, rng.randint(0, len(line.queues)))
        line.lengthen([(q, rng.choice((None, rng.randrange(20_000_000)))) for q in queues])
    return line, senders, rng


def around(line: Line, node: int, window: int) -> list[int]:
    """Cost of every frame of a node that can be around, the longest first."""
    rows = line.rows[line.first[node] : line.first[node + 1]]
    return [cost for before, period, cost in rows for _ in range(ceil_div(window + before, period))]


def test_others_are_what_every_stream_by_itself_comes_to():
    compared = 0
    for seed in range(150):
        line, senders, rng = drawn(seed, bursts=False)
        for _ in range(15):
            node = rng.randrange(len(senders))
            window, rounds = rng.randrange(60_000_000), rng.randint(1, 9)
            cost, first, _ = line.others(node, window, rounds)
            frames = [around(line, k, window) for k in range(len(senders)) if k != node]
            beyond = sum(sum(own[rounds:]) for own in frames)
            assert cost == sum(sum(own[:rounds]) for own in frames)
            assert first == min(line.first_time, line.first_idle + beyond)
            compared += cost > 0
    assert compared > 1_000


def dearest_bursts(line: Line, node: int, frames: list[int], rounds: int) -> int:
    """Most that a node can take in some rounds, over all ways to share its frames out to TOs."""
    size, most = line.size[node], 0
    for number in range(1, min(len(frames), rounds * size) + 1):
        for used in range(ceil_div(number, size), min(number, rounds) + 1):
            early = min(used, used * size - number)
            gaps = (number - used) * (line.wider + line.silent)
            most = max(most, sum(frames[:number]) + gaps + early * line.hold)
    return most


def test_others_are_never_below_what_bursts_can_take():
    compared = long_timer = 0
    for seed in range(100):
        line, senders, rng = drawn(seed, bursts=True)
        for _ in range(10):
            node = rng.randrange(len(senders))
            window, rounds = rng.randrange(10_000_000), rng.randint(1, 4)
            dearest = sum(
                dearest_bursts(line, k, around(line, k, window), rounds)
                for k in range(len(senders))
                if k != node
            )
            assert line.others(node, window, rounds)[0] >= dearest
            compared += dearest > 0
            long_timer += line.wider + line.silent > line.hold
    assert compared > 700
    assert long_timer > 300


def test_nothing_changes_up_to_the_window_told():
    longer = 0
    for seed in range(150):
        line, senders, rng = drawn(seed, bursts=seed % 2 == 1)
        for _ in range(15):
            node = rng.randrange(len(senders))
            window, rounds = rng.randrange(60_000_000), rng.randint(1, 9)
            cost, first, until = line.others(node, window, rounds)
            assert until >= window
            for later in (until, rng.randint(window, until)):
                assert line.others(node, later, rounds)[:2] == (cost, first)
            longer += until > window
    assert longer > 1_000
