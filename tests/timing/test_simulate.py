"""The simulation itself: hand-worked runs, collisions, bursts, determinism."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.model.assessment import LegKind
from partitioner.model.problem import QueueOrder
from partitioner.timing.layout_timing import Hop, NetworkTraffic, Route, StreamTraffic
from partitioner.timing.line import LineFlow, LineNode
from partitioner.timing.simulate import (
    Releases,
    own_opportunity_ns,
    run,
    simulate,
)
from tests.timing.one_line import line_traffic
from tests.timing.plain import BARE, MS
from tests.timing.random_traffic import random_network

PLAIN = replace(BARE, logical_collision=True)
SLOT = 68_000
ON_WIRE = 58_400  # preamble, 64 bytes, ESD


def flow(name: str, length: int = 64, pcp: int = 0, period: int = 10 * MS) -> LineFlow:
    return LineFlow(name, length, period, 0, 10 * MS, pcp)


def run_line(nodes, count, settings, releases: dict[str, list[int]]) -> dict[str, int]:
    """Worst delay of each stream when frames are released at the given instants."""
    traffic = line_traffic(nodes, count, settings)
    plan = {s.id: iter(releases.get(s.id, [])) for s in traffic.streams}
    result = run(traffic, plan, {}, None)
    return {stream: seen.worst_ns for (stream, _), seen in result.seen.items()}


def test_start_of_opportunities_on_a_silent_line():
    """BEACON 2 us, then 3.2 us each; 27.6 us a cycle of 8 (public PLCA test harness notes)."""
    assert own_opportunity_ns(0, 0, 8, BARE) == 2_000
    assert own_opportunity_ns(7, 0, 8, BARE) == 2_000 + 7 * 3_200
    assert own_opportunity_ns(0, 1, 8, BARE) - own_opportunity_ns(0, 0, 8, BARE) == 27_600


def test_frame_just_in_time_and_just_too_late():
    """At the start of its TO: gap, preamble, frame, ESD. One ns later: a silent cycle more."""
    nodes = (LineNode("a", ()), LineNode("b", (flow("f"),)))
    start = own_opportunity_ns(1, 5, 4, BARE)
    assert run_line(nodes, 4, BARE, {"f": [start]}) == {"f": 9_600 + ON_WIRE}
    cycle = 2_000 + 4 * 3_200
    late = run_line(nodes, 4, BARE, {"f": [start + 1]})
    assert late == {"f": cycle - 1 + 9_600 + ON_WIRE}


def test_round_robin_between_nodes():
    """All pending at once: each has one frame a round, in the order of their IDs."""
    nodes = tuple(LineNode(f"n{i}", (flow(f"f{i}"), flow(f"g{i}"))) for i in range(3))
    start = own_opportunity_ns(0, 2, 3, BARE)
    everything = {f"{x}{i}": [start] for x in "fg" for i in range(3)}
    seen = run_line(nodes, 3, BARE, everything)
    assert seen == {
        "f0": SLOT,
        "f1": 2 * SLOT,
        "f2": 3 * SLOT,
        "g0": 3 * SLOT + 2_000 + SLOT,
        "g1": 3 * SLOT + 2_000 + 2 * SLOT,
        "g2": 3 * SLOT + 2_000 + 3 * SLOT,
    }


def test_loop_delay_after_each_frame_and_beacon():
    nodes = tuple(LineNode(f"n{i}", (flow(f"f{i}"), flow(f"g{i}"))) for i in range(2))
    settings = replace(BARE, loop_delay_ns=1_560, phy_ns=4_440, propagation_ns=125)
    start = own_opportunity_ns(0, 2, 2, settings)
    assert start == 2_000 + 1_560 + 2 * (2_000 + 1_560 + 6_400)
    seen = run_line(nodes, 2, settings, {s: [start] for s in ("f0", "f1", "g0", "g1")})
    after = 4_440 + 125
    assert seen["f0"] == SLOT + after
    assert seen["f1"] == SLOT + 1_560 + SLOT + after
    assert seen["g0"] == 2 * (SLOT + 1_560) + 2_000 + 1_560 + SLOT + after


def test_burst_fills_one_opportunity():
    """Burst count 1: two frames with a gap between, then the line goes on without a hold."""
    nodes = (
        LineNode("a", tuple(flow(n) for n in "fgh"), burst_count=1),
        LineNode("b", (flow("i"),)),
    )
    start = own_opportunity_ns(0, 2, 2, BARE)
    seen = run_line(nodes, 2, BARE, {s: [start] for s in "fghi"})
    assert seen["g"] == 2 * SLOT
    assert seen["i"] == 3 * SLOT
    assert seen["h"] == 3 * SLOT + 2_000 + SLOT


def test_unfinished_burst_holds_the_line():
    """One frame only: the node holds for the burst timer of 12.8 us before the next TO."""
    nodes = (LineNode("a", (flow("f"),), burst_count=1), LineNode("b", (flow("g"),)))
    start = own_opportunity_ns(0, 2, 2, BARE)
    seen = run_line(nodes, 2, BARE, {"f": [start], "g": [start]})
    assert seen["g"] == SLOT + 12_800 + SLOT


def test_frame_that_comes_during_the_hold():
    """It goes out when it comes, if the gap is over: here 12.0 us after the frame before."""
    nodes = (LineNode("a", (flow("f"), flow("g")), burst_count=1),)
    start = own_opportunity_ns(0, 2, 1, BARE)
    comes = start + SLOT + 12_000
    seen = run_line(nodes, 1, BARE, {"f": [start], "g": [comes]})
    assert seen["g"] == ON_WIRE
    too_late = start + SLOT + 12_801
    seen = run_line(nodes, 1, BARE, {"f": [start], "g": [too_late]})
    # BEACON 2 us after the hold, own TO with its gap.
    assert seen["g"] == 2_000 - 1 + SLOT


def test_priority_order_inside_a_node():
    """The MAC keeps the frame it has; after it the highest waiting one goes."""
    flows = (flow("low", pcp=0), flow("mid", pcp=3), flow("high", pcp=7))
    node = LineNode("a", flows, QueueOrder.PCP)
    start = own_opportunity_ns(0, 2, 1, BARE)
    seen = run_line((node,), 1, BARE, {"low": [start - 1], "mid": [start], "high": [start]})
    assert seen["low"] == 1 + SLOT
    assert seen["high"] == SLOT + 2_000 + SLOT
    assert seen["mid"] == SLOT + 2 * (2_000 + SLOT)
    fifo = (LineNode("a", flows, QueueOrder.FIFO),)
    seen = run_line(fifo, 1, BARE, {"low": [start - 1], "mid": [start], "high": [start]})
    assert seen["high"] == SLOT + 2 * (2_000 + SLOT)


def test_plain_mac_sends_from_the_delay_line():
    """On an idle line it starts at once, and its TO finds the bits: no gap in the TO."""
    nodes = (LineNode("a", ()), LineNode("b", (flow("f"),)))
    start = own_opportunity_ns(1, 5, 4, PLAIN)
    assert run_line(nodes, 4, PLAIN, {"f": [start - 5_000]}) == {"f": 5_000 + ON_WIRE}


def test_plain_mac_collides_with_a_frame_of_another_node():
    """b starts, a's TO comes first: b jams (preamble and 32 BT), waits 512 BT, then its next TO."""
    nodes = (LineNode("a", (flow("g", 1_518),)), LineNode("b", (flow("f"),)))
    a_start = own_opportunity_ns(0, 3, 2, PLAIN)
    seen = run_line(nodes, 2, PLAIN, {"g": [a_start], "f": [a_start - 1_000]})
    long_on_wire = 6_400 + 1_518 * 800 + 800
    # a's frame came in its TO: no gap. b is pending long before a is done.
    assert seen["g"] == long_on_wire
    assert seen["f"] == 1_000 + long_on_wire + 9_600 + ON_WIRE


def test_plain_mac_fills_its_delay_line_and_loses_opportunities():
    """Delay line of 20 BT, TO further away: collision alone on the line, 51.2 us not pending."""
    settings = replace(PLAIN, delay_line_bt=20)
    nodes = (LineNode("a", ()), LineNode("b", (flow("f"),)))
    own = own_opportunity_ns(1, 50, 8, settings)
    released = own - 2_001  # the delay line is full 1 ns before the TO
    seen = run_line(nodes, 8, settings, {"f": [released]})
    pending = released + 6_400 + 3_200 + 51_200
    cycle = 27_600
    next_own = own + -(-(pending - own) // cycle) * cycle
    assert seen["f"] == next_own - released + 9_600 + ON_WIRE
    assert next_own - own == 3 * cycle


def test_plain_mac_defers_to_a_frame_under_way():
    """b's frame comes during a's: it waits for the carrier to go, then for its gap."""
    nodes = (LineNode("a", (flow("g"),)), LineNode("b", ()), LineNode("c", (flow("f"),)))
    a_start = own_opportunity_ns(0, 3, 3, PLAIN)
    during = a_start + 30_000
    seen = run_line(nodes, 3, PLAIN, {"g": [a_start], "f": [during]})
    end = a_start + ON_WIRE  # g came in its TO, so without gap
    # c's own TO starts one silent TO after the end, within its gap of 9.6 us: missed.
    missed = end + 3_200
    next_own = missed + 3_200 + 2_000 + 2 * 3_200
    assert seen["f"] == next_own - during + ON_WIRE


def test_same_seed_same_run():
    traffic = random_network(3)
    first = simulate(traffic, 200 * MS, 7)
    assert simulate(traffic, 200 * MS, 7) == first
    assert simulate(traffic, 200 * MS, 8) != first


@pytest.mark.parametrize("releases", list(Releases))
def test_histograms_add_up(releases):
    result = simulate(random_network(5), 300 * MS, 1, releases)
    assert result.frames > 50
    for seen in result.seen.values():
        assert sum(seen.histogram) == seen.frames
        last = max(i for i, n in enumerate(seen.histogram) if n)
        assert last == min(39, seen.worst_ns * 40 // seen.scale_ns)


def test_every_frame_is_delivered_to_every_destination():
    """Multicast over lines, links and the backbone: as many deliveries as releases."""
    for seed in range(5):
        traffic = random_network(seed)
        plan = {s.id: iter(range(0, 50 * MS, s.period_ns)) for s in traffic.streams}
        result = run(traffic, plan, {}, None)
        for stream in traffic.streams:
            released = len(range(0, 50 * MS, stream.period_ns))
            for row in stream.routes:
                assert result.seen[stream.id, row.destination].frames == released


def test_stream_between_switches_only():
    """A destination without any hop is reached at once; after a switch, after its delay."""
    routes = (
        Route("here", ()),
        Route("there", (Hop(LegKind.SWITCH, "sw", delay_ns=5_000),)),
    )
    stream = StreamTraffic("s", 64, MS, 0, MS, 0, routes)
    result = run(NetworkTraffic((), (), (stream,)), {"s": iter([0, MS])}, {}, None)
    assert result.seen["s", "here"].worst_ns == 0
    assert result.seen["s", "there"].worst_ns == 5_000
