"""The rules of a problem as things one can take hold of: taken off, or eased by some amount.

A handle changes one statement of the problem file and nothing else but what has to go with it, and
its words name every edit. Taken off, it must allow at least what it allowed before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import numpy as np

from partitioner.model.assessment import Assessment
from partitioner.model.catalogue import Medium
from partitioner.model.layout import Layout
from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    Basis,
    Device,
    Group,
    GroupKind,
    Problem,
    Reserve,
    SegmentLimits,
    SwitchPosition,
)
from partitioner.network.cable import CableNetwork
from partitioner.units import (
    MUL_PER_UNIT_LOAD,
    NS_PER_MS,
    NS_PER_US,
    PPM,
    UM_PER_M,
    ceil_div,
    from_base,
)

Change = Callable[[Problem], Problem]
Steps = tuple[str | int, ...]
"""Where a statement stands in the problem file: section, id of the item or grade, key."""

CM = 10_000
"""Lengths are eased by whole centimetres."""
TEN_US = 10_000
"""Deadlines are eased by 10 µs."""
FAR_NS = 600_000_000_000
"""A deadline as good as none: beyond any delay that the analysis gives a bound for."""
HIGHEST_NODES = 255
"""Most nodes that a line can be given."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Amounts a rule may be eased to, from ``start`` (now) to ``end`` (as good as none).

    ``step`` is negative where less is looser. ``used`` reads off a layout which amount it needs.
    """

    start: int
    end: int
    step: int
    at: Callable[[Problem, int], Problem]
    words: Callable[[int], str]
    used: Callable[[Problem, Assessment], int | None] = lambda problem, assessment: None


@dataclass(frozen=True, slots=True)
class Ease:
    """One way of easing a rule that is no matter of amount.

    ``is_used`` tells whether a layout of the problem without the rule makes use of it.
    """

    words: str
    change: Change
    is_used: Callable[[Layout], bool] = lambda layout: True


@dataclass(frozen=True, slots=True)
class Handle:
    """One rule of a problem.

    Attributes
    ----------
    key
        Unlike that of every other handle.
    rule, subjects
        Short name as in ``check``, and whom it concerns.
    sentence
        The rule as this problem states it, in plain words with its numbers.
    at
        Where it stands in the problem file.
    off
        Takes the rule away.
    scale
        Smaller changes than that, by amount.
    eases
        Changes for where no amount will do: the mildest first, each allowing all that those before
        it allow.
    choices, most_chosen
        Smaller changes that are independent of each other, and how many of them may be needed
        together.
    """

    key: str
    rule: str
    subjects: tuple[str, ...]
    sentence: str
    at: Steps
    off: Change
    scale: Scale | None = None
    eases: tuple[Ease, ...] = ()
    choices: tuple[Ease, ...] = ()
    most_chosen: int = 1


def handles_of(problem: Problem) -> list[Handle]:
    """Every rule of the problem that has something to say, in the order of the file's sections.

    What a statement cannot influence (a limit above anything that could be built) is left out.
    """
    return [
        *_ports(problem),
        *_limits(problem),
        *_pathways(problem),
        *_pins(problem),
        *_groups(problem),
        *_sharing(problem),
        *_line_rules(problem),
        *_failure_rules(problem),
        *_backbone(problem),
        *_deadlines(problem),
        *_transfers(problem),
    ]


def without(problem: Problem, handles: Sequence[Handle]) -> Problem:
    """The problem with some of its rules taken off."""
    for handle in handles:
        problem = handle.off(problem)
    return problem


# -- words ------------------------------------------------------------------------------------


def metres(length_um: int) -> str:
    """A length, exact."""
    return f"{from_base(length_um, UM_PER_M):f} m"


def _percent(share_ppm: int) -> str:
    return f"{from_base(share_ppm, PPM // 100):f} %"


def _time(time_ns: int) -> str:
    if time_ns < NS_PER_MS:
        return f"{from_base(time_ns, NS_PER_US):f} µs"
    return f"{from_base(time_ns, NS_PER_MS):f} ms"


def _loads(load_mul: int) -> str:
    return f"{from_base(load_mul, MUL_PER_UNIT_LOAD):f}"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:-1]) + (" and " if len(names) > 1 else "") + names[-1]


# -- changes of parts of a problem ------------------------------------------------------------


def _with(items: Mapping[str, Any], id_: str, **changes: Any) -> dict[str, Any]:
    return {k: replace(v, **changes) if k == id_ else v for k, v in items.items()}


def _limit(grade: str, **changes: Any) -> Change:
    return lambda p: replace(p, limits=_with(p.limits, grade, **changes))


def _guaranteed(problem: Problem, grade: str, field: str) -> int:
    """What the standard promises for a limit, in the unit of the limit."""
    row = problem.catalogue.grades[grade]
    return {
        "nodes": row.guaranteed_nodes,
        "length_um": row.guaranteed_length_um,
        "stub_um": row.guaranteed_stub_um,
    }[field]


def _raised(grade: str, field: str, amount: int) -> Change:
    """Raise a limit; beyond what is guaranteed it then rests on the user's own qualification."""

    def change(problem: Problem) -> Problem:
        beyond = amount > _guaranteed(problem, grade, field)
        basis: dict[str, Any] = {"basis": Basis.ENGINEERED} if beyond else {}
        return _limit(grade, **{field: amount}, **basis)(problem)

    return change


def _basis_words(problem: Problem, grade: str, field: str, amount: int) -> str:
    """The further edit that raising a limit so far needs, to end a sentence with."""
    if problem.limits[grade].basis is Basis.ENGINEERED:
        return ""
    return "" if amount <= _guaranteed(problem, grade, field) else " with basis: engineered"


def _device(id_: str, **changes: Any) -> Change:
    return lambda p: replace(p, devices=_with(p.devices, id_, **changes))


# -- ports ------------------------------------------------------------------------------------


def _ports(problem: Problem) -> Iterator[Handle]:
    wanted = {c.grade for d in problem.devices.values() for c in d.grades}
    for switch in problem.switches.values():
        for number, group in enumerate(switch.port_groups):
            if not wanted & set(group.grades) or group.count >= len(problem.devices):
                continue
            grades = " or ".join(group.grades)
            if sum(other.grades == group.grades for other in switch.port_groups) > 1:
                grades += f" (entry {number + 1} of its ports)"

            def at(p: Problem, count: int, id_: str = switch.id, number: int = number) -> Problem:
                groups = p.switches[id_].port_groups
                changed = tuple(
                    replace(g, count=count) if k == number else g for k, g in enumerate(groups)
                )
                return replace(p, switches=_with(p.switches, id_, port_groups=changed))

            most = len(problem.devices)
            yield Handle(
                f"ports:{switch.id}:{number}",
                "ports",
                (switch.id,),
                f"{switch.id} has {group.count} port{'s' if group.count != 1 else ''} for "
                f"{grades}.",
                ("switches", switch.id, "ports", number, "count"),
                lambda p, at=at, most=most: at(p, most),  # type: ignore[misc]
                Scale(
                    group.count,
                    most,
                    1,
                    at,
                    lambda n, s=switch.id, g=grades, now=group.count: (  # type: ignore[misc]
                        f"give {s} {n} ports for {g} in place of {now}"
                    ),
                ),
            )


# -- limits of segments -----------------------------------------------------------------------


def enough_length_um(problem: Problem, grade: str) -> int:
    """A length no useful segment of a grade needs more than.

    From each switch to ever the nearest device not visited yet, twice over, with all slack: every
    set of devices has a line within it, however options have to be ordered.
    """
    network = CableNetwork(problem)
    devices = [d.id for d in problem.devices.values() if grade in {c.grade for c in d.grades}]
    if not devices:
        return problem.limits[grade].length_um
    between = network.matrix_um(devices, devices)
    first = network.matrix_um(list(problem.switches), devices)
    longest = 0
    for row in first:
        left = np.ones(len(devices), dtype=bool)
        here = int(row.argmin())
        total = int(row.max()) + int(row[here])
        left[here] = False
        for _ in range(len(devices) - 1):
            after = int(np.where(left, between[here], 2**62).argmin())
            total += int(between[here, after])
            here = after
            left[here] = False
        longest = max(longest, total)
    line = problem.line
    slack = len(devices) * line.drop_slack_um + 2 * line.end_slack_um
    reserve = problem.limits[grade].reserve.length_um
    return ceil_div(2 * longest + slack + reserve, UM_PER_M) * UM_PER_M


def _limits(problem: Problem) -> Iterator[Handle]:
    for grade, limits in problem.limits.items():
        users = [d for d in problem.devices.values() if grade in {c.grade for c in d.grades}]
        if not users:
            continue
        is_line = problem.catalogue.grades[grade].medium is Medium.MIXING
        if is_line:
            yield from _line_limits(problem, grade, limits, users)
        enough = enough_length_um(problem, grade)
        if enough > limits.length_um:
            yield Handle(
                f"length:{grade}",
                "length",
                (grade,),
                f"A segment of {grade} is at most {metres(limits.length_um)} long.",
                ("limits", grade, "length_m"),
                _raised(grade, "length_um", enough),
                Scale(
                    limits.length_um,
                    enough,
                    CM,
                    lambda p, um, g=grade: _raised(g, "length_um", um)(p),  # type: ignore[misc]
                    lambda um, g=grade, now=limits.length_um: (  # type: ignore[misc]
                        f"raise the length limit of {g} from {metres(now)} to {metres(um)}"
                        + _basis_words(problem, g, "length_um", um)
                    ),
                ),
            )
        if limits.load_share_ppm < PPM and problem.streams:
            yield Handle(
                f"load:{grade}",
                "load",
                (grade,),
                f"A segment of {grade} is busy at most {_percent(limits.load_share_ppm)} of the "
                "time.",
                ("limits", grade, "load_share"),
                _limit(grade, load_share_ppm=PPM),
                Scale(
                    limits.load_share_ppm,
                    PPM,
                    PPM // 100,
                    lambda p, ppm, g=grade: _limit(g, load_share_ppm=ppm)(p),  # type: ignore[misc]
                    lambda ppm, g=grade, now=limits.load_share_ppm: (  # type: ignore[misc]
                        f"raise the load share of {g} from {_percent(now)} to {_percent(ppm)}"
                    ),
                ),
            )


def _line_limits(
    problem: Problem, grade: str, limits: SegmentLimits, users: Sequence[Device]
) -> Iterator[Handle]:
    nodes = min(len(users) + 1 + limits.reserve.nodes, HIGHEST_NODES)
    if limits.nodes < nodes:
        yield Handle(
            f"nodes:{grade}",
            "nodes",
            (grade,),
            f"A line of {grade} has at most {limits.nodes} nodes, its switch port included.",
            ("limits", grade, "nodes"),
            _raised(grade, "nodes", nodes),
            Scale(
                limits.nodes,
                nodes,
                1,
                lambda p, n: _raised(grade, "nodes", n)(p),
                lambda n: (
                    f"raise the node limit of {grade} from {limits.nodes} to {n}"
                    + _basis_words(problem, grade, "nodes", n)
                ),
            ),
        )
    longest = max(d.stub_um for d in users)
    if longest > limits.stub_um:
        yield Handle(
            f"stub:{grade}",
            "stub",
            (grade, *(d.id for d in users if d.stub_um > limits.stub_um)),
            f"A stub on a line of {grade} is at most {metres(limits.stub_um)} long.",
            ("limits", grade, "stub_m"),
            _raised(grade, "stub_um", longest),
            Scale(
                limits.stub_um,
                longest,
                CM,
                lambda p, um: _raised(grade, "stub_um", um)(p),
                lambda um: (
                    f"raise the stub limit of {grade} from {metres(limits.stub_um)} to {metres(um)}"
                    + _basis_words(problem, grade, "stub_um", um)
                ),
            ),
        )
    total = sum(d.unit_load_mul for d in users)
    if limits.unit_loads_mul is not None and total > limits.unit_loads_mul:
        now = limits.unit_loads_mul
        yield Handle(
            f"unit-loads:{grade}",
            "unit-loads",
            (grade,),
            f"A line of {grade} carries at most {_loads(now)} unit loads.",
            ("limits", grade, "unit_loads"),
            _limit(grade, unit_loads_mul=None),
            Scale(
                now,
                total,
                MUL_PER_UNIT_LOAD // 10,
                lambda p, mul: _limit(grade, unit_loads_mul=mul)(p),
                lambda mul: f"raise the unit loads of {grade} from {_loads(now)} to {_loads(mul)}",
            ),
        )
    if limits.spacing_min_um:
        yield Handle(
            f"spacing:{grade}",
            "spacing",
            (grade,),
            f"Neighbours on a line of {grade} are at least {metres(limits.spacing_min_um)} of "
            "cable apart.",
            ("limits", grade, "spacing_m"),
            _limit(grade, spacing_min_um=0),
            Scale(
                limits.spacing_min_um,
                0,
                -CM,
                lambda p, um: _limit(grade, spacing_min_um=um)(p),
                lambda um: (
                    f"lower the least spacing on {grade} from {metres(limits.spacing_min_um)} to "
                    f"{metres(um)}"
                ),
            ),
        )
    yield from _reserves(grade, limits.reserve)


def _reserves(grade: str, reserve: Reserve) -> Iterator[Handle]:
    def changed(p: Problem, **change: int) -> Problem:
        kept = replace(p.limits[grade].reserve, **change)
        return _limit(grade, reserve=kept)(p)

    parts: tuple[tuple[str, int, str, int, Callable[[int], str]], ...] = (
        ("nodes", reserve.nodes, "nodes", 1, lambda n: f"{n} node{'s' if n != 1 else ''}"),
        ("length_um", reserve.length_um, "length_m", CM, metres),
        ("load_share_ppm", reserve.load_share_ppm, "load_share", PPM // 100, _percent),
    )
    for field, now, key, step, words in parts:
        if not now:
            continue
        yield Handle(
            f"reserve-{field}:{grade}",
            "reserve",
            (grade,),
            f"{words(now)} of each line of {grade} "
            f"{'are' if field == 'nodes' and now > 1 else 'is'} kept free for growth.",
            ("limits", grade, "reserve", key),
            lambda p, f=field: changed(p, **{f: 0}),  # type: ignore[misc]
            Scale(
                now,
                0,
                -step,
                lambda p, amount, f=field: changed(p, **{f: amount}),  # type: ignore[misc]
                lambda amount, w=words, n=now: (  # type: ignore[misc]
                    f"keep {w(amount)} of each line of {grade} free in place of {w(n)}"
                ),
            ),
        )


# -- pathways, pins, groups -------------------------------------------------------------------


def _pathways(problem: Problem) -> Iterator[Handle]:
    for number, pathway in enumerate(problem.pathways):
        if pathway.max_cables is None or pathway.max_cables >= len(problem.devices):
            continue

        def at(p: Problem, most: int | None, number: int = number) -> Problem:
            ways = tuple(
                replace(w, max_cables=most) if k == number else w
                for k, w in enumerate(p.pathways)
            )
            return replace(p, pathways=ways)

        yield Handle(
            f"pathway-capacity:{pathway.id}",
            "pathway-capacity",
            (pathway.id,),
            f"{pathway.max_cables} segment{'s' if pathway.max_cables != 1 else ''} "
            f"{'fits' if pathway.max_cables == 1 else 'fit'} through {pathway.id}.",
            ("pathways", pathway.id, "max_cables"),
            lambda p, at=at: at(p, None),  # type: ignore[misc]
            Scale(
                pathway.max_cables,
                len(problem.devices),
                1,
                at,
                lambda n, w=pathway: (  # type: ignore[misc]
                    f"make room for {n} segments in {w.id} in place of {w.max_cables}"
                ),
            ),
        )


def _pins(problem: Problem) -> Iterator[Handle]:
    for device in problem.devices.values():
        pins = device.pinned_switches
        if pins is None or set(pins) >= set(problem.switches):
            continue
        yield Handle(
            f"pin:{device.id}",
            "pin",
            (device.id, *pins),
            f"{device.id} hangs on {_listed(pins)}.",
            ("devices", device.id, "switch"),
            _device(device.id, pinned_switches=None),
            choices=tuple(
                Ease(
                    f"let {device.id} hang on {other} too "
                    f"(switches: [{', '.join((*pins, other))}])",
                    _device(device.id, pinned_switches=(*pins, other)),
                )
                for other in problem.switches
                if other not in pins
            ),
        )


def _groups(problem: Problem) -> Iterator[Handle]:
    words = {
        GroupKind.APART_SEGMENT: "stay on different segments",
        GroupKind.APART_SWITCH: "stay on different switches",
        GroupKind.TOGETHER: "share one segment",
    }
    for group in problem.groups:
        unwatched, more_words = _without_watch(problem, group)

        def off(p: Problem, id_: str = group.id, unwatched: Change = unwatched) -> Problem:
            return replace(unwatched(p), groups=tuple(g for g in p.groups if g.id != id_))

        eases = []
        if group.kind is GroupKind.APART_SWITCH:

            def softer(p: Problem, id_: str = group.id) -> Problem:
                return replace(
                    p,
                    groups=tuple(
                        replace(g, kind=GroupKind.APART_SEGMENT) if g.id == id_ else g
                        for g in p.groups
                    ),
                )

            eases.append(
                Ease(f"keep group {group.id} on different segments only", softer)
            )
        eases.append(Ease(f"drop group {group.id}{more_words}", off))
        yield Handle(
            f"group:{group.id}",
            group.kind.value,
            (group.id, *group.devices),
            f"{_listed(group.devices)} {words[group.kind]} (group {group.id}).",
            ("groups", group.id),
            off,
            eases=tuple(eases),
        )


def _without_watch(problem: Problem, group: Group) -> tuple[Change, str]:
    """What has to be done to failure rules on a group before it can go, and the words for it.

    Rules on failures then watch the same devices by a function. Where one of these is watched by
    another rule too, the rules on the group have to go with it, since no device has two functions.
    """
    rules = [r.id for r in problem.failure_rules if r.group == group.id]
    if not rules:
        return lambda p: p, ""
    named = f"failure rule{'s' if len(rules) > 1 else ''} {_listed(rules)}"
    watched = {r.function for r in problem.failure_rules if r.function is not None}
    groups = {r.group for r in problem.failure_rules} - {None, group.id}
    twice = {d.id for d in problem.devices.values() if d.function in watched}
    twice |= {d for g in problem.groups if g.id in groups for d in g.devices}
    if twice & set(group.devices):
        return lambda p: _without_rules(p, rules), f" with {named}"
    functions = {d.function for d in problem.devices.values()}
    name = group.id
    while name in functions:
        name += "-devices"
    words = (
        f" but watch its devices on: give {_listed(group.devices)} the function {name}, and "
        f"{named} function: {name} in place of group: {group.id}"
    )
    return lambda p: _watched_by_function(p, group, rules, name), words


def _without_rules(problem: Problem, rules: Sequence[str]) -> Problem:
    kept = tuple(r for r in problem.failure_rules if r.id not in rules)
    return replace(problem, failure_rules=kept)


def _watched_by_function(
    problem: Problem, group: Group, rules: Sequence[str], name: str
) -> Problem:
    return replace(
        problem,
        devices={
            k: replace(d, function=name) if k in group.devices else d
            for k, d in problem.devices.items()
        },
        failure_rules=tuple(
            replace(r, group=None, function=name) if r.id in rules else r
            for r in problem.failure_rules
        ),
    )


# -- who may share a line, how lines are built ------------------------------------------------


def _sharing(problem: Problem) -> Iterator[Handle]:
    span = problem.sharing.safety_span
    levels = [d.safety_level for d in problem.devices.values() if d.safety_level is not None]
    if span is not None and levels and max(levels) - min(levels) > span:
        yield Handle(
            "safety-span",
            "safety-span",
            (),
            f"Safety levels on one line differ by at most {span}.",
            ("sharing", "safety_span"),
            lambda p: replace(p, sharing=replace(p.sharing, safety_span=None)),
            Scale(
                span,
                max(levels) - min(levels),
                1,
                lambda p, n: replace(p, sharing=replace(p.sharing, safety_span=n)),
                lambda n: f"let safety levels on one line differ by {n} in place of {span}",
            ),
        )
    names = sorted(
        {d.security_domain for d in problem.devices.values() if d.security_domain is not None}
    )
    if len(names) > 1 and not any(set(names) <= s for s in problem.sharing.domains):

        def mixing(*mixed: str) -> Change:
            return lambda p: replace(
                p,
                sharing=replace(p.sharing, domains=(*p.sharing.domains, frozenset(mixed))),
            )

        pairs = [(a, b) for k, a in enumerate(names) for b in names[k + 1 :]]
        eases = [
            Ease(f"let the domains {a} and {b} share lines", mixing(a, b))
            for a, b in pairs
            if not any({a, b} <= s for s in problem.sharing.domains)
        ]
        if len(names) > 2:
            eases.append(
                Ease(f"let all security domains share lines: {_listed(names)}", mixing(*names))
            )
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


def _line_rules(problem: Problem) -> Iterator[Handle]:
    mixing = set(problem.catalogue.mixing_grades())
    has_lines = any(c.grade in mixing for d in problem.devices.values() for c in d.grades)
    if not has_lines:
        return
    if problem.line.switch_position is SwitchPosition.END:

        def anywhere(p: Problem) -> Problem:
            return replace(p, line=replace(p.line, switch_position=SwitchPosition.ANYWHERE))

        yield Handle(
            "switch-at-end",
            "switch-at-end",
            (),
            "The switch is at an end of its line.",
            ("line", "switch_position"),
            anywhere,
            eases=(Ease("let switches sit along their lines", anywhere),),
        )
    if problem.line.option_tail and any(d.option for d in problem.devices.values()):

        def mixed(p: Problem) -> Problem:
            return replace(p, line=replace(p.line, option_tail=False))

        yield Handle(
            "option-tail",
            "option-tail",
            (),
            "Option devices come only beyond the last device that is always fitted.",
            ("line", "option_tail"),
            mixed,
            eases=(Ease("let option devices stand anywhere on a line", mixed),),
        )


def _failure_rules(problem: Problem) -> Iterator[Handle]:
    groups = {g.id: g.devices for g in problem.groups}
    for rule in problem.failure_rules:
        watched = (
            list(groups[rule.group])
            if rule.group is not None
            else [d.id for d in problem.devices.values() if d.function == rule.function]
        )
        most = len(watched)
        if rule.most_lost >= most:
            continue

        def at(p: Problem, most: int, id_: str = rule.id) -> Problem:
            return replace(
                p,
                failure_rules=tuple(
                    replace(r, most_lost=most) if r.id == id_ else r for r in p.failure_rules
                ),
            )

        what = f"group {rule.group}" if rule.group is not None else f"function {rule.function}"
        yield Handle(
            f"failure:{rule.id}",
            "failure",
            (rule.id, *watched),
            f"No single failure loses more than {rule.most_lost} of {what} (rule {rule.id}).",
            ("failure_rules", rule.id, "most_lost"),
            lambda p, at=at, most=most: at(p, most),  # type: ignore[misc]
            Scale(
                rule.most_lost,
                most,
                1,
                at,
                lambda n, r=rule: f"let rule {r.id} allow {n} lost in place of {r.most_lost}",  # type: ignore[misc]
            ),
        )


# -- backbone ---------------------------------------------------------------------------------


def _backbone(problem: Problem) -> Iterator[Handle]:
    backbone = problem.backbone
    if len(problem.switches) < 2:
        return
    if backbone.load_share_ppm < PPM and backbone.links and problem.streams:
        yield Handle(
            "backbone-load",
            "backbone-load",
            (),
            f"A backbone link is busy at most {_percent(backbone.load_share_ppm)} of the time.",
            ("backbone", "load_share"),
            lambda p: replace(p, backbone=replace(p.backbone, load_share_ppm=PPM)),
            Scale(
                backbone.load_share_ppm,
                PPM,
                PPM // 100,
                lambda p, ppm: replace(p, backbone=replace(p.backbone, load_share_ppm=ppm)),
                lambda ppm: (
                    "raise the load share of backbone links from "
                    f"{_percent(backbone.load_share_ppm)} to {_percent(ppm)}"
                ),
            ),
        )
    yield from _reaches(problem)
    missing = _missing_links(problem)
    if missing:

        def add(link: BackboneLink) -> Change:
            return lambda p: replace(
                p, backbone=replace(p.backbone, links=(*p.backbone.links, link))
            )

        yield Handle(
            "backbone-link",
            "backbone-link",
            (),
            "Only the backbone links that are listed may be built."
            if backbone.links
            else "No links between switches are listed.",
            ("backbone", "links"),
            lambda p: _with_links_to_choose(p, missing),
            choices=tuple(
                Ease(
                    f"add a backbone link between {link.ends[0]} and {link.ends[1]} "
                    f"({' or '.join(link.grades)})",
                    add(link),
                    lambda layout, ends=frozenset(link.ends): any(  # type: ignore[misc]
                        frozenset(built.ends) == ends for built in layout.backbone
                    ),
                )
                for link in missing
            ),
            most_chosen=len(missing),
        )
    yield from _shape(problem)


def _with_links_to_choose(problem: Problem, more: Sequence[BackboneLink]) -> Problem:
    """Links that may be built or not, beside those of the problem as they are.

    Whatever of them is built, the layout is one of the problem with just these listed too.
    """
    backbone = problem.backbone
    links = backbone.links
    if backbone.shape is BackboneShape.FIXED:
        links = tuple(replace(link, required=True) for link in links)
        backbone = replace(backbone, shape=BackboneShape.ANY)
    return replace(problem, backbone=replace(backbone, links=(*links, *more)))


def _shape(problem: Problem) -> Iterator[Handle]:
    shape = problem.backbone.shape
    if not shape.joins_all:
        return

    def other(new: BackboneShape) -> Change:
        return lambda p: replace(p, backbone=replace(p.backbone, shape=new))

    def words(new: BackboneShape) -> str:
        return f"make the shape of the backbone {new.value} in place of {shape.value}"

    others = [BackboneShape.ANY]
    if shape is BackboneShape.RING:
        others.insert(0, BackboneShape.TREE)
    yield Handle(
        "backbone-shape",
        "backbone-shape",
        (),
        f"The backbone is a {shape.value} over the open switches.",
        ("backbone", "shape"),
        other(BackboneShape.ANY),
        eases=tuple(Ease(words(new), other(new)) for new in others),
    )


def _reach_um(problem: Problem, grade: str) -> int:
    limits = problem.limits.get(grade)
    if limits is not None:
        return limits.length_um
    return problem.catalogue.grades[grade].guaranteed_length_um


def _reaches(problem: Problem) -> Iterator[Handle]:
    network = CableNetwork(problem)
    for number, link in enumerate(problem.backbone.links):
        length = network.length_um(*link.ends) if link.length_um is None else link.length_um
        reach = max(_reach_um(problem, g) for g in link.grades)
        if length <= reach:
            continue

        def near(p: Problem, number: int = number, reach: int = reach) -> Problem:
            links = tuple(
                replace(one, length_um=reach) if k == number else one
                for k, one in enumerate(p.backbone.links)
            )
            return replace(p, backbone=replace(p.backbone, links=links))

        name = "-".join(link.ends)
        yield Handle(
            f"backbone-reach:{name}",
            "backbone-reach",
            link.ends,
            f"The backbone link {name} is {metres(length)} long; its grades reach "
            f"{metres(reach)}.",
            ("backbone", "links", number, "length_m"),
            near,
            eases=(
                Ease(
                    f"bring the backbone link {name} from {metres(length)} to {metres(reach)}",
                    near,
                ),
            ),
        )


def _missing_links(problem: Problem) -> list[BackboneLink]:
    """Links between switches that are not listed, of all grades that reach, the fastest first."""
    network = CableNetwork(problem)
    listed = {frozenset(link.ends) for link in problem.backbone.links}
    grades = sorted(
        (g for g in problem.catalogue.grades.values() if g.full_duplex),
        key=lambda g: (-g.rate_bps, g.id),
    )
    found = []
    ids = list(problem.switches)
    for k, a in enumerate(ids):
        for b in ids[k + 1 :]:
            if frozenset((a, b)) in listed:
                continue
            length = network.length_um(a, b)
            reaching = tuple(g.id for g in grades if length <= _reach_um(problem, g.id))
            if reaching:
                found.append(BackboneLink((a, b), reaching))
    return found


# -- deadlines, transfers ---------------------------------------------------------------------


def _deadlines(problem: Problem) -> Iterator[Handle]:
    for stream in problem.streams.values():
        end = max(stream.deadline_ns, FAR_NS)
        yield Handle(
            f"deadline:{stream.id}",
            "deadline",
            (stream.id, stream.source, *stream.destinations),
            f"Stream {stream.id} arrives within {_time(stream.deadline_ns)}.",
            ("streams", stream.id, "deadline_us"),
            lambda p, id_=stream.id, ns=end: _deadline(p, id_, ns),  # type: ignore[misc]
            Scale(
                stream.deadline_ns,
                end,
                TEN_US,
                lambda p, ns, id_=stream.id: _deadline(p, id_, ns),  # type: ignore[misc]
                lambda ns, s=stream: (  # type: ignore[misc]
                    f"relax the deadline of {s.id} from {_time(s.deadline_ns)} to {_time(ns)}"
                ),
                lambda p, a, id_=stream.id: max(  # type: ignore[misc]
                    (f.bound_ns for f in a.streams if f.stream == id_ and f.bound_ns),
                    default=None,
                ),
            ),
        )


def _deadline(problem: Problem, id_: str, deadline_ns: int) -> Problem:
    return replace(problem, streams=_with(problem.streams, id_, deadline_ns=deadline_ns))


def _transfers(problem: Problem) -> Iterator[Handle]:
    for transfer in problem.transfers.values():
        longest = transfer.longest_ns
        if longest is None:
            continue
        yield Handle(
            f"transfer:{transfer.id}",
            "transfer",
            (transfer.id,),
            f"Transfer {transfer.id} ends within {Decimal(longest) / 1_000_000_000:f} s.",
            ("transfers", transfer.id, "longest_s"),
            lambda p, id_=transfer.id: replace(  # type: ignore[misc]
                p, transfers=_with(p.transfers, id_, longest_ns=None)
            ),
            Scale(
                longest,
                64 * longest,
                max(1, longest // 10),
                lambda p, ns, id_=transfer.id: replace(  # type: ignore[misc]
                    p, transfers=_with(p.transfers, id_, longest_ns=ns)
                ),
                lambda ns, t=transfer.id: (  # type: ignore[misc]
                    f"give transfer {t} {Decimal(ns) / 1_000_000_000:f} s"
                ),
            ),
            eases=(
                Ease(
                    f"let transfer {transfer.id} take any time (no longest_s)",
                    lambda p, id_=transfer.id: replace(  # type: ignore[misc]
                        p, transfers=_with(p.transfers, id_, longest_ns=None)
                    ),
                ),
            ),
        )
