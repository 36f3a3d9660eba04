"""Devices without a home of their own, and plain counts of ports and switches."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from partitioner.errors import Conflict
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.precheck.blocks import Homes, load_alone_ppm
from partitioner.solve.precheck.statements import (
    Statements,
    called,
    ends_of,
    kept_free,
    name_of,
    named,
    raise_nodes,
    room_of_line,
    told,
)
from partitioner.units import MUL_PER_UNIT_LOAD, NS_PER_US, PPM, ceil_div, from_base
from partitioner.wording import count, metres, percent, to_whole_cm, unit_loads


def homeless(builder: ColumnBuilder) -> list[Conflict]:
    """Devices that no segment can take even alone, each with the rule that stops it."""
    found: dict[Conflict, None] = {}
    late = set[str]()
    for i in range(builder.instance.n):
        builder.instance.look()
        conflicts = _homeless(builder, i)
        if conflicts is None:
            continue
        if conflicts[0].rule in ("deadline", "transfer"):
            # Both ends of it may have no home; it is told once.
            stream = conflicts[0].subjects[0]
            conflicts = conflicts[stream in late :]
            late.add(stream)
        found.update(dict.fromkeys([*conflicts, *_pinned_away(builder, i)]))
    return list(_told_together(found))


def _told_together(conflicts: Iterable[Conflict]) -> Iterator[Conflict]:
    """Conflicts that say the same of several devices, told in one, at the place of the first.

    ``{who}`` in a sentence stands for the first subject.
    """
    alike: dict[tuple[str, str, str], list[tuple[str, ...]]] = {}
    for c in conflicts:
        alike.setdefault((c.rule, c.sentence, c.way_out), []).append(c.subjects)
    for (rule, sentence, way_out), subjects in alike.items():
        whom = list(dict.fromkeys(id_ for each in subjects for id_ in each[:1]))
        rest = dict.fromkeys(id_ for each in subjects for id_ in each[1:])
        yield Conflict(
            rule, (*whom, *rest), sentence.replace("{who}", named(whom)),
            way_out.replace("{who}", named(whom)),
        )


def by_counting(builder: ColumnBuilder) -> list[Conflict]:
    """More devices than there are ports, or switches, for them."""
    return (
        _too_few_ports(builder) or _too_few_switches(builder) or _too_many_to_lose(builder)
    )


def _homeless(
    builder: ColumnBuilder, device: int, *, is_pinned: bool = True
) -> list[Conflict] | None:
    """Why a device fits on no segment, if so: the rules that stop its nearest chance.

    ``is_pinned``: only where it may hang; else at any switch.
    """
    inst = builder.instance
    ident = inst.device_ids[device]
    group = next((g for g in inst.together if device in g and len(g) > 1), None)
    reasons: list[tuple[int, list[Conflict]]] = []
    near = sorted(inst.port_classes, key=lambda p: int(inst.switch_um[p.switch, device]))
    for port in near:
        data = inst.grades[port.grade]
        if is_pinned and not inst.may_hang[device, port.switch]:
            continue
        has_grade = any(
            c.grade == data.id for c in inst.problem.devices[ident].grades
        )
        if not has_grade:
            continue
        if group is not None:
            # Alone it may not be; whether the whole group fits is looked at with the others.
            return None
        if not inst.can[device, port.grade]:
            reasons.append((1, [_own_limits(builder, device, port.grade)]))
            continue
        if builder.alone(port.switch, port.grade, device) is not None:
            return None
        length = int(inst.switch_um[port.switch, device]) + builder.slack_alone_um()
        if length > data.max_length_um:
            reasons.append((2, [_out_of_reach(builder, device, port.switch, port.grade, length)]))
            continue
        if load_alone_ppm(builder, [device], port.grade) > data.load_cap_ppm:
            reasons.append((3, [_load_conflict(builder, device, port.grade)]))
            continue
        if not inst.may_hang[device, port.switch] and not (
            builder.latency.late_alone(port.grade, device)
        ):
            return None
        if data.is_line and (data.spacing_min_um or inst.may_be_joined(device, port.grade)):
            # Another device may stand between it and a switch that is too near.
            # On one line with a partner a stream does not pass the port: a line of this device
            # alone is then no proof.
            return None
        reasons.append((4, _latency_conflicts(builder, device, port.switch, port.grade)))
    if not reasons:
        grades = " or ".join(c.grade for c in inst.problem.devices[ident].grades)
        return [Conflict(
            "port-grade",
            (ident,),
            f"No switch that {ident} may hang on has a port for {grades}.",
            f"give one of these switches a port for {grades}",
        )]
    return max(reasons, key=lambda r: r[0])[1]


def _out_of_reach(
    builder: ColumnBuilder, device: int, switch: int, grade: int, length_um: int
) -> Conflict:
    inst, data = builder.instance, builder.instance.grades[grade]
    over_um = to_whole_cm(length_um - data.max_length_um)
    kept_um = inst.problem.limits[data.id].reserve.length_um
    less = f", keep {metres(over_um)} less of it free," if kept_um >= over_um else ""
    return Conflict(
        "length",
        (inst.device_ids[device], inst.switch_ids[switch]),
        f"It takes {metres(to_whole_cm(length_um))} of cable from {inst.switch_ids[switch]} to "
        f"{{who}}: {metres(over_um)} more than a segment of {data.id} may have "
        f"({metres(data.max_length_um)}{kept_free(kept_um)}).",
        f"raise the length limit of {data.id} by {metres(over_um)}{less} or place a switch nearer",
    )


def _pinned_away(builder: ColumnBuilder, device: int) -> Iterator[Conflict]:
    """The pin of a device, if another switch might take it."""
    inst = builder.instance
    ident = inst.device_ids[device]
    pinned = inst.problem.devices[ident].pinned_switches
    if pinned is None:
        return
    if _homeless(builder, device, is_pinned=False) is None:
        yield Conflict(
            "pin", (ident, *pinned), f"Pinned to {' or '.join(pinned)}: {{who}}.",
            "let {who} hang on another switch too",
        )


def _own_limits(builder: ColumnBuilder, device: int, grade: int) -> Conflict:
    inst = builder.instance
    data = inst.grades[grade]
    ident = inst.device_ids[device]
    stub = int(inst.stub_um[device])
    if data.is_line and stub > data.max_stub_um:
        return Conflict(
            "stub",
            (ident,),
            f"The stub of {ident} is {metres(stub)}, the limit for {data.id} is "
            f"{metres(data.max_stub_um)}.",
            f"shorten the stub of {ident} to {metres(data.max_stub_um)} or raise the stub limit of "
            f"{data.id} to {metres(stub)}",
        )
    if data.max_devices < 1:
        return Conflict(
            "nodes",
            (ident,),
            f"The node limit of {data.id} less the reserve leaves no room for any device.",
            raise_nodes(inst.problem.limits[data.id], data.id),
        )
    return Conflict(
        "unit-loads",
        (ident,),
        f"{ident} alone has {unit_loads(int(inst.unit_mul[device]))}, and a line of {data.id} "
        f"carries {unit_loads(data.unit_cap_mul)}.",
        f"raise the unit loads of {data.id} to "
        f"{from_base(int(inst.unit_mul[device]), MUL_PER_UNIT_LOAD):f}, or give {ident} another "
        f"PHY",
    )


def _load_conflict(builder: ColumnBuilder, device: int, grade: int) -> Conflict:
    inst, latency = builder.instance, builder.latency
    ident, data = inst.device_ids[device], inst.grades[grade]
    streams = [inst.streams[j] for j in inst.streams_of([device])]
    streams.sort(key=lambda s: (-s.frame_bytes / s.period_ns, s.id))
    ends = [(name_of(s), *ends_of(inst, s)) for s in streams]
    sent = [f"{id_} from {source} to {named(targets)}" for id_, source, targets in ends]
    load = load_alone_ppm(builder, [device], grade)
    reserve = inst.problem.limits[data.id].reserve.load_share_ppm
    over = (
        f"{percent(load)} of the time, its limit is {percent(data.load_cap_ppm)}"
        f"{kept_free(reserve)}"
        if load > latency.most_load(grade)
        else f"{percent(load)} of the time and come so that no delay has a bound"
    )
    return Conflict(
        "load",
        tuple(dict.fromkeys((ident, *(n for i, s, t in ends for n in (i, s, *t))))),
        f"The {'transfers and ' * any(s.is_transfer for s in streams)}streams of {ident} alone "
        f"keep a segment of {data.id} busy {over}: {named(sent)}.",
        ", ".join([
            *([f"raise the load share of {data.id} to {percent(load + reserve)}"]
              if latency.most_load(grade) < load <= PPM - reserve else []),
            f"give transfer {name_of(streams[0])} longer" if streams[0].is_transfer
            else "send less or less often",
            f"or give {ident} a faster grade",
        ]),
    )


def _latency_conflicts(
    builder: ColumnBuilder, device: int, switch: int, grade: int
) -> list[Conflict]:
    """A stream that is late, and what keeps its other end off the line where it would not be."""
    inst = builder.instance
    ident = inst.device_ids[device]
    data = inst.grades[grade]
    late = builder.latency.late_alone(grade, device)
    if late:
        stream, bound_ns, limit_ns = late[0]
        number, homes, backbone = builder.latency.number, Homes(builder), BackboneData(inst)
        sent = inst.streams[number[stream]]
        source, targets = ends_of(inst, sent)
        keeping = {id_: homes.keeps_off(number[id_], device, grade) for id_, _, _ in late}
        statements = Statements(inst, backbone)
        others = [statements[key] for key in sorted(keeping[stream])]

        def remedy(id_: str, least_ns: int) -> str:
            if inst.streams[number[id_]].is_transfer:
                return f"give {id_} longer"
            if any(statements[key].rule in ("apart-switch", "failure") for key in keeping[id_]):
                # The other end is on another switch, a link further.
                least_ns += builder.latency.least_forward_ns + backbone.direct_link_ns(number[id_])
            return f"relax the deadline of {id_} to {ceil_div(least_ns, NS_PER_US)} µs at least"

        return [Conflict(
            "transfer" if sent.is_transfer else "deadline",
            tuple(dict.fromkeys((name_of(sent), ident, source, *targets))),
            f"{called(sent)} from {source} to {named(targets)} takes {bound_ns / 1000:.2f} µs at "
            f"the least where {ident} has a segment of {data.id} to itself, with the PLCA settings "
            f"of the problem; its {'pace' if sent.is_transfer else 'deadline'} is "
            f"{limit_ns / 1000:.2f} µs.",
            " and ".join(remedy(id_, least_ns) for id_, least_ns, _ in late),
        ), *told(others, others, [])]
    if not builder.latency.fits_alone(grade, device):
        return [_load_conflict(builder, device, grade)]
    return [Conflict(
        "segment",
        (ident, inst.switch_ids[switch]),
        f"{ident} cannot hang on {inst.switch_ids[switch]} by {data.id} under the rules of lines.",
    )]


def _too_few_ports(builder: ColumnBuilder) -> list[Conflict]:
    inst = builder.instance
    links = [g for g, data in enumerate(inst.grades) if not data.is_line]
    lines_only = int((~inst.can[:, links].any(axis=1)).sum())
    out = []
    groups: dict[tuple[int, int], int] = {}
    for port in inst.port_classes:
        data = inst.grades[port.grade]
        room = data.max_devices if data.is_line else 0
        key = (port.switch, port.group)
        groups[key] = max(groups.get(key, 0), room * port.count)
    room = sum(groups.values())
    if lines_only > room:
        out.append(
            Conflict(
                "port-exists",
                tuple(inst.switch_ids),
                f"{lines_only} devices need a shared line, and all line ports together "
                f"have room for {room}.",
                f"add {count(_more_lines(builder, lines_only - room), 'line port')} at least",
            )
        )
        out += [
            Conflict(
                "nodes",
                (data.id,),
                room_of_line(inst.problem.limits[data.id], data),
                raise_nodes(inst.problem.limits[data.id], data.id),
            )
            for data in inst.grades if data.is_line
        ]
    for g in links:
        data = inst.grades[g]
        only = np.flatnonzero(inst.can[:, g] & (inst.can.sum(axis=1) == 1)).tolist()
        ports = sum(p.count for p in inst.port_classes if p.grade == g)
        if len(only) > ports:
            out.append(
                Conflict(
                    "port-exists",
                    tuple(inst.switch_ids),
                    f"{len(only)} devices need a port of {data.id} each, and the switches have "
                    f"{ports}.",
                    f"add {count(len(only) - ports, 'port')} of {data.id}",
                )
            )
            for i in only:
                device = inst.problem.devices[inst.device_ids[i]]
                out += [
                    _own_limits(builder, i, inst.grade_index[c.grade])
                    for c in device.grades
                    if c.grade != data.id and c.grade in inst.grade_index
                ]
    return out


def _more_lines(builder: ColumnBuilder, devices: int) -> int:
    """Lines that so many devices fill at the least."""
    inst = builder.instance
    most = max((inst.grades[g].max_devices for g in inst.line_grades), default=1)
    return ceil_div(devices, max(1, most))


def _too_few_switches(builder: ColumnBuilder) -> list[Conflict]:
    inst = builder.instance
    return [
        Conflict(
            "apart-switch",
            tuple(inst.device_ids[i] for i in members),
            f"{len(members)} devices must each hang on another switch, and there are "
            f"{inst.switch_count}: {named(inst.device_ids[i] for i in members)}.",
            f"add {count(len(members) - inst.switch_count, 'switch', 'switches')}",
        )
        for members in inst.apart_switch
        if len(members) > inst.switch_count
    ]


def _too_many_to_lose(builder: ColumnBuilder) -> list[Conflict]:
    """Failure rules that no split over the switches keeps."""
    inst = builder.instance
    return [
        Conflict(
            "failure",
            (rule.id, *(inst.device_ids[i] for i in members)),
            f"Rule {rule.id} lets one switch carry {cap} of its {len(members)} devices at most, "
            f"and there are {inst.switch_count} switches.",
            f"let rule {rule.id} allow {-(-len(members) // inst.switch_count)} to be lost",
        )
        for (members, cap), rule in zip(inst.loss_caps, inst.problem.failure_rules, strict=True)
        if inst.switch_count and len(members) > cap * inst.switch_count
    ]
