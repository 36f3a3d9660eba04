"""From a selection to a layout: port numbers, segment ids, PLCA IDs, all in a fixed order."""

from __future__ import annotations

from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.solve.backbone import BackboneData
from partitioner.solve.instance import Instance
from partitioner.solve.master import Choice, Selection


def to_layout(instance: Instance, backbone: BackboneData, selection: Selection) -> Layout:
    """Number ports, segments and PLCA IDs of a selection.

    On each switch segments take the ports of their group in order of their first device in the
    file; PLCA IDs count outward from the switch, the arm after it first.
    """
    problem = instance.problem
    per_group: dict[tuple[int, int], list[Choice]] = {}
    for choice in selection.choices:
        port = instance.port_classes[choice.port]
        per_group.setdefault((port.switch, port.group), []).append(choice)
    segments: list[Segment] = []
    lines = links = 0
    for (s, group), choices in sorted(per_group.items()):
        switch = problem.switches[instance.switch_ids[s]]
        first = 1 + sum(g.count for g in switch.port_groups[:group])
        choices.sort(key=lambda c: min(c.column.devices))
        for offset, choice in enumerate(choices):
            column = choice.column
            data = instance.grades[column.grade]
            if data.is_line:
                lines += 1
                outward = column.out + column.back
                ids = {i: k for k, i in enumerate(outward, start=1)}
                segments.append(
                    Segment(
                        id=f"line-{lines:02d}",
                        switch=switch.id,
                        port=first + offset,
                        grade=data.id,
                        devices=tuple(instance.device_ids[i] for i in column.devices),
                        switch_index=len(column.back),
                        plca_ids=tuple(ids[i] for i in column.devices),
                        node_count=len(outward) + 1 + data.spare_ids,
                    )
                )
            else:
                links += 1
                segments.append(
                    Segment(
                        id=f"link-{links:02d}",
                        switch=switch.id,
                        port=first + offset,
                        grade=data.id,
                        devices=(instance.device_ids[column.devices[0]],),
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
