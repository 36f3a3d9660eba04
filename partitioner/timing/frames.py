"""How long a frame is in time."""

from __future__ import annotations

from partitioner.timing.constants import IPG_BT, PREAMBLE_SFD_BT
from partitioner.units import NS_PER_S, ceil_div


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
