"""End-to-end bounds of small layouts by hand: legs, multicast, inherited jitter, lateness."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from random import Random

import pytest

from partitioner.model.assessment import LegKind
from partitioner.model.problem import QueueOrder
from partitioner.timing.layout_timing import (
    Hop,
    LineMedium,
    LineSender,
    LinkMedium,
    NetworkTraffic,
    Route,
    StreamTraffic,
    analyse,
)
from partitioner.timing.line import LineSettings
from partitioner.timing.simulate import run
from tests.timing.random_traffic import random_network

SETTINGS = LineSettings(logical_collision=False, loop_delay_ns=0, phy_ns=1_000)
MS = 1_000_000
SLOT = 68_000
SILENT = 3_200
BEACON = 2_000


def line(line_id: str, *devices: str, switch: str = "sw") -> LineMedium:
    names = (switch, *devices)
    senders = tuple(
        LineSender(n, i, QueueOrder.PCP if n == switch else QueueOrder.FIFO)
        for i, n in enumerate(names)
    )
    far = replace(SETTINGS, propagation_ns=125)
    near = replace(SETTINGS, propagation_ns=50)
    return LineMedium(line_id, senders, len(names), far, near)


def link(sender: str, receiver: str) -> LinkMedium:
    return LinkMedium(f"{sender}>{receiver}", sender, 100_000_000, QueueOrder.PCP, 1_320, 75, 20)


def on_line(kind: LegKind, line_id: str, sender: str) -> Hop:
    return Hop(kind, line_id, line_id, sender)


def on_link(kind: LegKind, sender: str, receiver: str) -> Hop:
    return Hop(kind, f"{sender}>{receiver}", f"{sender}>{receiver}", sender)


def through(switch: str) -> Hop:
    return Hop(LegKind.SWITCH, switch, delay_ns=5_000)


def stream(name: str, routes: dict[str, tuple[Hop, ...]], **changes) -> StreamTraffic:
    row = StreamTraffic(
        name,
        64,
        10 * MS,
        0,
        10 * MS,
        3,
        tuple(Route(d, hops) for d, hops in routes.items()),
    )
    return replace(row, **changes)


UP = on_line(LegKind.LINE, "one", "a")
DOWN = on_line(LegKind.LINE_DOWN, "two", "sw")


def two_lines(*streams: StreamTraffic) -> NetworkTraffic:
    return NetworkTraffic((line("one", "a", "b"), line("two", "c")), (), streams)


def test_two_lines_and_a_switch_by_hand():
    """One frame alone: missed TO, silent round, own slot on each line; 5 us in the switch."""
    traffic = two_lines(stream("s", {"c": (UP, through("sw"), DOWN)}))
    row = analyse(traffic).bounds["s", "c"]
    first = SILENT + BEACON + 2 * SILENT + SLOT + 1_000
    second = SILENT + BEACON + SILENT + SLOT + 1_000
    assert [leg.response_ns for leg in row.legs] == [first + 50, 5_000, second + 50]
    assert row.response_ns == first + 5_000 + second + 100
    assert [leg.kind for leg in row.legs] == [LegKind.LINE, LegKind.SWITCH, LegKind.LINE_DOWN]
    # The same counts in the linear bound, with the propagation of the longest line allowed.
    assert [leg.linear_ns for leg in row.legs] == [first + 125, 5_000, second + 125]
    assert row.linear_ns == row.response_ns + 150
    for leg in row.legs:
        parts = leg.queue_ns + leg.access_ns + leg.wire_ns + leg.collision_ns
        assert parts == leg.response_ns


def test_link_backbone_and_line_by_hand():
    """Device link and backbone at 100 Mb/s: 5.76 us and PHYs each; then the line of c."""
    hops = (
        on_link(LegKind.LINK, "p", "sw0"),
        through("sw0"),
        on_link(LegKind.BACKBONE, "sw0", "sw"),
        through("sw"),
        DOWN,
    )
    traffic = NetworkTraffic(
        (line("two", "c"),), (link("p", "sw0"), link("sw0", "sw")), (stream("s", {"c": hops}),)
    )
    row = analyse(traffic).bounds["s", "c"]
    wire = 5_760 + 1_320 + 20
    last = SILENT + BEACON + SILENT + SLOT + 1_050
    assert [leg.response_ns for leg in row.legs] == [wire, 5_000, wire, 5_000, last]


def test_multicast_is_sent_once_per_line():
    """b hears a on the line itself; c gets it through the switch: one frame on each line."""
    both = stream("s", {"b": (UP,), "c": (UP, through("sw"), DOWN)})
    bounds = analyse(two_lines(both))
    alone = analyse(two_lines(stream("s", {"b": (UP,)})))
    assert bounds.bounds["s", "b"] == alone.bounds["s", "b"]
    assert bounds.media["one"].load_ppm == 6_800
    assert bounds.media["two"].load_ppm == 6_800
    assert alone.media["two"].load_ppm == 0


def test_arrivals_inherit_the_variation_of_earlier_legs():
    """A fast stream whose first leg varies by more than its period comes twice at the switch.

    The slow stream of the switch port then waits for two of its frames.
    """
    fast = stream(
        "fast",
        {"c": (UP, through("sw"), DOWN)},
        period_ns=2 * MS,
        jitter_ns=1_990_000,
        deadline_ns=2 * MS,
        pcp=7,
    )
    slow = stream("slow", {"c": (through("sw"), DOWN)}, pcp=0)
    slow_leg = analyse(two_lines(fast, slow)).bounds["slow", "c"].legs[-1]
    # Two rounds before its own one: two fast frames have come by then.
    assert slow_leg.response_ns == SILENT + 3 * (BEACON + SILENT) + 3 * SLOT + 1_050
    calm = analyse(two_lines(replace(fast, jitter_ns=0), slow)).bounds["slow", "c"].legs[-1]
    assert calm.response_ns == SILENT + 2 * (BEACON + SILENT) + 2 * SLOT + 1_050


def test_late_streams_still_have_sound_bounds():
    """Deadlines far too short: the windows grow until they hold, and the simulation agrees."""
    streams = [
        stream(f"s{i}", {"b": (UP,)}, period_ns=MS, deadline_ns=10_000, jitter_ns=MS // 2)
        for i in range(4)
    ]
    traffic = two_lines(*streams)
    bounds = analyse(traffic)
    assert bounds.overloads == {}
    assert all(row.response_ns > 10_000 for row in bounds.bounds.values())
    plan = {s.id: iter(range(5 * MS, 9 * MS, MS)) for s in streams}
    seen = run(traffic, plan, {}, None).seen
    assert all(row.worst_ns <= bounds.bounds[key].response_ns for key, row in seen.items())
    worst = max(row.worst_ns for row in seen.values())
    assert worst > 4 * SLOT


def test_overload_has_no_bound_and_is_named():
    heavy = stream("heavy", {"b": (UP,)}, frame_bytes=1_518, period_ns=MS)
    calm = stream("calm", {"b": (on_line(LegKind.LINE, "two", "c"),)})
    bounds = analyse(two_lines(heavy, calm))
    row = bounds.bounds["heavy", "b"]
    assert (row.linear_ns, row.response_ns, row.legs) == (None, None, ())
    assert bounds.overloads == {
        "one": "the line is asked to carry 123.1 % of its time; stream heavy of a is the largest "
        "part",
    }
    assert bounds.bounds["calm", "b"].response_ns is not None


def test_overload_does_not_spread_to_other_nodes_of_a_later_line():
    """What comes from an overloaded line has no bound; a neighbour's TO is its own."""
    often = {"frame_bytes": 1_518, "period_ns": 2_400_000}
    heavy = stream("heavy", {"c": (UP, through("sw"), DOWN)}, **often)
    local = [stream(f"local{i}", {"b": (UP,)}, **often) for i in range(2)]
    beside = stream("beside", {"sw": (on_line(LegKind.LINE, "two", "c"),)})
    behind = stream("behind", {"c": (through("sw"), DOWN)}, pcp=0)
    before = stream("before", {"c": (through("sw"), DOWN)}, pcp=7)
    bounds = analyse(two_lines(heavy, *local, beside, behind, before))
    assert list(bounds.overloads) == ["one", "two"]
    found = {key[0]: row.response_ns for key, row in bounds.bounds.items()}
    assert found["heavy"] is None
    assert found["behind"] is None
    # One long frame of the switch port, whatever waits behind it; then the own slot.
    assert found["beside"] == SILENT + BEACON + 1_231_200 + SLOT + 1_050
    # A higher one (5 us in the switch) waits for that frame in the MAC; c has its frame too.
    assert found["before"] == SILENT + 2 * BEACON + 1_231_200 + SLOT + SILENT + SLOT + 6_050


def test_streams_round_a_ring_settle():
    """Each stream's way crosses the links of two others, in a circle: no order to go by."""
    switches = ("sw0", "sw1", "sw2")
    links = tuple(link(a, b) for a, b in zip(switches, (*switches[1:], "sw0"), strict=True))
    streams = []
    for i in range(3):
        a, b, c = (switches[(i + k) % 3] for k in range(3))
        hops = (
            through(a),
            on_link(LegKind.BACKBONE, a, b),
            through(b),
            on_link(LegKind.BACKBONE, b, c),
            through(c),
        )
        streams.append(
            stream(f"s{i}", {c: hops}, frame_bytes=1_518, period_ns=300_000, deadline_ns=MS)
        )
    traffic = NetworkTraffic((), links, tuple(streams))
    bounds = analyse(traffic).bounds
    # On each link one frame of the other stream can be ahead: 123.04 us.
    leg = 123_040 + 122_080 + 1_340
    assert {row.response_ns for row in bounds.values()} == {2 * leg + 15_000}
    plan = {s.id: iter(range(0, 3 * MS, s.period_ns)) for s in streams}
    seen = run(traffic, plan, {}, None).seen
    assert all(row.worst_ns <= bounds[key].response_ns for key, row in seen.items())


def test_stream_inside_one_switch():
    traffic = NetworkTraffic((), (), (stream("s", {"sw": ()}),))
    row = analyse(traffic).bounds["s", "sw"]
    assert (row.linear_ns, row.response_ns, row.legs) == (0, 0, ())


@pytest.mark.parametrize(
    "hop",
    [
        on_line(LegKind.LINE, "one", "stranger"),
        on_line(LegKind.LINE, "nowhere", "a"),
        Hop(LegKind.BACKBONE, "x", "p>sw0", "sw0"),
    ],
)
def test_hops_that_do_not_exist(hop):
    traffic = NetworkTraffic(
        (line("one", "a"),), (link("p", "sw0"),), (stream("s", {"b": (hop,)}),)
    )
    with pytest.raises(ValueError, match=r"one|nowhere|p>sw0"):
        analyse(traffic)


def test_more_traffic_never_lowers_an_end_to_end_bound():
    """One stream more on each kind of medium, and one byte more."""
    s = stream("s", {"c": (UP, through("sw"), DOWN)})
    before = analyse(two_lines(s)).bounds["s", "c"]
    for other in (
        stream("o", {"a": (on_line(LegKind.LINE, "one", "b"),)}),
        stream("o", {"sw": (on_line(LegKind.LINE, "two", "c"),)}),
        stream("o", {"b": (UP,)}),
    ):
        after = analyse(two_lines(s, other)).bounds["s", "c"]
        assert after.response_ns > before.response_ns
        assert after.linear_ns > before.linear_ns
    longer = analyse(two_lines(replace(s, frame_bytes=65))).bounds["s", "c"]
    assert longer.response_ns == before.response_ns + 2 * 800


def test_deadlines_change_no_delay():
    """Delays grow from nothing, so a deadline, near or far, leaves them as they are."""
    streams = [
        stream("s", {"c": (UP, through("sw"), DOWN)}, deadline_ns=1),
        stream("t", {"c": (through("sw"), DOWN)}, period_ns=300_000, jitter_ns=400_000),
    ]
    near = analyse(two_lines(*streams)).bounds
    far = analyse(two_lines(*(replace(s, deadline_ns=10**10) for s in streams))).bounds
    assert {k: replace(row, deadline_ns=10**10) for k, row in near.items()} == far
    assert near["s", "c"].response_ns > 1


def _other(traffic: NetworkTraffic, rng: Random) -> NetworkTraffic:
    """The same network with a third of the streams gone, longer or more often."""
    streams = []
    for s in traffic.streams:
        change = rng.randrange(9)
        if change == 0:
            continue
        if change == 1:
            s = replace(s, frame_bytes=min(1_518, 2 * s.frame_bytes))
        if change == 2:
            s = replace(s, period_ns=s.period_ns // 2)
        streams.append(s)
    return replace(traffic, streams=tuple(streams))


def _or_never(ns: int | None) -> float:
    return inf if ns is None else ns


@pytest.mark.parametrize("seed", range(40))
def test_bounds_that_begin_near_others_are_bounds(seed: int):
    rng = Random(seed)
    one = random_network(seed)
    other = _other(one, rng)
    at_one = analyse(one, linear=False)
    again = analyse(one, linear=False, near=at_one.settled)
    for there, back in ((one, other), (other, one)):
        least = analyse(back, linear=False)
        near = analyse(back, linear=False, near=analyse(there, linear=False).settled)
        assert near.bounds.keys() == least.bounds.keys()
        for key, found in near.bounds.items():
            assert _or_never(found.response_ns) >= _or_never(least.bounds[key].response_ns)
        # Nothing is left to change: from there, delays settle at the same again.
        assert analyse(back, linear=False, near=near.settled).bounds == near.bounds
    assert {k: f.response_ns for k, f in again.bounds.items()} == {
        k: f.response_ns for k, f in at_one.bounds.items()
    }


def test_nothing_is_bounded_again_where_nothing_has_changed(monkeypatch: pytest.MonkeyPatch):
    traffic = two_lines(
        stream("s", {"c": (UP, through("sw"), DOWN)}), stream("t", {"c": (UP, through("sw"), DOWN)})
    )
    found = analyse(traffic, linear=False)
    monkeypatch.delattr("partitioner.timing.layout_timing._Network._bound")
    assert analyse(traffic, linear=False, near=found.settled) == found
