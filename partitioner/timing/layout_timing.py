"""End-to-end bounds of a whole layout: legs, inherited jitter, late streams.

The caller describes the layout as :class:`NetworkTraffic`, plain data: which lines and links
there are, who sends on them with which queue, and for every stream and destination the hops in
order. :func:`analyse` gives both bounds of every leg and end to end.

How to describe a layout
------------------------
- A shared line is one :class:`LineMedium`; its nodes are the devices and the switch port (give
  the port the switch's id or any other id unique on the line).
- A half-duplex point-to-point link is a :class:`LineMedium` with two nodes.
- A full-duplex link is two :class:`LinkMedium`, one per direction, each with one sender.
- A stream's hops in order: sending device's line or link; ``SWITCH`` (delay only); backbone link
  and the next ``SWITCH`` as often as needed; line or link down to the destination. A destination
  on the sender's own line is heard directly: one hop. A stream that starts or ends at a switch
  has no hop there.
- A multicast stream is sent once per medium and sender: give the same hop in several routes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from partitioner.model.assessment import Leg, LegKind
from partitioner.model.problem import QueueOrder
from partitioner.timing.constants import PREAMBLE_SFD_BT
from partitioner.timing.frames import wire_ns
from partitioner.timing.line import (
    LONGEST_WAIT_NS,
    LegDelay,
    LineFlow,
    LineNode,
    LineSettings,
    linear_bound,
)
from partitioner.timing.link import LinkQueue, linear_link_bound, response_link_bound
from partitioner.timing.response import response_bound

WINDOW_STEPS_EXACT = 12
WINDOW_STEPS_DOUBLED = 40
WINDOW_STEPS = 200
"""Rounds in which windows of late streams grow: exactly, then doubled, then without bound."""
INHERIT_PASSES = 3
UNBOUNDED_NS = 64 * LONGEST_WAIT_NS
"""Stands for a life without bound."""


@dataclass(frozen=True, slots=True)
class LineSender:
    """A node of a line: its PLCA ID, queue order and burst count."""

    id: str
    plca_id: int
    queue: QueueOrder = QueueOrder.FIFO
    burst_count: int = 0


@dataclass(frozen=True, slots=True)
class LineMedium:
    """A PLCA line (or half-duplex link).

    ``limit_settings`` has the propagation of the grade's limit length and serves the linear
    bound; ``settings`` has that of the real length and serves the response-time bound and the
    simulation.
    """

    id: str
    senders: tuple[LineSender, ...]
    node_count: int
    limit_settings: LineSettings
    settings: LineSettings


@dataclass(frozen=True, slots=True)
class LinkMedium:
    """One direction of a full-duplex link; ``limit_propagation_ns`` as in :class:`LineMedium`."""

    id: str
    sender: str
    rate_bps: int
    queue: QueueOrder
    phy_ns: int
    limit_propagation_ns: int
    propagation_ns: int


@dataclass(frozen=True, slots=True)
class Hop:
    """One leg of a route.

    ``where`` is what the report shows (segment, link or switch id). ``medium`` and ``sender``
    name the medium and who sends on it; both empty for ``SWITCH``, whose ``delay_ns`` is the
    forwarding delay.
    """

    kind: LegKind
    where: str
    medium: str = ""
    sender: str = ""
    delay_ns: int = 0


@dataclass(frozen=True, slots=True)
class Route:
    """The hops of a stream to one destination, in order."""

    destination: str
    hops: tuple[Hop, ...]


@dataclass(frozen=True, slots=True)
class StreamTraffic:
    """A stream with its routes. ``deadline_ns`` counts from release to the last bit received."""

    id: str
    frame_bytes: int
    period_ns: int
    jitter_ns: int
    deadline_ns: int
    pcp: int
    routes: tuple[Route, ...]
    sporadic: bool = False


@dataclass(frozen=True, slots=True)
class NetworkTraffic:
    """Everything the timing of a layout depends on. Ids of lines and links must differ."""

    lines: tuple[LineMedium, ...]
    links: tuple[LinkMedium, ...]
    streams: tuple[StreamTraffic, ...]


@dataclass(frozen=True, slots=True)
class DestinationBound:
    """Bounds of one stream to one destination.

    ``linear_ns`` / ``response_ns``: sums of the legs, None on overload. When only the linear
    bound is missing, the ``linear_ns`` of the legs are those of the assumed windows.
    """

    stream: str
    destination: str
    legs: tuple[Leg, ...]
    linear_ns: int | None
    response_ns: int | None


@dataclass(frozen=True, slots=True)
class MediumFigures:
    """Load (ppm of time or rate) and longest cycle (0 for links) of one medium."""

    load_ppm: int
    cycle_ns: int


@dataclass(frozen=True, slots=True)
class NetworkBounds:
    """Result of :func:`analyse`: bounds by (stream, destination), figures by medium.

    ``overloads``: sentences, one per medium that has no bound, with the medium's id first.
    """

    bounds: dict[tuple[str, str], DestinationBound]
    media: dict[str, MediumFigures]
    overloads: tuple[str, ...] = field(default=())


def analyse(traffic: NetworkTraffic) -> NetworkBounds:
    """Bound every stream of a layout end to end, linear and by response-time analysis.

    Parameters
    ----------
    traffic
        The layout as plain data.

    Returns
    -------
    NetworkBounds
        One :class:`DestinationBound` per stream and destination.

    Raises
    ------
    ValueError
        If a hop names a medium or sender that is not described.

    Notes
    -----
    All legs are bounded under the assumption that no frame of stream j lives longer than a
    window. The windows start at the deadlines; where a stream comes out later than its window,
    the window grows to what came out and all is bounded again. Once every stream keeps its
    window, the assumption is proved (consider the first frame that would outlive its window: up
    to then all others kept theirs, so its bound holds, and it is not above the window). Cycles
    between media need no care of their own, since no leg's bound rests on another leg's result.
    """
    network = _Network(traffic)
    linear_windows, linear = network.settle(network.linear_legs, None)
    _, response = network.settle(network.response_legs, linear_windows)
    bounds: dict[tuple[str, str], DestinationBound] = {}
    for stream in traffic.streams:
        for route in stream.routes:
            bounds[stream.id, route.destination] = network.put_together(
                stream, route, linear, response
            )
    return NetworkBounds(bounds, dict(sorted(network.figures.items())), network.overloads())


Place = tuple[str, str]
"""Where frames queue: medium and sender."""
Legs = dict[tuple[str, str, str], LegDelay]
"""Bounds by medium, sender and stream."""


class _Network:
    """A layout indexed for the analysis."""

    def __init__(self, traffic: NetworkTraffic):
        self.streams = {s.id: s for s in traffic.streams}
        self.lines = {m.id: m for m in traffic.lines}
        self.links = {m.id: m for m in traffic.links}
        self.sent: dict[Place, dict[str, None]] = {}
        self.ways: dict[tuple[str, str, str], list[tuple[Hop, ...]]] = {}
        """For each leg, the hops before it, one entry per route."""
        self.figures: dict[str, MediumFigures] = {}
        self.sentences: dict[str, str] = {}
        depth = dict.fromkeys([*self.lines, *self.links], 0)
        for stream in traffic.streams:
            for route in stream.routes:
                for index, hop in enumerate(route.hops):
                    if hop.kind is LegKind.SWITCH:
                        continue
                    self._know(hop)
                    self.sent.setdefault((hop.medium, hop.sender), {})[stream.id] = None
                    ways = self.ways.setdefault((hop.medium, hop.sender, stream.id), [])
                    ways.append(route.hops[:index])
                    depth[hop.medium] = max(depth[hop.medium], index)
        self.order = sorted(depth, key=lambda m: (depth[m], m))

    def _know(self, hop: Hop) -> None:
        line = self.lines.get(hop.medium)
        if line is not None:
            if all(s.id != hop.sender for s in line.senders):
                raise ValueError(f"{hop.sender} is no node of line {hop.medium}")
        elif hop.medium not in self.links or self.links[hop.medium].sender != hop.sender:
            raise ValueError(f"{hop.sender} does not send on {hop.medium}")

    def settle(
        self, bound: Callable[[dict[str, int]], Legs], ceiling: dict[str, int] | None
    ) -> tuple[dict[str, int], Legs]:
        """Grow the windows until every stream keeps its own; give them and the legs."""
        windows = {s.id: s.deadline_ns for s in self.streams.values()}
        for step in range(WINDOW_STEPS):
            legs = bound(windows)
            grown = False
            for stream in self.streams.values():
                total = self._longest(stream, legs)
                if total > windows[stream.id]:
                    # Growth that does not end is overload; doubling finds that out soon.
                    wanted = total if step < WINDOW_STEPS_EXACT else 2 * total
                    if step >= WINDOW_STEPS_DOUBLED or wanted > LONGEST_WAIT_NS:
                        wanted = UNBOUNDED_NS
                    if ceiling is not None:
                        wanted = min(wanted, max(total, ceiling[stream.id]))
                    grown |= wanted > windows[stream.id]
                    windows[stream.id] = max(wanted, windows[stream.id])
            if not grown:
                return windows, legs
        raise AssertionError("windows that are unbounded cannot grow")

    def _longest(self, stream: StreamTraffic, legs: Legs) -> int:
        totals = [self._total(stream.id, r.hops, legs) for r in stream.routes]
        return max((UNBOUNDED_NS if t is None else t for t in totals), default=0)

    @staticmethod
    def _total(stream: str, hops: tuple[Hop, ...], legs: Legs) -> int | None:
        total = 0
        for hop in hops:
            if hop.kind is LegKind.SWITCH:
                total += hop.delay_ns
                continue
            leg = legs.get((hop.medium, hop.sender, stream))
            if leg is None:
                return None
            total += leg.total_ns
        return total if total <= LONGEST_WAIT_NS else None

    def _flow(self, stream: str, windows: dict[str, int], inherited_ns: int = 0) -> LineFlow:
        s = self.streams[stream]
        return LineFlow(
            s.id, s.frame_bytes, s.period_ns, s.jitter_ns, windows[s.id], s.pcp, inherited_ns
        )

    def linear_legs(self, windows: dict[str, int]) -> Legs:
        """Linear bound of every leg under the windows."""
        legs: Legs = {}
        for medium in self.order:
            self._bound(medium, lambda p, s: self._flow(s, windows), legs, linear=True)
        return legs

    def response_legs(self, windows: dict[str, int]) -> Legs:
        """Response-time bound of every leg under the windows.

        Arrivals inherit the variation of the legs before, taken from the bounds found so far:
        first the assumed windows themselves, then better and better ones.
        """
        legs: Legs = {}
        known: dict[str, tuple[int, ...]] = {}
        for _ in range(INHERIT_PASSES):
            changed = False
            for medium in self.order:
                spread = {
                    (place, s): self._inherited(place, s, windows, legs)
                    for place, sent in self.sent.items()
                    if place[0] == medium
                    for s in sent
                }
                facts = tuple(spread.values())
                if known.get(medium) == facts:
                    continue
                known[medium] = facts
                changed = True
                self._bound(
                    medium,
                    lambda p, s, spread=spread: self._flow(s, windows, spread[p, s]),
                    legs,
                    linear=False,
                )
            if not changed:
                break
        return legs

    def _inherited(self, place: Place, stream: str, windows: dict[str, int], legs: Legs) -> int:
        """By how much the way to a queue can vary, at most the window."""
        latest, earliest = 0, UNBOUNDED_NS
        for hops in self.ways[(*place, stream)]:
            most = self._total(stream, hops, legs)
            latest = max(latest, windows[stream] if most is None else most)
            earliest = min(earliest, sum(self._least(stream, hop) for hop in hops))
        return min(max(0, latest - earliest), windows[stream])

    def _least(self, stream: str, hop: Hop) -> int:
        """Least time of a hop: the bits of the frame, nothing else."""
        if hop.kind is LegKind.SWITCH:
            return 0
        length = self.streams[stream].frame_bytes
        if hop.medium in self.lines:
            bits = PREAMBLE_SFD_BT + 8 * length
            return bits * self.lines[hop.medium].settings.bit_ns
        return wire_ns(length, self.links[hop.medium].rate_bps) - 1

    def _bound(
        self,
        medium: str,
        flow: Callable[[Place, str], LineFlow],
        legs: Legs,
        *,
        linear: bool,
    ) -> None:
        """Bound all legs of one medium and put them into ``legs``; old ones are replaced."""
        line = self.lines.get(medium)
        if line is not None:
            nodes = tuple(
                LineNode(
                    s.id,
                    tuple(flow((medium, s.id), j) for j in self.sent.get((medium, s.id), ())),
                    s.queue,
                    s.burst_count,
                )
                for s in line.senders
            )
            if linear:
                found = linear_bound(nodes, line.node_count, line.limit_settings)
            else:
                found = response_bound(nodes, line.node_count, line.settings)
            self.figures[medium] = MediumFigures(found.load_ppm, found.cycle_ns)
            new = {(medium, *key): leg for key, leg in found.legs.items()}
        else:
            link = self.links[medium]
            place = (medium, link.sender)
            queue = LinkQueue(
                medium,
                tuple(flow(place, j) for j in self.sent.get(place, ())),
                link.rate_bps,
                link.queue,
                link.phy_ns,
                link.limit_propagation_ns if linear else link.propagation_ns,
            )
            found = linear_link_bound(queue) if linear else response_link_bound(queue)
            self.figures[medium] = MediumFigures(found.load_ppm, 0)
            new = {(*place, key): leg for key, leg in found.legs.items()}
        if not linear:
            # Every bound found under the same windows is sound, so the smaller one stays.
            new = {
                key: min(leg, legs[key], key=_total_of) if key in legs else leg
                for key, leg in new.items()
            }
            if found.overload:
                self.sentences[medium] = found.overload
            else:
                self.sentences.pop(medium, None)
        legs.update((key, leg) for key, leg in new.items() if leg.total_ns <= LONGEST_WAIT_NS)

    def overloads(self) -> tuple[str, ...]:
        """Sentences about the media without a bound."""
        return tuple(f"{medium}: {text}" for medium, text in sorted(self.sentences.items()))

    def put_together(
        self, stream: StreamTraffic, route: Route, linear: Legs, response: Legs
    ) -> DestinationBound:
        """Legs and sums of one route."""
        legs = []
        for hop in route.hops:
            if hop.kind is LegKind.SWITCH:
                legs.append(
                    Leg(hop.kind, hop.where, 0, 0, hop.delay_ns, 0, hop.delay_ns, hop.delay_ns)
                )
                continue
            key = (hop.medium, hop.sender, stream.id)
            tight, loose = response.get(key), linear.get(key)
            if tight is None:
                continue
            legs.append(
                Leg(
                    hop.kind,
                    hop.where,
                    tight.queue_ns,
                    tight.access_ns,
                    tight.wire_ns,
                    tight.collision_ns,
                    (loose or tight).total_ns,
                    tight.total_ns,
                )
            )
        return DestinationBound(
            stream.id,
            route.destination,
            tuple(legs),
            self._total(stream.id, route.hops, linear),
            self._total(stream.id, route.hops, response),
        )


def _total_of(leg: LegDelay) -> int:
    return leg.total_ns
