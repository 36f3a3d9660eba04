"""Bulk transfers as traffic: paced evenly, so that they may run beside the periodic streams.

A transfer with a longest time is sent frame by frame, each frame one pace after the one before;
the pace is the longest time over the number of frames. To every line and link it is then one more
sporadic stream, of the lowest priority, whose frames must each arrive within one pace. If they do,
the last one arrives in time; and every other stream's bound holds while the transfer runs, since
its frames are counted in. A transfer without a longest time asks for nothing and is left out.
"""

from __future__ import annotations

from partitioner.model.problem import Encapsulation, Problem, ReleaseKind, Stream, Transfer
from partitioner.units import ceil_div

PREFIX = "transfer "
"""Begins the id of the stream that stands for a transfer."""
LOWEST_PCP = 0


def frame_count(transfer: Transfer) -> int:
    """Frames of a transfer; the last may be shorter and counts as a full one."""
    return max(1, ceil_div(transfer.size_bytes, transfer.frame_payload_bytes))


def pace_ns(transfer: Transfer) -> int | None:
    """Time from one frame to the next, None for a transfer without a longest time.

    Examples
    --------
    >>> pace_ns(Transfer("update", "brain", ("lamp",), 200_000, 30_000_000_000, 1_400))
    209790209
    """
    if transfer.longest_ns is None:
        return None
    return max(1, transfer.longest_ns // frame_count(transfer))


def transfer_streams(problem: Problem) -> dict[str, Stream]:
    """Streams that stand for the transfers with a longest time, by stream id.

    Several destinations are served by the same frames. Frames are counted with an 802.1Q tag.
    """
    found = {}
    for transfer in problem.transfers.values():
        pace = pace_ns(transfer)
        if pace is None:
            continue
        id_ = f"{PREFIX}{transfer.id}"
        found[id_] = Stream(
            id=id_,
            source=transfer.source,
            destinations=transfer.destinations,
            payload_bytes=transfer.frame_payload_bytes,
            encapsulation=Encapsulation.RAW,
            tagged=True,
            kind=ReleaseKind.SPORADIC,
            period_ns=pace,
            jitter_ns=0,
            deadline_ns=pace,
            pcp=LOWEST_PCP,
        )
    return found


def carried_streams(problem: Problem) -> dict[str, Stream]:
    """Everything a layout carries: the problem's streams, then those of its transfers, by id."""
    return {**problem.streams, **transfer_streams(problem)}
