"""The bound of one delivery worked out from its inputs to the figure, term by term."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from partitioner.check.facts import Facts
from partitioner.model.assessment import Leg, LegKind, StreamFigures
from partitioner.model.frames import client_data_bytes, stream_frame_bytes
from partitioner.model.problem import QueueOrder
from partitioner.network.routes import backbone_length_um
from partitioner.timing.constants import IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.frames import slot_on_link_ns, wire_ns
from partitioner.timing.layout_timing import LinkMedium, StreamTraffic, settled_line
from partitioner.timing.worked import CLAUSE_148, PHY_TERM, WAY_TERM, Term, way_terms, worked_leg
from partitioner.units import UM_PER_M

LINK_CLAUSES = "IEEE Std 802.3 Clauses 4.4.2 and 3.1.1"
QUEUE_SOURCE = "non-preemptive priority queue, docs/explanation/timing.md"
PROBLEM = "problem file"
MOST_NAMED = 8
"""Frames in a queue that are told by name; of more, how many there are of each length."""


@dataclass(frozen=True, slots=True)
class Worked:
    """A delivery with the terms of every leg, in the order of its way; they sum to its bound.

    ``client_bytes`` is the payload with its encapsulation, ``frame_bytes`` the whole frame from
    destination address to check sequence, 64 at least.
    """

    figures: StreamFigures
    payload_bytes: int
    client_bytes: int
    frame_bytes: int
    legs: tuple[tuple[Leg, tuple[Term, ...]], ...]


def worked_delivery(facts: Facts, figures: StreamFigures) -> Worked:
    """Take a delivery of a layout apart; its ``figures`` have a bound."""
    stream = facts.problem.streams[figures.stream]
    traffic = next(s for s in facts.timing.traffic.streams if s.id == stream.id)
    route = next(r for r in traffic.routes if r.destination == figures.destination)
    links = {m.id: m for m in facts.timing.traffic.links}
    legs = []
    for hop, leg in zip(route.hops, figures.legs, strict=True):
        if hop.kind is LegKind.SWITCH:
            terms: tuple[Term, ...] = (
                Term(f"forwarding delay of {leg.where}", "as stated", leg.response_ns, PROBLEM),
            )
        elif hop.medium in links:
            others = [
                s for s in facts.timing.traffic.streams
                if s.id != stream.id
                and any(h.medium == hop.medium for r in s.routes for h in r.hops)
            ]
            terms = _link_terms(leg, links[hop.medium], traffic, others)
        else:
            nodes, node_count, settings = settled_line(facts.timing.traffic, hop.medium)
            found = worked_leg(nodes, node_count, settings, (hop.sender, stream.id))
            terms = _parts(leg) if found is None else found
        legs.append((leg, _with_inputs(facts, leg, terms)))
    return Worked(
        figures,
        stream.payload_bytes,
        client_data_bytes(stream.payload_bytes, stream.encapsulation),
        stream_frame_bytes(stream),
        tuple(legs),
    )


def _with_inputs(facts: Facts, leg: Leg, terms: Iterable[Term]) -> tuple[Term, ...]:
    """The terms with the figures of PHY and cable that the last two come from."""
    problem, grade, length_um = facts.problem, None, 0
    for laid in facts.laid:
        if laid.segment.id == leg.where:
            grade, length_um = laid.grade, laid.geometry.length_um
    for link in facts.sound.backbone if leg.kind is LegKind.BACKBONE else ():
        if leg.where in ("-".join(link.ends), "-".join(reversed(link.ends))):
            grade = problem.catalogue.grades[link.grade]
            length_um = backbone_length_um(problem, facts.network, link.ends)
    if grade is None:
        return tuple(terms)
    cable = problem.catalogue.cables[grade.cable]
    metres = f"{length_um / UM_PER_M:.6g} m × {cable.propagation_ns_per_m:g} ns/m"
    inputs = {
        PHY_TERM: (f"{grade.phy_tx_ns} ns + {grade.phy_rx_ns} ns", f"{grade.id}, sources.csv"),
        WAY_TERM: (metres, f"{cable.id}, sources.csv"),
    }
    return tuple(
        replace(t, formula=inputs[t.name][0], source=inputs[t.name][1]) if t.name in inputs else t
        for t in terms
    )


def _queue_formulas(
    leg: Leg, link: LinkMedium, stream: StreamTraffic, others: Sequence[StreamTraffic],
    waiting_ns: int,
) -> tuple[str, str]:
    """Which frames are ahead, where that is one of each stream, and which lower one is."""

    def slot(s: StreamTraffic) -> int:
        return slot_on_link_ns(s.frame_bytes, link.rate_bps)

    def told(frames: Sequence[StreamTraffic]) -> str:
        if len(frames) <= MOST_NAMED:
            return ", ".join(f"{s.id} {s.frame_bytes}" for s in frames)
        counts = Counter(s.frame_bytes for s in frames)
        return ", ".join(f"{counts[length]} × {length}" for length in sorted(counts))

    is_fifo = link.queue is QueueOrder.FIFO
    ahead = [s for s in others if is_fifo or s.pcp >= stream.pcp]
    lower = [s for s in others if s not in ahead and slot(s) == leg.access_ns]
    rate = f"{link.rate_bps / 1e6:g} Mbit/s"
    gap = f"({PREAMBLE_SFD_BT} preamble + 8 L + {IPG_BT} gap) bits at {rate}"
    is_one_each = sum(map(slot, ahead)) == waiting_ns
    return (
        f"one of each stream of the same and higher classes, each {gap}; L: {told(ahead)}"
        if is_one_each
        else f"same and higher classes that can have arrived, each {gap}",
        f"the longest of a lower class, not interrupted, {gap}; L: {told(lower[:1])}"
        if lower
        else "the longest of a lower class, not interrupted",
    )


def _link_terms(
    leg: Leg, link: LinkMedium, stream: StreamTraffic, others: Sequence[StreamTraffic]
) -> tuple[Term, ...]:
    bits_ns = wire_ns(stream.frame_bytes, link.rate_bps)
    rate = f"{link.rate_bps / 1e6:g} Mbit/s"
    length = stream.frame_bytes
    waiting = leg.response_ns - leg.access_ns - bits_ns - link.phy_ns - link.propagation_ns
    ahead, lower = _queue_formulas(leg, link, stream, others, waiting)
    terms = (
        Term("frames before it in the queue", ahead, waiting, QUEUE_SOURCE),
        Term("a lower frame on the wire", lower, leg.access_ns, QUEUE_SOURCE),
        Term(f"the frame, {length} bytes", f"({PREAMBLE_SFD_BT} preamble + 8 × {length}) bits at "
             f"{rate}", bits_ns, LINK_CLAUSES),
        *way_terms("link", link.phy_ns, link.propagation_ns),
    )  # fmt: skip
    return tuple(t for t in terms if t.ns)


def _parts(leg: Leg) -> tuple[Term, ...]:
    """Parts of a leg for which the linear bound stands."""
    rest = leg.response_ns - leg.access_ns - leg.wire_ns - leg.collision_ns
    formula = "linear bound: rounds × the longest cycle"
    source = "docs/explanation/timing.md, the linear bound"
    terms = (
        Term("frames of its own node before it", formula, rest, source),
        Term("turns of the other nodes", formula, leg.access_ns, CLAUSE_148),
        Term("the frame, PHYs and propagation", formula, leg.wire_ns, LINK_CLAUSES),
        Term("logical collision", formula, leg.collision_ns, source),
    )
    return tuple(t for t in terms if t.ns)
