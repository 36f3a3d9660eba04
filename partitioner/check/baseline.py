"""The switched star that a layout replaces: every device on a link of its own."""

from __future__ import annotations

from partitioner.check.bill import BillItem, ItemMaker, backbone_items, money_by_kind, switch_items
from partitioner.model.assessment import StarBaseline
from partitioner.model.catalogue import Grade
from partitioner.model.frames import stream_frame_bytes
from partitioner.model.layout import Layout
from partitioner.model.problem import Device, Problem, QueueOrder
from partitioner.network.cable import CableNetwork
from partitioner.timing.line import LineFlow, LineNode, line_settings, load_ppm
from partitioner.timing.link import LinkQueue, link_load_ppm
from partitioner.units import PPM
from partitioner.wording import count

STAR = "star"
"""``where`` of the baseline's items."""


def star_baseline(problem: Problem, layout: Layout, network: CableNetwork) -> StarBaseline:
    """Price the star over the switches that are open in a layout.

    Each device gets a link to the nearest open switch that it may hang on, of the cheapest grade
    in the catalogue that reaches and carries its streams. Switches have as many ports as it
    takes. Switches and backbone are those of the layout, so the difference to the layout's bill
    is what sharing lines saves. Quantities leave out take rates; money and mass weigh with them.
    """
    opened = [s for s in layout.open_switches if s in problem.switches] or list(problem.switches)
    flows = _flows_by_device(problem)
    links = [
        _best_link(problem, network, d, opened, *flows[d.id]) for d in problem.devices.values()
    ]
    shared_items = switch_items(problem, layout) + backbone_items(problem, layout, network)
    items = [*shared_items, *(item for own, _ in links for item in own)]
    misfits = sum(not fits for _, fits in links)
    note = (
        "Every device on a link of its own to the nearest open switch it may hang on, ports not "
        "limited; switches and backbone as in the layout."
    )
    if misfits:
        note += (
            f" No link grade of the catalogue reaches and carries "
            f"{count(misfits, 'device')}; the longest-reaching one is priced there."
        )
    return StarBaseline(
        phys=_number(items, "device PHY", "port PHY"),
        ports=len(links),
        connectors=_number(items, "connector"),
        cable_um=sum(i.quantity for i in items if i.kind == "cable"),
        money=sum(i.money for i in items),
        mass_mg=sum(i.mass_mg for i in items),
        note=note,
        by_kind_money=tuple(sorted(money_by_kind(items).items())),
    )


def _number(items: list[BillItem], *kinds: str) -> int:
    return sum(item.quantity for item in items if item.kind in kinds)


Flows = tuple[LineFlow, ...]


def _flows_by_device(problem: Problem) -> dict[str, tuple[Flows, Flows]]:
    """What each device sends and what it receives."""
    sent: dict[str, list[LineFlow]] = {d: [] for d in problem.devices}
    received: dict[str, list[LineFlow]] = {d: [] for d in problem.devices}
    for stream in problem.streams.values():
        flow = LineFlow(
            stream.id,
            stream_frame_bytes(stream),
            stream.period_ns,
            stream.jitter_ns,
            stream.deadline_ns,
            stream.pcp,
        )
        if stream.source in sent:
            sent[stream.source].append(flow)
        for destination in stream.destinations:
            if destination in received:
                received[destination].append(flow)
    return {d: (tuple(sent[d]), tuple(received[d])) for d in problem.devices}


def _best_link(
    problem: Problem,
    network: CableNetwork,
    device: Device,
    opened: list[str],
    sent: Flows,
    received: Flows,
) -> tuple[tuple[BillItem, ...], bool]:
    """A device's own link in the star, and whether any grade reaches and carries the load."""
    allowed = [
        s for s in opened if device.pinned_switches is None or s in device.pinned_switches
    ] or list(device.pinned_switches or opened)
    way_um = min(network.length_um(switch, device.id) for switch in allowed)
    line = problem.line
    length_um = way_um + line.drop_slack_um + 2 * line.end_slack_um
    grades = [g for _, g in sorted(problem.catalogue.grades.items()) if not g.is_line]
    fitting = [g for g in grades if _fits(problem, g, length_um, sent, received)]
    if fitting:
        choices = (_link(problem, device, g, way_um) for g in fitting)
        return min(choices, key=lambda own: sum(item.money for item in own)), True
    longest = max(grades, key=lambda g: problem.reach_um(g.id), default=None)
    return () if longest is None else _link(problem, device, longest, way_um), False


def _fits(problem: Problem, grade: Grade, length_um: int, sent: Flows, received: Flows) -> bool:
    if length_um > problem.reach_um(grade.id):
        return False
    limits = problem.limits.get(grade.id)
    most_ppm = PPM if limits is None else limits.load_share_ppm
    return _load_ppm(problem, grade, length_um, sent, received) <= most_ppm


def _load_ppm(problem: Problem, grade: Grade, length_um: int, sent: Flows, received: Flows) -> int:
    """Load of a device's own link: the busier direction, or both together on half duplex."""
    if not grade.full_duplex:
        nodes = (LineNode("device", sent), LineNode("port", received))
        return load_ppm(nodes, line_settings(problem, grade.id, length_um))
    return max(
        link_load_ppm(LinkQueue(flows, grade.rate_bps, QueueOrder.PCP))
        for flows in (sent, received)
    )


def _link(problem: Problem, device: Device, grade: Grade, way_um: int) -> tuple[BillItem, ...]:
    make = ItemMaker(problem)
    own = problem.fitted_share_ppm((device.id,))
    line = problem.line
    price = device.phy_price_money(grade.id)
    return (
        make.cable(grade, way_um, own, STAR),
        make.cable(grade, line.drop_slack_um, own, STAR),
        make.cable(grade, line.end_slack_um, own, STAR),
        make.cable(grade, line.end_slack_um, own, STAR),
        make.part(grade.device_phy, "device PHY", own, STAR, price),
        make.part(grade.connector, "connector", own, STAR),
        make.part(grade.connector, "connector", own, STAR),
        make.part(grade.port_phy, "port PHY", PPM, STAR),
    )
