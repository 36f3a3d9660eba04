"""Rules on names, places and ports: each device has one home that can take it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from partitioner.check.facts import Facts
from partitioner.check.laid import LaidSegment
from partitioner.check.rules.measure import Breach
from partitioner.check.rules.rule import Chapter
from partitioner.model.assessment import COMPLETE
from partitioner.model.layout import link_name
from partitioner.model.problem import Group, GroupKind, SwitchPosition
from partitioner.wording import agree, count, listed

CHAPTER = Chapter("Names and places")


@CHAPTER.rule(
    "known-names",
    "Every switch, device and grade that the layout names stands in the problem.",
)
def _known_names(facts: Facts) -> Iterator[Breach]:
    problem, layout = facts.problem, facts.layout
    for segment in layout.segments:
        if segment.switch not in problem.switches:
            yield (
                (segment.id, segment.switch),
                f"{segment.id} hangs on {segment.switch}, which is no switch of the problem.",
            )
        if segment.grade not in problem.catalogue.grades:
            yield (
                (segment.id, segment.grade),
                f"{segment.id} is of grade {segment.grade}, which the catalogue does not have.",
            )
        for device in segment.devices:
            if device not in problem.devices:
                yield (
                    (segment.id, device),
                    f"{segment.id} visits {device}, which is no device of the problem.",
                )
    for switch in layout.open_switches:
        if switch not in problem.switches:
            yield (switch,), f"{switch} is open but is no switch of the problem."
    for link in layout.backbone:
        for end in link.ends:
            if end not in problem.switches:
                yield (
                    link.ends,
                    f"The backbone link {link_name(*link.ends)} ends at {end}, which is no switch "
                    f"of the problem.",
                )
        if link.grade not in problem.catalogue.grades:
            yield (
                link.ends,
                f"The backbone link {link_name(*link.ends)} is of grade {link.grade}, which the "
                f"catalogue does not have.",
            )


@CHAPTER.rule("segment-once", "No two segments have the same id.")
def _segment_once(facts: Facts) -> Iterator[Breach]:
    for id_, times in Counter(s.id for s in facts.layout.segments).items():
        if times > 1:
            yield (id_,), f"{times} segments are called {id_}."


@CHAPTER.rule(
    COMPLETE,
    "Every device of the problem is on a segment.",
    note="A layout that breaks this rule only is incomplete: the rest of it is judged as ever, "
    "streams from and to what is missing aside.",
)
def _complete(facts: Facts) -> Iterator[Breach]:
    placed = {device for segment in facts.layout.segments for device in segment.devices}
    for device in facts.problem.devices:
        if device not in placed:
            yield (device,), f"{device} is on no segment."


@CHAPTER.rule("device-once", "No device is on two segments, or on one of them twice.")
def _device_once(facts: Facts) -> Iterator[Breach]:
    homes: dict[str, list[str]] = {device: [] for device in facts.problem.devices}
    for segment in facts.layout.segments:
        for device in segment.devices:
            if device in homes:
                homes[device].append(segment.id)
    for device, segments in homes.items():
        if len(segments) > 1:
            yield (
                (device, *dict.fromkeys(segments)),
                f"{device} is placed {len(segments)} times, on {listed(segments)}.",
            )


@CHAPTER.rule(
    "segment-devices",
    "A point-to-point link carries exactly one device, a line at least one.",
    by_segment=True,
)
def _segment_devices(facts: Facts) -> Iterator[Breach]:
    for segment in facts.layout.segments:
        grade = facts.problem.catalogue.grades.get(segment.grade)
        if grade is None:
            continue
        number = len(segment.devices)
        if not grade.is_line and number != 1:
            yield (
                (segment.id,),
                f"{segment.id} is a point-to-point link of {grade.id} and carries exactly 1 "
                f"device; it has {number}.",
            )
        elif number == 0:
            yield (segment.id,), f"{segment.id} carries no device."


@CHAPTER.rule(
    "port-exists",
    "A segment ends at a port that its switch has.",
    keys=("switches.*.ports.*.count",),
    note="Ports are numbered from 1 through the port groups of the switch, in the order of the "
    "file.",
    by_segment=True,
)
def _port_exists(facts: Facts) -> Iterator[Breach]:
    for segment in facts.layout.segments:
        switch = facts.problem.switches.get(segment.switch)
        if switch is not None and not 1 <= segment.port <= switch.port_count:
            yield (
                (segment.id, switch.id),
                f"{segment.id} ends at port {segment.port} of {switch.id}, which has "
                f"{count(switch.port_count, 'port')}.",
            )


@CHAPTER.rule("port-once", "A port is used by one segment at most.")
def _port_once(facts: Facts) -> Iterator[Breach]:
    users: dict[tuple[str, int], list[str]] = {}
    for segment in facts.layout.segments:
        users.setdefault((segment.switch, segment.port), []).append(segment.id)
    for (switch, port), segments in users.items():
        if len(segments) > 1:
            yield (
                (switch, *segments),
                f"Port {port} of {switch} is used {len(segments)} times, by {listed(segments)}.",
            )


@CHAPTER.rule(
    "port-grade",
    "A port serves the grade of its segment.",
    keys=("switches.*.ports.*.grades",),
    by_segment=True,
)
def _port_grade(facts: Facts) -> Iterator[Breach]:
    for segment in facts.layout.segments:
        switch = facts.problem.switches.get(segment.switch)
        port = None if switch is None else switch.ports.get(segment.port)
        if port is not None and segment.grade not in port.grades:
            yield (
                (segment.id, segment.switch),
                f"{segment.id} is of {segment.grade}, but port {segment.port} of {segment.switch} "
                f"serves {listed(port.grades)}.",
            )


@CHAPTER.rule(
    "device-grade",
    "A device can have the grade of its segment.",
    keys=("devices.*.grades",),
    by_segment=True,
)
def _device_grade(facts: Facts) -> Iterator[Breach]:
    for laid in facts.laid:
        for id_ in laid.segment.devices:
            offered = [c.grade for c in facts.problem.devices[id_].grades]
            if laid.grade.id not in offered:
                yield (
                    (id_, laid.segment.id),
                    f"{id_} is on {laid.segment.id} of {laid.grade.id}, but can have "
                    f"{listed(offered)}.",
                )


@CHAPTER.rule(
    "pin",
    "A device hangs on a switch that it is pinned to.",
    keys=("devices.*.switch", "devices.*.switches", "devices.*.zone"),
    note="A device pinned to a zone may hang on any switch of that zone.",
    by_segment=True,
)
def _pin(facts: Facts) -> Iterator[Breach]:
    for id_, switch in facts.switch_of.items():
        allowed = facts.problem.devices[id_].pinned_switches
        if allowed is not None and switch not in allowed:
            yield ((id_, switch), f"{id_} hangs on {switch} but is pinned to {listed(allowed)}.")


def _groups(
    facts: Facts, kind: GroupKind, home: dict[str, str]
) -> Iterator[tuple[Group, dict[str, list[str]]]]:
    """Groups of one kind with their placed members by home."""
    for group in facts.problem.groups:
        if group.kind is kind:
            members: dict[str, list[str]] = {}
            for device in group.devices:
                if device in home:
                    members.setdefault(home[device], []).append(device)
            yield group, members


def _apart(facts: Facts, kind: GroupKind, homes: dict[str, str], called: str) -> Iterator[Breach]:
    """Members of groups that share a home, be it a segment or a switch."""
    for group, members in _groups(facts, kind, homes):
        for home, devices in members.items():
            if len(devices) > 1:
                yield (
                    (group.id, *devices),
                    f"{listed(devices)} share {home}, but group {group.id} keeps its devices "
                    f"on different {called}.",
                )


@CHAPTER.rule(
    "apart-segment",
    "Devices of an apart-segment group are on different segments.",
    keys=("groups.*",),
)
def _apart_segment(facts: Facts) -> Iterator[Breach]:
    return _apart(facts, GroupKind.APART_SEGMENT, facts.home_of, "segments")


@CHAPTER.rule(
    "apart-switch",
    "Devices of an apart-switch group are on different switches.",
    keys=("groups.*",),
)
def _apart_switch(facts: Facts) -> Iterator[Breach]:
    return _apart(facts, GroupKind.APART_SWITCH, facts.switch_of, "switches")


@CHAPTER.rule("together", "Devices of a together group are on one segment.", keys=("groups.*",))
def _together(facts: Facts) -> Iterator[Breach]:
    for group, members in _groups(facts, GroupKind.TOGETHER, facts.home_of):
        if len(members) > 1:
            yield (
                (group.id, *group.devices),
                f"Group {group.id} belongs on one segment but is spread over "
                f"{len(members)}: {listed(members)}.",
            )


def safety_levels(facts: Facts, laid: LaidSegment) -> dict[str, int]:
    """Safety level of each device of a segment that has one."""
    own = {d: facts.problem.devices[d].safety_level for d in laid.segment.devices}
    return {d: level for d, level in own.items() if level is not None}


def security_domains(facts: Facts, laid: LaidSegment) -> list[str]:
    """Security domains of the devices of a segment."""
    own = {facts.problem.devices[d].security_domain for d in laid.segment.devices}
    return sorted(domain for domain in own if domain is not None)


@CHAPTER.rule(
    "safety-span",
    "Safety levels on one line differ by no more than the span allowed.",
    keys=("sharing.safety_span", "devices.*.safety_level"),
    note="Devices without a level do not count. Links are not concerned: nobody else hears them.",
    by_segment=True,
)
def _safety_span(facts: Facts) -> Iterator[Breach]:
    span = facts.problem.sharing.safety_span
    if span is None:
        return
    for laid in facts.lines:
        levels = safety_levels(facts, laid)
        if not levels:
            continue
        low = min(levels, key=lambda d: levels[d])
        high = max(levels, key=lambda d: levels[d])
        if levels[high] - levels[low] > span:
            yield (
                (laid.segment.id, low, high),
                f"{laid.segment.id} carries {low} of safety level {levels[low]} and {high} of "
                f"level {levels[high]}: {levels[high] - levels[low]} apart, at most {span} may "
                f"share a line.",
            )


@CHAPTER.rule(
    "security-domain",
    "All security domains on one line may mix: there is one, or one stated set holds all.",
    keys=("sharing.domains", "devices.*.security_domain"),
    note="Devices without a domain do not count.",
    by_segment=True,
)
def _security_domain(facts: Facts) -> Iterator[Breach]:
    for laid in facts.lines:
        domains = security_domains(facts, laid)
        mixes = any(set(domains) <= allowed for allowed in facts.problem.sharing.domains)
        if len(domains) > 1 and not mixes:
            yield (
                (laid.segment.id, *domains),
                f"{laid.segment.id} mixes {len(domains)} security domains, {listed(domains)}, "
                f"which may not share a line.",
            )


@CHAPTER.rule(
    "option-tail",
    "Where asked for, option devices come after all always-fitted devices of their arm.",
    keys=("line.option_tail",),
    note="An arm is what lies on one side of the switch, counted outward. An arm of option devices "
    "only is in order.",
    by_segment=True,
)
def _option_tail(facts: Facts) -> Iterator[Breach]:
    if not facts.problem.line.option_tail:
        return
    for laid in facts.lines:
        for arm in laid.geometry.arms:
            early: list[str] = []
            for piece in arm:
                if facts.problem.devices[piece.owner].option is not None:
                    early.append(piece.owner)
                elif early:
                    yield (
                        (laid.segment.id, *early, piece.owner),
                        f"On {laid.segment.id} {count(len(early), 'option device')} "
                        f"({listed(early)}) {agree(len(early), 'comes', 'come')} before "
                        f"{piece.owner}, which is always fitted; option devices belong at the far "
                        f"end.",
                    )
                    break


@CHAPTER.rule(
    "switch-position",
    "The switch sits where the line rules allow: at an end, or anywhere along the line.",
    keys=("line.switch_position",),
    by_segment=True,
)
def _switch_position(facts: Facts) -> Iterator[Breach]:
    at_end = facts.problem.line.switch_position is SwitchPosition.END
    for segment in facts.layout.segments:
        index, most = segment.switch_index, len(segment.devices)
        if not 0 <= index <= most:
            yield (
                (segment.id,),
                f"{segment.id} has its switch after {index} devices but visits {most}.",
            )
        elif at_end and 0 < index < most:
            yield (
                (segment.id,),
                f"{segment.id} has its switch along the line, after {index} of {most} devices; "
                f"the switch belongs at an end.",
            )
