"""Places that a device could have in a layout: along each line, and at each free port."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import count as numbers

from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem, Switch, SwitchPosition
from partitioner.network.cable import CableNetwork

NEEDS_TIMING = frozenset({"load", "backbone-load", "overload", "deadline", "transfer"})
"""Rules that can be judged only after the timing was worked out anew."""


def places_on(segment: Segment, device: str, position: SwitchPosition) -> Iterator[Segment]:
    """The line with one more device, at every place along it that the line rules allow.

    The device takes the lowest PLCA ID that is free; the node count stays if it covers that.
    """
    number, index = len(segment.devices), segment.switch_index
    used = set(segment.plca_ids)
    free = next(id_ for id_ in numbers(1) if id_ not in used)
    for at in range(number + 1):
        devices = (*segment.devices[:at], device, *segment.devices[at:])
        ids = (*segment.plca_ids[:at], free, *segment.plca_ids[at:])
        # Right at the switch it may go to either side.
        for new_index in sorted({index + (at < index), index + (at <= index)}):
            if position is SwitchPosition.END and 0 < new_index < number + 1:
                continue
            yield replace(
                segment,
                devices=devices,
                plca_ids=ids,
                switch_index=new_index,
                node_count=max(segment.node_count, free + 1),
            )


def lines_for(
    problem: Problem, layout: Layout, network: CableNetwork, device: str
) -> list[tuple[int, Segment]]:
    """Lines of grades that a device can have, with the cable way to their nearest node in µm.

    Nearest first; the line that the device is on is left out.
    """
    grades = {c.grade for c in problem.devices[device].grades}
    lines = [
        s
        for s in layout.segments
        if s.grade in grades and problem.catalogue.is_line(s.grade) and device not in s.devices
    ]
    nodes = list(dict.fromkeys(n for s in lines for n in (*s.devices, s.switch)))
    if not nodes:
        return []
    away_um = dict(zip(nodes, network.matrix_um([device], nodes)[0].tolist(), strict=True))
    found = [(min(away_um[n] for n in (*s.devices, s.switch)), s) for s in lines]
    return sorted(found, key=lambda pair: (pair[0], pair[1].id))


def alone(
    problem: Problem, layout: Layout, network: CableNetwork, device: str
) -> Iterator[tuple[Segment, Switch, bool]]:
    """A segment of its own for a device at each switch and grade, the nearest switches first.

    Each with its switch and whether there is a free port for it; where not, the segment has the
    number after the last port.
    """
    for choice in problem.devices[device].grades:
        is_line = problem.catalogue.is_line(choice.grade)
        serving = switches_for(problem, choice.grade)
        serving.sort(key=lambda s: network.length_um(device, s.id))
        for switch in serving:
            free = free_port(layout, switch, choice.grade)
            reserve = problem.limits[choice.grade].reserve.nodes if is_line else 0
            made = Segment(
                id=f"{device}-alone",
                switch=switch.id,
                port=switch.port_count + 1 if free is None else free,
                grade=choice.grade,
                devices=(device,),
                plca_ids=(1,) if is_line else (),
                node_count=2 + reserve if is_line else 0,
            )
            yield made, switch, free is not None


def switches_for(problem: Problem, grade: str) -> list[Switch]:
    """Switches that have ports of a grade, candidates as well."""
    return [s for s in problem.switches.values() if any(grade in g.grades for g in s.port_groups)]


def free_port(layout: Layout, switch: Switch, grade: str) -> int | None:
    """The first port of a switch that is free for a segment of a grade; None if there is none."""
    used = {s.port for s in layout.segments if s.switch == switch.id}
    return next(
        (
            port
            for port in range(1, switch.port_count + 1)
            if port not in used and grade in switch.port_groups[switch.group_of_port(port)].grades
        ),
        None,
    )
