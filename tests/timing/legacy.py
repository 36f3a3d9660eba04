"""How long a frame of a bus takes that Ethernet replaces: for comparisons, not for planning."""

from __future__ import annotations

from partitioner.units import NS_PER_S, ceil_div


def can_frame_bits(data_bytes: int) -> int:
    """Longest CAN frame with an 11-bit identifier, stuff bits and the 3-bit gap included.

    Parameters
    ----------
    data_bytes
        0 to 8.

    Notes
    -----
    47 bits besides the data (Linux include/linux/can/length.h), of which 34 and the data can be
    stuffed, one bit after every four at worst (Davis, Burns, Bril, Lukkien, Real-Time Systems 35,
    2007).

    Examples
    --------
    >>> can_frame_bits(8)
    135
    """
    if not 0 <= data_bytes <= 8:
        raise ValueError("a CAN frame carries 0 to 8 bytes")
    return 8 * data_bytes + 47 + (34 + 8 * data_bytes - 1) // 4


def can_frame_ns(data_bytes: int, rate_bps: int) -> int:
    """Time of the longest CAN frame, gap included; rounded up."""
    return ceil_div(can_frame_bits(data_bytes) * NS_PER_S, rate_bps)


def lin_frame_ns(data_bytes: int, rate_bps: int, *, longest: bool = False) -> int:
    """Time of a LIN frame with header, nominal or the longest allowed (1.4 times); rounded up.

    Notes
    -----
    34 bits of header, 10 bits per byte and for the checksum (ISO 17987, as a LIN interface
    manual restates it).

    Examples
    --------
    >>> lin_frame_ns(8, 20_000)
    6200000
    """
    if not 1 <= data_bytes <= 8:
        raise ValueError("a LIN frame carries 1 to 8 bytes")
    bits = 34 + 10 * (data_bytes + 1)
    tenths = 14 if longest else 10
    return ceil_div(bits * tenths * NS_PER_S, 10 * rate_bps)
