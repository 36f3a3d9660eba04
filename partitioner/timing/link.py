"""Egress onto a full-duplex point-to-point link: linear and response-time bounds.

The same analysis serves a device that sends to its switch, a switch port that sends to a device,
and a switch that sends over the backbone: a non-preemptive queue, strict priority by PCP with
FIFO inside a class, or FIFO throughout. A half-duplex 10BASE-T1S link is no case of this module:
it is analysed as a PLCA line with two nodes (:mod:`partitioner.timing.line`).

The response-time analysis is the non-preemptive fixed-priority analysis over the whole busy
period (Davis, Burns, Bril, Lukkien, Real-Time Systems 35, 2007), with FIFO inside a class.
"""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.model.problem import QueueOrder
from partitioner.timing.frames import slot_on_link_ns, wire_ns
from partitioner.timing.line import (
    FIXED_POINT_STEPS,
    LONGEST_WAIT_NS,
    LegDelay,
    LineFlow,
    waiting_frames,
)
from partitioner.units import PPM, ceil_div


@dataclass(frozen=True, slots=True)
class LinkQueue:
    """One direction of a full-duplex link with the queue that feeds it.

    ``phy_ns``: sending plus receiving PHY.
    """

    id: str
    flows: tuple[LineFlow, ...]
    rate_bps: int
    queue: QueueOrder = QueueOrder.PCP
    phy_ns: int = 0
    propagation_ns: int = 0


@dataclass(frozen=True, slots=True)
class LinkBound:
    """Bounds of all legs over one direction of a link, by flow id.

    ``overload`` is None or a sentence; flows without a bound are missing from ``legs``.
    ``access_ns`` of a leg is the one lower frame that may be on the wire.
    """

    load_ppm: int
    overload: str | None
    legs: dict[str, LegDelay]


@dataclass(frozen=True, slots=True)
class QueueJob:
    """A flow as the queue sees it.

    ``busy_ns`` is how long a frame keeps the link (gap included), ``sent_ns`` until its last bit
    is out, ``jitter_ns`` the variation of its arrivals, ``rank`` its class (higher goes first).
    """

    id: str
    busy_ns: int
    sent_ns: int
    period_ns: int
    jitter_ns: int
    rank: int


def link_load_ppm(link: LinkQueue) -> int:
    """Share of time one direction of a link is busy, gaps included; rounded up."""
    parts = [
        ceil_div(slot_on_link_ns(f.frame_bytes, link.rate_bps) * PPM * 1_000, f.period_ns)
        for f in link.flows
    ]
    return ceil_div(sum(parts), 1_000)


def _rank(flow: LineFlow, order: QueueOrder) -> int:
    return flow.pcp if order is QueueOrder.PCP else 0


def _overload(link: LinkQueue, load: int) -> str | None:
    if load < PPM:
        return None
    worst = max(link.flows, key=lambda f: (f.frame_bytes / f.period_ns, f.id))
    return (
        f"the link is asked to carry {load / 10_000:.1f} % of its rate; "
        f"stream {worst.id} is the largest part"
    )


def linear_link_bound(link: LinkQueue) -> LinkBound:
    """Linear bound of every leg over one direction of a link.

    Frames of the own class that wait: :func:`partitioner.timing.line.waiting_frames`; higher
    classes may come until the frame is taken (fixed point); one lower frame may be on the wire.
    """
    load = link_load_ppm(link)
    overload = _overload(link, load)
    if overload:
        return LinkBound(load, overload, {})
    busy = {f.id: slot_on_link_ns(f.frame_bytes, link.rate_bps) for f in link.flows}
    legs: dict[str, LegDelay] = {}
    for flow in link.flows:
        rank = _rank(flow, link.queue)
        same = sum(
            waiting_frames(f) * busy[f.id] for f in link.flows if _rank(f, link.queue) == rank
        )
        higher = [f for f in link.flows if _rank(f, link.queue) > rank]
        lower = max((busy[f.id] for f in link.flows if _rank(f, link.queue) < rank), default=0)
        first = same - busy[flow.id] + lower
        wait: int | None = first
        for _ in range(FIXED_POINT_STEPS):
            assert wait is not None
            again = first + sum(
                ceil_div(wait + 1 + f.window_ns + f.jitter_ns, f.period_ns) * busy[f.id]
                for f in higher
            )
            if again == wait:
                break
            wait = again
            if wait > LONGEST_WAIT_NS:
                wait = None
                break
        else:
            wait = None
        if wait is None:
            overload = f"the link never catches up with the streams ahead of {flow.id}"
            continue
        wire = wire_ns(flow.frame_bytes, link.rate_bps) + link.phy_ns + link.propagation_ns
        legs[flow.id] = LegDelay(wait - lower, lower, wire, 0, wait + wire)
    return LinkBound(load, overload, legs)


def response_link_bound(link: LinkQueue) -> LinkBound:
    """Response-time bound of every leg over one direction of a link, never above the linear one.

    Counted from the arrival in the queue to the last bit at the receiver. Arrivals come with
    their release jitter and the variation they inherit from earlier legs.
    """
    linear = linear_link_bound(link)
    own = busy_period_link_bound(link)
    legs = dict(linear.legs)
    for key, found in own.legs.items():
        if key not in legs or found.total_ns < legs[key].total_ns:
            legs[key] = found
    overload = None if len(legs) == len(link.flows) else own.overload or linear.overload
    return LinkBound(linear.load_ppm, overload, legs)


def busy_period_link_bound(link: LinkQueue) -> LinkBound:
    """Response-time bound alone, without the linear bound as a ceiling."""
    load = link_load_ppm(link)
    overload = _overload(link, load)
    if overload:
        return LinkBound(load, overload, {})
    jobs = [
        QueueJob(
            f.id,
            slot_on_link_ns(f.frame_bytes, link.rate_bps),
            wire_ns(f.frame_bytes, link.rate_bps),
            f.period_ns,
            f.jitter_ns + f.inherited_ns,
            _rank(f, link.queue),
        )
        for f in link.flows
    ]
    after = link.phy_ns + link.propagation_ns
    legs: dict[str, LegDelay] = {}
    known: dict[tuple[int, int], tuple[int, int] | None] = {}
    for job in jobs:
        alike = (job.rank, job.busy_ns)  # all that the wait depends on
        if alike not in known:
            known[alike] = non_preemptive_wait(job, jobs)
        found = known[alike]
        if found is None:
            overload = f"the link never catches up with the streams ahead of {job.id}"
            continue
        wait, blocking = found
        wire = job.sent_ns + after
        legs[job.id] = LegDelay(wait - blocking, blocking, wire, 0, wait + wire)
    return LinkBound(load, overload, legs)


def non_preemptive_wait(job: QueueJob, jobs: list[QueueJob]) -> tuple[int, int] | None:
    """Longest wait of a job before it starts, and the lower frame's part of it.

    Over all arrivals inside the busy period of the job's class: frames of the class that came
    before it (FIFO), higher frames until it starts, one lower frame on the wire at the start.
    None when the busy period does not close. Times in any one unit.
    """
    same = [j for j in jobs if j.rank == job.rank]
    higher = [j for j in jobs if j.rank > job.rank]
    lower = max((j.busy_ns for j in jobs if j.rank < job.rank), default=0)
    offsets = _arrivals_in_busy_period(same, higher, lower)
    if offsets is None:
        return None
    worst = wait = 0
    for offset in offsets:
        ahead = sum(((offset + j.jitter_ns) // j.period_ns + 1) * j.busy_ns for j in same)
        first = lower + ahead - job.busy_ns
        wait = max(wait, first)
        while True:
            again = first + sum(
                ((wait + j.jitter_ns) // j.period_ns + 1) * j.busy_ns for j in higher
            )
            if again <= wait:
                break
            wait = again
        worst = max(worst, wait - offset)
    return worst, min(lower, worst)


def _arrivals_in_busy_period(
    same: list[QueueJob], higher: list[QueueJob], lower: int
) -> list[int] | None:
    """Offsets at which a frame of the class can arrive in its busy period, sorted."""
    jobs = same + higher
    length = lower + sum(j.busy_ns for j in jobs)
    for _ in range(FIXED_POINT_STEPS):
        again = lower + sum(ceil_div(length + j.jitter_ns, j.period_ns) * j.busy_ns for j in jobs)
        if again == length:
            break
        length = again
        if length > LONGEST_WAIT_NS:
            return None
    else:
        return None
    offsets = {0}
    for j in same:
        first = j.jitter_ns // j.period_ns + 1
        offset = first * j.period_ns - j.jitter_ns
        while offset < length:
            offsets.add(offset)
            offset += j.period_ns
    return sorted(offsets)
