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

from dataclasses import dataclass, field

from partitioner.model.assessment import Leg, LegKind
from partitioner.model.problem import QueueOrder
from partitioner.timing.line import LineSettings


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
    """Bound every stream of a layout end to end, linear and by response-time analysis."""
    raise NotImplementedError
