"""How long a frame is in bytes: sizes of its parts, each with its source."""

from __future__ import annotations

from partitioner.model.problem import Encapsulation, Stream
from partitioner.units import ceil_div

FRAME_LEAST_BYTES = 64
"""Shortest frame, destination address to FCS; IEEE Std 802.3 Clause 4.4.2."""
HEADER_BYTES = 14
"""Destination, source, type; Linux uapi/linux/if_ether.h, ETH_HLEN."""
FCS_BYTES = 4
"""Frame check sequence; Linux uapi/linux/if_ether.h, ETH_FCS_LEN."""
TAG_BYTES = 4
"""IEEE Std 802.1Q tag."""
CLIENT_DATA_MOST_BYTES = 1_500
"""Longest client data of a frame; Linux uapi/linux/if_ether.h, ETH_DATA_LEN."""
UDP_IPV4_BYTES = 28
"""IPv4 header (RFC 791, no options) and UDP header (RFC 768)."""
UDP_IPV6_BYTES = 48
"""IPv6 header (RFC 8200) and UDP header (RFC 768)."""
NTSCF_BYTES = 12
"""IEEE Std 1722 non-time-synchronous control format header, as in the open Open1722 headers."""
TSCF_BYTES = 24
"""IEEE Std 1722 time-synchronous control format header, as in the open Open1722 headers."""
ACF_CAN_BYTES = 16
"""IEEE Std 1722 ACF CAN message header (common header included), as in the Open1722 headers."""
ACF_PAD_BYTES = 4
"""ACF payloads are padded to this many bytes (from memory; changes no size in the tests)."""
CAN_DATA_MOST_BYTES = 64
"""Most data of one CAN frame, which an ACF CAN message carries: CAN FD."""


def client_data_bytes(payload_bytes: int, encapsulation: Encapsulation) -> int:
    """Bytes between the Ethernet header and the frame check sequence, before padding.

    The payload is what the application sends, in bytes. With an IEEE 1722 encapsulation this is the
    data of one CAN message; it is padded to 4 bytes.
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
