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

import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial

from partitioner.model.assessment import Leg, LegKind, StreamFigures
from partitioner.model.catalogue import Grade
from partitioner.model.problem import QueueOrder
from partitioner.timing.constants import PREAMBLE_SFD_BT
from partitioner.timing.frames import wire_ns
from partitioner.timing.line import (
    LONGEST_WAIT_NS,
    LegDelay,
    LineBound,
    LineFlow,
    LineNode,
    LineSettings,
    linear_bound,
)
from partitioner.timing.link import (
    LinkBound,
    LinkQueue,
    linear_link_bound,
    priced_link_delays,
    response_link_bound,
)
from partitioner.timing.response import response_bound

REMEMBERED = 20_000
"""Lines and links whose bounds are kept: layouts that are compared have most of them in common."""
PASSES_EXACT = 64
"""In which delays may grow step by step; what still grows then is taken for unbounded."""
PASSES_NEAR = 24
"""After which delays that began near where others settled are taken not to settle."""
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
    bound and the price of latency; ``settings`` has that of the real length and serves the
    response-time bound and the simulation.
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

    @classmethod
    def of_grade(
        cls, id_: str, sender: str, grade: Grade, queue: QueueOrder, limit_ns: int, along_ns: int
    ) -> LinkMedium:
        """One direction of a link of a grade; the times are along the longest and the own cable."""
        phy_ns = grade.phy_tx_ns + grade.phy_rx_ns
        return cls(id_, sender, grade.rate_bps, queue, phy_ns, limit_ns, along_ns)


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
class MediumFigures:
    """Load (ppm of time or rate) and longest cycle (0 for links) of one medium."""

    load_ppm: int
    cycle_ns: int


@dataclass(frozen=True, slots=True)
class NetworkBounds:
    """Result of :func:`analyse`: figures by (stream, destination) and by medium.

    A leg with no linear bound shows the other one in its place. ``overloads``: of each medium that
    has no bound, why.
    """

    bounds: dict[tuple[str, str], StreamFigures]
    media: dict[str, MediumFigures]
    overloads: dict[str, str]
    settled: Settled


def analyse(
    traffic: NetworkTraffic, *, linear: bool = True, near: Settled | None = None
) -> NetworkBounds:
    """Bound every stream of a layout end to end, linear and by response-time analysis.

    Without ``linear`` the response-time bounds stand in place of the linear ones, and no leg has a
    price. ``near`` is where the delays of a similar layout have settled: beginning there takes a
    part of the time, and the bounds hold as well, but they need not be the least.

    Raises
    ------
    ValueError
        If a hop names a medium or sender that is not described.

    Notes
    -----
    A leg's bound rests on how long frames live and on how much the way to its queue varies, which
    other legs decide. All delays start at the bits of the frames and grow until the bound of every
    leg, taken with the present delays, is no longer than these. Then no delay is ever exceeded:
    consider the first frame that would take longer on a leg than told; all that its bound rests on
    lies before and keeps what is told. That is so wherever the delays begin. Every step grows with
    its inputs, so from the bits of the frames the delays found are the least that agree with each
    other. Deadlines play no part in it.
    """
    network = _Network(traffic)
    response = network.settle_near(near) if near else network.settle()
    if response is None:
        network = _Network(traffic)
        response = network.settle()
    loose, priced = network.linear_legs() if linear else (response, {})
    figures = {
        (stream.id, route.destination): network.put_together(stream, route, loose, response, priced)
        for stream in traffic.streams
        for route in stream.routes
    }
    sentences = dict(sorted(network.sentences.items()))
    media = dict(sorted(network.figures.items()))
    return NetworkBounds(figures, media, sentences, network.settled(response))


def settled_line(
    traffic: NetworkTraffic, line: str
) -> tuple[tuple[LineNode, ...], int, LineSettings]:
    """What the response-time analysis of one line begins with once all delays have settled.

    Nodes with their flows, node count and settings, as :func:`response_bound` takes them.
    """
    network = _Network(traffic)
    flows = network.flows_on(line, network.settle())
    medium = network.lines[line]
    return network.line_nodes(medium, flows), medium.node_count, medium.settings


Place = tuple[str, str]
"""Where frames queue: medium and sender."""
Legs = dict[tuple[str, str, str], LegDelay | None]
"""Bounds by medium, sender and stream; None: there is none."""
Flows = Mapping[tuple[Place, str], LineFlow]
"""What each stream brings to each queue."""


NOTHING = LegDelay(0, 0, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Settled:
    """Where the delays of a layout have settled, for the analysis of one like it."""

    _media: Mapping[str, LineMedium | LinkMedium]
    _legs: Legs
    _windows_ns: Mapping[str, int]
    _known: Mapping[str, tuple[LineFlow, ...]]
    _figures: Mapping[str, MediumFigures]
    _sentences: Mapping[str, str]


class _Ways:
    """The queues on all ways of a stream, each once, and when frames come there at the latest.

    ``least_ns`` gives what the bits of a frame take on a medium.
    """

    def __init__(self, stream: StreamTraffic, least_ns: Callable[[str], int]):
        self.at: dict[Place, list[int]] = {}
        """Numbers of the stops at each queue; a stop comes after those before it on its way."""
        self._stream = stream.id
        self._stops: list[tuple[int, Place, int]] = []
        """By number: the stop before, -1 for none; the queue; switches between the two."""
        self._earliest: list[int] = []
        self._latest: list[int | None] = []
        self._fresh = 0
        """How many of these are right."""
        self._ends: list[tuple[int, int]] = []
        """By route: the last stop and what switches take from there."""
        self.has_hops_before: dict[Place, bool] = {}
        numbers: dict[tuple[int, Place, int], int] = {}
        for route in stream.routes:
            before, between = -1, 0
            for index, hop in enumerate(route.hops):
                if hop.kind is LegKind.SWITCH:
                    between += hop.delay_ns
                    continue
                place = hop.medium, hop.sender
                stop = before, place, between
                if stop not in numbers:
                    numbers[stop] = len(self._stops)
                    self.at.setdefault(place, []).append(len(self._stops))
                    self._stops.append(stop)
                    earliest = 0
                    if before >= 0:
                        earliest = self._earliest[before] + least_ns(self._stops[before][1][0])
                    self._earliest.append(earliest)
                    self._latest.append(0)
                self.has_hops_before[place] = self.has_hops_before.get(place, False) or index > 0
                before, between = numbers[stop], 0
            self._ends.append((before, between))

    def changed(self, place: Place) -> None:
        """Tell that the leg from a queue has changed."""
        self._fresh = min(self._fresh, self.at[place][0] + 1)

    def variation_ns(self, place: Place, legs: Legs) -> int:
        """By how much the way to a queue can vary."""
        stops = self.at[place]
        self._refresh(stops[-1] + 1, legs)
        latest, earliest = 0, UNBOUNDED_NS
        for k in stops:
            latest = max(latest, _or_unbounded(self._latest[k]))
            earliest = min(earliest, self._earliest[k])
        return max(0, latest - earliest)

    def longest_ns(self, legs: Legs) -> int:
        """Longest delay to the end of any route."""
        self._refresh(len(self._stops), legs)
        ends = (self._after(before, between, legs) for before, between in self._ends)
        return max((_or_unbounded(ns) for ns in ends), default=0)

    def _refresh(self, count: int, legs: Legs) -> None:
        for k in range(self._fresh, count):
            before, _, between = self._stops[k]
            self._latest[k] = self._after(before, between, legs)
        self._fresh = max(self._fresh, count)

    def _after(self, before: int, between_ns: int, legs: Legs) -> int | None:
        """When a frame has left a stop and the switches behind it; None: there is no bound."""
        if before < 0:
            return between_ns
        # A leg not looked at yet begins at nothing and grows.
        leg = legs.get((*self._stops[before][1], self._stream), NOTHING)
        latest = self._latest[before]
        if leg is None or latest is None:
            return None
        total = latest + leg.total_ns + between_ns
        return total if total <= LONGEST_WAIT_NS else None


def _or_unbounded(ns: int | None) -> int:
    return UNBOUNDED_NS if ns is None else ns


_line_bound = lru_cache(REMEMBERED)(response_bound)
_link_bound = lru_cache(REMEMBERED)(response_link_bound)


class _Network:
    """A layout indexed for the analysis."""

    def __init__(self, traffic: NetworkTraffic):
        self.streams = {s.id: s for s in traffic.streams}
        self.lines = {m.id: m for m in traffic.lines}
        self.links = {m.id: m for m in traffic.links}
        self.sent: dict[Place, dict[str, None]] = {}
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
                    depth[hop.medium] = max(depth[hop.medium], index)
        self.order = sorted(depth, key=lambda m: (depth[m], m))
        self.places: dict[str, list[Place]] = {m: [] for m in self.order}
        for place in self.sent:
            self.places[place[0]].append(place)
        self.ways = {s.id: _Ways(s, partial(self._least, s.frame_bytes)) for s in traffic.streams}
        self._media_of = {
            stream: frozenset(medium for medium, _ in ways.at) for stream, ways in self.ways.items()
        }
        self.windows = dict.fromkeys(self.streams, 1)
        """Longest delay of each stream found so far."""
        self._changes = dict.fromkeys(self.streams, 0)
        """How often anything that was found of each stream has changed."""
        self._restless = dict.fromkeys(self.streams)
        """Streams of which something has changed since their windows were looked at."""
        self._stirred = set(self.order)
        """Media that were not looked at since something of one of their streams has changed."""
        self._known: dict[str, tuple[LineFlow, ...]] = {}
        """What came to each medium when it was bounded last."""
        self._flows: dict[tuple[Place, str], tuple[int, LineFlow]] = {}
        """What each stream brings to each queue, with the changes that it knows of."""

    def _know(self, hop: Hop) -> None:
        line = self.lines.get(hop.medium)
        if line is not None:
            if all(s.id != hop.sender for s in line.senders):
                raise ValueError(f"{hop.sender} is no node of line {hop.medium}")
        elif hop.medium not in self.links or self.links[hop.medium].sender != hop.sender:
            raise ValueError(f"{hop.sender} does not send on {hop.medium}")

    def settle(self) -> Legs:
        """Grow all delays from below until every leg keeps what is told of it; give the legs."""
        legs: Legs = {}
        for step in itertools.count():
            self._bound_stirred(legs)
            for stream, longest in self._longest_ns(legs):
                if longest > self.windows[stream]:
                    self._change(stream)
                    self.windows[stream] = longest if step < PASSES_EXACT else UNBOUNDED_NS
            if not self._stirred:
                return legs
        raise AssertionError

    def settle_near(self, before: Settled) -> Legs | None:
        """Let all delays go from where others settled to where they agree with each other.

        None if they don't soon. What came too late or never is begun with at nothing, since
        delays that long may only hold each other up.
        """
        same = {m for m, medium in self._media().items() if before._media.get(m) == medium}
        self._known = {m: flows for m, flows in before._known.items() if m in same}
        self.figures = {m: figures for m, figures in before._figures.items() if m in same}
        self.sentences = {m: text for m, text in before._sentences.items() if m in same}
        legs: Legs = {}
        for stream, traffic in self.streams.items():
            window = before._windows_ns.get(stream, UNBOUNDED_NS)
            if window > traffic.deadline_ns:
                continue
            self.windows[stream] = window
            for place in self.ways[stream].at:
                if (leg := before._legs.get((*place, stream))) is not None:
                    legs[(*place, stream)] = leg
        for _ in range(PASSES_NEAR):
            self._bound_stirred(legs)
            for stream, longest in self._longest_ns(legs):
                if longest != self.windows[stream]:
                    self._change(stream)
                    self.windows[stream] = longest
            if not self._stirred:
                return legs
        return None

    def settled(self, legs: Legs) -> Settled:
        """Where delays have settled; to be asked for after that."""
        return Settled(self._media(), legs, self.windows, self._known, self.figures, self.sentences)

    def _media(self) -> dict[str, LineMedium | LinkMedium]:
        return {**self.lines, **self.links}

    def _bound_stirred(self, legs: Legs) -> None:
        """Bound once more, in order, the media to which something else comes than before."""
        for medium in self.order:
            if medium not in self._stirred:
                continue
            self._stirred.discard(medium)
            flows = self.flows_on(medium, legs)
            facts = tuple(flows.values())
            if self._known.get(medium) != facts:
                self._known[medium] = facts
                self._bound(medium, flows, legs)

    def _longest_ns(self, legs: Legs) -> Iterator[tuple[str, int]]:
        """Longest delay of each stream of which something has changed."""
        restless, self._restless = self._restless, {}
        for stream in restless:
            yield stream, self.ways[stream].longest_ns(legs)

    def _change(self, stream: str) -> None:
        """Tell that something of a stream has changed."""
        self._changes[stream] += 1
        self._restless[stream] = None
        self._stirred |= self._media_of[stream]

    def flows_on(self, medium: str, legs: Legs) -> Flows:
        """What comes to the queues of a medium under the delays found so far."""
        return {
            (place, s): self._flow_at(place, s, legs)
            for place in self.places[medium]
            for s in self.sent[place]
        }

    def _flow_at(self, place: Place, stream: str, legs: Legs) -> LineFlow:
        """What a stream brings to a queue; made anew only if something of it has changed."""
        changes = self._changes[stream]
        kept = self._flows.get((place, stream))
        if kept is None or kept[0] != changes:
            flow = self._flow(stream, self._inherited(place, stream, legs))
            kept = self._flows[place, stream] = changes, flow
        return kept[1]

    @staticmethod
    def _total(stream: str, hops: tuple[Hop, ...], legs: Legs) -> int | None:
        """Sum over a route; None if a leg has no bound."""
        total = 0
        for hop in hops:
            if hop.kind is LegKind.SWITCH:
                total += hop.delay_ns
            elif (leg := legs.get((hop.medium, hop.sender, stream))) is None:
                return None
            else:
                total += leg.total_ns
        return total if total <= LONGEST_WAIT_NS else None

    def _flow(self, stream: str, inherited_ns: int = 0) -> LineFlow:
        s = self.streams[stream]
        return LineFlow(
            s.id, s.frame_bytes, s.period_ns, s.jitter_ns, self.windows[s.id], s.pcp, inherited_ns
        )

    def _inherited(self, place: Place, stream: str, legs: Legs) -> int:
        """By how much the way to a queue can vary, in ns."""
        if self.windows[stream] == UNBOUNDED_NS:
            return UNBOUNDED_NS if self.ways[stream].has_hops_before[place] else 0
        return self.ways[stream].variation_ns(place, legs)

    def _least(self, frame_bytes: int, medium: str) -> int:
        """Least time of a leg: the bits of the frame, nothing else."""
        if medium in self.lines:
            bits = PREAMBLE_SFD_BT + 8 * frame_bytes
            return bits * self.lines[medium].settings.bit_ns
        return wire_ns(frame_bytes, self.links[medium].rate_bps) - 1

    def line_nodes(self, line: LineMedium, flows: Flows) -> tuple[LineNode, ...]:
        """Nodes of a line with what comes to them."""
        return tuple(
            LineNode(
                s.id,
                tuple(flows[(line.id, s.id), j] for j in self.sent.get((line.id, s.id), ())),
                s.queue,
                s.burst_count,
            )
            for s in line.senders
        )

    def _link_queue(self, link: LinkMedium, flows: Flows, propagation_ns: int) -> LinkQueue:
        place = (link.id, link.sender)
        return LinkQueue(
            tuple(flows[place, j] for j in self.sent.get(place, ())),
            link.rate_bps,
            link.queue,
            link.phy_ns,
            propagation_ns,
        )

    def _bound(self, medium: str, flows: Flows, legs: Legs) -> None:
        """Bound all legs of one medium by response-time analysis and put them into ``legs``."""
        line = self.lines.get(medium)
        found: LineBound | LinkBound
        if line is not None:
            nodes = self.line_nodes(line, flows)
            found = _line_bound(nodes, line.node_count, line.settings)
            self.figures[medium] = MediumFigures(found.load_ppm, found.cycle_ns)
            new = {(medium, *key): leg for key, leg in found.legs.items()}
        else:
            link = self.links[medium]
            found = _link_bound(self._link_queue(link, flows, link.propagation_ns))
            self.figures[medium] = MediumFigures(found.load_ppm, 0)
            new = {(medium, link.sender, key): leg for key, leg in found.legs.items()}
        if found.overload:
            self.sentences[medium] = found.overload
        else:
            self.sentences.pop(medium, None)
        for place, stream in flows:
            leg = new.get((*place, stream))
            is_open = leg is None or leg.total_ns > LONGEST_WAIT_NS
            leg = None if is_open else leg
            if legs.get((*place, stream), NOTHING) != leg:
                self._change(stream)
                self.ways[stream].changed(place)
            legs[(*place, stream)] = leg

    def linear_legs(self) -> tuple[Legs, dict[tuple[str, str, str], int]]:
        """Linear bound of every leg under the delays found, and what the price counts of it.

        The bound with the propagation of the longest segment allowed, the price without cable.
        Call it after :meth:`settle`.
        """
        legs: Legs = {}
        priced: dict[tuple[str, str, str], int] = {}
        for medium in self.order:
            flows = {
                (place, s): self._flow(s) for place in self.places[medium] for s in self.sent[place]
            }
            line = self.lines.get(medium)
            if line is not None:
                nodes = self.line_nodes(line, flows)
                settings, count = line.limit_settings, line.node_count
                for key, leg in linear_bound(nodes, count, settings).legs.items():
                    if leg.total_ns <= LONGEST_WAIT_NS:
                        legs[(medium, *key)] = leg
                counted = linear_bound(nodes, count, settings.without_cable(), priced=True)
                for key, leg in counted.legs.items():
                    priced[(medium, *key)] = leg.total_ns
            else:
                link = self.links[medium]
                queue = self._link_queue(link, flows, link.limit_propagation_ns)
                for flow, leg in linear_link_bound(queue).legs.items():
                    if leg.total_ns <= LONGEST_WAIT_NS:
                        legs[medium, link.sender, flow] = leg
                for flow, ns in priced_link_delays(queue).items():
                    priced[medium, link.sender, flow] = ns
        return legs, priced

    def put_together(
        self,
        stream: StreamTraffic,
        route: Route,
        linear: Legs,
        response: Legs,
        priced: Mapping[tuple[str, str, str], int],
    ) -> StreamFigures:
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
                    priced.get(key, 0),
                )
            )
        return StreamFigures(
            stream.id,
            route.destination,
            tuple(legs),
            self._total(stream.id, route.hops, linear),
            self._total(stream.id, route.hops, response),
            stream.deadline_ns,
        )
