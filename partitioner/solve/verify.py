"""What a selection really needs between its switches, waiting on the backbone included."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from partitioner.model.layout import BuiltLink, Layout
from partitioner.network.routes import switch_ways
from partitioner.solve.backbone import BackboneData
from partitioner.solve.instance import Instance
from partitioner.solve.master import Selection
from partitioner.timing.line import LineFlow, propagation_ns
from partitioner.timing.link import LinkQueue, linear_link_bound


@dataclass(frozen=True, slots=True)
class Verdict:
    """Hops of a selection that need more than the master allowed, or links over their load.

    ``extra``: by (stream, s, t) the delay between the switches beyond the least.
    """

    late: bool
    overloaded_links: tuple[int, ...]
    extra: dict[tuple[int, int, int], int]


def verify(instance: Instance, backbone: BackboneData, selection: Selection) -> Verdict:
    """Add up legs and hops of every stream with the linear bounds and compare with deadlines."""
    home: dict[int, tuple[int, int]] = {}
    up: dict[int, int] = {}
    down: dict[tuple[int, int], int] = {}
    for number, choice in enumerate(selection.choices):
        column = choice.column
        for i in column.devices:
            home[i] = (column.switch, number)
        up.update(column.up)
        down.update(column.down)
    ways = switch_ways(instance.problem, _shell(instance, backbone, selection), instance.network)
    routes: list[tuple[int, int | None, tuple[int, ...]]] = []
    crossing: dict[tuple[int, int], set[int]] = {}
    lost = False
    for j, stream in enumerate(instance.streams):
        if stream.source_device is not None and stream.source_device not in home:
            continue
        start, segment = (
            home[stream.source_device]
            if stream.source_device is not None
            else (stream.source_switch, -1)
        )
        for target in stream.targets:
            if target.device is not None and target.device not in home:
                continue
            end, other = (
                home[target.device] if target.device is not None else (target.switch, -2)
            )
            if segment == other:
                routes.append((j, target.device, ()))
                continue
            names = ways.get((instance.switch_ids[start], instance.switch_ids[end]))
            if names is None:
                lost = True
                continue
            way = tuple(instance.switch_index[x] for x in names)
            routes.append((j, target.device, way))
            for a, b in pairwise(way):
                crossing.setdefault((a, b), set()).add(j)
    hop, overloaded = _link_delays(instance, backbone, selection, crossing)
    late = lost
    extra: dict[tuple[int, int, int], int] = {}
    forward = [s.forwarding_delay_ns for s in instance.problem.switches.values()]
    for j, device, way in routes:
        stream = instance.streams[j]
        total = up.get(j, 0) + (down.get((j, device), 0) if device is not None and way else 0)
        if way:
            between = sum(forward[s] for s in way)
            for pair in pairwise(way):
                between += hop.get((pair, j), 2**40)
            total += between
            if total > stream.limit_ns:
                late = True
                least = backbone.hop_function(j)(way[0], way[-1])
                extra[j, way[0], way[-1]] = max(1, between - least)
        elif total > stream.limit_ns:
            late = True
    return Verdict(late, tuple(overloaded), extra)


def _shell(instance: Instance, backbone: BackboneData, selection: Selection) -> Layout:
    """A layout with only its switches and backbone, which is all that ways depend on."""
    links = []
    for index, grade in selection.backbone:
        a, b = backbone.links[index].ends
        links.append(BuiltLink((instance.switch_ids[a], instance.switch_ids[b]), grade))
    opened = tuple(instance.switch_ids[s] for s in selection.open_switches)
    return Layout(instance.problem.name, "", opened, tuple(links), ())


def _link_delays(
    instance: Instance,
    backbone: BackboneData,
    selection: Selection,
    crossing: dict[tuple[int, int], set[int]],
) -> tuple[dict[tuple[tuple[int, int], int], int], list[int]]:
    problem = instance.problem
    delays: dict[tuple[tuple[int, int], int], int] = {}
    overloaded = []
    for index, grade_id in selection.backbone:
        link = backbone.links[index]
        row = problem.catalogue.grades[grade_id]
        for pair in (link.ends, link.ends[::-1]):
            streams = sorted(crossing.get(pair, ()))
            if not streams:
                continue
            flows = tuple(
                LineFlow(
                    s.id, s.frame_bytes, s.period_ns, s.jitter_ns, s.deadline_ns, s.pcp,
                    s.deadline_ns,
                )
                for s in (instance.streams[j] for j in streams)
            )
            queue = LinkQueue(
                id=f"{pair}",
                flows=flows,
                rate_bps=row.rate_bps,
                phy_ns=row.phy_tx_ns + row.phy_rx_ns,
                propagation_ns=propagation_ns(problem, grade_id, link.length_um),
            )
            bound = linear_link_bound(queue)
            if bound.overload is not None or bound.load_ppm > problem.backbone.load_share_ppm:
                overloaded.append(index)
            for j in streams:
                leg = bound.legs.get(instance.streams[j].id)
                delays[pair, j] = leg.total_ns if leg else 2**40
    return delays, overloaded
