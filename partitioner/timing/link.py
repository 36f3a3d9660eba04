"""Egress onto a full-duplex point-to-point link: linear and response-time bounds.

The same analysis serves a device that sends to its switch, a switch port that sends to a device,
and a switch that sends over the backbone: a non-preemptive queue, strict priority by PCP with
FIFO inside a class, or FIFO throughout. A half-duplex 10BASE-T1S link is no case of this module:
it is analysed as a PLCA line with two nodes (:mod:`partitioner.timing.line`).

The response-time analysis is the non-preemptive fixed-priority analysis over the whole busy
period (Davis, Burns, Bril, Lukkien, Real-Time Systems 35, 2007), with FIFO inside a class.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from heapq import heapify, heapreplace
from operator import attrgetter

from partitioner.model.catalogue import Grade
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

    flows: tuple[LineFlow, ...]
    rate_bps: int
    queue: QueueOrder = QueueOrder.PCP
    phy_ns: int = 0
    propagation_ns: int = 0

    @classmethod
    def of_grade(
        cls, grade: Grade, flows: tuple[LineFlow, ...], queue: QueueOrder, propagation_ns: int
    ) -> LinkQueue:
        """One direction of a link of a grade."""
        phy_ns = grade.phy_tx_ns + grade.phy_rx_ns
        return cls(flows, grade.rate_bps, queue, phy_ns, propagation_ns)


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
class _Class:
    """A class of a queue as each of its jobs sees it.

    ``same`` and ``higher`` are its own and the higher jobs as (period, jitter, busy) in ns, those
    that come alike added up; ``lower_ns`` is the longest lower frame.
    """

    same: list[tuple[int, int, int]]
    higher: list[tuple[int, int, int]]
    lower_ns: int


Frames = tuple[int, int, int, int]
"""Rank (higher goes first), period, jitter and how long a frame keeps the link, in ns, gap
included, of one flow."""


def _classes(frames: Iterable[Frames]) -> dict[int, _Class]:
    """Every class of a queue, by rank."""
    busy: dict[int, dict[tuple[int, int], int]] = {}
    longest: dict[int, int] = {}
    for rank, period, jitter, ns in frames:
        own = busy.get(rank)
        if own is None:
            own = busy[rank] = {}
        alike = period, jitter
        own[alike] = own.get(alike, 0) + ns
        if ns > longest.get(rank, 0):
            longest[rank] = ns
    found: dict[int, _Class] = {}
    above: Counter[tuple[int, int]] = Counter()
    for rank in sorted(busy, reverse=True):
        lower = max((ns for other, ns in longest.items() if other < rank), default=0)
        found[rank] = _Class(_rows(busy[rank]), _rows(above), lower)
        above.update(busy[rank])
    return found


def _rows(busy: Mapping[tuple[int, int], int]) -> list[tuple[int, int, int]]:
    return [(period, jitter, ns) for (period, jitter), ns in busy.items()]


def link_load_ppm(link: LinkQueue) -> int:
    """Share of time one direction of a link is busy, gaps included; rounded up."""
    slots_ns = _slots_ns(link)
    alike = Counter((slots_ns[f.frame_bytes], f.period_ns) for f in link.flows)
    parts = [n * ceil_div(ns * PPM * 1_000, period) for (ns, period), n in alike.items()]
    return ceil_div(sum(parts), 1_000)


def _slots_ns(link: LinkQueue) -> dict[int, int]:
    """How long a frame keeps the link, by its length."""
    return {n: slot_on_link_ns(n, link.rate_bps) for n in {f.frame_bytes for f in link.flows}}


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


Wait = tuple[int, int]
"""How long a frame waits before it starts, and the lower frame's part of that, in ns."""


Kind = tuple[int, int]
"""Rank and length in bytes of a frame: what its wait and its leg depend on."""
Legs = dict[Kind, LegDelay | None]
"""Bounds by kind of frame; None where the link never catches up with the frames ahead."""


class _Queue:
    """What both bounds of a queue begin with."""

    def __init__(self, link: LinkQueue):
        self.link = link
        self.kinds = [(_rank(f, link.queue), f.frame_bytes) for f in link.flows]
        slots_ns = _slots_ns(link)
        self._busy_ns = [slots_ns[f.frame_bytes] for f in link.flows]
        self._busy_of = {kind: slots_ns[kind[1]] for kind in self.kinds}
        self._of_rank: dict[int, set[int]] = {}
        for (rank, _), ns in self._busy_of.items():
            self._of_rank.setdefault(rank, set()).add(ns)
        fixed_ns = link.phy_ns + link.propagation_ns
        self._wire_ns = {n: wire_ns(n, link.rate_bps) + fixed_ns for n in slots_ns}

    def _legs(
        self,
        spread_ns: Iterable[int],
        waits_of: Callable[[int, _Class, set[int]], dict[int, Wait | None]],
    ) -> Legs:
        """Legs by the waits of each class.

        ``spread_ns`` is the variation of each flow's arrivals. ``waits_of`` gives, from the rank of
        a class, the class, and how long its frames keep the link, how long each of these waits.
        """
        jobs = zip(self.kinds, self.link.flows, spread_ns, self._busy_ns, strict=True)
        classes = _classes((rank, f.period_ns, spread, ns) for (rank, _), f, spread, ns in jobs)
        waits = {rank: waits_of(rank, own, self._of_rank[rank]) for rank, own in classes.items()}
        legs: Legs = {}
        for kind, busy in self._busy_of.items():
            rank, length = kind
            if (found := waits[rank][busy]) is None:
                legs[kind] = None
                continue
            wait, blocking = found
            wire = self._wire_ns[length]
            legs[kind] = LegDelay(wait - blocking, blocking, wire, 0, wait + wire)
        return legs

    def linear(self) -> Legs:
        """Legs by the frames that may wait at once; :func:`linear_link_bound`."""
        flows = self.link.flows
        same: Counter[int] = Counter()
        for f, (rank, _), busy in zip(flows, self.kinds, self._busy_ns, strict=True):
            same[rank] += waiting_frames(f) * busy
        return self._legs(
            (f.window_ns + f.jitter_ns for f in flows),
            lambda rank, own, busy_ns: _linear_waits(own, same[rank], busy_ns),
        )

    def busy_period(self) -> Legs:
        """Legs over the busy period alone, without the linear bound as a ceiling."""
        return self._legs(
            (f.jitter_ns + f.inherited_ns for f in self.link.flows),
            lambda _, own, busy_ns: _longest_waits(own, busy_ns),
        )

    def bound(self, *roads: Callable[[], Legs]) -> LinkBound:
        """Bound every flow by the shortest leg of its kind that the roads find."""
        load = link_load_ppm(self.link)
        if overload := _overload(self.link, load):
            return LinkBound(load, overload, {})
        found = [road() for road in roads]
        shortest = {
            kind: min((x for legs in found if (x := legs[kind])), key=_total_ns, default=None)
            for kind in self._busy_of
        }
        flows = self.link.flows
        bounded = {
            f.id: leg
            for f, kind in zip(flows, self.kinds, strict=True)
            if (leg := shortest[kind]) is not None
        }
        if len(bounded) < len(flows):
            behind = (
                f.id
                for legs in reversed(found)
                for f, kind in zip(reversed(flows), reversed(self.kinds), strict=True)
                if legs[kind] is None
            )
            overload = f"the link never catches up with the streams ahead of {next(behind)}"
        return LinkBound(load, overload, bounded)


_total_ns = attrgetter("total_ns")


def linear_link_bound(link: LinkQueue) -> LinkBound:
    """Linear bound of every leg over one direction of a link.

    Frames of the own class that wait: :func:`partitioner.timing.line.waiting_frames`; higher
    classes may come until the frame is taken (fixed point); one lower frame may be on the wire.
    """
    queue = _Queue(link)
    return queue.bound(queue.linear)


class _Higher:
    """Time that the higher frames of one class take, by how long a frame waits."""

    def __init__(self, own: _Class):
        self._rows = own.higher
        self._ns = 0
        self._from = self._until = -1
        """Waits over which it stays the same."""

    def come_by(self, wait_ns: int) -> int:
        """Time of the frames that have come when a frame has waited for so long."""
        if not self._from <= wait_ns <= self._until:
            self._ns, rest = 0, LONGEST_WAIT_NS
            for period, jitter, busy in self._rows:
                span = wait_ns + 1 + jitter
                count = -(-span // period)
                self._ns += count * busy
                spare = count * period - span
                if spare < rest:
                    rest = spare
            self._from, self._until = wait_ns, wait_ns + rest
        return self._ns


def _linear_waits(own: _Class, same_ns: int, busy_ns: set[int]) -> dict[int, Wait | None]:
    """Waits of the class behind ``same_ns`` of its own, by how long a frame keeps the link."""
    higher = _Higher(own)
    waits: dict[int, Wait | None] = {}
    wait = first = 0
    # The longest frame has the least ahead of it. Each further one waits for at least as much
    # longer as there is more ahead of it.
    for busy in sorted(busy_ns, reverse=True):
        more = same_ns - busy + own.lower_ns - first
        first, wait = first + more, wait + more
        waits[busy] = None
        for _ in range(FIXED_POINT_STEPS):
            again = first + higher.come_by(wait)
            if again == wait:
                waits[busy] = wait, own.lower_ns
                break
            wait = again
            if wait > LONGEST_WAIT_NS:
                return waits | dict.fromkeys(b for b in busy_ns if b < busy)
    return waits


def priced_link_delays(link: LinkQueue) -> dict[str, int]:
    """What the price of latency counts for each flow over one direction of a link, in ns.

    The frames that are released within one period of each stream, jitter included, of the own
    class and those above, one lower frame, and the own frame's way without the cable. It depends
    on nothing but the streams of the queue: no limit and no route moves it.
    """
    busy: dict[int, int] = {}
    longest: dict[int, int] = {}
    for f in link.flows:
        slot, rank = slot_on_link_ns(f.frame_bytes, link.rate_bps), _rank(f, link.queue)
        busy[rank] = busy.get(rank, 0) + (1 + ceil_div(f.jitter_ns, f.period_ns)) * slot
        longest[rank] = max(longest.get(rank, 0), slot)
    ahead = {
        rank: sum(ns for other, ns in busy.items() if other >= rank)
        + max((ns for other, ns in longest.items() if other < rank), default=0)
        for rank in busy
    }
    return {
        f.id: ahead[_rank(f, link.queue)]
        - slot_on_link_ns(f.frame_bytes, link.rate_bps)
        + wire_ns(f.frame_bytes, link.rate_bps)
        + link.phy_ns
        for f in link.flows
    }


def response_link_bound(link: LinkQueue) -> LinkBound:
    """Response-time bound of every leg over one direction of a link, never above the linear one.

    Counted from the arrival in the queue to the last bit at the receiver. Arrivals come with
    their release jitter and the variation they inherit from earlier legs.
    """
    queue = _Queue(link)
    return queue.bound(queue.linear, queue.busy_period)


class _Coming:
    """Time that the frames of some rows of a class take, by when they have come.

    Nothing is counted twice, however often and up to whenever it is asked for.
    """

    def __init__(self, rows: list[tuple[int, int, int]]):
        first = [jitter // period + 1 for period, jitter, _ in rows]
        self.times_ns = [0]
        self.sums_ns = [sum(n * busy for n, (_, _, busy) in zip(first, rows, strict=True))]
        """Up to each of ``times_ns``."""
        self._next = [
            (n * period - jitter, period, busy)
            for n, (period, jitter, busy) in zip(first, rows, strict=True)
        ]
        heapify(self._next)

    def by(self, time_ns: int) -> int:
        """Time of the frames that have come by then."""
        following, times, sums = self._next, self.times_ns, self.sums_ns
        while following and following[0][0] <= time_ns:
            at, period, busy = following[0]
            heapreplace(following, (at + period, period, busy))
            if at > times[-1]:
                times.append(at)
                sums.append(sums[-1])
            sums[-1] += busy
        return sums[bisect_right(times, time_ns) - 1]


def _longest_waits(own: _Class, busy_ns: set[int]) -> dict[int, Wait | None]:
    """Longest waits of jobs of a class before they start, by how long they keep the link.

    Each with the lower frame's part of it; None where the busy period does not close. Over all
    arrivals inside the busy period of the class: frames of the class that came before (FIFO),
    higher frames until it starts, one lower frame on the wire at the start. Times in any one unit.
    """
    same, higher = _Coming(own.same), _Coming(own.higher)
    length = own.lower_ns + sum(busy for _, _, busy in own.same + own.higher)
    for _ in range(FIXED_POINT_STEPS):
        again = own.lower_ns + same.by(length - 1) + higher.by(length - 1)
        if again == length:
            break
        length = again
        if length > LONGEST_WAIT_NS:
            return dict.fromkeys(busy_ns)
    else:
        return dict.fromkeys(busy_ns)
    descending = sorted(busy_ns, reverse=True)
    worst = dict.fromkeys(descending, 0)
    waits = dict.fromkeys(descending, 0)
    for offset, ahead in zip(same.times_ns, same.sums_ns, strict=True):
        wait = 0
        # The longest frame has the least ahead of it, and a later arrival waits no shorter.
        for busy in descending:
            first = own.lower_ns + ahead - busy
            wait = max(wait, waits[busy], first)
            while (again := first + higher.by(wait)) > wait:
                wait = again
            waits[busy] = wait
            worst[busy] = max(worst[busy], wait - offset)
    return {busy: (wait, min(own.lower_ns, wait)) for busy, wait in worst.items()}
