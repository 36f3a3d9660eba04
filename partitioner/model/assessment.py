"""What follows from a layout: figures, margins, parts, broken rules. Data only.

Filled by ``check`` from the problem, the network and the timing; read by ``report`` and ``study``.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum

from partitioner.model.layout import Layout, Segment, link_name

BACKBONE = "backbone"
"""Stands for a segment where something belongs to the links between switches."""


class LegKind(StrEnum):
    """What a leg of a stream's way crosses."""

    LINE = "line"
    """A shared line, sent by a device."""
    LINK = "link"
    """A point-to-point link, sent by a device."""
    SWITCH = "switch"
    """Store-and-forward inside a switch (forwarding delay)."""
    BACKBONE = "backbone"
    """Egress queue and wire of a link between switches."""
    LINE_DOWN = "line down"
    """A shared line, sent by the switch port."""
    LINK_DOWN = "link down"
    """A point-to-point link, sent by the switch port."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One part of a stream's way with its worst-case delays in ns.

    ``queue_ns`` is waiting behind frames of the same node, ``access_ns`` waiting for the medium
    (0 on links), ``wire_ns`` own transmission, PHYs and propagation, ``collision_ns`` the logical
    collision. ``linear_ns`` and ``response_ns`` are the two bounds of the leg's whole delay;
    ``response_ns <= linear_ns``. ``priced_ns`` is what the price of latency counts of it
    (:func:`partitioner.timing.line.priced_frames_ahead`); 0 where it has no price.
    """

    kind: LegKind
    where: str
    queue_ns: int
    access_ns: int
    wire_ns: int
    collision_ns: int
    linear_ns: int
    response_ns: int
    priced_ns: int = 0


@dataclass(frozen=True, slots=True)
class StreamFigures:
    """Worst case of one stream to one destination. Bounds in ns; None: overload, no bound."""

    stream: str
    destination: str
    legs: tuple[Leg, ...]
    linear_ns: int | None
    response_ns: int | None
    deadline_ns: int

    @property
    def bound_ns(self) -> int | None:
        """The bound that deadlines are judged by."""
        return self.response_ns

    @property
    def margin_ns(self) -> int | None:
        """Deadline less bound; negative when late; None on overload."""
        return None if self.response_ns is None else self.deadline_ns - self.response_ns

    @property
    def left_share(self) -> float | None:
        """Share of the deadline that is left; negative when late; None on overload."""
        return None if self.margin_ns is None else self.margin_ns / self.deadline_ns

    @property
    def tightness(self) -> float:
        """Sorts deliveries, those with the least of their deadline left first, overload before."""
        return float("-inf") if self.left_share is None else self.left_share


def worst_first(streams: Iterable[StreamFigures]) -> list[StreamFigures]:
    """Deliveries with the smallest share of their deadline left first; overload before all."""
    return sorted(streams, key=lambda f: (f.tightness, f.stream, f.destination))


def bounded_worst_first(streams: Iterable[StreamFigures]) -> list[StreamFigures]:
    """The same without those that have no bound."""
    return worst_first(f for f in streams if f.response_ns is not None)


@dataclass(frozen=True, slots=True)
class SegmentFigures:
    """Figures of one segment against its limits (limits before reserve)."""

    segment: Segment
    nodes: int
    nodes_limit: int
    length_um: int
    length_limit_um: int
    longest_stub_um: int
    stub_limit_um: int
    load_share_ppm: int
    load_limit_ppm: int
    unit_load_mul: int
    unit_load_limit_mul: int | None
    cycle_ns: int
    """Longest PLCA cycle (0 for links)."""
    positions_um: tuple[int, ...]
    """Position of each device along the line from its first end."""
    switch_position_um: int
    route: tuple[str, ...]
    """Network nodes (place ids and attachment points) the cable passes, in order."""


@dataclass(frozen=True, slots=True)
class WirePiece:
    """One piece to cut to one length: from one connector to the next, slack included.

    ``id`` is made of the two nodes that it joins alone, so that a piece keeps its name while it
    joins the same two, whatever changes around it. ``segment`` is :data:`BACKBONE` for a link
    between switches.

    A piece that units need in two lengths is there twice. It is cut to ``length_um`` in a unit that
    has at least one of the options ``only_with`` (empty: whatever it has) and none of the options
    ``only_without``.
    """

    id: str
    segment: str
    cable: str
    from_node: str
    to_node: str
    length_um: int
    share_ppm: int
    """Share of units that carry the piece at this length (1 000 000: every unit)."""
    only_with: tuple[str, ...] = ()
    only_without: tuple[str, ...] = ()
    pathways: tuple[str, ...] = ()
    """Ids of the pathways it runs through, from ``from_node`` on."""
    from_parts: tuple[str, ...] = ()
    """Parts at the end at ``from_node``: connector, terminator, junction."""
    to_parts: tuple[str, ...] = ()

    @property
    def belongs_to(self) -> str:
        """The whole cable that it is of: its segment, or the backbone link by name."""
        is_link = self.segment == BACKBONE
        return link_name(self.from_node, self.to_node) if is_link else self.segment

    def is_in(self, options: Collection[str]) -> bool:
        """Whether a unit with these options carries the piece at this length."""
        has_one = not self.only_with or any(o in options for o in self.only_with)
        return has_one and not any(o in options for o in self.only_without)


@dataclass(frozen=True, slots=True)
class PartLine:
    """One line of the parts list. ``quantity`` is pieces, or micrometres for cable.

    ``price_money`` and ``mass_mg`` are totals, weighted by the share of units that carry them.
    """

    part: str
    kind: str
    quantity: int
    unit_price_money: int
    price_money: int
    mass_mg: int
    source: str
    trust: str
    where: str = ""


@dataclass(frozen=True, slots=True)
class CostSum:
    """Total of a parts list, split the way the objective weighs it."""

    money: int
    mass_mg: int
    latency_ns: int
    objective_money: int
    by_kind_money: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class RuleFinding:
    """A broken rule: its short name, who it concerns, and by how much, in one sentence."""

    rule: str
    subjects: tuple[str, ...]
    sentence: str

    @property
    def line(self) -> str:
        """The sentence with the rule that it is about."""
        return f"[{self.rule}] {self.sentence}"


@dataclass(frozen=True, slots=True)
class RuleMargin:
    """How far one rule is from breaking at its tightest place; ``text`` has number and unit."""

    rule: str
    where: str
    used: float
    """Share of the limit in use; above 1 is broken."""
    text: str
    source: str
    trust: str
    alike: int = 0
    """Other places that are just as tight."""

    @property
    def where_in_all(self) -> str:
        """The tightest place, and how many others are just as tight."""
        return f"{self.where} and {self.alike} more" if self.alike else self.where


@dataclass(frozen=True, slots=True)
class StarBaseline:
    """The switched star the plan replaces: every device on a link of its own."""

    phys: int
    ports: int
    connectors: int
    cable_um: int
    money: int
    mass_mg: int
    note: str
    by_kind_money: tuple[tuple[str, int], ...] = ()


COMPLETE = "complete"
"""The rule that a layout breaks in which devices are missing, and in no other way."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything that follows from one layout of one problem."""

    layout: Layout
    findings: tuple[RuleFinding, ...]
    segments: tuple[SegmentFigures, ...]
    streams: tuple[StreamFigures, ...]
    parts: tuple[PartLine, ...]
    wires: tuple[WirePiece, ...]
    cost: CostSum
    margins: tuple[RuleMargin, ...]
    baseline: StarBaseline

    @property
    def missing(self) -> tuple[str, ...]:
        """Devices that are on no segment, in the order of the problem."""
        return tuple(f.subjects[0] for f in self.findings if f.rule == COMPLETE)

    @property
    def broken(self) -> tuple[RuleFinding, ...]:
        """Findings besides those that devices are missing: what is there breaks these rules."""
        return tuple(f for f in self.findings if f.rule != COMPLETE)
