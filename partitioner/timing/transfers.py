"""How long a bulk transfer takes beside the other traffic.

The sender paces the transfer: one frame per ``pace_ns``. To the analysis it is a periodic
stream, so its frames have a bound and all other streams have theirs in its presence. The transfer
is complete at the latest ``(frames - 1) * pace + bound`` after its first frame is released.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from partitioner.timing.layout_timing import NetworkTraffic, StreamTraffic, analyse


@dataclass(frozen=True, slots=True)
class TransferTime:
    """A pace at which everything is in time, and when the transfer is then complete."""

    frames: int
    pace_ns: int
    frame_bound_ns: int

    @property
    def total_ns(self) -> int:
        """From the first release to the last bit of the last frame, at most."""
        return (self.frames - 1) * self.pace_ns + self.frame_bound_ns


def paced(transfer: StreamTraffic, pace_ns: int) -> StreamTraffic:
    """The stream of a transfer with a frame every ``pace_ns``."""
    return replace(transfer, period_ns=pace_ns, jitter_ns=0, sporadic=False)


def paced_transfer(
    traffic: NetworkTraffic, transfer: StreamTraffic, frames: int, pace_ns: int
) -> TransferTime | None:
    """Bound one transfer at a given pace; see :func:`paced_transfers`."""
    found = paced_transfers(traffic, [(transfer, frames, pace_ns)])
    return None if found is None else found[0]


def paced_transfers(
    traffic: NetworkTraffic, transfers: Sequence[tuple[StreamTraffic, int, int]]
) -> list[TransferTime] | None:
    """Bound transfers that run at once; None if a stream is late or something is overloaded.

    ``traffic`` is the layout without them. Each is a stream, best of a low priority, with how many
    frames it sends and the time between two of them in ns, above 0, which replaces its period.
    """
    streams = (paced(stream, pace_ns) for stream, _, pace_ns in transfers)
    bounds = analyse(replace(traffic, streams=(*traffic.streams, *streams)))
    deadlines = {s.id: s.deadline_ns for s in traffic.streams}
    longest: dict[str, int] = {}
    for (stream, _), bound in bounds.bounds.items():
        most_ns = bound.response_ns
        if most_ns is None or most_ns > deadlines.get(stream, most_ns):
            return None
        longest[stream] = max(longest.get(stream, 0), most_ns)
    if bounds.overloads:
        return None
    return [TransferTime(frames, ns, longest[stream.id]) for stream, frames, ns in transfers]
