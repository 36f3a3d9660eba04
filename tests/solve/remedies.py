"""Do to a problem what a way out of a conflict told by `plan` says, each alternative by itself.

Where it names an amount, that much is done and no more; else as much as the words allow, so that
a conflict that is still there afterwards was not what the way out is for.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from itertools import combinations

from partitioner.errors import Conflict
from partitioner.explain.handles.handle import edit
from partitioner.model.assessment import COMPLETE
from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    GradeChoice,
    PortGroup,
    Problem,
    SwitchPosition,
)
from partitioner.network.cable import CableNetwork
from partitioner.reading.build import limits_of
from partitioner.reading.schema import LimitTable
from partitioner.solve.precheck.statements import LEAVES_ANOTHER
from partitioner.units import PPM

AS_MANY = re.compile(
    r"(.+); (?:if that alone is not enough, )?do the same with (?:the )?other statements of (\S+?)"
    r"(?:, as many as it takes)?"
)
LONG_UM = 10**10
LATE_NS = 10**11
NEARER = ("to the nearest switch", "to one switch", "some to each switch")
"""What placing devices nearer may mean; one of it has to help."""


@dataclass(frozen=True)
class Told:
    """A problem, all that was told of it, and the conflict whose way out is obeyed."""

    problem: Problem
    conflicts: Sequence[Conflict]
    conflict: Conflict

    def of(self, section: str) -> list[str]:
        """Ids of a section that the conflict names."""
        return [id_ for id_ in self.conflict.subjects if id_ in getattr(self.problem, section)]

    @property
    def devices(self) -> list[str]:
        """Devices that any of the conflicts names."""
        told = dict.fromkeys(id_ for c in self.conflicts for id_ in c.subjects)
        return [id_ for id_ in told if id_ in self.problem.devices]


Obey = Callable[..., Problem]


def alternatives(
    problem: Problem, conflicts: Sequence[Conflict], conflict: Conflict
) -> list[tuple[str, list[Problem]]]:
    """What a way out says can be done, each with the problem after that, in all its senses.

    Raises
    ------
    ValueError
        If the words tell nothing that is known here.
    """
    words = _to_do(conflict)
    if whole := AS_MANY.fullmatch(words):
        return [(words, [_as_many(problem, whole[2], conflicts)])]
    told = Told(problem, conflicts, conflict)
    return [
        (said, [_obeyed(told, sense) for sense in _split(said)]) for said in _split(words)
    ]


def is_still_there(
    conflict: Conflict, before: Sequence[Conflict], after: Sequence[Conflict]
) -> bool:
    """Whether a conflict is told again, or a proof of the same devices with nothing new in it."""

    def devices(conflicts: Sequence[Conflict]) -> set[str]:
        return {id_ for c in conflicts if c.rule == COMPLETE for id_ in c.subjects}

    def keys(conflicts: Sequence[Conflict]) -> set[tuple[str, ...]]:
        return {(c.rule, *c.subjects[:1]) for c in conflicts if c.rule != COMPLETE}

    was, now = keys(before), keys(after)
    if not devices(before):
        # Each is a conflict of its own.
        return not devices(after) and (conflict.rule, *conflict.subjects[:1]) in now
    is_same = devices(after) <= devices(before)
    return bool(after) and is_same and (now <= was or now >= was)


def _as_many(problem: Problem, rule: str, conflicts: Sequence[Conflict]) -> Problem:
    """The first alternative of every way out of a rule done."""
    for conflict in conflicts:
        if conflict.rule == rule and conflict.way_out:
            words = _to_do(conflict)
            if whole := AS_MANY.fullmatch(words):
                words = whole[1]
            problem = _obeyed(Told(problem, conflicts, conflict), _split(words)[0])
    return problem


def _to_do(conflict: Conflict) -> str:
    """The way out without what is said of how far it helps."""
    return conflict.way_out.removesuffix(LEAVES_ANOTHER).removesuffix(", which alone is not enough")


def _split(words: str) -> list[str]:
    """Alternatives in the words, each a sentence of its own."""
    for pattern, parts in SPLIT:
        if match := re.fullmatch(pattern, words):
            return [match.expand(part) for part in parts]
    return [words]


def _obeyed(told: Told, words: str) -> Problem:
    for pattern, obey in OBEY:
        if match := re.fullmatch(pattern, words):
            return obey(told, *match.groups())
    raise ValueError(f"nobody knows what to do about: {words}")


# -- what is done -----------------------------------------------------------------------------


def _um(metres: str) -> int:
    return int(Decimal(metres) * 1_000_000)


def _limit(**fields: object) -> Obey:
    return lambda told, grade: edit("limits", grade, **fields)(told.problem)


def _most_ports(told: Told, switch: str, grades: str) -> Problem:
    return _ports(told.problem, [switch], grades.split(" or "), len(told.problem.devices))


def _ports(problem: Problem, switches: Iterable[str], grades: Sequence[str], more: int) -> Problem:
    """More ports of a kind at switches: of one that is there, else of a new one."""
    for id_ in switches:
        groups = list(problem.switches[id_].port_groups)
        at = next((n for n, g in enumerate(groups) if g.grades == tuple(grades)), None)
        if at is None:
            groups.append(PortGroup(tuple(grades), more))
        else:
            groups[at] = replace(groups[at], count=groups[at].count + more)
        problem = edit("switches", id_, port_groups=tuple(groups))(problem)
    for grade in grades:
        problem = _with_limits(problem, grade)
    return problem


def _with_limits(problem: Problem, grade: str) -> Problem:
    if grade in problem.limits:
        return problem
    limits = limits_of(grade, LimitTable(), problem.catalogue)
    return replace(problem, limits={**problem.limits, grade: limits})


def _line_ports(told: Told, number: str) -> Problem:
    line = next(g for g in told.problem.limits if told.problem.catalogue.is_line(g))
    return _ports(told.problem, list(told.problem.switches)[:1], [line], int(number))


def _new_grade(told: Told, devices: Iterable[str]) -> Problem:
    """Every grade of the problem and every link for a PHY, and ports for them at every switch."""
    problem = told.problem
    offered = [g for g in problem.catalogue.grades.values() if g.full_duplex]
    grades = tuple(dict.fromkeys((*problem.limits, *(g.id for g in offered))))
    for id_ in devices:
        own = {c.grade for c in problem.devices[id_].grades}
        more = tuple(GradeChoice(g) for g in grades if g not in own)
        choices = (*problem.devices[id_].grades, *more)
        problem = edit("devices", id_, grades=choices)(problem)
        for choice in more:
            problem = _ports(problem, problem.switches, [choice.grade], 1)
    return problem


def _place_devices(told: Told, spread: int) -> Problem:
    """All devices told beside switches that they may hang on: the nearest, one, or some each."""
    problem, network = told.problem, CableNetwork(told.problem)
    for n, id_ in enumerate(told.devices):
        allowed = list(problem.devices[id_].pinned_switches or problem.switches)
        allowed.sort(key=lambda s: network.length_um(id_, s) if spread == 0 else 0)
        near = problem.switches[allowed[n % len(allowed) if spread == 2 else 0]]
        problem = edit("devices", id_, place=near.place, position_um=near.position_um)(problem)
    return problem


def _place_switch(told: Told) -> Problem:
    (device, *_), (switch, *_) = told.of("devices"), told.of("switches")
    spot = told.problem.devices[device]
    return edit("switches", switch, place=spot.place, position_um=spot.position_um)(told.problem)


def _send(told: Told, **fields: int) -> Problem:
    """The streams named, or those of devices named, changed."""
    problem = told.problem
    named = [id_ for c in told.conflicts for id_ in c.subjects if id_ in problem.streams]
    named = named or [
        s.id for s in problem.streams.values()
        if not told.devices or {s.source, *s.destinations} & set(told.devices)
    ]
    for id_ in named:
        problem = edit("streams", id_, **fields)(problem)
    return problem


def _free(told: Told) -> Problem:
    problem = told.problem
    for id_ in told.of("devices"):
        problem = edit("devices", id_, pinned_switches=None)(problem)
    return problem


def _drop(told: Told, group: str) -> Problem:
    groups = tuple(g for g in told.problem.groups if g.id != group)
    return replace(told.problem, groups=groups)


def _shrink(told: Told, group: str) -> Problem:
    """The group without its last, or with two at least."""
    (one,) = (g for g in told.problem.groups if g.id == group)
    return edit("groups", group, devices=one.devices[: max(2, len(one.devices) // 2)])(told.problem)


def _mix_domains(told: Told) -> Problem:
    names = frozenset(
        d.security_domain for d in told.problem.devices.values() if d.security_domain is not None
    )
    return edit("sharing", domains=(names,))(told.problem)


def _more_links(told: Told) -> Problem:
    """All pairs of switches that a grade reaches between, to choose among."""
    problem, backbone = told.problem, told.problem.backbone
    network = CableNetwork(problem)
    there = {frozenset(link.ends) for link in backbone.links}
    full = sorted(
        (g for g in problem.catalogue.grades.values() if g.full_duplex), key=lambda g: -g.rate_bps
    )
    links = list(backbone.links)
    for ends in combinations(problem.switches, 2):
        reach = [g.id for g in full if network.length_um(*ends) <= problem.reach_um(g.id)]
        if frozenset(ends) not in there and reach:
            links.append(BackboneLink(ends, tuple(reach)))
    return edit("backbone", links=tuple(links))(problem)


def _fewer_links(told: Told) -> Problem:
    links = tuple(replace(k, required=False) for k in told.problem.backbone.links)
    return edit("backbone", links=links, shape=BackboneShape.ANY)(told.problem)


def _any_shape(told: Told) -> Problem:
    return edit("backbone", shape=BackboneShape.ANY)(told.problem)


def _links_named(told: Told, name: str) -> Iterator[int]:
    for number, link in enumerate(told.problem.backbone.links):
        if "-".join(link.ends) == name:
            yield number


def _bring(told: Told, name: str, metres: str) -> Problem:
    (number,) = _links_named(told, name)
    return edit("backbone", "links", number, length_um=_um(metres))(told.problem)


def _reaching(told: Told, name: str, metres: str) -> Problem:
    (number,) = _links_named(told, name)
    problem = told.problem
    grade = next(
        g.id for g in problem.catalogue.grades.values()
        if g.full_duplex and problem.reach_um(g.id) >= _um(metres)
    )
    grades = (*problem.backbone.links[number].grades, grade)
    return edit("backbone", "links", number, grades=grades)(_with_limits(problem, grade))


def _lost(told: Told, rule: str, most: str | None) -> Problem:
    (failure,) = (r for r in told.problem.failure_rules if r.id == rule)
    all_ = len(told.problem.watched(failure))
    return edit("failure_rules", rule, most_lost=int(most) if most else all_)(told.problem)


def _relaxed(told: Told, stream: str, us: str | None) -> Problem:
    due = int(us) * 1_000 if us else LATE_NS
    return edit("streams", stream, deadline_ns=due)(told.problem)


def _more_switches(told: Told, number: str) -> Problem:
    """More switches like the first, each linked to it."""
    problem = told.problem
    first = next(iter(problem.switches.values()))
    for n in range(int(number)):
        new = replace(first, id=f"more-{n}", zone=None, required=False)
        problem = replace(problem, switches={**problem.switches, new.id: new})
        grades = problem.backbone.links[0].grades
        links = (*problem.backbone.links, BackboneLink((first.id, new.id), grades))
        if problem.backbone.shape is BackboneShape.RING:
            # Between the first and its neighbour.
            links = (*links, *(BackboneLink((end, new.id), grades) for end in problem.switches
                               if end not in (first.id, new.id)))
        problem = edit("backbone", links=links)(problem)
    return problem


def _both(told: Told, one: str, other: str) -> Problem:
    return _obeyed(replace(told, problem=_obeyed(told, one)), other)


def _reach(told: Told, grade: str, metres: str | None = None) -> Problem:
    now = told.problem.limits[grade].length_um
    length = now + _um(metres) if metres else LONG_UM
    return edit("limits", grade, length_um=length)(told.problem)


SPLIT: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"raise the node limit of (\S+) or (?:keep fewer nodes free|lower its reserve)",
     (r"raise the node limit of \1", r"keep fewer nodes free on \1")),
    (r"raise the length limit of (\S+), or place switches or devices nearer",
     (r"raise the length limit of \1", "place devices nearer")),
    (r"place devices nearer", tuple(f"place devices nearer: {where}" for where in NEARER)),
    (r"raise the length limit of (\S+) by (\S+) m, keep (\S+) m less of it free, or place a "
     r"switch nearer",
     (r"raise the length limit of \1 by \2 m", r"keep \3 m less free of \1",
      "place a switch nearer")),
    (r"raise the length limit of (\S+) by (\S+) m or place a switch nearer",
     (r"raise the length limit of \1 by \2 m", "place a switch nearer")),
    (r"shorten the stub of (\S+)(.*) or raise the stub limit of (\S+)(.*)",
     (r"shorten the stub of \1\2", r"raise the stub limit of \3\4")),
    (r"(raise the load share of .+), or (send less or less often)", (r"\1", r"\2")),
    (r"(raise the load share of .+), (send less or less often|give transfer .+), or (give .+)",
     (r"\1", r"\2", r"\3")),
    (r"(send less or less often|give transfer .+), or (give .+)", (r"\1", r"\2")),
    (r"(raise the unit loads of .+), or (give \S+ another PHY)", (r"\1", r"\2")),
    (r"raise the length limit of (\S+), or plan less slack \(drop_slack_m\)",
     (r"raise the length limit of \1", "plan less slack")),
    (r"drop group (\S+) or make it smaller", (r"drop group \1", r"make group \1 smaller")),
    (r"list more backbone links, or fewer that must be built",
     ("list more backbone links", "list fewer backbone links that must be built")),
    (r"list more backbone links or (make the shape .+)", ("list more backbone links", r"\1")),
    (r"(bring the backbone link .+), or (list a grade .+)", (r"\1", r"\2")),
    (r"(raise the load share of backbone links), or list more or faster ones beside (.+)",
     (r"\1", "list more backbone links")),
    (r"(let rule .+ lost), or list a backbone link that leads round it",
     (r"\1", "list more backbone links")),
)  # fmt: skip
"""Words of several alternatives, and these."""

OBEY: tuple[tuple[str, Obey], ...] = (
    (r"(relax the deadline of \S+ to \d+ µs at least) and (.+)", _both),
    (r"give (\S+) more ports for (.+)", _most_ports),
    (r"add (\d+) line ports? at least", _line_ports),
    (r"add (\d+) ports? of (\S+)", lambda told, number, grade: _ports(
        told.problem, list(told.problem.switches)[:1], [grade], int(number))),
    (r"give one of these switches a port for (.+)", lambda told, grades: _ports(
        told.problem, [next(iter(told.problem.devices[told.of("devices")[0]].pinned_switches
                                 or told.problem.switches))], grades.split(" or "), 1)),
    (r"raise the node limit of (\S+)", _limit(nodes=255)),
    (r"keep fewer nodes free on (\S+)",
     lambda told, grade: edit("limits", grade, "reserve", nodes=0)(told.problem)),
    (r"raise the length limit of (\S+)", _reach),
    (r"raise the length limit of (\S+) by (\S+) m", _reach),
    *((rf"place devices nearer: {where}", partial(_place_devices, spread=n))
      for n, where in enumerate(NEARER)),
    (r"keep (\S+) m less free of (\S+)", lambda told, less, grade: edit(
        "limits", grade, "reserve",
        length_um=told.problem.limits[grade].reserve.length_um - _um(less))(told.problem)),
    (r"place a switch nearer", _place_switch),
    (r"shorten the stub of (\S+)",
     lambda told, id_: edit("devices", id_, stub_um=0)(told.problem)),
    (r"shorten the stub of (\S+) to (\S+) m",
     lambda told, id_, most: edit("devices", id_, stub_um=_um(most))(told.problem)),
    (r"raise the stub limit of (\S+)", _limit(stub_um=LONG_UM)),
    (r"raise the stub limit of (\S+) to (\S+) m",
     lambda told, grade, most: edit("limits", grade, stub_um=_um(most))(told.problem)),
    (r"lower the least spacing of (\S+)", _limit(spacing_min_um=0)),
    (r"raise the load share of backbone links",
     lambda told: edit("backbone", load_share_ppm=PPM)(told.problem)),
    (r"raise the load share of (\S+)", _limit(load_share_ppm=PPM)),
    (r"raise the load share of (\S+) to (\S+) %", lambda told, grade, share: edit(
        "limits", grade, load_share_ppm=int(Decimal(share) * 10_000))(told.problem)),
    (r"send less or less often", lambda told: _send(told, payload_bytes=8, period_ns=10**10)),
    (r"plan less slack", lambda told: edit("line", drop_slack_um=0)(told.problem)),
    (r"raise the unit loads of (\S+)", _limit(unit_loads_mul=10**9)),
    (r"raise the unit loads of (\S+) to (\S+)", lambda told, grade, most: edit(
        "limits", grade, unit_loads_mul=int(Decimal(most) * 1_000))(told.problem)),
    (r"make room for more cables in (\S+)", lambda told, id_: edit(
        "pathways", id_, max_cables=None)(told.problem)),
    (r"give (\S+) (?:a faster grade|another PHY)", lambda told, id_: _new_grade(told, [id_])),
    (r"give .+ a PHY of another grade",
     lambda told: _new_grade(told, told.of("devices"))),
    (r"let .+ hang on another switch too", _free),
    (r"drop group (\S+)", _drop),
    (r"make group (\S+) smaller", _shrink),
    (r"let safety levels on one line differ by more",
     lambda told: edit("sharing", safety_span=None)(told.problem)),
    (r"let more security domains share lines", _mix_domains),
    (r"let option devices stand anywhere on a line",
     lambda told: edit("line", option_tail=False)(told.problem)),
    (r"let switches sit along their lines",
     lambda told: edit("line", switch_position=SwitchPosition.ANYWHERE)(told.problem)),
    (r"list more backbone links", _more_links),
    (r"list fewer backbone links that must be built", _fewer_links),
    (r"make the shape of the backbone other than \S+", _any_shape),
    (r"bring the backbone link (\S+) to (\S+) m", _bring),
    (r"list a grade for it that reaches (\S+) m", lambda told, metres: _reaching(
        told, "-".join(told.conflict.subjects), metres)),
    (r"let rule (\S+) allow (?:more|(\d+)) to be lost", _lost),
    (r"relax the deadline of (\S+)(?: to (\d+) µs at least)?", _relaxed),
    (r"give (?:transfer )?(\S+) longer",
     lambda told, id_: edit("transfers", id_, longest_ns=None)(told.problem)),
    (r"add (\d+) switch(?:es)?", _more_switches),
)  # fmt: skip
"""Every kind of words, and what it names."""
