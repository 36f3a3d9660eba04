"""Frame sizes, wire times and the table of constants against published figures."""

from __future__ import annotations

import pytest

from partitioner.model.frames import (
    NTSCF_BYTES,
    acf_can_bytes,
    frame_bytes,
    stream_frame_bytes,
)
from partitioner.model.problem import Encapsulation, ReleaseKind, Stream
from partitioner.timing import constants
from partitioner.timing.frames import slot_on_link_ns, wire_ns
from tests.timing.legacy import can_frame_bits, can_frame_ns, lin_frame_ns


def test_plca_timers_of_the_clause():
    """IEEE Std 802.3 Clause 148 state diagrams: pending and burst timers, BEACON."""
    assert constants.PENDING_TIMER_BT == 512
    assert constants.BURST_TIMER_DEFAULT_BT == 128
    assert constants.BEACON_BT == 20
    # 51.2 and 12.8 us at 100 ns a bit.
    assert constants.PENDING_TIMER_BT / 10 == 51.2
    assert constants.BURST_TIMER_DEFAULT_BT / 10 == 12.8


def test_can_in_ieee_1722_frames():
    """IEEE 1722 header sizes as in the Open1722 headers: CAN of 8 bytes in NTSCF, plain."""
    assert 14 + 12 + acf_can_bytes(8) + 4 == 54
    assert frame_bytes(8, Encapsulation.IEEE1722_NTSCF, tagged=False) == 64
    assert frame_bytes(8, Encapsulation.IEEE1722_TSCF, tagged=False) == 14 + 24 + 24 + 4
    # A CAN FD message of 64 bytes: 14 + 12 + 16 + 64 + 4.
    assert frame_bytes(64, Encapsulation.IEEE1722_NTSCF, tagged=False) == 110


def test_can_in_ieee_1722_over_udp():
    """The same over UDP and IPv4 takes 86 bytes: 14 + 28 + 4 + 12 + 24 + 4 (Open1722, RFC 768)."""
    sequence_number = 4
    control = sequence_number + NTSCF_BYTES + acf_can_bytes(8)
    assert frame_bytes(control, Encapsulation.UDP_IPV4, tagged=False) == 86


def test_sizes_of_ethernet_frames():
    """Linux uapi/linux/if_ether.h: 60 + 4 bytes at least, 1514 + 4 at most; 4 more with a tag."""
    assert frame_bytes(0, Encapsulation.RAW, tagged=False) == 64
    assert frame_bytes(46, Encapsulation.RAW, tagged=False) == 64
    assert frame_bytes(47, Encapsulation.RAW, tagged=False) == 65
    assert frame_bytes(1_500, Encapsulation.RAW, tagged=False) == 1_518
    assert frame_bytes(1_500, Encapsulation.RAW, tagged=True) == 1_522
    assert frame_bytes(42, Encapsulation.RAW, tagged=True) == 64
    assert frame_bytes(43, Encapsulation.RAW, tagged=True) == 65
    assert frame_bytes(20, Encapsulation.UDP_IPV4, tagged=False) == 66
    assert frame_bytes(20, Encapsulation.UDP_IPV6, tagged=False) == 86


@pytest.mark.parametrize(("payload", "way"), [(1_501, "raw"), (1_473, "udp-ipv4"), (-1, "raw")])
def test_what_does_not_fit_one_frame(payload, way):
    with pytest.raises(ValueError, match="does not fit"):
        frame_bytes(payload, Encapsulation(way), tagged=False)


def test_frame_of_a_stream():
    stream = Stream(
        id="s",
        source="a",
        destinations=("b",),
        payload_bytes=100,
        encapsulation=Encapsulation.UDP_IPV4,
        tagged=True,
        kind=ReleaseKind.PERIODIC,
        period_ns=1,
        jitter_ns=0,
        deadline_ns=1,
        pcp=0,
    )
    assert stream_frame_bytes(stream) == 14 + 4 + 28 + 100 + 4


def test_frames_on_the_wire_at_10_mbit():
    """IEEE P802.3cg reflector, message 678: about 1.25 ms and about 56 us (rounded by its author).

    Exact by arithmetic: 8 x 1518 + 64 + 96 bits = 1230.4 us; preamble and 64 bytes = 57.6 us.
    """
    assert slot_on_link_ns(1_518, 10_000_000) == 1_230_400
    assert wire_ns(64, 10_000_000) == 57_600
    assert abs(slot_on_link_ns(1_518, 10_000_000) / 1_250_000 - 1) < 0.03
    assert abs(wire_ns(64, 10_000_000) / 56_000 - 1) < 0.03


def test_times_are_rounded_up():
    assert wire_ns(64, 1_000_000_000) == 576
    assert wire_ns(65, 3_000_000_000) == 195  # 584 bits take 194.67 ns


def test_lin_frame():
    """ISO 17987 as a LIN interface manual restates it: 8 bytes at 20 kb/s, 6.2 and 8.68 ms."""
    assert lin_frame_ns(8, 20_000) == 6_200_000
    assert lin_frame_ns(8, 20_000, longest=True) == 8_680_000


def test_can_frame():
    """Davis, Burns, Bril, Lukkien 2007: 55 + 10 n bits for 11-bit identifiers."""
    assert [can_frame_bits(n) for n in range(9)] == [55 + 10 * n for n in range(9)]
    assert can_frame_ns(8, 500_000) == 270_000


@pytest.mark.parametrize("wrong", [-1, 9])
def test_data_that_no_bus_frame_carries(wrong):
    with pytest.raises(ValueError, match="carries"):
        can_frame_bits(wrong)
    with pytest.raises(ValueError, match="carries"):
        lin_frame_ns(wrong, 20_000)
