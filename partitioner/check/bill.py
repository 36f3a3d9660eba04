"""Parts, cut list and cost of a layout, item by item from the layout and the cable network.

Every length of cable is an item of its own (a way, the slack of a drop, the slack of an end, a
stub), and so is every part. Each item is priced, weighted with the share of units that carry it,
and rounded up once; sums then do not depend on the order of summation.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from partitioner.check.facts import Facts
from partitioner.check.geometry import SegmentGeometry
from partitioner.model.assessment import BACKBONE, CostSum, LegKind, PartLine, StreamFigures
from partitioner.model.catalogue import Grade, Trust
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import backbone_length_um, known_links
from partitioner.units import (
    PPM,
    ceil_div,
    length_mass_mg,
    mass_value_money,
    priced_length_money,
    shared,
)

SEGMENT_LEGS = frozenset({LegKind.LINE, LegKind.LINK, LegKind.LINE_DOWN, LegKind.LINK_DOWN})
"""Legs that cross a segment; their priced delays count in the latency aim."""


@dataclass(frozen=True, slots=True)
class BillItem:
    """One thing to buy.

    ``quantity`` is pieces, or µm of cable. ``money`` and ``mass_mg`` are already weighted with
    ``share_ppm``, the share of units that carry the item. ``where`` is a segment's id, a switch's
    id or :data:`~partitioner.model.assessment.BACKBONE`.
    """

    part: str
    kind: str
    quantity: int
    unit_price_money: int
    share_ppm: int
    money: int
    mass_mg: int
    source: str
    trust: str
    where: str

    def objective_money(self, mass_price_per_kg_money: int) -> int:
        """Money plus what the mass is worth, rounded up."""
        return self.money + mass_value_money(self.mass_mg, mass_price_per_kg_money)

    def times(self, count: int) -> BillItem:
        """So many of it, wherever they belong."""
        return replace(
            self, quantity=count * self.quantity, money=count * self.money,
            mass_mg=count * self.mass_mg, where="",
        )  # fmt: skip


class ItemMaker:
    """Makes bill items of one problem's catalogue."""

    def __init__(self, problem: Problem):
        self._catalogue = problem.catalogue

    def cable(self, grade: Grade, length_um: int, share_ppm: int, where: str) -> BillItem:
        """One length of the grade's cable."""
        cable = self._catalogue.cables[grade.cable]
        return BillItem(
            part=cable.id,
            kind="cable",
            quantity=length_um,
            unit_price_money=cable.price_per_m_money,
            share_ppm=share_ppm,
            money=shared(priced_length_money(length_um, cable.price_per_m_money), share_ppm),
            mass_mg=shared(length_mass_mg(length_um, cable.mass_mg_per_m), share_ppm),
            source=cable.source,
            trust=cable.trust.value,
            where=where,
        )

    def part(
        self, id_: str, kind: str, share_ppm: int, where: str, price_money: int | None = None
    ) -> BillItem:
        """One piece of a catalogue part; ``price_money`` replaces the catalogue's price."""
        part = self._catalogue.parts[id_]
        stated = price_money is not None
        price = part.price_money if price_money is None else price_money
        return BillItem(
            part=part.id,
            kind=kind,
            quantity=1,
            unit_price_money=price,
            share_ppm=share_ppm,
            money=shared(price, share_ppm),
            mass_mg=shared(part.mass_mg, share_ppm),
            source="problem file" if stated else part.source,
            trust=(Trust.USER if stated else part.trust).value,
            where=where,
        )

    def stated(self, id_: str, kind: str, money: int, mass_mg: int, where: str) -> BillItem:
        """Something whose price stands in the problem file, carried by every unit."""
        return BillItem(
            id_, kind, 1, money, PPM, money, mass_mg, "problem file", Trust.USER.value, where
        )


def segment_items(
    problem: Problem, segment: Segment, grade: Grade, geometry: SegmentGeometry
) -> list[BillItem]:
    """Items of one segment: cable, PHYs, connectors, terminators, junctions, and its port.

    The devices of the segment and its switch must be known to the problem. A port that the
    switch does not have costs its PHY only.
    """
    make = ItemMaker(problem)
    where = segment.id
    line_share = problem.fitted_share_ppm(segment.devices)
    items: list[BillItem] = []
    for arm in geometry.arms:
        for place, piece in enumerate(arm):
            carried = problem.fitted_share_ppm(piece.outward)
            items.append(make.cable(grade, piece.way_um, carried, where))
            items.append(make.cable(grade, piece.drop_slack_um, carried, where))
            if place == 0:
                # The slack of the arm's end is there whenever any of the arm is built.
                items.append(make.cable(grade, piece.end_slack_um, carried, where))
    if geometry.pieces and geometry.is_at_end:
        end_slack_um = geometry.pieces[0].end_slack_um
        items.append(make.cable(grade, end_slack_um, line_share, where))
    for device_id in segment.devices:
        device = problem.devices[device_id]
        own = problem.fitted_share_ppm((device_id,))
        stated_price = device.phy_price_money(grade.id)
        items.append(make.part(grade.device_phy, "device PHY", own, where, stated_price))
        items.append(make.part(grade.connector, "connector", own, where))
        if grade.is_line:
            items.append(make.cable(grade, device.stub_um, own, where))
            if device.stub_um and grade.junction is not None:
                items.append(make.part(grade.junction, "junction", own, where))
    if grade.is_line and grade.terminator is not None:
        items += [make.part(grade.terminator, "terminator", line_share, where)] * 2
    items.append(make.part(grade.connector, "connector", line_share, where))
    items.append(make.part(grade.port_phy, "port PHY", PPM, where))
    port = problem.switches[segment.switch].ports.get(segment.port)
    if port is not None:
        items.append(make.stated(f"port of {segment.switch}", "port", port.price_money, 0, where))
    return items


def switch_items(problem: Problem, layout: Layout) -> list[BillItem]:
    """One item per open switch that the problem knows."""
    make = ItemMaker(problem)
    return [
        make.stated(s.id, "switch", s.price_money, s.mass_mg, s.id)
        for s in (problem.switches[i] for i in layout.open_switches if i in problem.switches)
    ]


def backbone_items(problem: Problem, layout: Layout, network: CableNetwork) -> list[BillItem]:
    """Cable, two connectors and two port PHYs per backbone link that is built."""
    make = ItemMaker(problem)
    items: list[BillItem] = []
    for link, grade in known_links(problem, layout):
        length_um = backbone_length_um(problem, network, link.ends)
        items.append(make.cable(grade, length_um, PPM, BACKBONE))
        items += [make.part(grade.connector, "connector", PPM, BACKBONE)] * 2
        items += [make.part(grade.port_phy, "port PHY", PPM, BACKBONE)] * 2
    return items


def layout_items(facts: Facts, problem: Problem) -> list[BillItem]:
    """Every item of a layout, weighted with the shares of units of ``problem``."""
    return [
        *(
            item
            for laid in facts.laid
            for item in segment_items(problem, laid.segment, laid.grade, laid.geometry)
        ),
        *switch_items(problem, facts.layout),
        *backbone_items(problem, facts.layout, facts.network),
    ]


def money_by_kind(items: Iterable[BillItem]) -> Counter[str]:
    """Money of items, by their kind."""
    by_kind = Counter[str]()
    for item in items:
        by_kind[item.kind] += item.money
    return by_kind


def parts_list(items: Iterable[BillItem]) -> tuple[PartLine, ...]:
    """Items gathered by part, kind and unit price; the backbone apart from the segments."""
    lines: dict[tuple[str, str, int, str, str, str], list[int]] = {}
    for item in items:
        where = BACKBONE if item.where == BACKBONE else ""
        key = (item.kind, item.part, item.unit_price_money, where, item.source, item.trust)
        sums = lines.setdefault(key, [0, 0, 0])
        sums[0] += item.quantity
        sums[1] += item.money
        sums[2] += item.mass_mg
    return tuple(
        PartLine(part, kind, quantity, unit, money, mass, source, trust, where)
        for (kind, part, unit, where, source, trust), (quantity, money, mass) in sorted(
            lines.items()
        )
        if quantity
    )


def latency_terms_ns(streams: Iterable[StreamFigures]) -> list[int]:
    """Priced delay of every stream's leg on every segment, each once.

    A stream to several devices is sent once on a segment, so its legs there count once.
    """
    seen: dict[tuple[str, LegKind, str], int] = {}
    for figures in streams:
        for leg in figures.legs:
            if leg.kind in SEGMENT_LEGS:
                key = (figures.stream, leg.kind, leg.where)
                seen[key] = max(seen.get(key, 0), leg.priced_ns)
    return list(seen.values())


def cost_sum(
    problem: Problem, items: Sequence[BillItem], streams: Iterable[StreamFigures]
) -> CostSum:
    """Add up the bill the way the objective weighs it."""
    aim = problem.objective
    latencies_ns = latency_terms_ns(streams)
    latency_money = sum(
        ceil_div(ns * aim.latency_price_per_ms_money, 1_000_000) for ns in latencies_ns
    )
    return CostSum(
        money=sum(item.money for item in items),
        mass_mg=sum(item.mass_mg for item in items),
        latency_ns=sum(latencies_ns),
        objective_money=latency_money
        + sum(item.objective_money(aim.mass_price_per_kg_money) for item in items),
        by_kind_money=tuple(sorted(money_by_kind(items).items())),
    )
