"""Handles of the rules on places: ports, pins, groups, who shares a line, how lines are built."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

from partitioner.explain.handles.handle import Change, Ease, Handle, Handles, Scale, by_amount, edit
from partitioner.model.assessment import Assessment
from partitioner.model.problem import Device, Group, GroupKind, Problem, Switch, SwitchPosition
from partitioner.wording import count, listed


def ports(problem: Problem) -> Handles:
    """The number of ports of each kind at each switch."""
    wanted = {c.grade for d in problem.devices.values() for c in d.grades}
    for switch in problem.switches.values():
        for number, group in enumerate(switch.port_groups):
            if wanted & set(group.grades) and group.count < len(problem.devices):
                yield _port_count(problem, switch, number)


def _port_count(problem: Problem, switch: Switch, number: int) -> Handle:
    group = switch.port_groups[number]
    grades = " or ".join(group.grades)
    if sum(other.grades == group.grades for other in switch.port_groups) > 1:
        grades += f" (entry {number + 1} of its ports)"
    others = sum(
        other.count
        for n, other in enumerate(switch.port_groups)
        if n != number and set(other.grades) & set(group.grades)
    )

    def used(assessment: Assessment) -> int:
        """Ports that the switch needs beyond those of its other groups."""
        return sum(
            s.switch == switch.id and s.grade in group.grades for s in assessment.layout.segments
        ) - others

    return by_amount(
        "port-exists",
        (switch.id,),
        f"{switch.id} has {count(group.count, 'port')} for {grades}.",
        ("switches", switch.id, "ports", number, "count"),
        Scale(
            group.count, len(problem.devices), 1,
            lambda n: edit("switches", switch.id, "port_groups", number, count=n),
            lambda n: f"give {switch.id} {n} ports for {grades} in place of {group.count}",
            used,
        ),
        part=number,
    )  # fmt: skip


def pins(problem: Problem) -> Handles:
    """Devices that hang on some switches only."""
    for device in problem.devices.values():
        pinned = device.pinned_switches
        if pinned is not None and not set(pinned) >= set(problem.switches):
            yield Handle(
                f"pin:{device.id}",
                "pin",
                (device.id, *pinned),
                f"{device.id} hangs on {listed(pinned)}.",
                ("devices", device.id, "switch"),
                edit("devices", device.id, pinned_switches=None),
                choices=tuple(
                    _pinned_too(device, (*pinned, other))
                    for other in problem.switches
                    if other not in pinned
                ),
            )


def _pinned_too(device: Device, switches: tuple[str, ...]) -> Ease:
    return Ease(
        f"let {device.id} hang on {switches[-1]} too (switches: [{', '.join(switches)}])",
        edit("devices", device.id, pinned_switches=switches),
        who=device.id,
    )


# -- groups -----------------------------------------------------------------------------------

_GROUP_WORDS = {
    GroupKind.APART_SEGMENT: "stay on different segments",
    GroupKind.APART_SWITCH: "stay on different switches",
    GroupKind.TOGETHER: "share one segment",
}


def groups(kind: GroupKind, problem: Problem) -> Handles:
    """Groups of one kind."""
    for group in problem.groups:
        if group.kind is kind:
            drop = _drop(problem, group)
            softer = Ease(
                f"keep group {group.id} on different segments only",
                edit("groups", group.id, kind=GroupKind.APART_SEGMENT),
                who=f"group {group.id}",
            )
            yield Handle(
                f"group:{group.id}",
                kind.value,
                (group.id, *group.devices),
                f"{listed(group.devices)} {_GROUP_WORDS[kind]} (group {group.id}).",
                ("groups", group.id),
                drop.change,
                eases=(softer, drop) if kind is GroupKind.APART_SWITCH else (drop,),
            )


def _drop(problem: Problem, group: Group) -> Ease:
    """Take a group away, and see to failure rules on it.

    These then watch the same devices by a function. Where one of the devices is watched by another
    rule too, the rules on the group have to go with it, since no device has two functions.
    """
    rules = [r.id for r in problem.failure_rules if r.group == group.id]
    named = f"failure rule{'s' if len(rules) > 1 else ''} {listed(rules)}"
    watched = {r.function for r in problem.failure_rules if r.function is not None}
    groups = {r.group for r in problem.failure_rules} - {None, group.id}
    twice = {d.id for d in problem.devices.values() if d.function in watched}
    twice |= {d for g in problem.groups if g.id in groups for d in g.devices}
    if not rules:
        who = f"group {group.id}"
        return Ease(f"drop {who}", lambda p: _dropped(p, group, rules), who=who)
    if twice & set(group.devices):
        return Ease(f"drop group {group.id} with {named}", lambda p: _dropped(p, group, rules))
    functions = {d.function for d in problem.devices.values()}
    name = group.id
    while name in functions:
        name += "-devices"
    return Ease(
        f"drop group {group.id} but watch its devices on: give {listed(group.devices)} the "
        f"function {name}, and {named} function: {name} in place of group: {group.id}",
        lambda p: _dropped(_watched_by_function(p, group, rules, name), group),
    )


def _dropped(problem: Problem, group: Group, rules: list[str] | None = None) -> Problem:
    return replace(
        problem,
        groups=tuple(g for g in problem.groups if g.id != group.id),
        failure_rules=tuple(r for r in problem.failure_rules if r.id not in (rules or ())),
    )


def _watched_by_function(problem: Problem, group: Group, rules: list[str], name: str) -> Problem:
    for device in group.devices:
        problem = edit("devices", device, function=name)(problem)
    for rule in rules:
        problem = edit("failure_rules", rule, group=None, function=name)(problem)
    return problem


# -- who may share a line, how lines are built ------------------------------------------------


def safety_span(problem: Problem) -> Handles:
    """How far apart safety levels on one line may be."""
    span = problem.sharing.safety_span
    levels = [d.safety_level for d in problem.devices.values() if d.safety_level is not None]
    if span is None or not levels or max(levels) - min(levels) <= span:
        return
    yield by_amount(
        "safety-span",
        (),
        f"Safety levels on one line differ by at most {span}.",
        ("sharing", "safety_span"),
        Scale(
            span,
            max(levels) - min(levels),
            1,
            lambda n: edit("sharing", safety_span=n),
            lambda n: f"let safety levels on one line differ by {n} in place of {span}",
        ),
    )


def security_domain(problem: Problem) -> Handles:
    """Which security domains may mix."""
    mixed = problem.sharing.domains
    names = sorted(
        {d.security_domain for d in problem.devices.values() if d.security_domain is not None}
    )
    if len(names) < 2 or any(set(names) <= s for s in mixed):
        return

    def mixing(*more: str) -> Change:
        return lambda p: edit("sharing", domains=(*p.sharing.domains, frozenset(more)))(p)

    eases = [
        Ease(f"let the domains {a} and {b} share lines", mixing(a, b))
        for a, b in combinations(names, 2)
        if not any({a, b} <= s for s in mixed)
    ]
    if len(names) > 2:
        eases.append(Ease(f"let all security domains share lines: {listed(names)}", mixing(*names)))
    yield Handle(
        "security-domain",
        "security-domain",
        tuple(names),
        "Only security domains that may mix share a line.",
        ("sharing", "domains"),
        mixing(*names),
        choices=tuple(eases),
        most_chosen=len(eases),
    )


def switch_position(problem: Problem) -> Handles:
    """Switches at the end of their lines."""
    if problem.line.switch_position is SwitchPosition.END and _has_lines(problem):
        yield _line_rule(
            "switch-position",
            "The switch is at an end of its line.",
            "let switches sit along their lines",
            edit("line", switch_position=SwitchPosition.ANYWHERE),
        )


def option_tail(problem: Problem) -> Handles:
    """Option devices at the far ends of lines."""
    has_options = any(d.option for d in problem.devices.values())
    if problem.line.option_tail and has_options and _has_lines(problem):
        yield _line_rule(
            "option-tail",
            "Option devices come only beyond the last device that is always fitted.",
            "let option devices stand anywhere on a line",
            edit("line", option_tail=False),
        )


def _line_rule(rule: str, sentence: str, words: str, off: Change) -> Handle:
    at = ("line", rule.replace("-", "_"))
    return Handle(rule, rule, (), sentence, at, off, eases=(Ease(words, off),))


def _has_lines(problem: Problem) -> bool:
    is_line = problem.catalogue.is_line
    return any(is_line(c.grade) for d in problem.devices.values() for c in d.grades)
