"""A line alone, described as a whole layout."""

from __future__ import annotations

from partitioner.model.assessment import LegKind
from partitioner.timing.layout_timing import (
    Hop,
    LineMedium,
    LineSender,
    NetworkTraffic,
    Route,
    StreamTraffic,
)
from partitioner.timing.line import LineNode, LineSettings


def line_traffic(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings
) -> NetworkTraffic:
    """One line alone as a layout: every flow is a stream of one hop to a listener.

    PLCA IDs follow the order of ``nodes``. The flows' windows become deadlines, and what arrivals
    inherit is added to the jitter.
    """
    senders = tuple(LineSender(n.id, i, n.queue, n.burst_count) for i, n in enumerate(nodes))
    streams = tuple(
        StreamTraffic(
            f.id,
            f.frame_bytes,
            f.period_ns,
            f.jitter_ns + f.inherited_ns,
            f.window_ns,
            f.pcp,
            (Route("listener", (Hop(LegKind.LINE, "line", "line", n.id),)),),
        )
        for n in nodes
        for f in n.flows
    )
    medium = LineMedium("line", senders, node_count, settings, settings)
    return NetworkTraffic((medium,), (), streams)
