"""Cycle and linear bound of a PLCA line against published figures and by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.model.problem import QueueOrder
from partitioner.reading.catalogue import shipped_catalogue
from partitioner.timing.constants import SETTING_MOST
from partitioner.timing.line import (
    LineNode,
    LineSettings,
    collision_ns,
    cycle_ns,
    deferral_ns,
    frames_ahead,
    line_settings,
    linear_bound,
    propagation_ns,
    slot_ns,
    waiting_frames,
)
from tests.check.ground import ground_problem
from tests.timing.plain import BARE, MS, flow


def loop(ns: int) -> LineSettings:
    return replace(BARE, loop_delay_ns=ns)


def test_silent_cycle_of_8_nodes():
    """Notes of a public PLCA test harness: 27.6 us for 8 nodes, BEACON 2 us, TO 3.2 us."""
    assert cycle_ns([], 8, BARE) == 27_600


@pytest.mark.parametrize(("loop_ns", "cycle"), [(760, 28_360), (1_560, 29_160)])
def test_silent_cycle_with_phy_delays(loop_ns, cycle):
    """A microcontroller's published erratum on PLCA timing: BEACON to BEACON 28.36..29.16 us.

    Eight opportunities of 32 bit times are inferred there; one loop delay of 0.76..1.56 us.
    """
    assert cycle_ns([], 8, loop(loop_ns)) == pytest.approx(cycle, abs=10)


def test_longest_silent_cycle_is_half_the_status_timer():
    """IEEE Std 802.3 Clause 148, plca_status_timer: 130 090 BT = 2 x (20 + 255 x 255)."""
    settings = replace(BARE, to_timer_bt=SETTING_MOST)
    longest = cycle_ns([], SETTING_MOST, settings)
    assert 2 * longest == 130_090 * 100


def test_silent_cycle_with_a_fixed_silence_after_the_beacon():
    """Bus-occupancy constants of a public firmware: 20 + 16 + 8 x 32 BT = 29.2 us."""
    assert cycle_ns([], 8, loop(1_600)) == 29_200


def test_longest_cycle_with_long_frames():
    """Notes of a public PLCA test harness: about 9.7 ms for 8 nodes (frame bits only).

    With gap, preamble and ESD (IEEE Std 802.3 Clauses 4, 147, 148): 9851.6 us.
    """
    slots = [slot_ns(1_518, BARE)] * 8
    assert cycle_ns(slots, 8, BARE) == 9_851_600
    frame_bits_only = 2_000 + 8 * 8 * 1_518 * 100
    assert frame_bits_only == 9_717_200
    assert abs(frame_bits_only / 9_700_000 - 1) < 0.002


@pytest.mark.parametrize(
    ("nodes", "length", "no_phy", "with_phy"),
    [
        (2, 64, 138_000, 142_680),
        (4, 64, 274_000, 281_800),
        (8, 64, 546_000, 560_040),
        (16, 64, 1_090_000, 1_116_520),
        (16, 1_518, 19_701_200, 19_727_720),
        (8, 1_522, 9_877_200, 9_891_240),
    ],
)
def test_longest_cycles_with_and_without_phy_delays(nodes, length, no_phy, with_phy):
    """Derived from IEEE Std 802.3 Clauses 4, 147 and 148: 96 + 64 + 8 L + 8 BT per frame."""
    for settings, expected in ((BARE, no_phy), (loop(1_560), with_phy)):
        assert cycle_ns([slot_ns(length, settings)] * nodes, nodes, settings) == expected


def test_one_talker_by_hand():
    """Alone on a line of 8: BEACON 20, 7 silent TOs of 32, own 96 + 64 + 512 + 8 = 924 BT.

    The frame came just after its TO was given up: 32 BT more. A cycle of one talker is 92.4 us
    in the derivation from Clauses 4, 147 and 148, too.
    """
    bound = linear_bound((LineNode("a", (flow(),)),), 8, BARE)
    assert bound.cycle_ns == 92_400
    leg = bound.legs["a", "f"]
    assert leg.total_ns == 92_400 + 3_200
    assert leg.wire_ns == 6_400 + 51_200 + 800
    assert leg.queue_ns == leg.collision_ns == 0
    assert leg.total_ns == leg.queue_ns + leg.access_ns + leg.wire_ns + leg.collision_ns
    assert bound.load_ppm == 6_800  # 68 us of 10 ms


def test_queue_of_a_node_is_served_one_frame_a_cycle():
    """Three frames of the node can wait: a window of 1.5 periods makes two of the first stream."""
    flows = (flow("f", window_ns=15 * MS), flow("g"))
    bound = linear_bound((LineNode("a", flows), LineNode("b", (flow("h"),))), 2, BARE)
    cycle = 2_000 + 2 * 68_000
    assert waiting_frames(flows[0]) == 2
    assert bound.cycle_ns == cycle
    assert bound.legs["a", "f"].total_ns == 3 * cycle + 3_200
    assert bound.legs["b", "h"].total_ns == cycle + 3_200


def test_bursts_send_more_frames_a_cycle():
    """Burst count 1: two frames a TO, the second one's gap at most the burst timer of 128 BT.

    A burst already running may take one more own frame.
    """
    flows = tuple(flow(name) for name in "fghi")
    bound = linear_bound((LineNode("a", flows, burst_count=1),), 1, BARE)
    slot = 2 * 68_000 + 3_200
    assert bound.cycle_ns == 2_000 + slot
    assert bound.legs["a", "f"].total_ns == 2 * (2_000 + slot) + 68_000 + 3_200 + 3_200


def test_burst_timer_shorter_than_the_gap_makes_no_burst():
    flows = (flow("f"), flow("g"))
    settings = replace(BARE, burst_timer_bt=64)
    bound = linear_bound((LineNode("a", flows, burst_count=3),), 1, settings)
    assert bound.cycle_ns == 2_000 + 68_000 + 6_400
    assert bound.legs["a", "f"].total_ns == 2 * bound.cycle_ns + 3_200


def test_priorities_inside_a_node():
    """High passes with one lower frame ahead; low waits for all that come meanwhile."""
    high = flow("high", pcp=7, period_ns=MS, window_ns=MS)
    low = flow("low", pcp=1)
    node = LineNode("a", (high, low), QueueOrder.PCP)
    cycle = 2_000 + 68_000
    assert frames_ahead(node, high, cycle, BARE) == 2
    # Wait w: 1 + ceil((w + 1 ms) / 1 ms) frames; with w = 3 cycles + 3.2 us = 213 us: 1 + 2.
    assert frames_ahead(node, low, cycle, BARE) == 3
    legs = linear_bound((node,), 1, BARE).legs
    assert legs["a", "high"].total_ns == 2 * cycle + 3_200
    assert legs["a", "low"].total_ns == 3 * cycle + 3_200


def test_overload_names_the_heaviest_stream():
    heavy = flow("heavy", frame_bytes=1_518, period_ns=MS, window_ns=MS)
    bound = linear_bound((LineNode("a", (flow(),)), LineNode("b", (heavy,))), 2, BARE)
    assert bound.legs == {}
    assert bound.load_ppm > 1_000_000
    assert "stream heavy of b" in bound.overload
    assert "123.8 %" in bound.overload  # 1231.2 us of 1 ms and 68 us of 10 ms


def test_node_that_never_catches_up():
    """A higher stream that comes once a cycle leaves nothing for the lower one."""
    slow = replace(BARE, to_timer_bt=255)
    high = flow("high", pcp=7, period_ns=1_600_000, window_ns=1_600_000)
    node = LineNode("a", (high, flow("low", pcp=0)), QueueOrder.PCP)
    others = tuple(LineNode(f"n{i}", ()) for i in range(61))
    bound = linear_bound((node, *others), 62, slow)
    assert set(bound.legs) == {("a", "high")}
    assert bound.overload == "node a never catches up with the streams ahead of low"


def test_more_nodes_than_the_count():
    with pytest.raises(ValueError, match="node count"):
        linear_bound((LineNode("a", ()), LineNode("b", ())), 1, BARE)


def test_a_line_without_streams():
    bound = linear_bound((LineNode("a", ()),), 8, BARE)
    assert (bound.cycle_ns, bound.load_ppm, bound.overload, bound.legs) == (27_600, 0, None, {})


def test_logical_collision_by_hand():
    """8 nodes, delay line 396 BT, loop delay 15.6 BT, from the state diagrams of Clause 148.

    A frame that follows another: its MAC starts 96 BT after the own TO; the next own TO is
    20 + 15.6 + 7 x 32 = 259.6 BT after it, so 163.6 BT are held. Then jam 32, pending 512, timer
    tolerance 0.5, and the own silent TO that passed, 32. The first one may be held a whole silent
    cycle of 291.6 BT and defers to the longest frame before.
    """
    settings = replace(loop(1_560), logical_collision=True)
    again = 96 + 163.6 + 32 + 512 + 0.5 + 32
    assert collision_ns(8, settings) == round(again * 100)
    first_more = 291.6 - 163.6
    largest = slot_ns(64, settings)
    assert deferral_ns(largest, 8, settings) == largest + round(first_more * 100)
    legs = linear_bound((LineNode("a", (flow(),)),), 8, settings).legs
    without = linear_bound(
        (LineNode("a", (flow(),)),), 8, replace(settings, logical_collision=False)
    ).legs
    more = legs["a", "f"].total_ns - without["a", "f"].total_ns
    assert more == collision_ns(8, settings) + deferral_ns(largest, 8, settings)
    assert legs["a", "f"].collision_ns == more


def test_logical_collision_switched_off_costs_nothing():
    assert collision_ns(8, BARE) == 0
    assert deferral_ns(100_000, 8, BARE) == 0


@pytest.mark.parametrize(("nodes", "length"), [(2, 64), (8, 64), (16, 64), (8, 1_518), (40, 64)])
def test_collision_term_covers_the_two_simple_cases(nodes, length):
    """Idle bus: 396 + 96 + 512 BT; busy bus: longest TO + 96 + 96 + 512 BT; 0.05 us each.

    Both are read off the state diagrams of IEEE Std 802.3 Clause 148; ours chains them.
    """
    settings = replace(loop(1_560), logical_collision=True)
    largest = slot_ns(length, settings)
    ours = collision_ns(nodes, settings) + deferral_ns(largest, nodes, settings)
    assert ours >= 100_450
    assert ours >= largest + 70_450


def test_settings_of_a_problem():
    """Shipped 10BASE-T1S: 440 ns and 4.0 us of PHY, loop delay 1.56 us, 5 ns a metre of cable.

    IEEE Std 802.3 Clause 147, delay table; the carrier goes off one propagation later at the far
    end.
    """
    problem = replace(ground_problem(), catalogue=shipped_catalogue())
    settings = line_settings(problem, "10BASE-T1S-multidrop", 25_000_000)
    assert settings.propagation_ns == 125
    assert settings.loop_delay_ns == 1_560 + 125
    assert settings.phy_ns == 4_440
    assert settings.bit_ns == 100
    assert settings.to_timer_bt == problem.plca.to_timer_bt
    assert propagation_ns(problem, "10BASE-T1S-multidrop", 1) == 1  # rounded up
