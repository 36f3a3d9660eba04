"""What a selection really needs between its switches, waiting on the backbone included."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

from partitioner.model.layout import BuiltLink, Layout
from partitioner.network.routes import link_key, switch_ways
from partitioner.solve.backbone import BackboneData
from partitioner.solve.instance import Instance
from partitioner.solve.master import Refused, Selection
from partitioner.timing.line import LineFlow, propagation_ns
from partitioner.timing.link import LinkQueue, linear_link_bound


@dataclass(frozen=True, slots=True)
class Verdict:
    """What of a selection the master could not see.

    ``late``: some stream is late or has no way. ``extra``: by (stream, s, t) the delay between the
    switches beyond the least, for streams that are late. ``refused``: placements that must not
    come together again.
    """

    late: bool
    crowded: bool
    """More segments run through some pathway than fit."""
    extra: dict[tuple[int, int, int], int]
    refused: tuple[Refused, ...]

    @property
    def holds(self) -> bool:
        """Whether the selection keeps all rules."""
        return not (self.late or self.crowded or self.refused)


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
    shell = backbone_only(instance, backbone, selection)
    ways = switch_ways(instance.problem, shell, instance.network)
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
    refused = [
        _placement(instance, selection, home, {j for p in pairs for j in crossing[p]})
        for pairs in overloaded
    ]
    refused += _failure_losses(instance, backbone, selection, home)
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
    return Verdict(late, _crowded(backbone, selection), extra, tuple(refused))


def _crowded(backbone: BackboneData, selection: Selection) -> bool:
    if not backbone.pathway_caps:
        return False
    through = Counter(p for c in selection.choices for p in backbone.passes(c.column))
    return any(through[p] > cap for p, cap in backbone.pathway_caps.items())


def _placement(
    instance: Instance,
    selection: Selection,
    home: dict[int, tuple[int, int]],
    streams: Iterable[int],
) -> Refused:
    """Where the ends of some streams are, with the backbone that was built."""
    ends: set[int] = set()
    for j in streams:
        ends |= instance.streams[j].devices
    homes = tuple((i, home[i][0]) for i in sorted(ends) if i in home)
    return Refused(homes, tuple(sorted(selection.backbone)))


def _failure_losses(
    instance: Instance,
    backbone: BackboneData,
    selection: Selection,
    home: dict[int, tuple[int, int]],
) -> list[Refused]:
    """Placements in which one switch or backbone link takes down too many watched devices.

    A device is lost if it hangs on what failed, or if it had partners that still run and reaches
    none of them any more.
    """
    if not instance.loss_caps:
        return []
    shell = backbone_only(instance, backbone, selection)
    before = switch_ways(instance.problem, shell, instance.network)
    refused = []
    for down_switch, cut in _failures(instance, shell):
        opened = tuple(s for s in shell.open_switches if s != down_switch)
        left = switch_ways(
            instance.problem, replace(shell, open_switches=opened), instance.network, without=cut
        )
        gone = {
            i for i, (s, _) in home.items() if instance.switch_ids[s] == down_switch
        }
        lost = gone | _cut_off(instance, home, before, left, gone, down_switch)
        for members, cap in instance.loss_caps:
            hit = [i for i in members if i in lost]
            streams = {
                j for i in hit for j in (*instance.sent_by[i], *instance.received_by[i])
            }
            if len(hit) > cap and _all_placed(instance, home, streams):
                placed = _placement(instance, selection, home, streams)
                homes = dict(placed.homes) | {i: home[i][0] for i in hit}
                refused.append(Refused(tuple(sorted(homes.items())), placed.links))
    return refused


def _all_placed(
    instance: Instance, home: dict[int, tuple[int, int]], streams: Iterable[int]
) -> bool:
    """Whether no partner is left out, whom a device might reach once it is placed too."""
    return all(instance.streams[j].devices <= home.keys() for j in streams)


def _failures(instance: Instance, shell: Layout) -> list[tuple[str | None, tuple]]:
    found: list[tuple[str | None, tuple]] = [(s, ()) for s in shell.open_switches]
    return found + [(None, (link_key(*link.ends),)) for link in shell.backbone]


def _cut_off(
    instance: Instance,
    home: dict[int, tuple[int, int]],
    before: dict,
    left: dict,
    gone: set[int],
    down_switch: str | None,
) -> set[int]:
    """Devices that run and had partners that run, but reach none of them any more."""
    reaches: dict[int, bool] = {}
    names = instance.switch_ids
    for stream in instance.streams:
        source = stream.source_device
        if source is not None and (source in gone or source not in home):
            continue
        start, segment = home[source] if source is not None else (stream.source_switch, -1)
        if names[start] == down_switch:
            continue
        for target in stream.targets:
            device = target.device
            if device is not None and (device in gone or device not in home):
                continue
            end, other = home[device] if device is not None else (target.switch, -2)
            if names[end] == down_switch:
                continue
            pair = (names[start], names[end])
            if segment != other and pair not in before:
                continue
            through = segment == other or pair in left
            for i in (source, device):
                if i is not None:
                    reaches[i] = reaches.get(i, False) or through
    return {i for i, got in reaches.items() if not got}


def backbone_only(instance: Instance, backbone: BackboneData, selection: Selection) -> Layout:
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
) -> tuple[dict[tuple[tuple[int, int], int], int], list[tuple[tuple[int, int], ...]]]:
    problem = instance.problem
    delays: dict[tuple[tuple[int, int], int], int] = {}
    overloaded: list[tuple[tuple[int, int], ...]] = []
    for index, grade_id in selection.backbone:
        link = backbone.links[index]
        for pair in (link.ends, link.ends[::-1]):
            streams = sorted(crossing.get(pair, ()))
            if not streams:
                continue
            queue = link_queue(instance, backbone, index, grade_id, pair, streams)
            bound = linear_link_bound(queue)
            if bound.overload is not None or bound.load_ppm > problem.backbone.load_share_ppm:
                overloaded.append((pair,))
            for j in streams:
                leg = bound.legs.get(instance.streams[j].id)
                delays[pair, j] = leg.total_ns if leg else 2**40
    return delays, overloaded


def link_queue(
    instance: Instance,
    backbone: BackboneData,
    index: int,
    grade_id: str,
    pair: tuple[int, int],
    streams: Iterable[int],
) -> LinkQueue:
    """Give one direction of a backbone link as the streams that cross it load it."""
    problem = instance.problem
    row = problem.catalogue.grades[grade_id]
    flows = tuple(
        LineFlow(
            s.id, s.frame_bytes, s.period_ns, s.jitter_ns, s.deadline_ns, s.pcp, s.deadline_ns
        )
        for s in (instance.streams[j] for j in streams)
    )
    return LinkQueue(
        id=f"{pair}",
        flows=flows,
        rate_bps=row.rate_bps,
        phy_ns=row.phy_tx_ns + row.phy_rx_ns,
        propagation_ns=propagation_ns(problem, grade_id, backbone.links[index].length_um),
    )
