"""Places that a device could have in a layout: along each line, and at each free port."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import count as numbers

from partitioner.check.facts import Facts
from partitioner.check.laid import LaidSegment, lay
from partitioner.check.rules.registry import ALL_RULES
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem, Switch, SwitchPosition

_TIMING_RULES = frozenset({"load", "backbone-load", "overload", "deadline", "transfer"})
TIMED = tuple(r for r in ALL_RULES if r.name in _TIMING_RULES)
"""Rules that can be judged only after the timing was worked out anew."""
UNTIMED = tuple(r for r in ALL_RULES if r.name not in _TIMING_RULES)


def builds_matter(problem: Problem) -> bool:
    """Whether a build can break what the whole layout keeps.

    It can break only rules on failures then (see :mod:`partitioner.check.combinations`), so without
    any the builds need not be gone through.
    """
    return bool(problem.options and problem.failure_rules)


def lines_with(facts: Facts, line: Segment, device: str) -> list[LaidSegment]:
    """The line with one more device, laid at every place of it; the shortest first."""
    problem, network = facts.problem, facts.network
    places = places_on(line, device, problem.line.switch_position)
    found = (lay(problem, network, segment) for segment in places)
    return sorted(found, key=lambda s: s.geometry.length_um)


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


def lines_for(facts: Facts, device: str) -> list[tuple[int, Segment]]:
    """Lines of grades that a device can have, with the cable way to their nearest node in µm.

    Nearest first; the line that the device is on is left out.
    """
    grades = {c.grade for c in facts.problem.devices[device].grades}
    lines = [
        s.segment for s in facts.lines if s.grade.id in grades and device not in s.segment.devices
    ]
    nodes = list(dict.fromkeys(n for s in lines for n in (*s.devices, s.switch)))
    if not nodes:
        return []
    away_um = dict(zip(nodes, facts.network.matrix_um([device], nodes)[0].tolist(), strict=True))
    found = [(min(away_um[n] for n in (*s.devices, s.switch)), s) for s in lines]
    return sorted(found, key=lambda pair: (pair[0], pair[1].id))


def alone(facts: Facts, device: str) -> Iterator[tuple[Segment, Switch, bool]]:
    """A segment of its own for a device at each switch and grade, the nearest switches first.

    Each with its switch and whether there is a free port for it; where not, the segment has the
    number after the last port.
    """
    problem, network = facts.problem, facts.network
    for choice in problem.devices[device].grades:
        is_line = problem.catalogue.is_line(choice.grade)
        serving = switches_for(problem, choice.grade)
        serving.sort(key=lambda s: network.length_um(device, s.id))
        for switch in serving:
            free = free_port(facts.sound, switch, choice.grade)
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
            port for port, group in switch.ports.items()
            if port not in used and grade in group.grades
        ),
        None,
    )
