"""What switches and devices have to be told: who sends what where, addresses, static forwarding.

The planner's bounds hold when each frame goes along the way of its stream and nowhere else, so
every destination address has a static entry at each switch its frames can come to. The problem
names no addresses: those here are proposed ones, made of the names alone, so that they stay.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

from partitioner.check.facts import Facts
from partitioner.model.catalogue import Grade
from partitioner.model.frames import stream_frame_bytes
from partitioner.model.problem import Stream
from partitioner.network.routes import StreamWay, stream_ways
from partitioner.network.transfers import carried_streams
from partitioner.timing.constants import PCPS
from partitioner.timing.frames import slot_on_link_ns
from partitioner.units import PPM, ceil_div

_INDIVIDUAL, _GROUP = 0x02, 0x03
"""First octet of locally administered addresses (IEEE Std 802: the second lowest bit is set)."""


@dataclass(frozen=True, slots=True)
class Attachment:
    """Where a node sends and receives: a device at its segment, or a port of a switch.

    ``port`` counts from 1, 0 for a device. ``leads_to`` is the segment, or the switch at the other
    end of a backbone link. ``sends`` and ``hears`` are what it carries out and in, transfers with a
    longest time among them.
    """

    node: str
    port: int
    leads_to: str
    grade: Grade
    is_backbone: bool
    sends: tuple[Stream, ...]
    hears: tuple[Stream, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """A static filtering entry: frames to an address leave a switch at these ports alone.

    ``serves`` is the device, switch or stream that the address stands for. No ports: such frames
    are for the switch itself, or have reached everybody on the line where they were sent.
    """

    switch: str
    address: str
    serves: str
    ports: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Switching:
    """All that software has to set up besides PLCA.

    ``carried`` holds streams and transfers by id; ``address_of`` the proposed address of each node
    and, by stream id, the group address of each stream to several destinations.
    """

    carried: dict[str, Stream]
    address_of: dict[str, str]
    attachments: tuple[Attachment, ...]
    entries: tuple[Entry, ...]

    def queue_of(self) -> dict[int, int]:
        """Queue for each PCP from 0 to 7: as few as keep those in use apart, in their order.

        A PCP that nothing uses goes with the next one below that is used.
        """
        used = {s.pcp for s in self.carried.values()}
        return {pcp: max(0, sum(p <= pcp for p in used) - 1) for pcp in range(PCPS)}


def load_ppm(streams: Iterable[Stream], grade: Grade) -> int:
    """Share of a grade's rate that frames take, preamble and gap included; rounded up."""
    return sum(
        ceil_div(slot_on_link_ns(stream_frame_bytes(s), grade.rate_bps) * PPM, s.period_ns)
        for s in streams
    )


def address(problem: str, name: str, first: int = _INDIVIDUAL) -> str:
    """Proposed address of a node or stream: locally administered, made of the names alone.

    Examples
    --------
    >>> address("sweeper", "lamp")
    '02-0B-3E-30-AB-F6'
    """
    octets = bytes([first]) + hashlib.sha256(f"{problem}/{name}".encode()).digest()[:5]
    return octets.hex("-").upper()


def switching_of(facts: Facts) -> Switching:
    """Work out what software sets up for a layout, from the ways of all it carries."""
    problem = facts.problem
    carried = carried_streams(problem)
    ways = stream_ways(problem, facts.sound, facts.network, streams=carried.values())
    nodes = [*problem.devices, *problem.switches]
    address_of = {node: address(problem.name, node) for node in nodes}
    groups = [s.id for s in carried.values() if len(s.destinations) > 1]
    address_of |= {id_: address(problem.name, f"stream {id_}", _GROUP) for id_ in groups}
    return Switching(
        carried, address_of, tuple(_attachments(facts, carried, ways)),
        tuple(_entries(facts, carried, ways, address_of)),
    )  # fmt: skip


def _attachments(
    facts: Facts, carried: dict[str, Stream], ways: Iterable[StreamWay]
) -> Iterable[Attachment]:
    problem = facts.problem
    sent: dict[tuple[str, str], dict[str, Stream]] = {}
    """What a node sends, by node and segment or next switch."""
    for way in ways:
        stream = carried[way.stream]
        steps = [(stream.source, way.up_segment)] if way.up_segment else []
        steps += list(way.links)
        if way.down_segment:
            steps.append((way.switches[-1], way.down_segment))
        for step in steps:
            sent.setdefault(step, {})[stream.id] = stream

    def sends(node: str, to: str) -> tuple[Stream, ...]:
        return tuple(sent.get((node, to), {}).values())

    for laid in facts.laid:
        segment = laid.segment
        nodes = (segment.switch, *segment.devices)
        for node in nodes:
            others = [n for n in nodes if n != node]
            yield Attachment(
                node,
                segment.port if node == segment.switch else 0,
                segment.id,
                laid.grade,
                False,
                sends(node, segment.id),
                tuple(s for other in others for s in sends(other, segment.id)),
            )
    for link in facts.sound.backbone:
        grade = problem.catalogue.grades[link.grade]
        for a, b in (link.ends, link.ends[::-1]):
            port = problem.backbone_port(a, b)
            if port is not None:
                yield Attachment(a, port, b, grade, True, sends(a, b), sends(b, a))


def _entries(
    facts: Facts,
    carried: dict[str, Stream],
    ways: Iterable[StreamWay],
    address_of: dict[str, str],
) -> Iterable[Entry]:
    problem = facts.problem
    port_of = {s.segment.id: s.segment.port for s in facts.laid}
    home = facts.sound.segment_of()
    ports: dict[tuple[str, str], dict[int, None]] = {}
    for way in ways:
        stream = carried[way.stream]
        serves = stream.id if stream.id in address_of else way.destination
        segment = home.get(stream.source)
        # The switch hears what is sent on its line, also where nothing has to pass it.
        for switch in way.switches or ((segment.switch,) if segment else ()):
            ports.setdefault((switch, serves), {})
        for a, b in way.links:
            port = problem.backbone_port(a, b)
            if port is not None:
                ports[a, serves][port] = None
        if way.down_segment and way.switches:
            ports[way.switches[-1], serves][port_of[way.down_segment]] = None
        elif not way.switches and serves == way.destination and segment is not None:
            # Source and destination share a line: frames to it never leave that port.
            ports[segment.switch, serves][segment.port] = None
    for (switch, serves), found in sorted(ports.items()):
        yield Entry(switch, address_of[serves], serves, tuple(sorted(found)))
