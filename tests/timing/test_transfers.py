"""Bulk transfers beside other traffic: paced, bounded, simulated."""

from __future__ import annotations

from dataclasses import replace

from partitioner.model.assessment import LegKind
from partitioner.timing.layout_timing import (
    Hop,
    LineMedium,
    LineSender,
    NetworkTraffic,
    Route,
    StreamTraffic,
)
from partitioner.timing.line import LineSettings
from partitioner.timing.simulate import run
from partitioner.timing.transfers import paced_transfer

MS = 1_000_000
SETTINGS = LineSettings(logical_collision=False)
LONG_SLOT_NS = (96 + 64 + 8 * 1_418 + 8) * 100 + 1_560


def stream(name: str, sender: str, **changes) -> StreamTraffic:
    hops = (Hop(LegKind.LINE, "line", "line", sender),)
    row = StreamTraffic(name, 64, 10 * MS, 0, 10 * MS, 5, (Route("sw", hops),))
    return replace(row, **changes)


def layout(deadline_ns: int = 10 * MS) -> NetworkTraffic:
    names = ("sw", "a", "b", "c")
    senders = tuple(LineSender(n, i) for i, n in enumerate(names))
    streams = tuple(stream(f"s{n}", n, deadline_ns=deadline_ns) for n in "abc")
    return NetworkTraffic((LineMedium("line", senders, 4, SETTINGS, SETTINGS),), (), streams)


UPDATE = stream("update", "b", frame_bytes=1_418, deadline_ns=1_000 * MS, pcp=0)


def test_time_at_a_given_pace_by_hand():
    """100 frames every 20 ms: 99 paces and the bound of the last frame."""
    found = paced_transfer(layout(), UPDATE, 100, 20 * MS)
    slot = 68_000 + 1_560
    # Missed TO, two rounds (b's own stream may be ahead), the others once each, both own frames.
    expected = 3_200 + 2 * (2_000 + 1_560 + 3 * 3_200) + 2 * (slot - 3_200) + slot + LONG_SLOT_NS
    assert found.frame_bound_ns == expected - 1_560 + 4_440
    assert found.total_ns == 99 * 20 * MS + found.frame_bound_ns


def test_a_transfer_fills_the_line_but_no_more():
    """Half as much again as one long frame needs will do; what the line cannot carry will not."""
    assert paced_transfer(layout(), UPDATE, 500, 3 * LONG_SLOT_NS // 2) is not None
    assert paced_transfer(layout(), UPDATE, 500, LONG_SLOT_NS) is None


def test_tight_deadlines_forbid_long_frames():
    """A long frame in the round makes the others late, whatever the pace."""
    assert paced_transfer(layout(deadline_ns=MS), UPDATE, 500, 100 * MS) is None
    assert paced_transfer(layout(deadline_ns=2 * MS), UPDATE, 500, 100 * MS) is not None


def test_simulated_transfer_is_complete_in_time():
    found = paced_transfer(layout(), UPDATE, 40, 3 * LONG_SLOT_NS // 2)
    paced = replace(UPDATE, period_ns=found.pace_ns)
    traffic = replace(layout(), streams=(*layout().streams, paced))
    plan = {s.id: iter(range(0, 60 * MS, 10 * MS)) for s in layout().streams}
    plan["update"] = iter([i * found.pace_ns for i in range(40)])
    seen = run(traffic, plan, {}, None).seen
    last_is_there = 39 * found.pace_ns + seen["update", "sw"].worst_ns
    assert seen["update", "sw"].frames == 40
    assert 39 * found.pace_ns < last_is_there <= found.total_ns
    assert all(seen[f"s{n}", "sw"].worst_ns <= 10 * MS for n in "abc")
