"""From a selection to a layout: port numbers, segment ids, PLCA IDs, all in a fixed order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import count

from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.solve.backbone import BackboneData
from partitioner.solve.change import ChangeModel, plca_ids
from partitioner.solve.instance import Instance
from partitioner.solve.master import Choice, Selection


def to_layout(
    instance: Instance,
    backbone: BackboneData,
    selection: Selection,
    change: ChangeModel | None = None,
) -> Layout:
    """Number ports, segments and PLCA IDs of a selection.

    On each switch segments take the ports of their group in order of their first device in the
    file; PLCA IDs count outward from the switch, the arm after it first. Where an earlier layout
    is given (by ``change``), a segment that carries on one of its segments keeps the name and, on
    the same port group, the port; devices keep the PLCA IDs below the node count of their line.
    """
    problem = instance.problem
    carried = _carried(change, selection)
    taken_names = set() if change is None else {old.segment.id for old in change.olds}
    per_group: dict[tuple[int, int], list[Choice]] = {}
    for choice in selection.choices:
        port = instance.port_classes[choice.port]
        per_group.setdefault((port.switch, port.group), []).append(choice)
    segments: list[Segment] = []
    line_names, link_names = _names("line", taken_names), _names("link", taken_names)
    for (s, group), choices in sorted(per_group.items()):
        switch = problem.switches[instance.switch_ids[s]]
        first = 1 + sum(g.count for g in switch.port_groups[:group])
        ports = _ports(first, choices, carried, change)
        choices.sort(key=lambda c: (ports[c], min(c.column.devices)))
        for choice in choices:
            column = choice.column
            data = instance.grades[column.grade]
            number = carried.get(choice)
            old = None if change is None or number is None else change.olds[number].segment
            names = line_names if data.is_line else link_names
            outward = tuple(instance.device_ids[i] for i in column.out + column.back)
            wishes = [] if change is None else change.id_wishes(column, number)
            ids = plca_ids(outward, wishes, column.node_count - 1)
            devices = tuple(instance.device_ids[i] for i in column.devices)
            switch_index = len(column.back)
            if old is not None and _is_turned(devices, switch_index, old):
                devices, switch_index = devices[::-1], len(devices) - switch_index
            segments.append(
                Segment(
                    id=next(names) if old is None else old.id,
                    switch=switch.id,
                    port=ports[choice],
                    grade=data.id,
                    devices=devices,
                    switch_index=switch_index if data.is_line else 0,
                    plca_ids=tuple(ids[d] for d in devices) if data.is_line else (),
                    node_count=column.node_count,
                )
            )
    built = []
    for index, grade in sorted(selection.backbone):
        ends = tuple(instance.switch_ids[e] for e in backbone.links[index].ends)
        built.append(BuiltLink((ends[0], ends[1]), grade))
    return Layout(
        problem_name=problem.name,
        problem_digest=problem.digest,
        open_switches=tuple(instance.switch_ids[s] for s in sorted(selection.open_switches)),
        backbone=tuple(built),
        segments=tuple(segments),
    )


def _carried(change: ChangeModel | None, selection: Selection) -> dict[Choice, int]:
    """The old segment (its number) that each choice carries on."""
    if change is None:
        return {}
    found, _ = change.carried_on(selection.choices)
    return {choice: o for choice, o in zip(selection.choices, found, strict=True) if o is not None}


def _names(kind: str, taken: set[str]) -> Iterator[str]:
    return (name for n in count(1) if (name := f"{kind}-{n:02d}") not in taken)


def _ports(
    first: int, choices: Sequence[Choice], carried: Mapping[Choice, int], change: ChangeModel | None
) -> dict[Choice, int]:
    """Port numbers of the segments of one port group, whose first port is given."""
    ports: dict[Choice, int] = {}
    if change is not None:
        for choice in choices:
            number = carried.get(choice)
            if number is not None and change.keeps_port(choice.column, choice.port, number):
                ports[choice] = change.olds[number].segment.port
    used = set(ports.values())
    free = (p for p in count(first) if p not in used)
    for choice in sorted(choices, key=lambda c: min(c.column.devices)):
        if choice not in ports:
            ports[choice] = next(free)
    return ports


def _is_turned(devices: Sequence[str], switch_index: int, old: Segment) -> bool:
    """Whether a line reads more like the old one from its other end."""
    rank = {d: (k, k >= old.switch_index) for k, d in enumerate(old.devices)}
    same = sum(rank[d][1] == (k >= switch_index) for k, d in enumerate(devices) if d in rank)
    other = sum(d in rank for d in devices) - same
    return other > same
