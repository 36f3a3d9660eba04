"""The bound of one delivery worked out from its inputs to the figure, term by term."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.check.facts import Facts
from partitioner.model.assessment import Leg, LegKind, StreamFigures
from partitioner.timing.constants import PREAMBLE_SFD_BT
from partitioner.timing.frames import client_data_bytes, stream_frame_bytes, wire_ns
from partitioner.timing.layout_timing import LinkMedium, StreamTraffic, settled_line
from partitioner.timing.worked import CLAUSE_148, Term, way_terms, worked_leg

LINK_CLAUSES = "IEEE Std 802.3 Clauses 4.4.2 and 3.1.1"
QUEUE_SOURCE = "non-preemptive priority queue, docs/explanation/timing.md"
PROBLEM = "problem file"


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
            terms = _link_terms(leg, links[hop.medium], traffic)
        else:
            nodes, node_count, settings = settled_line(facts.timing.traffic, hop.medium)
            found = worked_leg(nodes, node_count, settings, (hop.sender, stream.id))
            terms = _parts(leg) if found is None else found
        legs.append((leg, terms))
    return Worked(
        figures,
        stream.payload_bytes,
        client_data_bytes(stream.payload_bytes, stream.encapsulation),
        stream_frame_bytes(stream),
        tuple(legs),
    )


def _link_terms(leg: Leg, link: LinkMedium, stream: StreamTraffic) -> tuple[Term, ...]:
    bits_ns = wire_ns(stream.frame_bytes, link.rate_bps)
    rate = f"{link.rate_bps / 1e6:g} Mbit/s"
    length = stream.frame_bytes
    waiting = leg.response_ns - leg.access_ns - bits_ns - link.phy_ns - link.propagation_ns
    terms = (
        Term("frames before it in the queue", "same and higher classes that can have arrived, "
             "each with its gap", waiting, QUEUE_SOURCE),
        Term("a lower frame on the wire", "the longest of a lower class, not interrupted",
             leg.access_ns, QUEUE_SOURCE),
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
