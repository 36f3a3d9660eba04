"""Simulation of a whole layout: lines, links, switches, releases.

Worst delays seen here must never exceed the bounds. Phases, jitter and gaps are drawn from a seed;
an adversary (:func:`critical_search`) looks for releases that come close to the bound of one
stream.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from heapq import heappop, heappush
from itertools import count
from random import Random

from partitioner.model.assessment import LegKind
from partitioner.model.problem import QueueOrder
from partitioner.timing.constants import BEACON_BT, IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.layout_timing import Hop, LinkMedium, NetworkTraffic, StreamTraffic
from partitioner.timing.line import LineSettings
from partitioner.timing.line_simulation import Frame, Schedule, SimulatedLine, SimulatedNode

HISTOGRAM_BINS = 40


class Releases(StrEnum):
    """How streams release their frames in a simulation."""

    RANDOM = "random"
    """Periodic with random phases and random jitter; sporadic ones with random longer gaps."""
    DENSE = "dense"
    """All as often as allowed, from random phases, first frame late by its whole jitter."""


@dataclass(slots=True)
class Seen:
    """What one stream showed at one destination. ``histogram`` counts delays in 40 equal bins.

    ``scale_ns`` is the delay at the end of the last bin; longer delays count in the last bin.
    """

    scale_ns: int
    worst_ns: int = 0
    frames: int = 0
    histogram: list[int] = field(default_factory=lambda: [0] * HISTOGRAM_BINS)


@dataclass(frozen=True, slots=True)
class SimulationResult:
    """Delays by (stream, destination); streams that delivered nothing are missing."""

    seen: dict[tuple[str, str], Seen]
    frames: int


@dataclass(slots=True)
class _Send:
    """One transmission of a stream in its tree: where, who hears it for good, what follows."""

    medium: str
    sender: str
    delivered: list[tuple[str, int]] = field(default_factory=list)
    """Destinations and the forwarding delay before they count as reached."""
    onward: list[tuple[int, _Send]] = field(default_factory=list)
    """Forwarding delay and the next transmission."""


_Carried = tuple[_Send, StreamTraffic, int]
"""What a frame is for: the transmission, its stream, and when it was released, in ns."""


class _Link:
    """One direction of a full-duplex link with its queue."""

    __slots__ = ("after", "busy", "deliver", "medium", "pcp_order", "queue", "schedule", "sequence")

    def __init__(
        self,
        medium: LinkMedium,
        schedule: Schedule,
        deliver: Callable[[int, Frame[_Carried]], None],
    ) -> None:
        self.medium = medium
        self.pcp_order = medium.queue is QueueOrder.PCP
        self.queue: list[tuple[int, int, Frame[_Carried]]] = []
        self.busy = False
        self.sequence = 0
        self.after = medium.phy_ns + medium.propagation_ns
        self.schedule = schedule
        self.deliver = deliver

    def arrive(self, frame: Frame[_Carried], now: int) -> None:
        """Queue a frame; send it if the link is free."""
        self.sequence += 1
        heappush(self.queue, (-frame[1] if self.pcp_order else 0, self.sequence, frame))
        if not self.busy:
            self.start(now)

    def start(self, now: int) -> None:
        """Send the next frame, if there is one."""
        self.busy = bool(self.queue)
        if not self.busy:
            return
        frame = heappop(self.queue)[2]
        rate = self.medium.rate_bps
        bits = PREAMBLE_SFD_BT + 8 * frame[0]
        self.schedule(now - (-(bits + IPG_BT) * 1_000_000_000 // rate), self.start)
        self.deliver(now - (-bits * 1_000_000_000 // rate) + self.after, frame)


def simulate(
    traffic: NetworkTraffic,
    duration_ns: int,
    seed: int,
    releases: Releases = Releases.RANDOM,
    scales_ns: dict[tuple[str, str], int] | None = None,
) -> SimulationResult:
    """Run a layout for a while and report the delays seen.

    Frames are released during ``duration_ns``; the run ends when all are delivered. The same seed
    gives the same run. ``scales_ns`` is the end of the histogram of each (stream, destination);
    without it, the deadline.
    """
    rng = Random(seed)
    plan = {
        s.id: _release_times(s, duration_ns, Random(rng.getrandbits(64)), releases)
        for s in traffic.streams
    }
    return run(traffic, plan, scales_ns or {}, Random(rng.getrandbits(64)))


def _release_times(
    stream: StreamTraffic, duration_ns: int, rng: Random, releases: Releases
) -> Iterator[int]:
    """Release times of a stream, in order, all below ``duration_ns``."""
    period, jitter = stream.period_ns, stream.jitter_ns
    nominal = rng.randrange(period)
    dense = releases is Releases.DENSE
    first = True
    last = 0
    while nominal < duration_ns:
        late = jitter if dense and first else 0 if dense else rng.randint(0, jitter)
        last = max(last, nominal + late)
        yield last
        first = False
        nominal += period
        if stream.sporadic and not dense:
            nominal += rng.randrange(period) if rng.random() < 0.5 else 0


def _tree(stream: StreamTraffic) -> tuple[list[tuple[int, _Send]], list[tuple[str, int]]]:
    """First transmissions of a stream with the delay before each, and what needs none."""
    first: list[tuple[int, _Send]] = []
    at_once: list[tuple[str, int]] = []
    known: dict[tuple[Hop, ...], _Send] = {}
    for route in stream.routes:
        delay, onward, delivered = 0, first, at_once
        for index, hop in enumerate(route.hops):
            if hop.kind is LegKind.SWITCH:
                delay += hop.delay_ns
                continue
            key = route.hops[: index + 1]
            send = known.get(key)
            if send is None:
                send = known[key] = _Send(hop.medium, hop.sender)
                onward.append((delay, send))
            delay, onward, delivered = 0, send.onward, send.delivered
        delivered.append((route.destination, delay))
    return first, at_once


_Sender = tuple[SimulatedLine[_Carried], SimulatedNode[_Carried]]
_Heard = Callable[[int, Frame[_Carried]], None]


def _senders(
    traffic: NetworkTraffic, schedule: Schedule, heard: _Heard, vary: Random | None
) -> dict[tuple[str, str], _Sender]:
    """Nodes of all lines, each with its line."""
    nodes: dict[tuple[str, str], _Sender] = {}
    for medium in traffic.lines:
        line = SimulatedLine(medium.node_count, medium.settings, schedule, heard, vary)
        for n in medium.senders:
            nodes[medium.id, n.id] = (line, SimulatedNode(n.plca_id, n.queue, n.burst_count))
    return nodes


def run(
    traffic: NetworkTraffic,
    plan: dict[str, Iterator[int]],
    scales_ns: dict[tuple[str, str], int],
    vary: Random | None,
) -> SimulationResult:
    """Run a layout with given release times per stream, which must come in order."""
    events: list[tuple[int, int, Callable[[int], None]]] = []
    order = count()

    def schedule(time: int, action: Callable[[int], None]) -> None:
        heappush(events, (time, next(order), action))

    def heard(time: int, frame: Frame[_Carried]) -> None:
        schedule(time, partial(arrived, frame[2]))

    nodes = _senders(traffic, schedule, heard, vary)
    links = {link.id: _Link(link, schedule, heard) for link in traffic.links}
    records = {
        (s.id, r.destination): Seen(scales_ns.get((s.id, r.destination)) or s.deadline_ns)
        for s in traffic.streams
        for r in s.routes
    }
    trees = {s.id: _tree(s) for s in traffic.streams}
    frames = 0

    def release(stream: StreamTraffic, now: int) -> None:
        nonlocal frames
        frames += 1
        first, at_once = trees[stream.id]
        for destination, delay in at_once:
            note(stream.id, destination, delay)
        for delay, step in first:
            schedule(now + delay, partial(send, (step, stream, now)))
        release_next(stream)

    def release_next(stream: StreamTraffic) -> None:
        time = next(plan[stream.id], None)
        if time is not None:
            schedule(time, partial(release, stream))

    def send(carried: _Carried, now: int) -> None:
        step, stream, _ = carried
        frame = (stream.frame_bytes, stream.pcp, carried)
        link = links.get(step.medium)
        if link is not None:
            link.arrive(frame, now)
        else:
            line, node = nodes[step.medium, step.sender]
            line.arrive(node, frame, now)

    def arrived(carried: _Carried, now: int) -> None:
        step, stream, released = carried
        for destination, delay in step.delivered:
            note(stream.id, destination, now + delay - released)
        for delay, following in step.onward:
            schedule(now + delay, partial(send, (following, stream, released)))

    def note(stream: str, destination: str, delay: int) -> None:
        record = records[stream, destination]
        record.frames += 1
        record.worst_ns = max(record.worst_ns, delay)
        record.histogram[min(HISTOGRAM_BINS - 1, delay * HISTOGRAM_BINS // record.scale_ns)] += 1

    for stream in traffic.streams:
        release_next(stream)
    while events:
        now, _, action = heappop(events)
        action(now)
    seen = {key: record for key, record in records.items() if record.frames}
    return SimulationResult(seen, frames)


def own_opportunity_ns(plca_id: int, cycles: int, node_count: int, settings: LineSettings) -> int:
    """Start of a node's TO on a line that has been silent from the first BEACON on."""
    to = settings.to_timer_bt * settings.bit_ns
    head = BEACON_BT * settings.bit_ns + settings.loop_delay_ns
    return head + plca_id * to + cycles * (head + node_count * to)
