"""From a layout to columns: what of it still fits the problem."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from partitioner.model.layout import Layout, Segment
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.master import Choice, Selection, selection_cost
from partitioner.visible import some_of

MOST_NAMED = 10
"""Most devices named that a layout to start from lacks."""


@dataclass(slots=True)
class Start:
    """A layout to start from, as far as it can be used.

    ``columns`` are its usable segments, or what is left of them; ``selection`` is all of it, where
    every device is on one segment and nothing was unusable; whether its segments go together is
    not looked at here. ``unusable`` tells the rest, a sentence each.
    """

    columns: list[Column] = field(default_factory=list)
    selection: Selection | None = None
    unusable: list[str] = field(default_factory=list)


def columns_of(builder: ColumnBuilder, layout: Layout) -> list[Column]:
    """Columns of the segments that are still allowed.

    Devices, switches, grades and ports the problem does not have any more are passed over; a line
    keeps its remaining devices in their order. Ports and PLCA IDs are not part of a column.
    """
    made = (_column_of(builder, segment) for segment in layout.segments)
    return [c for c in made if c is not None]


def _column_of(builder: ColumnBuilder, segment: Segment) -> Column | None:
    inst = builder.instance
    s = inst.switch_index.get(segment.switch)
    g = inst.grade_index.get(segment.grade)
    if s is None or g is None or (s, g) not in inst.ports_of:
        return None
    out, back = _known_arms(inst, segment)
    if inst.grades[g].is_line:
        return builder.line(s, g, out, back) if out or back else None
    known = [*back, *out]
    return builder.link(s, g, known[0]) if known else None


def _known_arms(inst: Instance, segment: Segment) -> tuple[list[int], list[int]]:
    """Devices of the two arms that the problem has, each once and outward from the switch."""
    first = {d: k for k, d in reversed(list(enumerate(segment.devices)))}
    known = sorted((k, inst.index[d]) for d, k in first.items() if d in inst.index)
    out = [i for k, i in known if k >= segment.switch_index]
    return out, [i for k, i in known if k < segment.switch_index][::-1]


def read_start(builder: ColumnBuilder, backbone: BackboneData, layout: Layout) -> Start:
    """Find out what of a layout, whole or in part, a search can start from."""
    inst = builder.instance
    start = Start()
    choices = []
    on: dict[str, list[str]] = defaultdict(list)
    known = {s.id for s in layout.segments if not inst.index.keys().isdisjoint(s.devices)}
    if not known:
        start.unusable.append("nothing of it can be used: the problem has none of its devices")
    for segment in layout.segments:
        for device in segment.devices:
            on[device].append(segment.id)
        has_place = segment.switch in inst.switch_index
        if not known and has_place:
            continue
        choice = _choice_of(builder, segment, start)
        if choice is not None:
            choices.append(choice)
    for device, segments in on.items():
        if device not in inst.index:
            # Of a segment with no device of the problem as much is said already.
            if segments[0] in known:
                start.unusable.append(
                    f"{segments[0]}: the problem has no device {device}; the rest of it is used"
                )
        elif len(segments) > 1:
            start.unusable.append(f"{device} is there twice, on {' and '.join(segments)}")
    missing = [d for d in inst.device_ids if d not in on]
    if missing and known:
        noun = "device" if len(missing) == 1 else "devices"
        start.unusable.append(f"no segment has the {noun} {some_of(missing, MOST_NAMED)}")
    opened, built = _switches_and_links(inst, backbone, layout, start)
    if not start.unusable:
        cost = selection_cost(inst, backbone, choices, opened, built)
        start.selection = Selection(tuple(choices), opened, built, cost)
    return start


def _choice_of(builder: ColumnBuilder, segment: Segment, start: Start) -> Choice | None:
    """The segment on its port; what of it can be used goes into ``start`` in any case."""
    inst = builder.instance
    column = _column_of(builder, segment)
    s, g = inst.switch_index.get(segment.switch), inst.grade_index.get(segment.grade)
    if column is None:
        if s is None:
            why = f"the problem has no switch {segment.switch}"
        elif not any(_known_arms(inst, segment)):
            why = "the problem has none of its devices"
        elif g is None or (s, g) not in inst.ports_of:
            why = f"no port of {segment.switch} serves grade {segment.grade}"
        else:
            why = _why_not(builder, segment, s, g)
            if inst.grades[g].is_line:
                pieces = [
                    c for arm in _known_arms(inst, segment)
                    for c in builder.allowed_pieces(s, g, tuple(arm))
                ]
                start.columns += pieces
                why += "; pieces of it are used" if pieces else ""
        start.unusable.append(f"{segment.id}: {why}")
        return None
    start.columns.append(column)
    if len(column.devices) < len(segment.devices):
        if not inst.grades[column.grade].is_line:
            start.unusable.append(f"{segment.id}: a link has one device")
        return None
    group = inst.problem.switches[segment.switch].group_of_port(segment.port)
    for p in inst.ports_of[column.switch, column.grade]:
        if inst.port_classes[p].group == group:
            return Choice(column, p)
    start.unusable.append(
        f"{segment.id}: port {segment.port} of {segment.switch} does not serve {segment.grade}"
    )
    return None


def _why_not(builder: ColumnBuilder, segment: Segment, s: int, g: int) -> str:
    """Which kind of rule a segment breaks by itself."""
    inst = builder.instance
    out, back = _known_arms(inst, segment)
    devices = frozenset([*out, *back])
    for i in sorted(devices):
        if not inst.may_hang[i, s]:
            return f"{inst.device_ids[i]} may not hang on {segment.switch}"
        if not inst.can[i, g]:
            return f"{inst.device_ids[i]} cannot be on {segment.grade}"
    if inst.grades[g].is_line:
        most = inst.grades[g].max_devices
        if len(devices) > most:
            return f"it has {len(devices)} devices, of which {most} may be on a line"
        if not builder.set_allowed(g, devices):
            return "its devices break a rule on who shares a line"
        if builder.latency.line(g, devices) is None:
            return "a stream on it is late, whatever the rest of the layout is"
    return "it is too long, or its cable breaks another rule"


def _switches_and_links(
    inst: Instance, backbone: BackboneData, layout: Layout, start: Start
) -> tuple[tuple[int, ...], tuple[tuple[int, str], ...]]:
    """Open switches and built links by number."""
    built = []
    for made in layout.backbone:
        ends = {inst.switch_index.get(e) for e in made.ends}
        for k, link in enumerate(backbone.links):
            if set(link.ends) == ends and made.grade in link.grades:
                built.append((k, made.grade))
                break
        else:
            start.unusable.append(
                f"no {made.grade} link of the backbone may be built between "
                f"{made.ends[0]} and {made.ends[1]}"
            )
    unknown = [s for s in layout.open_switches if s not in inst.switch_index]
    start.unusable += [f"the problem has no switch {s}, which is open" for s in unknown]
    opened = sorted({inst.switch_index[s] for s in layout.open_switches if s not in unknown})
    return tuple(opened), tuple(sorted(built))
