"""How long a bulk transfer takes beside the other traffic.

The sender paces the transfer: one frame per ``pace_ns``. To the analysis it is a periodic
stream, so its frames have a bound and all other streams have theirs in its presence. The transfer
is complete at the latest ``(frames - 1) * pace + bound`` after its first frame is released.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from partitioner.timing.layout_timing import NetworkBounds, NetworkTraffic, StreamTraffic, analyse


@dataclass(frozen=True, slots=True)
class TransferTime:
    """A pace at which everything is in time, and when the transfer is then complete."""

    frames: int
    pace_ns: int
    frame_bound_ns: int
    total_ns: int


def paced_transfer(
    traffic: NetworkTraffic, transfer: StreamTraffic, frames: int, pace_ns: int
) -> TransferTime | None:
    """Bound a transfer at a given pace; None if a stream is late or something is overloaded.

    Parameters
    ----------
    traffic
        The layout without the transfer.
    transfer
        The transfer as a stream; its period is replaced by the pace, its deadline by what it
        takes. Give it a low priority.
    frames
        How many frames it sends.
    pace_ns
        Time between two of its frames, above 0.
    """
    paced = replace(transfer, period_ns=pace_ns, jitter_ns=0, sporadic=False)
    bounds = analyse(replace(traffic, streams=(*traffic.streams, paced)))
    if bounds.overloads or _late(traffic, bounds):
        return None
    own = [b.response_ns for (s, _), b in bounds.bounds.items() if s == transfer.id]
    if any(ns is None for ns in own):
        return None
    longest = max(ns for ns in own if ns is not None)
    return TransferTime(frames, pace_ns, longest, (frames - 1) * pace_ns + longest)


def _late(traffic: NetworkTraffic, bounds: NetworkBounds) -> bool:
    deadlines = {s.id: s.deadline_ns for s in traffic.streams}
    return any(
        b.response_ns is None or b.response_ns > deadlines[stream]
        for (stream, _), b in bounds.bounds.items()
        if stream in deadlines
    )
