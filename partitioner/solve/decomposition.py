"""Large problems cut into parts that are planned as small problems of their own.

A part is a set of neighbouring devices with the ports it may use. What a part cannot see is put
in a form it can: the far end of a stream that leaves the part becomes a switch, and the deadline
is shortened by the least that the far segment takes. What is planned for a part is proposed to
the whole problem and judged there again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    Device,
    PortGroup,
    Problem,
    Stream,
    Switch,
    Transfer,
)
from partitioner.solve.arrays import Floats
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.master import Selection
from partitioner.solve.split import split

NEAR_SWITCHES = 3
"""Each device brings its nearest switches into its part."""


@dataclass(frozen=True, slots=True)
class Part:
    """Devices that lie together; ``ports``: by (switch, port group) how many they may use."""

    devices: tuple[int, ...]
    ports: dict[tuple[int, int], int]


def parts_of_devices(instance: Instance, most: int) -> list[Part]:
    """Cut all devices into parts of about ``most`` at most; groups that belong together stay so.

    Ports of a switch are shared out by how many devices have it near, rounded up, so that the
    parts together may use more than there are.
    """
    units = list(dict.fromkeys(instance.unit_of))
    # A line half empty at the end of each part would cost a port each.
    block = max((instance.grades[g].max_devices for g in instance.line_grades), default=1)
    parts = _cut(instance, units, most, 0.0, block)
    total = port_counts(instance)
    share = _votes(instance, parts)
    return [
        Part(
            devices,
            {key: int(np.ceil(count * share[r, key[0]])) for key, count in total.items()},
        )
        for r, devices in enumerate(parts)
    ]


def parts_of_layout(
    instance: Instance, selection: Selection, most: int, shift: float
) -> list[Part]:
    """Cut a layout between its segments into parts of about ``most`` devices at most.

    A part may use the ports its segments have and its share of those that are free.
    """
    choices = selection.choices
    units = [c.column.devices for c in choices] + [(i,) for i in selection.left_out]
    parts = _cut(instance, units, most, shift)
    part_of = {i: r for r, devices in enumerate(parts) for i in devices}
    free = port_counts(instance)
    used = [Counter[tuple[int, int]]() for _ in parts]
    for choice in choices:
        port = instance.port_classes[choice.port]
        used[part_of[choice.column.devices[0]]][port.switch, port.group] += 1
        free[port.switch, port.group] -= 1
    share = _votes(instance, parts)
    return [
        Part(
            devices,
            {
                key: used[r][key] + int(max(0, count) * share[r, key[0]] + 1e-9)
                for key, count in free.items()
            },
        )
        for r, devices in enumerate(parts)
    ]


def port_counts(instance: Instance) -> Counter[tuple[int, int]]:
    """How many ports each (switch, port group) has."""
    return Counter({(p.switch, p.group): p.count for p in instance.port_classes})


def _cut(
    instance: Instance, units: Sequence[Sequence[int]], most: int, shift: float, block: int = 1
) -> list[tuple[int, ...]]:
    """Devices of each part; those of a unit lie where they do on average."""
    points = np.array([instance.positions_um[list(u)].mean(axis=0) for u in units])
    # A unit counts as often as it has devices; it goes where its first device falls.
    owner = np.concatenate([np.full(len(u), k) for k, u in enumerate(units)])
    taken: set[int] = set()
    parts = []
    for part in split(points[owner], most, shift, block):
        group = [k for k in dict.fromkeys(owner[np.sort(part)].tolist()) if k not in taken]
        taken.update(group)
        if group:
            parts.append(tuple(sorted(i for k in group for i in units[k])))
    return parts


def _votes(instance: Instance, parts: Sequence[Sequence[int]]) -> Floats:
    """Float (parts, switches): which share of each switch a part needs, by nearness."""
    reach = np.where(instance.finds_port.T, instance.switch_um, np.int64(2**50))
    near = np.argsort(reach, axis=0, kind="stable")[:NEAR_SWITCHES]
    votes = np.zeros((len(parts), instance.switch_count))
    for r, devices in enumerate(parts):
        for rank in range(near.shape[0]):
            np.add.at(votes[r], near[rank, list(devices)], 1.0 / 4**rank)
    share: Floats = votes / np.maximum(votes.sum(axis=0, keepdims=True), 1e-9)
    return share


# -- a part as a problem ------------------------------------------------------------------------


def part_problem(builder: ColumnBuilder, part: Part) -> Problem:
    """Make a part a problem of its own.

    The backbone is taken as built whole at its fastest, candidate switches cost the share of
    their price that the part has of their ports, and rules about sets of devices are cut down to
    those inside: all this only guides what is proposed.
    """
    inst = builder.instance
    problem = inst.problem
    inside = {inst.device_ids[i] for i in part.devices}
    streams = _streams_inside(builder, part, inside)
    transfers = _transfers_inside(inst, inside)
    sendings: list[Stream | Transfer] = [*streams.values(), *transfers.values()]
    ends = {end for sent in sendings for end in (sent.source, *sent.destinations)}
    cut = (replace(g, devices=tuple(d for d in g.devices if d in inside)) for g in problem.groups)
    sets = [g for g in cut if len(g.devices) > 1]
    set_ids = {g.id for g in sets}
    switches = {}
    for s, (id_, switch) in enumerate(problem.switches.items()):
        groups = tuple(
            replace(g, count=part.ports.get((s, k), 0))
            for k, g in enumerate(switch.port_groups)
            if part.ports.get((s, k), 0) > 0
        )
        if groups or id_ in ends or problem.backbone.links:
            switches[id_] = _switch(switch, groups)
    return replace(
        problem,
        switches=switches,
        backbone=replace(
            problem.backbone,
            shape=BackboneShape.FIXED,
            links=tuple(_fastest(problem, link) for link in problem.backbone.links),
        ),
        devices={
            d: _pinned_within(device, switches)
            for d, device in problem.devices.items()
            if d in inside
        },
        groups=tuple(sets),
        streams=streams,
        transfers=transfers,
        failure_rules=tuple(
            rule for rule in problem.failure_rules if rule.group is None or rule.group in set_ids
        ),
        forecast=(),
    )


def _switch(switch: Switch, groups: tuple[PortGroup, ...]) -> Switch:
    """Give a switch the part's ports; a candidate costs its share of them."""
    price = switch.price_money
    if not switch.required and switch.port_count:
        price = price * sum(g.count for g in groups) // switch.port_count
    return replace(switch, port_groups=groups, price_money=price)


def _pinned_within(device: Device, switches: Iterable[str]) -> Device:
    if device.pinned_switches is None:
        return device
    return replace(
        device, pinned_switches=tuple(s for s in device.pinned_switches if s in switches)
    )


def _fastest(problem: Problem, link: BackboneLink) -> BackboneLink:
    rate = {g: problem.catalogue.grades[g].rate_bps for g in link.grades}
    return replace(link, grades=(max(rate, key=lambda g: rate[g]),) if rate else ())


def _nearest_switch(inst: Instance, device: str) -> str:
    serving = sorted({p.switch for p in inst.port_classes}) or range(inst.switch_count)
    i = inst.index[device]
    return inst.switch_ids[min(serving, key=lambda s: (int(inst.switch_um[s, i]), s))]


def _ends_inside(
    inst: Instance, source: str, destinations: Sequence[str], inside: set[str]
) -> tuple[str, tuple[str, ...]] | None:
    """Ends with each device outside put at its nearest switch; None if none is inside."""
    if source not in inside and inside.isdisjoint(destinations):
        return None

    def seen(end: str) -> str:
        return end if end in inside or end in inst.switch_index else _nearest_switch(inst, end)

    start = seen(source)
    ends = tuple(dict.fromkeys(seen(d) for d in destinations))
    return start, tuple(e for e in ends if e != start) or ends


def _streams_inside(builder: ColumnBuilder, part: Part, inside: set[str]) -> dict[str, Stream]:
    inst = builder.instance
    known = inst.problem.streams
    out = {}
    for j in sorted(inst.streams_of(part.devices)):
        data = inst.streams[j]
        stream = known.get(data.id)
        if stream is None:
            continue
        ends = _ends_inside(inst, stream.source, stream.destinations, inside)
        assert ends is not None
        outside = [
            t.device
            for t in data.targets
            if t.device is not None and inst.device_ids[t.device] not in inside
        ]
        taken = max((builder.latency.least_down(j, d) for d in outside), default=0)
        if stream.source not in inside:
            taken += builder.latency.least_up(j)
        out[stream.id] = replace(
            stream,
            source=ends[0],
            destinations=ends[1],
            deadline_ns=max(1, stream.deadline_ns - taken),
        )
    return out


def _transfers_inside(inst: Instance, inside: set[str]) -> dict[str, Transfer]:
    out = {}
    for id_, transfer in inst.problem.transfers.items():
        ends = _ends_inside(inst, transfer.source, transfer.destinations, inside)
        if ends is not None:
            out[id_] = replace(transfer, source=ends[0], destinations=ends[1])
    return out
