"""How long a frame is in bytes and in time."""

from __future__ import annotations

from partitioner.model.problem import Encapsulation, Stream
from partitioner.timing.constants import (
    ACF_CAN_BYTES,
    ACF_PAD_BYTES,
    CLIENT_DATA_MOST_BYTES,
    FCS_BYTES,
    FRAME_LEAST_BYTES,
    HEADER_BYTES,
    IPG_BT,
    NTSCF_BYTES,
    PREAMBLE_SFD_BT,
    TAG_BYTES,
    TSCF_BYTES,
    UDP_IPV4_BYTES,
    UDP_IPV6_BYTES,
)
from partitioner.units import NS_PER_S, ceil_div


def client_data_bytes(payload_bytes: int, encapsulation: Encapsulation) -> int:
    """Bytes between the Ethernet header and the frame check sequence, before padding.

    The payload is what the application sends, in bytes. With an IEEE 1722 encapsulation this is the
    data of one CAN message; it is padded to 4 bytes. Header sizes and their sources:
    :mod:`partitioner.timing.constants`.
    """
    match encapsulation:
        case Encapsulation.RAW:
            return payload_bytes
        case Encapsulation.UDP_IPV4:
            return UDP_IPV4_BYTES + payload_bytes
        case Encapsulation.UDP_IPV6:
            return UDP_IPV6_BYTES + payload_bytes
        case Encapsulation.IEEE1722_NTSCF:
            return NTSCF_BYTES + acf_can_bytes(payload_bytes)
        case Encapsulation.IEEE1722_TSCF:
            return TSCF_BYTES + acf_can_bytes(payload_bytes)


def acf_can_bytes(data_bytes: int) -> int:
    """Bytes of one IEEE 1722 ACF CAN message with ``data_bytes`` of CAN data, padding included."""
    return ACF_CAN_BYTES + ceil_div(data_bytes, ACF_PAD_BYTES) * ACF_PAD_BYTES


def frame_bytes(payload_bytes: int, encapsulation: Encapsulation, tagged: bool) -> int:
    """Length in bytes of the frame that carries a payload, from destination address to FCS.

    ``tagged``: it carries an IEEE 802.1Q tag.

    Raises
    ------
    ValueError
        If the payload is negative or does not fit into one frame.

    Notes
    -----
    A short frame is padded to 64 bytes with or without a tag (IEEE Std 802.3 Clause 4).

    Examples
    --------
    >>> frame_bytes(8, Encapsulation.IEEE1722_NTSCF, tagged=False)
    64
    >>> frame_bytes(64, Encapsulation.IEEE1722_NTSCF, tagged=False)
    110
    """
    data = client_data_bytes(payload_bytes, encapsulation)
    if payload_bytes < 0 or data > CLIENT_DATA_MOST_BYTES:
        raise ValueError(f"a payload of {payload_bytes} bytes does not fit into one frame")
    tag = TAG_BYTES if tagged else 0
    return max(FRAME_LEAST_BYTES, HEADER_BYTES + tag + data + FCS_BYTES)


def stream_frame_bytes(stream: Stream) -> int:
    """Length of a stream's frames in bytes, from destination address to FCS."""
    return frame_bytes(stream.payload_bytes, stream.encapsulation, stream.tagged)


def wire_ns(frame_length_bytes: int, rate_bps: int) -> int:
    """Time from the first preamble bit to the last bit of a frame, in ns, rounded up."""
    bits = PREAMBLE_SFD_BT + 8 * frame_length_bytes
    return ceil_div(bits * NS_PER_S, rate_bps)


def slot_on_link_ns(frame_length_bytes: int, rate_bps: int) -> int:
    """Time a frame keeps a point-to-point link busy, the gap after it included; rounded up.

    Examples
    --------
    >>> slot_on_link_ns(64, 100_000_000)
    6720
    """
    bits = PREAMBLE_SFD_BT + 8 * frame_length_bytes + IPG_BT
    return ceil_div(bits * NS_PER_S, rate_bps)
