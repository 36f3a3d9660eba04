"""PLCA settings: ranges of the kernel, rules between nodes, TO timer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.timing.plca_settings import (
    NodeSettings,
    least_to_timer_bt,
    line_faults,
    setting_faults,
)

MS = 1_000_000


def test_defaults_are_accepted():
    """Linux net/ethtool/plca.c and ethtool(8): ID 0, count 8, 32, 0, 128."""
    assert setting_faults(NodeSettings("sw", 0, 8, 32, 0, 128)) == ()


@pytest.mark.parametrize(
    ("field", "value", "name"),
    [
        ("node_id", 256, "node-id 256"),
        ("node_count", 0, "node-cnt 0"),
        ("node_count", 256, "node-cnt 256"),
        ("to_timer_bt", 256, "to-tmr 256"),
        ("burst_count", 256, "burst-cnt 256"),
        ("burst_timer_bt", 256, "burst-tmr 256"),
        ("node_id", -1, "node-id -1"),
    ],
)
def test_values_the_kernel_refuses(field, value, name):
    """Linux net/ethtool/plca.c: u32 attributes, at most 255; node count at least 1."""
    faults = setting_faults(replace(NodeSettings("sw", 0), **{field: value}))
    assert len(faults) == 1
    assert faults[0].startswith(f"sw: {name} is outside ")


@pytest.mark.parametrize("edge", [0, 255])
def test_edges_of_the_ranges(edge):
    """Linux net/ethtool/plca.c accepts 0 and 255 for ID and timers."""
    assert setting_faults(NodeSettings("n", edge, 255, edge, edge, edge)) == ()


def line(*ids: int, **changes) -> list[NodeSettings]:
    return [replace(NodeSettings(f"n{i}", i, 8), **changes) for i in ids]


def test_a_good_line():
    assert line_faults(line(0, 1, 2, 7)) == ()


def test_two_coordinators():
    """ethtool(8): exactly one node has ID 0."""
    rows = [*line(0, 1), replace(NodeSettings("other", 0), node_count=8)]
    assert line_faults(rows) == ("n0 and other share node-id 0",)


def test_no_coordinator():
    assert line_faults(line(1, 2)) == ("no node has node-id 0, so nobody sends the BEACON",)


def test_unequal_to_timers():
    """ethtool(8): the TO timer must be the same on all nodes."""
    rows = [*line(0, 1), replace(NodeSettings("n2", 2), to_timer_bt=24)]
    assert line_faults(rows) == ("to-tmr differs on the line: 24, 32",)


def test_node_count_not_above_the_highest_id():
    """ethtool(8): a node above the count never gets a transmit opportunity."""
    (fault,) = line_faults(line(0, 1, 8))
    assert "leaves node-id 8 without a transmit opportunity; at least 9 is needed" in fault


def test_id_255_is_off():
    assert "n255: node-id 255 switches PLCA off" in line_faults(line(0, 255))


def test_burst_timer_too_short():
    """IEEE Std 802.3 Clause 148: the next frame must come within the burst timer; gap 96 BT."""
    rows = [*line(0), replace(NodeSettings("n1", 1, 8), burst_count=1, burst_timer_bt=96)]
    (fault,) = line_faults(rows)
    assert "burst-tmr 96 is not above the gap of 96" in fault


def test_to_timer_of_50_metres():
    """IEEE Std 802.3 Clause 147 delay table: 440 + 1040 ns, and twice 250 ns: 1.98 us, 20 BT.

    ethtool(8) says that 32 BT are enough for about 50 m.
    """
    assert least_to_timer_bt(440, 1_040, 250) == 20
    assert least_to_timer_bt(440, 1_040, 0) == 15
    assert least_to_timer_bt(440, 1_040, 250) <= 32
