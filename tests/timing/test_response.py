"""Response-time analysis of a PLCA line: by hand, against linear, and its relations."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partitioner.model.problem import QueueOrder
from partitioner.timing.line import LineBound, LineFlow, LineNode, LineSettings, linear_bound
from partitioner.timing.response import busy_window_bound, response_bound
from tests.timing.plain import BARE, MS, flow
from tests.timing.random_traffic import random_segment

SLOT = 68_000  # 96 + 64 + 512 + 8 BT
SILENT = 3_200
BEACON = 2_000


def test_one_frame_of_each_node_by_hand():
    """Missed TO, one round with all others sending, own frame; nobody can send twice."""
    nodes = tuple(LineNode(f"n{i}", (flow(f"f{i}"),)) for i in range(4))
    legs = response_bound(nodes, 6, BARE).legs
    expected = SILENT + BEACON + 3 * SLOT + 2 * SILENT + SLOT
    assert {leg.total_ns for leg in legs.values()} == {expected}
    leg = legs["n0", "f0"]
    assert leg.wire_ns == 6_400 + 51_200 + 800
    assert leg.total_ns == leg.queue_ns + leg.access_ns + leg.wire_ns + leg.collision_ns


def test_logical_collision_of_a_lone_device_by_hand():
    """The example of docs/explanation/timing.md: 14.5 m of cable, 5 ns/m, two nodes.

    Nobody is there to defer to, so the gap before the MAC starts is over when the frame comes.
    """
    line = LineSettings(loop_delay_ns=1_560 + 73, propagation_ns=73)
    leg = response_bound((LineNode("a", (flow(),)),), 2, line).legs["a", "f"]
    held = 2_000 + 1_633 + 2 * SILENT
    assert leg.collision_ns == (9_600 + held + 3_200 + 51_200 + 50) + SILENT - 9_600
    assert leg.total_ns == SILENT + 2_000 + 1_633 + SILENT + SLOT + 4_440 + 73 + leg.collision_ns
    assert leg.total_ns == 150_229


def test_others_are_counted_by_arrivals_not_by_rounds():
    """Node a sends three frames in three rounds, b has one: one used TO of b, two silent ones."""
    nodes = (LineNode("a", tuple(flow(n) for n in "fgh")), LineNode("b", (flow("i"),)))
    leg = response_bound(nodes, 2, BARE).legs["a", "h"]
    assert leg.total_ns == SILENT + 3 * BEACON + (SLOT + 2 * SILENT) + 3 * SLOT
    assert linear_bound(nodes, 2, BARE).legs["a", "h"].total_ns == (
        3 * (BEACON + 2 * SLOT) + SILENT
    )


def test_rounds_limit_what_a_flood_can_take():
    """b has five frames waiting; in the one round a needs it sends one."""
    nodes = (LineNode("a", (flow(),)), LineNode("b", tuple(flow(f"b{i}") for i in range(5))))
    leg = response_bound(nodes, 2, BARE).legs["a", "f"]
    assert leg.total_ns == SILENT + BEACON + SLOT + SLOT


def test_largest_frames_are_taken_when_rounds_limit():
    flood = tuple(flow(f"b{i}", frame_bytes=64 + 100 * i) for i in range(5))
    nodes = (LineNode("a", (flow("f"), flow("g"))), LineNode("b", flood))
    leg = response_bound(nodes, 2, BARE).legs["a", "f"]
    longest = [SLOT + 80_000 * i for i in (4, 3)]
    assert leg.total_ns == SILENT + 2 * BEACON + sum(longest) + 2 * SLOT


def test_priorities_inside_a_node_by_hand():
    """High waits for one lower frame in the MAC; low for high frames until the MAC takes it."""
    high, low = flow("high", pcp=7, period_ns=MS), flow("low", pcp=0, frame_bytes=164)
    node = LineNode("a", (high, low), QueueOrder.PCP)
    legs = response_bound((node,), 1, BARE).legs
    long_slot = SLOT + 80_000
    assert legs["a", "high"].total_ns == SILENT + 2 * BEACON + long_slot + SLOT
    assert legs["a", "low"].total_ns == SILENT + 2 * BEACON + SLOT + long_slot


def test_burst_by_hand():
    """Burst count 1: both frames in one TO, 128 BT between them at most instead of 96."""
    nodes = (LineNode("a", (flow("f"), flow("g")), burst_count=1),)
    leg = response_bound(nodes, 1, BARE).legs["a", "g"]
    # The burst may have been under way for one more own frame.
    assert leg.total_ns == SILENT + BEACON + 2 * SLOT + SILENT + (SLOT + SILENT)


def test_burst_of_another_node_by_hand():
    """With a long TO timer too: three frames in one TO, which replaces one silent TO, not three.

    Two of the three gaps may be 128 BT wide, and b holds the line for 128 BT for a fourth frame.
    """
    line = replace(BARE, to_timer_bt=255)
    twice = flow("g", jitter_ns=10 * MS)
    nodes = (LineNode("a", (flow("f"),)), LineNode("b", (twice, flow("h")), burst_count=3))
    leg = response_bound(nodes, 2, line).legs["a", "f"]
    burst = 3 * SLOT + 2 * SILENT + 12_800
    assert leg.total_ns == 25_500 + BEACON + burst + SLOT


def test_later_instances_count():
    """A stream with more jitter than its period: the second frame may wait longer than the first.

    Two frames arrive at once, the third one period less jitter later.
    """
    node = LineNode("a", (flow(period_ns=300_000, jitter_ns=310_000, window_ns=2 * MS),))
    others = (LineNode("b", (flow("g", frame_bytes=1_518),)),)
    leg = response_bound((node, *others), 2, BARE).legs["a", "f"]
    # Two frames at 0, in two rounds; b's long frame (1231.2 us) lets more arrive: at 290 and 590,
    # 890, 1190 us. The last of the six to be behind b's frame is not the worst: the second is.
    long_slot = 1_231_200
    worst_second = SILENT + 2 * BEACON + long_slot + SILENT + 2 * SLOT
    assert leg.total_ns == worst_second


def test_ceiling_is_the_linear_bound():
    for seed in range(30):
        nodes, count, line = random_segment(seed)
        linear = linear_bound(nodes, count, line).legs
        response = response_bound(nodes, count, line).legs
        assert all(response[k].total_ns <= leg.total_ns for k, leg in linear.items())


def slowed(nodes: tuple[LineNode, ...], factor: int) -> tuple[LineNode, ...]:
    """The same streams, coming ``factor`` times less often."""
    return tuple(
        replace(
            n,
            flows=tuple(
                replace(f, period_ns=f.period_ns * factor, window_ns=f.window_ns * factor)
                for f in n.flows
            ),
        )
        for n in nodes
    )


def test_busy_window_alone_is_below_the_linear_bound_when_windows_hold():
    """No ceiling given: where the linear bound keeps all windows, the analysis is tighter."""
    compared = 0
    for seed in range(60):
        nodes, count, line = random_segment(seed)
        nodes = slowed(nodes, 6)
        linear = linear_bound(nodes, count, line)
        windows = {(n.id, f.id): f.window_ns for n in nodes for f in n.flows}
        if any(linear.legs[key].total_ns > window for key, window in windows.items()):
            continue
        own = busy_window_bound(nodes, count, line)
        assert set(own) == set(windows)
        assert all(own[k].total_ns <= linear.legs[k].total_ns for k in own)
        compared += len(own)
    assert compared > 100


def test_overload_is_reported_not_bounded():
    heavy = flow("heavy", frame_bytes=1_518, period_ns=MS)
    bound = response_bound((LineNode("a", (heavy,)),), 2, BARE)
    assert bound.legs == {}
    assert "heavy of a" in bound.overload


def test_node_that_falls_behind_is_named():
    """Below full load, but a's own rate is above one frame a cycle when b fills every TO."""
    a = LineNode("a", (flow("f", period_ns=130_000, window_ns=50 * MS),))
    b = LineNode("b", tuple(flow(f"b{i}", period_ns=2 * MS) for i in range(13)))
    bound = response_bound((a, b), 2, BARE)
    assert bound.load_ppm < 1_000_000
    # Its queue is bounded as long as its frames live no longer than their window.
    assert bound.legs["a", "f"].total_ns <= linear_bound((a, b), 2, BARE).legs["a", "f"].total_ns


def totals(bound: LineBound) -> dict[tuple[str, str], int]:
    return {key: leg.total_ns for key, leg in bound.legs.items()}


flows = st.builds(
    LineFlow,
    id=st.just("?"),
    frame_bytes=st.integers(64, 400),
    period_ns=st.integers(1_000_000, 20_000_000),
    jitter_ns=st.integers(0, 6_000_000),
    window_ns=st.integers(1_000_000, 40_000_000),
    pcp=st.integers(0, 3),
    inherited_ns=st.integers(0, 3_000_000),
)
orders = st.sampled_from(list(QueueOrder))


@st.composite
def lines(draw) -> tuple[tuple[LineNode, ...], int, LineSettings]:
    nodes = []
    for i in range(draw(st.integers(1, 5))):
        own = draw(st.lists(flows, max_size=3))
        named = tuple(replace(f, id=f"f{i}{k}") for k, f in enumerate(own))
        nodes.append(LineNode(f"n{i}", named, draw(orders), draw(st.integers(0, 2))))
    common = LineSettings(
        to_timer_bt=draw(st.integers(16, 64)),
        burst_timer_bt=draw(st.sampled_from((64, 128, 200))),
        logical_collision=draw(st.booleans()),
        loop_delay_ns=draw(st.integers(760, 1_800)),
    )
    return tuple(nodes), len(nodes) + draw(st.integers(0, 3)), common


def never_lower(before, after) -> None:
    """Every leg bounded after was bounded before, and not higher."""
    for bound in (linear_bound, response_bound):
        old, new = totals(bound(*before)), totals(bound(*after))
        for key, ns in new.items():
            if any(n.id == key[0] and any(f.id == key[1] for f in n.flows) for n in before[0]):
                assert key in old
                assert ns >= old[key], key


def replaced(nodes, index: int, node: LineNode):
    return (*nodes[:index], node, *nodes[index + 1 :])


@given(lines(), st.data())
@settings(max_examples=60, deadline=None)
def test_one_more_stream_never_lowers_a_bound(line, data):
    nodes, count, common = line
    index = data.draw(st.integers(0, len(nodes) - 1))
    extra = replace(data.draw(flows), id="extra")
    node = replace(nodes[index], flows=(*nodes[index].flows, extra))
    never_lower(line, (replaced(nodes, index, node), count, common))


@given(lines(), st.lists(flows, max_size=2), orders)
@settings(max_examples=60, deadline=None)
def test_one_more_node_never_lowers_a_bound(line, own, order):
    nodes, count, common = line
    named = tuple(replace(f, id=f"new{k}") for k, f in enumerate(own))
    never_lower(line, ((*nodes, LineNode("new", named, order)), count + 1, common))


@given(lines(), st.data())
@settings(max_examples=80, deadline=None)
def test_more_bytes_or_jitter_never_lower_a_bound(line, data):
    nodes, count, common = line
    busy = [i for i, n in enumerate(nodes) if n.flows]
    if not busy:
        return
    index = data.draw(st.sampled_from(busy))
    which = data.draw(st.integers(0, len(nodes[index].flows) - 1))
    old = nodes[index].flows[which]
    field, most = data.draw(
        st.sampled_from((("frame_bytes", 300), ("jitter_ns", 3 * MS), ("inherited_ns", MS)))
    )
    new = replace(old, **{field: getattr(old, field) + data.draw(st.integers(1, most))})
    changed = tuple(new if f is old else f for f in nodes[index].flows)
    node = replace(nodes[index], flows=changed)
    never_lower(line, (replaced(nodes, index, node), count, common))


@given(lines(), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_permuted_ids_keep_the_bounds(line, rng):
    nodes, count, common = line
    mixed = list(nodes)
    rng.shuffle(mixed)
    for bound in (linear_bound, response_bound):
        assert totals(bound(tuple(mixed), count, common)) == totals(bound(*line))


@pytest.mark.parametrize("field", ["loop_delay_ns", "phy_ns", "propagation_ns"])
def test_slower_hardware_never_lowers_a_bound(field):
    for seed in range(12):
        nodes, count, line = random_segment(seed)
        slower = replace(line, **{field: getattr(line, field) + 20})
        never_lower((nodes, count, line), (nodes, count, slower))
