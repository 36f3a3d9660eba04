"""Changes of what rules are about, not of rules: places, grades, ports, switches, traffic.

They are no handles, since none of them is a rule that could be left out. Each is for the devices
that a conflict names; whether it helps is for arithmetic and a plan to say.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import replace
from itertools import permutations

from partitioner.explain.handles.handle import Change, Ease, Scale, edit
from partitioner.explain.handles.limits import CM
from partitioner.model.layout import link_name
from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    GradeChoice,
    GroupKind,
    PortGroup,
    Problem,
    Stream,
    Switch,
)
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import backbone_length_um
from partitioner.reading.build import limits_of
from partitioner.reading.schema import LimitTable
from partitioner.units import MONEY_STEPS, NS_PER_US, UM_PER_M, ceil_div, from_base
from partitioner.wording import count, duration, listed, metres, to_whole_cm

MOST_DEVICES = 4
"""Devices of a conflict for which other places and grades are looked for."""
OF_TRAFFIC = {"load", "backbone-load", "deadline", "transfer"}
"""Rules of which a conflict may go where less is sent."""
MOST_STREAMS = 4
"""Streams of a conflict of which each is made less by itself, before all of them are."""
MOST_AT_ONCE = 16
"""Streams that are made less together."""

Position = tuple[int, int, int]


def parts(
    problem: Problem, named: Sequence[str], rules: Set[str]
) -> list[Iterator[Scale | Ease]]:
    """Changes for those named in a conflict of some rules, by kind, the likeliest first."""
    devices = [id_ for id_ in dict.fromkeys(named) if id_ in problem.devices]
    few = devices[:MOST_DEVICES]
    kinds: list[Iterator[Scale | Ease]] = [
        _devices_moved(problem, few),
        _switches_moved(problem, few),
        _other_grades(problem, few),
        _ports_of_a_new_kind(problem, devices),
        _grades_of_links(problem),
    ]
    if rules & OF_TRAFFIC:
        sets = _sets_of_streams(problem, named)
        kinds += [
            (_less(problem, ids, True, is_smaller) for is_smaller in (False, True) for ids in sets),
            (_less(problem, ids, False, True) for ids in sets),
        ]
    # Where ports are too few, more of them are the milder change.
    return kinds if "port-exists" in rules else [*kinds, _more_switches(problem, few)]


def _allowed(problem: Problem, device: str) -> tuple[str, ...]:
    pinned = problem.devices[device].pinned_switches
    return tuple(problem.switches) if pinned is None else pinned


def _nearest(problem: Problem, network: CableNetwork, device: str) -> str:
    """The nearest of the switches that a device may hang on."""
    return min(_allowed(problem, device), key=lambda s: network.length_um(device, s))


# -- places -----------------------------------------------------------------------------------


def _devices_moved(problem: Problem, devices: Sequence[str]) -> Iterator[Scale]:
    network = CableNetwork(problem)
    for device in devices:
        yield from _nearer(problem, network, device, _nearest(problem, network, device))
    inside = {g.devices for g in problem.groups if g.kind is GroupKind.TOGETHER}
    pairs = [
        (a, b) for a, b in permutations(devices, 2) if any({a, b} <= set(g) for g in inside)
    ]
    for a, b in sorted(pairs, key=lambda pair: -network.length_um(*pair)):
        yield from _nearer(problem, network, a, b)


def _switches_moved(problem: Problem, devices: Sequence[str]) -> Iterator[Scale]:
    network = CableNetwork(problem)
    for device in devices:
        yield from _nearer(problem, network, _nearest(problem, network, device), device)


def _nearer(problem: Problem, network: CableNetwork, id_: str, goal: str) -> Iterator[Scale]:
    """Places on the way to another item, ever nearer to it: those of the pathways, if any."""
    section = "devices" if id_ in problem.devices else "switches"
    item = problem.devices[id_] if section == "devices" else problem.switches[id_]
    stops: list[str | Position] = [p for p in network.way(id_, goal) if p in problem.places]
    if not network.has_pathways:
        a, b = network.position_um(id_), network.position_um(goal)
        steps = max(abs(q - p) for p, q in zip(a, b, strict=True)) // CM
        stops = [_between(a, b, n, steps) for n in range(1, steps + 1)]
    stops = [stop for stop in stops if stop != item.place]

    def to(step: int) -> Change:
        stop = stops[step - 1]
        if isinstance(stop, str):
            return edit(section, id_, place=stop, position_um=None)
        return edit(section, id_, place=None, position_um=stop)

    def words(step: int) -> str:
        return f"place {id_} at {_spot(stops[step - 1])}, nearer to {goal}"

    if stops:
        yield Scale(0, len(stops), 1, to, words)


def _between(a: Position, b: Position, step: int, steps: int) -> Position:
    """A point between two, to the whole centimetre but at the far end."""
    if step == steps:
        return b
    x, y, z = ((p + (q - p) * step // steps) // CM * CM for p, q in zip(a, b, strict=True))
    return x, y, z


def _spot(stop: str | Position) -> str:
    if isinstance(stop, str):
        return stop
    return f"[{', '.join(f'{from_base(um, UM_PER_M):f}' for um in stop)}] (metres)"


# -- grades and ports -------------------------------------------------------------------------


def _with_limits(problem: Problem, grade: str) -> Problem:
    """The problem with limits of a grade: as guaranteed, if it states none."""
    if grade in problem.limits:
        return problem
    limits = limits_of(grade, LimitTable(), problem.catalogue)
    order = [g for g in problem.catalogue.grades if g in problem.limits or g == grade]
    return replace(
        problem, limits={g: limits if g == grade else problem.limits[g] for g in order}
    )


def _other_grades(problem: Problem, devices: Sequence[str]) -> Iterator[Ease]:
    """Another grade for a device: one that its switches have ports for, else with a port more."""
    for device in devices:
        own = {c.grade for c in problem.devices[device].grades}
        switches = [problem.switches[s] for s in _allowed(problem, device)]
        offered = dict.fromkeys(g for s in switches for p in s.port_groups for g in p.grades)
        others = [g for g in offered if g not in own]
        fastest = max((problem.catalogue.grades[g].rate_bps for g in own), default=0)
        faster = [
            g.id for g in problem.catalogue.grades.values()
            if g.full_duplex and g.rate_bps > fastest and g.id not in offered
        ]
        faster.sort(key=lambda g: problem.catalogue.grades[g].rate_bps)
        for grade in others:
            yield _by(device, grade)
        near = problem.switches[_nearest(problem, CableNetwork(problem), device)]
        for grade in (*others, *faster[:1]):
            taken = _by(device, grade)
            port = _ports_for(problem, near, grade)
            yield Ease(
                f"{taken.words} and {port.words(port.start + 1)}",
                _both(taken.change, port.to(port.start + 1)),
            )


def _both(one: Change, other: Change) -> Change:
    return lambda problem: other(one(problem))


def _by(device: str, grade: str) -> Ease:
    def change(problem: Problem) -> Problem:
        grades = (*problem.devices[device].grades, GradeChoice(grade))
        return edit("devices", device, grades=grades)(_with_limits(problem, grade))

    return Ease(f"let the PHY of {device} be {grade} too", change)


def _ports_of_a_new_kind(problem: Problem, devices: Sequence[str]) -> Iterator[Scale]:
    """Ports for grades of devices at switches that have none for them."""
    wanted = dict.fromkeys(c.grade for d in devices for c in problem.devices[d].grades)
    allowed = dict.fromkeys(s for d in devices for s in _allowed(problem, d))
    for name in allowed:
        switch = problem.switches[name]
        offered = {g for p in switch.port_groups for g in p.grades}
        for grade in wanted:
            if grade not in offered:
                yield _ports_for(problem, switch, grade)


def _ports_for(problem: Problem, switch: Switch, grade: str) -> Scale:
    """More ports of a kind that a switch has, or some of a new kind at the price of its others."""
    most = len(problem.devices)
    number = next((n for n, g in enumerate(switch.port_groups) if g.grades == (grade,)), None)
    if number is not None:
        now = switch.port_groups[number].count
        return Scale(
            now, most, 1,
            lambda n: edit("switches", switch.id, "port_groups", number, count=n),
            lambda n: f"give {switch.id} {n} ports for {grade} in place of {now}",
        )
    price = max((p.price_money for p in switch.port_groups), default=0)
    cost = f" at {from_base(price, MONEY_STEPS):f} each" if price else ""

    def to(n: int) -> Change:
        more = PortGroup((grade,), n, price)
        return lambda p: edit(
            "switches", switch.id, port_groups=(*p.switches[switch.id].port_groups, more)
        )(_with_limits(p, grade))

    return Scale(
        0, most, 1, to, lambda n: f"give {switch.id} {count(n, 'new port')} for {grade}{cost}"
    )


# -- switches and their links -----------------------------------------------------------------


def _more_switches(problem: Problem, devices: Sequence[str]) -> Iterator[Ease]:
    """One switch more where a device stands, like the one nearest to it and linked to that."""
    network = CableNetwork(problem)
    for device in devices:
        for like in sorted(problem.switches, key=lambda s: network.length_um(device, s))[:1]:
            yield from _switch_beside(problem, network, device, like)


def _switch_beside(
    problem: Problem, network: CableNetwork, device: str, like: str
) -> Iterator[Ease]:
    name = like
    while name in problem.switches or name in problem.devices:
        name += "-more"
    place: str | None = None
    position: Position | None = network.position_um(device)
    if network.has_pathways:
        place, position = network.place_near(device), None
    spot = place if place is not None else position
    assert spot is not None
    new = replace(
        problem.switches[like], id=name, place=place, position_um=position, zone=None,
        required=False,
    )
    grades = next((k.grades for k in problem.backbone.links if like in k.ends), None)
    if grades is None:
        full = sorted(
            (g for g in problem.catalogue.grades.values() if g.full_duplex),
            key=lambda g: (g.rate_bps, g.id),
        )
        grades = (full[0].id,) if full else ()
    ends = [like]
    if problem.backbone.shape is BackboneShape.RING:
        ends += [e for k in problem.backbone.links if like in k.ends for e in k.ends if e != like]
    ends = ends[:2]
    if not grades:
        return
    links = tuple(BackboneLink((end, name), grades) for end in ends)

    def change(p: Problem) -> Problem:
        for grade in grades:
            p = _with_limits(p, grade)
        p = replace(p, switches={**p.switches, name: new})
        return edit("backbone", links=(*p.backbone.links, *links))(p)

    linked = " and ".join(ends)
    yield Ease(
        f"add a switch {name} like {like} at {_spot(spot)} that need not be built, with a backbone "
        f"link ({' or '.join(grades)}) to {linked}",
        change,
    )


def _grades_of_links(problem: Problem) -> Iterator[Ease]:
    """A grade that reaches for a backbone link that is too long, the slowest first."""
    network = CableNetwork(problem)
    for number, link in enumerate(problem.backbone.links):
        length = backbone_length_um(problem, network, link.ends)
        if any(problem.reach_um(g) >= length for g in link.grades):
            continue
        reaching = sorted(
            (g.rate_bps, g.id) for g in problem.catalogue.grades.values()
            if g.full_duplex and problem.reach_um(g.id) >= length
        )
        for _, grade in reaching:
            yield Ease(
                f"let the backbone link {link_name(*link.ends)} of "
                f"{metres(to_whole_cm(length))} be {grade} too",
                _link_by(number, grade),
            )


def _link_by(number: int, grade: str) -> Change:
    def change(problem: Problem) -> Problem:
        grades = (*problem.backbone.links[number].grades, grade)
        return edit("backbone", "links", number, grades=grades)(_with_limits(problem, grade))

    return change


# -- traffic ----------------------------------------------------------------------------------


def _sets_of_streams(problem: Problem, named: Sequence[str]) -> list[list[str]]:
    """Each stream that is named, then all of them; if none is, the busiest of named devices."""
    told = [id_ for id_ in dict.fromkeys(named) if id_ in problem.streams]
    devices = problem.devices.keys() & set(named)
    rates = {
        s.id: s.payload_bytes / s.period_ns for s in problem.streams.values()
        if not devices or s.source in devices
    }
    every = told or [id_ for id_, rate in rates.items() if 2 * rate >= max(rates.values())]
    found = [[id_] for id_ in told[:MOST_STREAMS]]
    return [*found, every] if 0 < len(every) <= MOST_AT_ONCE and found != [every] else found


def _less(problem: Problem, streams: Sequence[str], is_rarer: bool, is_smaller: bool) -> Scale:
    """Ever longer periods or smaller payloads, by tenths of what there is.

    A deadline that is the period goes with it.
    """

    def sent(id_: str, tenths: int) -> Stream:
        stream = problem.streams[id_]
        size = stream.payload_bytes * 10 // tenths if is_smaller else stream.payload_bytes
        if not is_rarer:
            return replace(stream, payload_bytes=size)
        period = ceil_div(stream.period_ns * tenths, 10 * NS_PER_US) * NS_PER_US
        due = period if stream.deadline_ns == stream.period_ns else stream.deadline_ns
        return replace(stream, payload_bytes=size, period_ns=period, deadline_ns=due)

    def to(tenths: int) -> Change:
        changed = {id_: sent(id_, tenths) for id_ in streams}
        return lambda p: replace(p, streams={**p.streams, **changed})

    def words(tenths: int) -> str:
        told = []
        for stream in (sent(id_, tenths) for id_ in streams):
            every = (
                f" every {duration(stream.period_ns)} (deadline {duration(stream.deadline_ns)})"
                if is_rarer else ""
            )
            size = f" with {stream.payload_bytes} bytes" if is_smaller else ""
            told.append(stream.id + every + size)
        return f"send {listed(told)}"

    return Scale(10, 1_000, 1, to, words)
