"""Small changes of machines with a known layout: some leave none, others look alike but keep it.

Every machine is one of :mod:`tests.bench.planted`: its rules just allow a hidden layout. A change
that is *impossible* names the rules and ids that its proof has to tell; one that *keeps* the layout
is proved harmless by the check, which accepts the hidden layout still.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

from partitioner.check.judge import assess
from partitioner.explain.handles.handle import edit
from partitioner.model.assessment import Assessment
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    FailureRule,
    GradeChoice,
    Group,
    GroupKind,
    PortGroup,
    Problem,
    Stream,
    SwitchPosition,
    Transfer,
)
from partitioner.network.cable import CableNetwork
from tests.bench.planted import LINE, LINK, planted

M = 1_000_000


@dataclass(frozen=True)
class Machine:
    """A problem, its hidden layout, and what the check says of it."""

    problem: Problem
    layout: Layout
    seen: Assessment

    def lines(self, switch: str | None = None) -> list[Segment]:
        return [
            s for s in self.layout.segments
            if s.grade == LINE and (switch is None or s.switch == switch)
        ]

    @property
    def home(self) -> dict[str, str]:
        return {d: s.switch for s in self.layout.segments for d in s.devices}

    @property
    def busiest(self) -> str:
        return Counter(s.switch for s in self.lines()).most_common(1)[0][0]

    def of(self, grade: str) -> list[str]:
        return [
            d.id for d in self.problem.devices.values() if [c.grade for c in d.grades] == [grade]
        ]

    def fact(self, name: str, grade: str = LINE) -> int:
        return max(getattr(f, name) for f in self.seen.segments if f.segment.grade == grade)


@cache
def machine(devices: int, seed: int) -> Machine:
    made = planted(devices, seed)
    return Machine(made.problem, made.hidden, assess(made.problem, made.hidden))


Change = Callable[[Machine], tuple[Problem, Layout, set[str]]]


@dataclass(frozen=True)
class Case:
    """A change; ``rules``: those its proof has to name (none: it keeps the hidden layout)."""

    name: str
    change: Change
    rules: frozenset[str] = frozenset()
    devices: int = 48
    seed: int = 3


IMPOSSIBLE: list[Case] = []
KEPT: list[Case] = []


def impossible(*rules: str, **where: int):
    def add(change: Callable[[Machine], tuple[Problem, set[str]]]) -> object:
        def whole(m: Machine) -> tuple[Problem, Layout, set[str]]:
            problem, names = change(m)
            return problem, m.layout, names

        IMPOSSIBLE.append(Case(change.__name__, whole, frozenset(rules), **where))
        return change

    return add


def kept(**where: int):
    def add(change: Callable[[Machine], Problem | tuple[Problem, Layout]]) -> object:
        def whole(m: Machine) -> tuple[Problem, Layout, set[str]]:
            made = change(m)
            problem, layout = made if isinstance(made, tuple) else (made, m.layout)
            return problem, layout, set()

        KEPT.append(Case(change.__name__, whole, **where))
        return change

    return add


# -- edits ------------------------------------------------------------------------------------


def limit(problem: Problem, grade: str, **fields: object) -> Problem:
    return edit("limits", grade, **fields)(problem)


def group(problem: Problem, kind: GroupKind, devices: list[str], id_: str = "new") -> Problem:
    return replace(problem, groups=(*problem.groups, Group(id_, kind, tuple(devices))))


def pin(problem: Problem, devices: list[str], *switches: str) -> Problem:
    for d in devices:
        problem = edit("devices", d, pinned_switches=switches)(problem)
    return problem


def ports(problem: Problem, grade: str, count: Callable[[int], int], switch: str = "") -> Problem:
    for s in problem.switches.values():
        if switch in ("", s.id):
            groups = tuple(
                replace(g, count=count(g.count)) if g.grades == (grade,) else g
                for g in s.port_groups
            )
            groups = tuple(g for g in groups if g.count > 0)
            problem = edit("switches", s.id, port_groups=groups)(problem)
    return problem


def field(problem: Problem, devices: list[str], **fields: object) -> Problem:
    for d in devices:
        problem = edit("devices", d, **fields)(problem)
    return problem


def watch(problem: Problem, devices: list[str], most: int) -> Problem:
    problem = field(
        replace(problem, failure_rules=()), list(problem.devices), function=None
    )
    problem = field(problem, devices, function="watched")
    return replace(problem, failure_rules=(FailureRule("new-rule", None, "watched", most),))


def backbone(problem: Problem, shape: BackboneShape, links: list[BackboneLink]) -> Problem:
    return replace(problem, backbone=replace(problem.backbone, shape=shape, links=tuple(links)))


def joined(a: str, b: str, length_um: int = 5 * M, *, required: bool = False) -> BackboneLink:
    return BackboneLink((a, b), ("1000BASE-T1",), length_um, required)


def chain(problem: Problem, **fields: bool) -> list[BackboneLink]:
    ids = list(problem.switches)
    return [joined(a, b, **fields) for a, b in pairwise(ids)]


def quiet(problem: Problem) -> Problem:
    """Without rules on failures, which hang on the backbone."""
    return replace(problem, failure_rules=())


def roomy(problem: Problem) -> Problem:
    """With room for any number of cables in its pathways."""
    return replace(problem, pathways=tuple(replace(w, max_cables=None) for w in problem.pathways))


def free(problem: Problem) -> Problem:
    """Without groups and pins, with room in its pathways."""
    return field(
        roomy(replace(problem, groups=())), list(problem.devices), pinned_switches=None
    )


def patient(problem: Problem) -> Problem:
    """Without tight deadlines, which ask for devices of a stream on one line."""
    return replace(problem, streams={
        k: replace(s, deadline_ns=10**10) for k, s in problem.streams.items()
    })


def only_streams(problem: Problem, ids: set[str]) -> Problem:
    return replace(problem, streams={k: s for k, s in problem.streams.items() if k in ids})


def numbered(layout: Layout) -> Layout:
    """The ports of each switch in use one after the other, lines first."""
    used: Counter[str] = Counter()
    segments = []
    for s in sorted(layout.segments, key=lambda s: s.grade != LINE):
        used[s.switch] += 1
        segments.append(replace(s, port=used[s.switch]))
    return replace(layout, segments=tuple(segments))


def built(layout: Layout, problem: Problem) -> Layout:
    links = tuple(BuiltLink(k.ends, k.grades[0]) for k in problem.backbone.links)
    return replace(layout, backbone=links)


# -- ports and limits -------------------------------------------------------------------------


@impossible("port-exists")
def fewer_line_ports(m: Machine):
    return ports(m.problem, LINE, lambda n: 1), set(m.problem.switches)


@kept()
def only_the_line_ports_in_use(m: Machine):
    p = m.problem
    for s in p.switches:
        p = ports(p, LINE, lambda n, s=s: len(m.lines(s)), s)
    return p, numbered(m.layout)


@impossible("port-exists")
def one_link_port_fewer(m: Machine):
    busy = Counter(s.switch for s in m.layout.segments if s.grade == LINK).most_common(1)[0][0]
    return ports(m.problem, LINK, lambda n: n - 1, busy), {busy}


@kept()
def as_many_link_ports_as_links(m: Machine):
    return m.problem


@impossible("nodes", "port-exists")
def nodes_for_two_devices(m: Machine):
    return limit(m.problem, LINE, nodes=3), {LINE}


@kept()
def nodes_of_the_longest_line(m: Machine):
    return limit(m.problem, LINE, nodes=m.fact("nodes"))


@impossible("nodes", "port-exists")
def reserve_of_nodes(m: Machine):
    keep = m.problem.limits[LINE].nodes - 3
    return edit("limits", LINE, "reserve", nodes=keep)(m.problem), {LINE}


@impossible("length")
def far_device(m: Machine):
    far = m.of(LINE)[0]
    p = field(m.problem, [far], place=None, position_um=(500 * M, 0, 0))
    return p, {far}


@kept()
def length_of_the_longest_line(m: Machine):
    return limit(m.problem, LINE, length_um=m.fact("length_um"))


@impossible("length", "pin")
def pinned_out_of_reach(m: Machine):
    ids = list(m.problem.switches)
    end = max(m.of(LINE), key=lambda d: m.problem.devices[d].position_um[0])
    # The way there, with nothing for the slack at both ends.
    p = pin(m.problem, [end], ids[0])
    return limit(p, LINE, length_um=CableNetwork(p).length_um(end, ids[0])), {end}


@impossible("stub")
def long_stub(m: Machine):
    d = m.of(LINE)[1]
    return limit(field(m.problem, [d], stub_um=300_000), LINE, stub_um=200_000), {d}


@kept()
def stub_as_long_as_allowed(m: Machine):
    d = m.of(LINE)[1]
    return limit(field(m.problem, [d], stub_um=200_000), LINE, stub_um=200_000)


@impossible("unit-loads")
def heavy_device(m: Machine):
    d = m.of(LINE)[2]
    return limit(field(m.problem, [d], unit_load_mul=5_000), LINE, unit_loads_mul=4_000), {d}


@impossible("unit-loads", "port-exists")
def heavy_devices(m: Machine):
    p = field(roomy(m.problem), m.of(LINE), unit_load_mul=2_000)
    return limit(p, LINE, unit_loads_mul=5_000), {LINE}


@kept()
def unit_loads_of_the_fullest_line(m: Machine):
    most = max(len(s.devices) for s in m.lines())
    p = field(m.problem, m.of(LINE), unit_load_mul=2_000)
    return limit(p, LINE, unit_loads_mul=2_000 * most)


@impossible("spacing", "length", "port-exists")
def spacing_for_two(m: Machine):
    longest = m.problem.limits[LINE].length_um
    return limit(roomy(m.problem), LINE, spacing_min_um=longest // 3), {LINE}


@kept()
def spacing_of_the_closest(m: Machine):
    return limit(m.problem, LINE, spacing_min_um=m.problem.line.drop_slack_um)


@impossible("length", "port-exists")
def no_cable_for_two(m: Machine):
    p = roomy(m.problem)
    p = replace(p, line=replace(p.line, drop_slack_um=p.limits[LINE].length_um // 3))
    return replace(limit(p, LINK, length_um=200 * M), groups=()), set()


@impossible("load")
def chatty_device(m: Machine):
    s = next(s for s in m.problem.streams.values() if s.source in m.of(LINE))
    p = edit("streams", s.id, payload_bytes=1_400, period_ns=1_200_000)(m.problem)
    return replace(p, groups=()), {s.id, s.source, *s.destinations}


@impossible("load", "port-exists")
def chatty_devices(m: Machine):
    p = roomy(m.problem)
    for s in p.streams.values():
        if s.source in m.of(LINE):
            p = edit("streams", s.id, payload_bytes=1_000, period_ns=2_500_000, jitter_ns=0,
                     deadline_ns=10**10, destinations=(m.home[s.source],))(p)
        else:
            p = edit("streams", s.id, deadline_ns=10**10)(p)
    return limit(p, LINE, load_share_ppm=950_000), {LINE}


@kept()
def load_of_the_busiest_line(m: Machine):
    return limit(m.problem, LINE, load_share_ppm=m.fact("load_share_ppm"))


@kept()
def load_of_the_busiest_link(m: Machine):
    return limit(m.problem, LINK, load_share_ppm=m.fact("load_share_ppm", LINK))


@impossible("load")
def link_too_slow(m: Machine):
    d = m.of(LINK)[0]
    s = next(s for s in m.problem.streams.values() if d in (s.source, *s.destinations))
    p = edit("streams", s.id, payload_bytes=1_400, period_ns=125_000)(m.problem)
    return p, {d} if s.source == d else {s.source}


# -- pins, groups -----------------------------------------------------------------------------


@impossible("pin", "nodes", "port-exists")
def pinned_to_a_small_switch(m: Machine):
    s = m.busiest
    p = replace(quiet(m.problem), groups=())
    return limit(pin(p, m.of(LINE), s), LINE, length_um=200 * M), {s}


@kept()
def everyone_pinned_home(m: Machine):
    p = m.problem
    for d, s in m.home.items():
        p = pin(p, [d], s)
    return p


@kept()
def pinned_to_home_and_next(m: Machine):
    p, ids = m.problem, list(m.problem.switches)
    for d, s in m.home.items():
        p = pin(p, [d], s, ids[(ids.index(s) + 1) % len(ids)])
    return p


@impossible("apart-switch")
def more_apart_than_switches(m: Machine):
    some = m.of(LINE)[: len(m.problem.switches) + 1]
    return group(m.problem, GroupKind.APART_SWITCH, some), set(some)


@impossible("apart-switch", "pin")
def apart_on_fewer_switches(m: Machine):
    ids, some = list(m.problem.switches), m.of(LINE)[:3]
    p = limit(pin(m.problem, some, *ids[:2]), LINE, length_um=200 * M)
    return group(p, GroupKind.APART_SWITCH, some), set(some)


@impossible("apart-switch", "length")
def apart_without_reach(m: Machine):
    p = m.problem
    some = m.of(LINE)[:2]
    p = field(p, some, place=None, position_um=(-14 * M, 0, M), pinned_switches=None)
    network = CableNetwork(p)
    near, second, *_ = sorted(network.length_um(some[0], s) for s in p.switches)
    p = limit(p, LINE, length_um=(near + second) // 2)
    return group(replace(p, groups=()), GroupKind.APART_SWITCH, some), set(some)


@kept()
def apart_one_at_each_switch(m: Machine):
    first = {s: d for d, s in reversed(m.home.items())}
    return group(m.problem, GroupKind.APART_SWITCH, list(first.values()))


@impossible("apart-segment", "port-exists")
def more_apart_than_lines(m: Machine):
    p = m.problem
    room = sum(g.count for s in p.switches.values() for g in s.port_groups if LINE in g.grades)
    some = m.of(LINE)[: room + 1]
    p = replace(p, groups=())
    return group(p, GroupKind.APART_SEGMENT, some), set(some)


@kept()
def apart_one_on_each_line(m: Machine):
    return group(m.problem, GroupKind.APART_SEGMENT, [s.devices[0] for s in m.layout.segments])


@impossible("apart-segment", "pin", "port-exists")
def apart_at_one_switch(m: Machine):
    s = m.busiest
    room = sum(g.count for g in m.problem.switches[s].port_groups if LINE in g.grades)
    some = m.of(LINE)[: room + 1]
    p = limit(pin(m.problem, some, s), LINE, length_um=200 * M)
    return group(p, GroupKind.APART_SEGMENT, some), set(some)


@impossible("together", "nodes")
def more_together_than_a_line_holds(m: Machine):
    some = m.of(LINE)[: m.problem.limits[LINE].nodes]
    p = limit(m.problem, LINE, length_um=400 * M)
    return group(replace(p, groups=()), GroupKind.TOGETHER, some), set(some)


@kept()
def together_as_on_each_line(m: Machine):
    p = replace(m.problem, groups=())
    for n, s in enumerate(m.lines()):
        if len(s.devices) > 1:
            p = group(p, GroupKind.TOGETHER, list(s.devices), f"new-{n}")
    return p


@impossible("together", "length")
def together_from_end_to_end(m: Machine):
    at = sorted(m.of(LINE), key=lambda d: m.problem.devices[d].position_um[0])
    p = limit(replace(m.problem, groups=()), LINE, length_um=13 * M)
    return group(p, GroupKind.TOGETHER, [at[0], at[-1]]), {at[0], at[-1]}


@impossible("together", "unit-loads")
def together_too_heavy(m: Machine):
    some = list(max(m.lines(), key=lambda s: len(s.devices)).devices[:3])
    p = limit(field(m.problem, some, unit_load_mul=3_000), LINE, unit_loads_mul=8_000)
    return group(p, GroupKind.TOGETHER, some), set(some)


@impossible("together", "load")
def together_too_chatty(m: Machine):
    some = list(max(m.lines(), key=lambda s: len(s.devices)).devices[:3])
    p = group(m.problem, GroupKind.TOGETHER, some)
    for s in p.streams.values():
        if s.source in some:
            p = edit("streams", s.id, payload_bytes=1_400, period_ns=3_000_000,
                     deadline_ns=10**10, destinations=(m.busiest,))(p)
    return limit(p, LINE, load_share_ppm=900_000), set(some)


@impossible("together", "pin")
def together_at_two_switches(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    ids = list(m.problem.switches)
    p = pin(pin(m.problem, [a], ids[0]), [b], ids[1])
    return group(limit(p, LINE, length_um=200 * M), GroupKind.TOGETHER, [a, b]), {a, b}


@impossible("together", "failure")
def together_but_watched(m: Machine):
    at = sorted(m.lines(), key=lambda s: len(s.devices))
    some = [at[-1].devices[0], at[-1].devices[1], at[-1].devices[2]]
    return group(watch(m.problem, some, 2), GroupKind.TOGETHER, some), set(some)


@impossible("together", "switch-position", "length")
def together_on_both_sides(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = m.problem
    s = next(iter(p.switches))
    spot = p.places[p.switches[s].place].position_um
    p = replace(p, pathways=(), line=replace(p.line, switch_position=SwitchPosition.END))
    p = field(p, [a], place=None, position_um=(spot[0] - 4 * M, spot[1], spot[2]))
    p = field(p, [b], place=None, position_um=(spot[0] + 4 * M, spot[1], spot[2]))
    p = limit(pin(p, [a, b], s), LINE, length_um=10 * M)
    return group(p, GroupKind.TOGETHER, [a, b]), {a, b}


@impossible("together", "option-tail", "length")
def together_with_the_option_near(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = free(m.problem)
    s = next(iter(p.switches))
    spot = p.places[p.switches[s].place].position_um
    p = replace(
        p, pathways=(),
        line=replace(p.line, option_tail=True, switch_position=SwitchPosition.END),
    )
    p = field(p, [a], place=None, position_um=(spot[0] + 2 * M, spot[1], spot[2]), option="comfort")
    p = field(p, [b], place=None, position_um=(spot[0] + 6 * M, spot[1], spot[2]), option=None)
    p = limit(pin(p, [a, b], s), LINE, length_um=8 * M)
    return group(p, GroupKind.TOGETHER, [a, b]), {a, b}


# -- who shares a line ------------------------------------------------------------------------


@impossible("safety-span", "port-exists")
def many_levels(m: Machine):
    p = patient(replace(m.problem, groups=()))
    for n, d in enumerate(m.of(LINE)):
        p = field(p, [d], safety_level=n)
    return replace(p, sharing=replace(p.sharing, safety_span=0)), set()


@kept()
def a_level_for_each_line(m: Machine):
    p = m.problem
    for n, s in enumerate(m.lines()):
        p = field(p, list(s.devices), safety_level=n)
    return replace(p, sharing=replace(p.sharing, safety_span=0))


@impossible("security-domain", "port-exists")
def many_domains(m: Machine):
    p = patient(replace(m.problem, groups=()))
    for n, d in enumerate(m.of(LINE)):
        p = field(p, [d], security_domain=f"domain-{n // 2}", safety_level=None)
    return p, set()


@kept()
def a_domain_for_each_line(m: Machine):
    p = m.problem
    for n, s in enumerate(m.lines()):
        p = field(p, list(s.devices), security_domain=f"domain-{n}")
    return p


@impossible("security-domain", "pin", "port-exists")
def domains_at_one_switch(m: Machine):
    s = m.busiest
    room = sum(g.count for g in m.problem.switches[s].port_groups if LINE in g.grades)
    some = m.of(LINE)[: room + 1]
    p = limit(pin(replace(m.problem, groups=()), some, s), LINE, length_um=200 * M)
    for n, d in enumerate(some):
        p = field(p, [d], security_domain=f"domain-{n}", safety_level=None)
    return p, {s}


# -- failures ---------------------------------------------------------------------------------


@impossible("failure")
def losses_no_split_avoids(m: Machine):
    some = m.of(LINE)[: 2 * len(m.problem.switches) + 1]
    return watch(m.problem, some, 2), set(some)


@kept()
def losses_of_the_hidden_layout(m: Machine):
    some = m.of(LINE)[:12]
    p = watch(m.problem, some, 12)
    at = Counter(m.home[d] for d in some)
    links = chain(p)
    p = backbone(p, BackboneShape.FIXED, links)
    p = replace(p, streams={
        k: replace(s, destinations=(m.home.get(s.source, s.source),), deadline_ns=10**10)
        for k, s in p.streams.items() if s.source in m.home
    })
    return edit("failure_rules", "new-rule", most_lost=max(at.values()))(p), built(m.layout, p)


@impossible("failure", "pin")
def losses_at_one_switch(m: Machine):
    some = m.of(LINE)[:4]
    p = limit(pin(watch(m.problem, some, 3), some, m.busiest), LINE, length_um=200 * M)
    return p, set(some)


@impossible("failure", "pin")
def losses_at_two_switches(m: Machine):
    some = m.of(LINE)[:3]
    p = pin(watch(m.problem, some, 1), some, *list(m.problem.switches)[:2])
    return limit(p, LINE, length_um=200 * M), set(some)


# -- pathways ---------------------------------------------------------------------------------


def moved_behind(m: Machine, some: list[str]) -> tuple[Problem, str]:
    """Some devices at a place behind one pathway of its own, behind which nobody else stands."""
    p = m.problem
    network, hub = CableNetwork(p), next(iter(p.switches))
    busy = {w for d in p.devices if d not in some for w in network.pathways_on(d, hub)}
    side = next(w for w in p.pathways if w.id.startswith("side-") and w.id not in busy)
    end = next(e for e in side.ends if "-" in e)
    return field(p, some, place=end, position_um=None), side.id


def behind(m: Machine, n: int) -> tuple[Problem, list[str], str]:
    """Line devices behind a pathway that one segment fits through, safety and security aside."""
    some = m.of(LINE)[:n]
    p, side = moved_behind(m, some)
    p = field(p, list(p.devices), safety_level=None, security_domain=None)
    p = limit(p, LINE, length_um=200 * M)
    return edit("pathways", side, max_cables=1)(roomy(p)), some, side


@impossible("pathway-capacity", "nodes")
def more_behind_a_pathway_than_fit(m: Machine):
    p, _, side = behind(m, m.problem.limits[LINE].nodes)
    return p, {side, LINE}


@impossible("pathway-capacity", "apart-segment")
def apart_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 2)
    return group(p, GroupKind.APART_SEGMENT, some), {side, *some}


@impossible("pathway-capacity")
def links_behind_a_pathway(m: Machine):
    some = m.of(LINK)[:2]
    p, side = moved_behind(m, some)
    p = limit(p, LINK, length_um=200 * M)
    return edit("pathways", side, max_cables=1)(p), {side, *some}


def first_duct(p: Problem) -> str:
    """The duct that parts the first switch from all others, beside the second."""
    at = [int(p.switches[s].place[1:]) for s in list(p.switches)[:2]]
    return f"duct-{max(at) - 1}"


@impossible("pathway-capacity", "pin")
def pinned_through_a_pathway(m: Machine):
    # Neither groups nor what a failure may lose are in the way of so many at one switch.
    p, ids = replace(quiet(m.problem), groups=()), list(m.problem.switches)
    duct = first_duct(p)
    some = sorted(m.of(LINE), key=lambda d: -p.devices[d].position_um[0])
    some = some[: 2 * p.limits[LINE].nodes]
    p = limit(pin(p, some, ids[0]), LINE, length_um=400 * M)
    p = ports(p, LINE, lambda n: n + 20)
    network = CableNetwork(p)
    links = sum(duct in network.pathways_on(*link.ends) for link in m.layout.backbone)
    return edit("pathways", duct, max_cables=max(1, links))(p), {duct}


@kept()
def as_many_cables_as_run_there(m: Machine):
    through: Counter[str] = Counter()
    network = CableNetwork(m.problem)
    for s in m.layout.segments:
        stops = [s.switch, *s.devices]
        through.update({w for a, b in pairwise(stops) for w in network.pathways_on(a, b)})
    for link in m.layout.backbone:
        through.update(network.pathways_on(*link.ends))
    p = m.problem
    for w in p.pathways:
        p = edit("pathways", w.id, max_cables=max(1, through[w.id]))(p)
    return p


# -- time -------------------------------------------------------------------------------------


@impossible("deadline")
def deadline_of_a_moment(m: Machine):
    s = next(s for s in m.problem.streams.values() if s.source in m.of(LINE))
    p = edit("streams", s.id, deadline_ns=50_000)(m.problem)
    return replace(p, groups=()), {s.id, s.source, *s.destinations}


@kept()
def deadlines_as_judged(m: Machine):
    worst: dict[str, int] = defaultdict(int)
    for f in m.seen.streams:
        worst[f.stream] = max(worst[f.stream], f.bound_ns or 0)
    p = m.problem
    for s, ns in worst.items():
        p = edit("streams", s, deadline_ns=ns)(p)
    return p


def far_talk(m: Machine) -> tuple[Problem, str, str, str]:
    """A stream between devices pinned to the two ends of a chain of slow switches."""
    p, ids = m.problem, list(m.problem.switches)
    a = min(m.of(LINE), key=lambda d: p.devices[d].position_um[0])
    b = max(m.of(LINE), key=lambda d: p.devices[d].position_um[0])
    p = pin(pin(p, [a], ids[0]), [b], ids[-1])
    p = backbone(quiet(p), BackboneShape.FIXED, chain(p))
    s = next(iter(p.streams))
    p = replace(p, streams={
        k: replace(v, deadline_ns=10**10) for k, v in p.streams.items()
    })
    for id_ in ids:
        p = edit("switches", id_, forwarding_delay_ns=2_000_000)(p)
    return limit(edit("streams", s, source=a, destinations=(b,))(p), LINE, length_um=200*M), s, a, b


@impossible("deadline", "pin")
def deadline_between_far_switches(m: Machine):
    p, s, a, b = far_talk(m)
    return edit("streams", s, deadline_ns=2_000_000 * len(p.switches))(p), {s, a, b}


@impossible("deadline", "pin")
def deadline_to_a_far_switch(m: Machine):
    p, s, a, _ = far_talk(m)
    last = list(p.switches)[-1]
    p = edit("streams", s, destinations=(last,))(p)
    return edit("streams", s, deadline_ns=2_000_000 * len(p.switches))(p), {s, a}


@impossible("deadline", "port-exists")
def deadlines_for_short_cycles(m: Machine):
    p = m.problem
    hub = next(iter(p.switches))
    p = replace(quiet(p), streams={
        f"t{n}": replace(
            next(iter(p.streams.values())), id=f"t{n}", source=d, destinations=(hub,),
            payload_bytes=1_000, period_ns=10**9, jitter_ns=0, deadline_ns=3_000_000,
        )
        for n, d in enumerate(m.of(LINE))
    })
    return p, set()


@impossible("load")
def transfer_in_no_time(m: Machine):
    d = m.of(LINE)[0]
    hub = next(iter(m.problem.switches))
    t = Transfer("update", hub, (d,), 1_400, 400_000)
    return replace(m.problem, transfers={"update": t}), set()


@kept()
def transfer_without_haste(m: Machine):
    d = m.of(LINE)[0]
    hub = m.home[d]
    t = Transfer("update", hub, (d,), 4_000_000, None)
    return replace(m.problem, transfers={"update": t})


# -- backbone ---------------------------------------------------------------------------------


@impossible("backbone-reach", "backbone-link", devices=200, seed=1)
def fixed_link_too_long(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.FIXED, chain(m.problem))
    return edit("backbone", "links", 0, length_um=900 * M)(p), set(p.backbone.links[0].ends)


@impossible("backbone-reach", "backbone-link")
def required_link_too_long(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.ANY, chain(m.problem))
    p = edit("backbone", "links", 1, length_um=900 * M, required=True)(p)
    return p, set(p.backbone.links[1].ends)


@kept()
def fixed_link_as_long_as_it_reaches(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.FIXED, chain(m.problem))
    p = edit("backbone", "links", 0, length_um=p.reach_um("1000BASE-T1"))(p)
    p = replace(p, streams={
        k: replace(s, deadline_ns=s.deadline_ns + 10**6) for k, s in p.streams.items()
    })
    return p, built(m.layout, p)


@kept()
def link_too_long_that_need_not_be_built(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.ANY, chain(m.problem))
    layout = built(m.layout, p)
    ids = list(p.switches)
    p = backbone(p, BackboneShape.ANY, [*p.backbone.links, joined(ids[0], ids[2], 900 * M)])
    p = replace(p, streams={
        k: replace(s, deadline_ns=s.deadline_ns + 10**6) for k, s in p.streams.items()
    })
    return p, layout


@impossible("backbone-shape", "backbone-link")
def tree_without_a_branch(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.TREE, chain(m.problem)[1:])
    return p, {next(iter(p.switches))}


@impossible("backbone-shape", "backbone-link")
def ring_left_open(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.RING, chain(m.problem))
    return p, set()


@impossible("backbone-reach", "backbone-shape")
def ring_with_a_link_too_long(m: Machine):
    ids = list(m.problem.switches)
    links = [*chain(m.problem), joined(ids[0], ids[-1], 900 * M)]
    return backbone(quiet(m.problem), BackboneShape.RING, links), {ids[0], ids[-1]}


@kept()
def ring_of_all(m: Machine):
    ids = list(m.problem.switches)
    p = backbone(
        quiet(m.problem), BackboneShape.RING, [*chain(m.problem), joined(ids[0], ids[-1])]
    )
    p = replace(p, streams={
        k: replace(s, deadline_ns=s.deadline_ns + 10**6) for k, s in p.streams.items()
    })
    return p, built(m.layout, p)


@impossible("backbone-link", "pin", "stream-way")
def no_way_between_pinned(m: Machine):
    p, s, a, b = far_talk(m)
    p = only_streams(p, {s})
    return backbone(p, BackboneShape.ANY, chain(p)[1:]), {s, a, b}


@impossible("backbone-link", "stream-way")
def no_way_between_switches(m: Machine):
    p, s, a, _ = far_talk(m)
    ids = list(p.switches)
    p = edit("streams", s, destinations=(ids[0], ids[-1]))(only_streams(p, {s}))
    p = field(p, [a], pinned_switches=None)
    return backbone(p, BackboneShape.ANY, chain(p)[1:]), {s, a, ids[0], ids[-1]}


@impossible("backbone-shape", "backbone-link", "pin")
def candidate_outside_the_tree(m: Machine):
    ids = list(m.problem.switches)
    p = edit("switches", ids[-1], required=False)(free(quiet(m.problem)))
    d = max(m.of(LINE), key=lambda d: p.devices[d].position_um[0])
    p = limit(pin(p, [d], ids[-1]), LINK, length_um=200 * M)
    # No stream leads there, so that only the shape is in the way.
    there = {i for i, v in p.devices.items() if v.pinned_switches == (ids[-1],)} | {ids[-1]}
    p = replace(p, streams={
        k: s for k, s in p.streams.items() if not there & {s.source, *s.destinations}
    })
    return backbone(p, BackboneShape.TREE, chain(p)[:-1]), {d, ids[-1]}


@impossible("backbone-load")
def backbone_without_room(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.FIXED, chain(m.problem))
    ids = list(p.switches)
    s = next(iter(p.streams.values()))
    new = {
        f"n{n}": replace(s, id=f"n{n}", source=ids[0], destinations=(ids[1],),
                         payload_bytes=1_400, period_ns=100_000, jitter_ns=0, deadline_ns=10**9)
        for n in range(8)
    }
    return replace(p, streams={**p.streams, **new}), set(ids[:2])


@kept()
def backbone_with_just_enough_room(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.FIXED, chain(m.problem))
    p = replace(p, streams={
        k: replace(s, deadline_ns=s.deadline_ns + 10**6) for k, s in p.streams.items()
    })
    layout = built(m.layout, p)
    return edit("backbone", load_share_ppm=20_000)(p), layout


def star(problem: Problem) -> list[BackboneLink]:
    """Links from the last switch to all others, so that most run through most ducts."""
    *others, last = problem.switches
    return [joined(last, s) for s in others]


def narrow_before_the_last(
    m: Machine, shape: BackboneShape, links: list[BackboneLink], most: int
) -> tuple[Problem, str, str, str]:
    """Few cables fit through the duct that parts the last switch from all others.

    Given are that duct, the last switch, and a device of a line far before it.
    """
    p = backbone(patient(free(quiet(m.problem))), shape, links)
    p = limit(p, LINE, length_um=400 * M)
    last, first = list(p.switches)[-1], min(
        m.of(LINE), key=lambda d: CableNetwork(p).length_um(d, next(iter(p.switches)))
    )
    duct = f"duct-{int(p.switches[last].place[1:]) - 1}"
    return edit("pathways", duct, max_cables=most)(p), duct, last, first


@impossible("pathway-capacity", "backbone-shape")
def ring_through_a_pathway(m: Machine):
    ids = list(m.problem.switches)
    links = [*chain(m.problem), joined(ids[0], ids[-1])]
    p, duct, *_ = narrow_before_the_last(m, BackboneShape.RING, links, 1)
    return p, {duct, ids[-1]}


@impossible("pathway-capacity", "backbone-link")
def fixed_links_through_a_pathway(m: Machine):
    links = star(m.problem)
    p, duct, *_ = narrow_before_the_last(m, BackboneShape.FIXED, links, len(links) - 1)
    return p, {duct}


@impossible("pathway-capacity", "backbone-shape", "backbone-link")
def tree_through_a_pathway(m: Machine):
    links = star(m.problem)
    p, duct, *_ = narrow_before_the_last(m, BackboneShape.TREE, links, len(links) - 1)
    return p, {duct}


@impossible("pathway-capacity", "backbone-shape", "pin")
def line_beside_a_link_through_a_pathway(m: Machine):
    p, duct, last, d = narrow_before_the_last(m, BackboneShape.TREE, chain(m.problem), 1)
    return pin(p, [d], last), {duct, d, last}


@impossible("pathway-capacity", "stream-way", "pin")
def stream_beside_a_line_through_a_pathway(m: Machine):
    p, duct, last, d = narrow_before_the_last(m, BackboneShape.ANY, chain(m.problem), 1)
    talk = talks(m, [last], payload_bytes=50, period_ns=10**9, deadline_ns=10**10)
    return pin(replace(p, streams=talk, transfers={}), [d], last), {duct, d, last, "n0"}


@impossible("pathway-capacity", "failure", "pin")
def redundant_links_through_a_pathway(m: Machine):
    p, some = watched_far_from_their_partner(m)
    ids = list(p.switches)
    for d in some:
        p = field(p, [d], place=p.switches[m.home[d]].place, position_um=None)
    p = backbone(p, BackboneShape.ANY, [*chain(p), joined(ids[0], ids[-1])])
    duct = first_duct(p)
    return edit("pathways", duct, max_cables=1)(p), {duct, "new-rule", *some}


@kept()
def ring_of_all_where_cables_just_fit(m: Machine):
    p, layout = ring_of_all(m)
    return as_many_cables_as_run_there(replace(m, problem=p, layout=layout)), layout


@kept()
def tree_of_a_star_where_cables_just_fit(m: Machine):
    p = backbone(patient(quiet(m.problem)), BackboneShape.TREE, star(m.problem))
    layout = built(m.layout, p)
    return as_many_cables_as_run_there(replace(m, problem=p, layout=layout)), layout


@kept()
def redundant_links_where_cables_just_fit(m: Machine):
    p, layout = no_losses_in_a_ring(m)
    p = backbone(p, BackboneShape.ANY, list(p.backbone.links))
    return as_many_cables_as_run_there(replace(m, problem=p, layout=layout)), layout


# -- grades -----------------------------------------------------------------------------------


@impossible("port-exists")
def one_link_device_more(m: Machine):
    d = m.of(LINE)[0]
    p = limit(patient(m.problem), LINK, length_um=400 * M)
    return field(p, [d], grades=(GradeChoice(LINK),)), set(p.switches)


@kept()
def a_device_of_both_grades(m: Machine):
    d = m.of(LINE)[0]
    return field(m.problem, [d], grades=(GradeChoice(LINE), GradeChoice(LINK)))


@impossible("port-grade")
def grade_without_a_port(m: Machine):
    d = m.of(LINE)[0]
    return field(m.problem, [d], grades=(GradeChoice("1000BASE-T1"),)), {d}


# -- pairs of rules ---------------------------------------------------------------------------


@impossible("apart-switch", "pin")
def apart_but_pinned_to_one_switch(m: Machine):
    some = m.of(LINE)[:2]
    p = limit(pin(replace(m.problem, groups=()), some, m.busiest), LINE, length_um=200 * M)
    return group(p, GroupKind.APART_SWITCH, some), set(some)


@kept()
def apart_and_pinned_where_they_hang(m: Machine):
    first = {s: d for d, s in reversed(m.home.items())}
    p = m.problem
    for s, d in first.items():
        p = pin(p, [d], s)
    return group(p, GroupKind.APART_SWITCH, list(first.values()))


@impossible("together", "security-domain")
def together_of_two_domains(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = field(replace(m.problem, groups=()), [a], security_domain="one", safety_level=None)
    p = field(p, [b], security_domain="two", safety_level=None)
    return group(p, GroupKind.TOGETHER, [a, b]), {a, b}


@kept()
def together_of_two_domains_that_may_mix(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = field(m.problem, list(m.problem.devices), security_domain=None)
    p = field(field(p, [a], security_domain="one"), [b], security_domain="two")
    p = replace(p, sharing=replace(p.sharing, domains=(frozenset({"one", "two"}),)))
    return group(replace(p, groups=()), GroupKind.TOGETHER, [a, b])


@impossible("together", "safety-span")
def together_of_far_levels(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = replace(m.problem, groups=(), sharing=replace(m.problem.sharing, safety_span=1))
    p = field(p, [a, b], security_domain=None)
    p = field(field(p, [a], safety_level=0), [b], safety_level=3)
    return group(p, GroupKind.TOGETHER, [a, b]), {a, b}


@kept()
def together_of_levels_within_the_span(m: Machine):
    line = max(m.lines(), key=lambda s: len(s.devices)).devices
    p = replace(m.problem, groups=(), sharing=replace(m.problem.sharing, safety_span=1))
    p = field(p, list(m.problem.devices), safety_level=0)
    p = field(p, [line[0]], safety_level=1)
    return group(p, GroupKind.TOGETHER, list(line[:2]))


@impossible("pathway-capacity", "safety-span")
def levels_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 2)
    p = replace(p, groups=(), sharing=replace(p.sharing, safety_span=1))
    return field(field(p, some[:1], safety_level=0), some[1:], safety_level=3), {side, *some}


@impossible("pathway-capacity", "security-domain")
def domains_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 2)
    p = replace(p, groups=(), sharing=replace(p.sharing, domains=()))
    p = field(field(p, some[:1], security_domain="a"), some[1:], security_domain="b")
    return p, {side, *some}


@kept()
def a_level_for_each_line_where_cables_just_fit(m: Machine):
    p = as_many_cables_as_run_there(m)
    for n, s in enumerate(m.lines()):
        p = field(p, list(s.devices), safety_level=n)
    return replace(p, sharing=replace(p.sharing, safety_span=0))


@kept()
def a_domain_for_each_line_where_cables_just_fit(m: Machine):
    p = as_many_cables_as_run_there(m)
    for n, s in enumerate(m.lines()):
        p = field(p, list(s.devices), security_domain=f"domain-{n}")
    return p


@impossible("pathway-capacity", "unit-loads")
def too_heavy_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 3)
    p = field(replace(p, groups=()), some, unit_load_mul=3_000)
    return limit(p, LINE, unit_loads_mul=8_000), {side, LINE, *some}


@kept()
def heavy_as_the_line_that_carries_them(m: Machine):
    line = max(m.lines(), key=lambda s: len(s.devices)).devices
    p = field(m.problem, list(line), unit_load_mul=3_000)
    return limit(p, LINE, unit_loads_mul=3_000 * len(line))


@impossible("together", "apart-segment")
def together_and_apart(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = group(replace(m.problem, groups=()), GroupKind.TOGETHER, [a, b], "one")
    return group(p, GroupKind.APART_SEGMENT, [a, b], "two"), {a, b}


@kept()
def together_and_apart_from_another_line(m: Machine):
    one, two = sorted(m.lines(), key=lambda s: -len(s.devices))[:2]
    p = group(replace(m.problem, groups=()), GroupKind.TOGETHER, list(one.devices[:2]), "one")
    return group(p, GroupKind.APART_SEGMENT, [one.devices[0], two.devices[0]], "two")


@impossible("together", "apart-switch")
def together_along_a_chain_and_apart(m: Machine):
    a, b, c = max(m.lines(), key=lambda s: len(s.devices)).devices[:3]
    p = group(replace(m.problem, groups=()), GroupKind.TOGETHER, [a, b], "one")
    p = group(p, GroupKind.TOGETHER, [b, c], "two")
    return group(p, GroupKind.APART_SWITCH, [a, c], "three"), {a, b, c}


@impossible("failure", "pin")
def redundant_with_one_switch_in_reach(m: Machine):
    some = m.of(LINE)[:2]
    p = pin(replace(watch(m.problem, some, 1), groups=()), some, m.busiest)
    return limit(p, LINE, length_um=200 * M), set(some)


@kept()
def as_redundant_as_the_hidden_layout(m: Machine):
    a = m.lines()[0]
    b = next(s for s in m.lines() if s.switch != a.switch)
    p = backbone(m.problem, BackboneShape.FIXED, chain(m.problem))
    p = watch(pin(p, [a.devices[0]], a.switch), [a.devices[0], b.devices[0]], 2)
    p = replace(p, streams={
        k: replace(s, destinations=(m.home.get(s.source, s.source),), deadline_ns=10**10)
        for k, s in p.streams.items() if s.source in m.home
    })
    return p, built(m.layout, p)


@impossible("together", "device-grade")
def together_without_a_grade_in_common(m: Machine):
    a, b = m.of(LINE)[0], m.of(LINK)[0]
    return group(replace(m.problem, groups=()), GroupKind.TOGETHER, [a, b]), {a, b}


@impossible("together", "stub")
def together_with_a_long_stub(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    both = (GradeChoice(LINE), GradeChoice(LINK))
    p = ports(replace(m.problem, groups=()), LINK, lambda n: n + 2)
    p = field(p, [a, b], grades=both)
    p = limit(field(p, [a], stub_um=300_000), LINE, stub_um=200_000)
    return group(p, GroupKind.TOGETHER, [a, b]), {a, b}


@kept()
def together_by_the_grade_of_one_and_both(m: Machine):
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = field(replace(m.problem, groups=()), [b], grades=(GradeChoice(LINE), GradeChoice(LINK)))
    return group(p, GroupKind.TOGETHER, [a, b])


@kept()
def a_long_stub_on_a_link(m: Machine):
    d = m.of(LINK)[0]
    p = field(m.problem, [d], grades=(GradeChoice(LINE), GradeChoice(LINK)))
    return limit(field(p, [d], stub_um=300_000), LINE, stub_um=200_000)


@impossible("together", "spacing", "length")
def together_with_a_wide_spacing(m: Machine):
    some = list(max(m.lines(), key=lambda s: len(s.devices)).devices[:3])
    longest = m.problem.limits[LINE].length_um
    # Room for a line each, so that only the three together are too many.
    p = group(ports(free(m.problem), LINE, lambda n: n + 400), GroupKind.TOGETHER, some)
    return limit(p, LINE, spacing_min_um=longest * 2 // 5), set(some)


@kept()
def together_in_fewer_lines_than_nodes_allow(m: Machine):
    line = max(m.lines(), key=lambda s: len(s.devices)).devices
    p = group(replace(m.problem, groups=()), GroupKind.TOGETHER, list(line))
    return limit(p, LINE, nodes=m.fact("nodes"))


@impossible("together", "nodes")
def together_too_many_in_the_full_build(m: Machine):
    some = m.of(LINE)[: m.problem.limits[LINE].nodes]
    p = limit(replace(m.problem, groups=()), LINE, length_um=400 * M)
    p = field(field(p, some, option=None), some[-2:], option="comfort")
    return group(p, GroupKind.TOGETHER, some), set(some)


@kept()
def together_in_the_full_build_as_nodes_allow(m: Machine):
    line = list(max(m.lines(), key=lambda s: len(s.devices)).devices)
    p = limit(replace(m.problem, groups=()), LINE, nodes=m.fact("nodes"))
    return group(field(p, line[-1:], option="comfort"), GroupKind.TOGETHER, line)


def one_at_each_switch(m: Machine) -> Problem:
    """One device of each switch watched; the last switch a candidate, and streams stay at home."""
    some = list({s.switch: s.devices[0] for s in m.lines()}.values())
    p = watch(replace(m.problem, groups=()), some, 1)
    p = edit("switches", list(p.switches)[-1], required=False)(p)
    return replace(p, streams={
        k: replace(s, destinations=(m.home[s.source],), deadline_ns=10**10)
        for k, s in p.streams.items() if s.source in m.home
    })


@impossible("failure", "backbone-shape", "backbone-link")
def losses_that_need_a_candidate_outside_the_tree(m: Machine):
    p = one_at_each_switch(m)
    some, last = m.of(LINE)[: len(p.switches)], list(p.switches)[-1]
    p = field(watch(p, some, 1), list(p.devices), pinned_switches=None)
    for grade in (LINE, LINK):
        p = ports(limit(p, grade, length_um=400 * M), grade, lambda n: n + 20)
    # No stream of theirs, so that only the shape is in the way.
    p = replace(p, pathways=(), streams={
        k: s for k, s in p.streams.items() if not {*some, last} & {s.source, *s.destinations}
    })
    return backbone(p, BackboneShape.TREE, chain(p)[:-1]), set(some)


@kept()
def losses_with_a_candidate_in_the_tree(m: Machine):
    p = one_at_each_switch(m)
    p = backbone(p, BackboneShape.TREE, chain(p))
    return p, built(m.layout, p)


def _as_planted(m: Machine) -> tuple[Problem, Layout, set[str]]:
    return m.problem, m.layout, set()


@impossible("port-grade", "pin")
def pinned_where_no_port_is(m: Machine):
    d, s = m.of(LINE)[0], m.busiest
    p = only_streams(replace(m.problem, groups=()), set())
    p = field(p, [d], grades=(GradeChoice("1000BASE-T1"),))
    reaching = replace(p.limits[LINK], length_um=400 * M)
    p = replace(p, limits={**p.limits, "1000BASE-T1": reaching})
    other = next(i for i in p.switches if i != s)
    more = (*p.switches[other].port_groups, PortGroup(("1000BASE-T1",), 1))
    return pin(edit("switches", other, port_groups=more)(p), [d], s), {d, s}


@impossible("apart-switch", "device-grade")
def apart_with_ports_at_one_switch(m: Machine):
    some, s = m.of(LINK)[:2], next(iter(m.problem.switches))
    p = limit(only_streams(free(m.problem), set()), LINK, length_um=400 * M)
    p = field(p, [d for d in m.of(LINK) if d not in some], grades=(GradeChoice(LINE),))
    p = ports(p, LINK, lambda n: 0)
    more = (*p.switches[s].port_groups, PortGroup((LINK,), 2))
    p = edit("switches", s, port_groups=more)(p)
    return group(p, GroupKind.APART_SWITCH, some), set(some)


@impossible("pathway-capacity", "apart-switch")
def apart_switches_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 2)
    return group(replace(p, groups=()), GroupKind.APART_SWITCH, some), {side, *some}


@impossible("pathway-capacity", "failure")
def watched_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 2)
    return watch(replace(p, groups=()), some, 1), {side, *some}


@impossible("pathway-capacity", "length")
def long_cables_behind_a_pathway(m: Machine):
    p, _, side = behind(m, 3)
    p = replace(p, groups=(), line=replace(p.line, drop_slack_um=10 * M))
    return limit(limit(p, LINE, length_um=25 * M), LINK, length_um=400 * M), {side, LINE}


@impossible("pathway-capacity", "spacing", "length")
def spaced_behind_a_pathway(m: Machine):
    p, _, side = behind(m, 3)
    p = limit(replace(p, groups=()), LINE, length_um=25 * M, spacing_min_um=10 * M)
    return p, {side, LINE}


@impossible("pathway-capacity", "load")
def chatty_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 3)
    p = limit(replace(quiet(p), groups=()), LINE, load_share_ppm=900_000)
    return replace(p, streams=talks(m, some, deadline_ns=10**10)), {side, *some}


@impossible("pathway-capacity", "deadline")
def tight_deadlines_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 4)
    p = limit(replace(quiet(p), groups=()), LINE, load_share_ppm=1_000_000)
    talk = talks(m, some, payload_bytes=1_000, period_ns=10**9, deadline_ns=3_000_000)
    return replace(p, streams=talk), {side, *some}


def talks(m: Machine, some: list[str], **fields: int) -> dict[str, Stream]:
    """A stream from each of some devices to the first switch, its period short if not given."""
    first, hub = next(iter(m.problem.streams.values())), next(iter(m.problem.switches))
    usual = {"payload_bytes": 1_400, "period_ns": 3_000_000, "jitter_ns": 0} | fields
    return {
        f"n{n}": replace(first, id=f"n{n}", source=d, destinations=(hub,), **usual)
        for n, d in enumerate(some)
    }


@impossible("pathway-capacity", "safety-span", "security-domain")
def levels_and_domains_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 3)
    a, b, c = some
    p = replace(p, groups=(), sharing=replace(p.sharing, domains=(), safety_span=1))
    p = field(field(p, [a], safety_level=0), [b], safety_level=3)
    p = field(field(p, [c], security_domain="x"), [a, b], security_domain="y")
    return edit("pathways", side, max_cables=2)(roomy(p)), {side, *some}


@impossible("pathway-capacity", "together", "nodes")
def two_groups_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 6)
    p = limit(patient(replace(p, groups=())), LINE, nodes=6)
    p = edit("pathways", side, max_cables=1)(p)
    p = group(p, GroupKind.TOGETHER, some[:3], "one")
    return group(p, GroupKind.TOGETHER, some[3:], "two"), {side, *some}


@impossible("together", "deadline")
def together_too_slow(m: Machine):
    some = list(max(m.lines(), key=lambda s: len(s.devices)).devices[:3])
    p = limit(quiet(free(m.problem)), LINE, load_share_ppm=1_000_000)
    talk = talks(m, some, payload_bytes=1_400, period_ns=10**9, deadline_ns=2_700_000)
    return group(replace(p, streams=talk), GroupKind.TOGETHER, some), {*some, *talk}


@impossible("stub", "port-exists")
def long_stubs_and_few_links(m: Machine):
    there = Counter(s.switch for s in m.layout.segments if s.grade == LINK)
    some = m.of(LINE)[: sum(there.values()) + 1]
    p = limit(only_streams(free(m.problem), set()), LINK, length_um=400 * M)
    p = field(p, m.of(LINK), grades=(GradeChoice(LINE),))
    p = field(p, some, grades=(GradeChoice(LINE), GradeChoice(LINK)), stub_um=300_000)
    return limit(p, LINE, stub_um=200_000), set(some)


@impossible("backbone-load", "pin")
def talk_between_pinned(m: Machine):
    p, s, a, b = far_talk(m)
    p = roomy(p)
    first = p.streams[s]
    many = {
        f"n{n}": replace(first, id=f"n{n}", payload_bytes=1_400, period_ns=200_000, jitter_ns=0)
        for n in range(15)
    }
    p = field(p, [a, b], grades=(GradeChoice("1000BASE-T1"),))
    p = replace(p, streams=many, limits={
        **p.limits, "1000BASE-T1": replace(p.limits[LINK], length_um=400 * M, load_share_ppm=10**6)
    })
    for i in p.switches:
        more = (*p.switches[i].port_groups, PortGroup(("1000BASE-T1",), 2))
        p = edit("switches", i, port_groups=more)(p)
    return p, {a, b}


@impossible("backbone-reach", "stream-way", "pin")
def way_too_long_between_pinned(m: Machine):
    p, s, a, b = far_talk(m)
    p = backbone(only_streams(p, {s}), BackboneShape.ANY, chain(p))
    p = edit("backbone", "links", 0, length_um=900 * M)(p)
    return p, {s, a, b, *p.backbone.links[0].ends}


@impossible("transfer", "pin")
def transfer_between_far_switches(m: Machine):
    p, _, a, b = far_talk(m)
    p = only_streams(p, set())
    # A frame every 100 ms, and each switch of the way holds it up for longer.
    for i in p.switches:
        p = edit("switches", i, forwarding_delay_ns=90_000_000)(p)
    return replace(p, transfers={"update": Transfer("update", a, (b,), 14_000, 10**9)}), {a, b}


# -- more of pairs and of three together ------------------------------------------------------


def one_link_more_than(m: Machine) -> tuple[Problem, str, list[str]]:
    """A switch and one device for links more than it has ports; room for all at another switch."""
    p = only_streams(replace(free(quiet(m.problem)), transfers={}), set())
    room = Counter({
        s.id: sum(g.count for g in s.port_groups if LINK in g.grades) for s in p.switches.values()
    })
    (s, most), *_, (other, _) = room.most_common()
    some = [*m.of(LINK), *m.of(LINE)][: most + 1]
    more = (*p.switches[other].port_groups, PortGroup((LINK,), len(some)))
    p = limit(edit("switches", other, port_groups=more)(p), LINK, length_um=400 * M)
    return field(p, some, grades=(GradeChoice(LINK),)), s, some


@impossible("port-exists", "pin")
def links_pinned_to_one_switch(m: Machine):
    p, s, some = one_link_more_than(m)
    return pin(p, some, s), {s, *some}


@impossible("port-exists", "length")
def links_within_reach_of_one_switch(m: Machine):
    p, s, some = one_link_more_than(m)
    p = field(p, some, place=p.switches[s].place, position_um=None)
    others = [d for d in m.of(LINK) if d not in some]
    p = field(p, others, grades=(GradeChoice(LINE),))
    return limit(p, LINK, length_um=1 * M), {s, *some}


@impossible("nodes", "length", "port-exists")
def more_in_reach_of_one_switch_than_fit(m: Machine):
    s = m.busiest
    p = patient(free(quiet(m.problem)))
    most = p.limits[LINE].nodes - 1
    room = most * sum(g.count for g in p.switches[s].port_groups if LINE in g.grades)
    p = field(p, list(p.devices), security_domain=None, safety_level=None)
    some = [*m.of(LINE), *m.of(LINK)][: room + 1]
    p = field(p, some, grades=(GradeChoice(LINE),), place=p.switches[s].place, position_um=None)
    others = [d for d in p.devices if d not in some]
    p = field(p, others, grades=(GradeChoice(LINK),))
    p = limit(ports(p, LINK, lambda n: n + 200), LINK, length_um=400 * M)
    p = replace(p, line=replace(p.line, drop_slack_um=0, end_slack_um=0))
    return limit(p, LINE, length_um=1 * M), {s, LINE}


@impossible("spacing", "length")
def spacing_as_long_as_a_line(m: Machine):
    # Nothing is left for the slack at both ends.
    p = ports(free(m.problem), LINE, lambda n: n + 400)
    return limit(p, LINE, spacing_min_um=p.limits[LINE].length_um), {LINE}


def talk_of_two(m: Machine) -> tuple[Problem, str, str]:
    """A stream between two devices of a line, in time on a line of both and through no switch."""
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    p = field(free(quiet(m.problem)), [a, b], security_domain=None, safety_level=None)
    talk = talks(m, [a], payload_bytes=50, period_ns=10**9, deadline_ns=20_000_000)
    for s in p.switches:
        p = edit("switches", s, forwarding_delay_ns=20_000_000)(p)
    p = replace(p, streams=talk, transfers={})
    return edit("streams", "n0", destinations=(b,))(p), a, b


@kept()
def two_on_the_line_that_their_deadline_asks_for(m: Machine):
    p, a, b = talk_of_two(m)
    return group(p, GroupKind.TOGETHER, [a, b])


@impossible("deadline", "apart-segment")
def deadline_of_one_line_but_apart(m: Machine):
    p, a, b = talk_of_two(m)
    return group(p, GroupKind.APART_SEGMENT, [a, b]), {"n0", a, b}


@impossible("deadline", "apart-switch")
def deadline_of_one_line_but_at_two_switches(m: Machine):
    p, a, b = talk_of_two(m)
    return group(p, GroupKind.APART_SWITCH, [a, b]), {"n0", a, b}


@impossible("deadline", "security-domain")
def deadline_of_one_line_but_of_two_domains(m: Machine):
    p, a, b = talk_of_two(m)
    p = replace(p, sharing=replace(p.sharing, domains=()))
    return field(field(p, [a], security_domain="x"), [b], security_domain="y"), {"n0", a, b}


@impossible("deadline", "safety-span")
def deadline_of_one_line_but_of_far_levels(m: Machine):
    p, a, b = talk_of_two(m)
    p = replace(p, sharing=replace(p.sharing, safety_span=1))
    return field(field(p, [a], safety_level=0), [b], safety_level=3), {"n0", a, b}


@impossible("deadline", "failure")
def deadline_of_one_line_but_watched(m: Machine):
    p, a, b = talk_of_two(m)
    return watch(p, [a, b], 1), {"n0", a, b}


@impossible("deadline", "device-grade")
def deadline_of_one_line_but_by_a_link(m: Machine):
    p, a, b = talk_of_two(m)
    p = ports(p, LINK, lambda n: n + 1)
    return field(p, [b], grades=(GradeChoice(LINK),)), {"n0", a, b}


@impossible("deadline", "stub")
def deadline_of_one_line_but_with_a_long_stub(m: Machine):
    p, a, b = talk_of_two(m)
    p = ports(p, LINK, lambda n: n + 1)
    p = field(p, [b], grades=(GradeChoice(LINE), GradeChoice(LINK)), stub_um=300_000)
    return limit(p, LINE, stub_um=200_000), {"n0", a, b}


def near_the_first(m: Machine, n: int) -> tuple[Problem, list[str], list[str]]:
    """Some devices talk to the first switch, in time from the first two of slow switches only."""
    p, ids, some = free(m.problem), list(m.problem.switches), m.of(LINE)[:n]
    p = limit(quiet(p), LINE, length_um=400 * M)
    for s in ids:
        p = edit("switches", s, forwarding_delay_ns=5_000_000)(p)
    p = backbone(p, BackboneShape.FIXED, chain(p))
    talk = talks(m, some, payload_bytes=50, period_ns=10**9, deadline_ns=12_000_000)
    return replace(p, streams=talk, transfers={}), some, list(talk)


def at_home(m: Machine) -> tuple[Problem, dict[str, str]]:
    """Devices of lines stand where their switch does, and lines reach no other; places by switch.

    Without groups, pins and narrow pathways.
    """
    p = free(m.problem)
    at = {i: s.place for i, s in p.switches.items() if s.place is not None}
    for d in m.of(LINE):
        p = field(p, [d], place=at[m.home[d]], position_um=None)
    return limit(p, LINE, length_um=3 * M), at


@kept()
def only_the_own_switch_in_reach(m: Machine):
    return at_home(m)[0]


@impossible("apart-switch", "deadline")
def apart_within_a_deadline(m: Machine):
    p, some, talk = near_the_first(m, 3)
    return group(p, GroupKind.APART_SWITCH, some), {*some, *talk}


@impossible("failure", "deadline")
def losses_within_a_deadline(m: Machine):
    p, some, talk = near_the_first(m, 3)
    return watch(p, some, 1), {*some, *talk}


def watched_far_from_their_partner(m: Machine) -> tuple[Problem, list[str]]:
    """Devices of the last two switches, at home there, that talk to the first; one may be lost."""
    ids = list(m.problem.switches)
    some = [next(d for d in m.of(LINE) if m.home[d] == s) for s in ids[-2:]]
    p = free(m.problem)
    p = replace(p, streams=talks(m, some, payload_bytes=50, period_ns=10**9, deadline_ns=10**10))
    p = limit(watch(replace(p, transfers={}), some, 1), LINE, length_um=400 * M)
    for d in some:
        p = pin(p, [d], m.home[d])
    return p, some


@impossible("failure", "backbone-link", "pin")
def losses_beyond_one_link(m: Machine):
    p, some = watched_far_from_their_partner(m)
    p = backbone(p, BackboneShape.FIXED, chain(p))
    return p, {*some, "new-rule"}


@impossible("failure", "backbone-link", "pin")
def losses_beyond_one_switch(m: Machine):
    p, some = watched_far_from_their_partner(m)
    ids = list(p.switches)
    # A ring over all but the last, which hangs on the one before it: only that one parts them.
    links = [*chain(p), *([joined(ids[0], ids[-2])] if len(ids) > 3 else [])]
    return backbone(p, BackboneShape.ANY, links), {*some, "new-rule"}


@kept()
def no_losses_in_a_ring(m: Machine):
    p, _ = watched_far_from_their_partner(m)
    ids = list(p.switches)
    p = backbone(p, BackboneShape.RING, [*chain(p), joined(ids[0], ids[-1])])
    return p, built(m.layout, p)


@impossible("failure", "length")
def losses_within_reach_of_one_switch(m: Machine):
    p, at = at_home(m)
    some = m.of(LINE)[:3]
    p = watch(only_streams(p, set()), some, 2)
    return field(p, some, place=at[m.busiest], position_um=None), set(some)


@impossible("failure", "device-grade")
def losses_with_ports_at_one_switch(m: Machine):
    some, s = m.of(LINK)[:2], next(iter(m.problem.switches))
    p = limit(only_streams(free(m.problem), set()), LINK, length_um=400 * M)
    p = field(p, [d for d in m.of(LINK) if d not in some], grades=(GradeChoice(LINE),))
    p = ports(p, LINK, lambda n: 0)
    more = (*p.switches[s].port_groups, PortGroup((LINK,), 2))
    return watch(edit("switches", s, port_groups=more)(p), some, 1), set(some)


@impossible("together", "nodes", "port-exists")
def groups_for_more_lines_than_ports(m: Machine):
    p = only_streams(replace(free(quiet(m.problem)), transfers={}), set())
    p = field(p, list(p.devices), security_domain=None, safety_level=None)
    some, switch = m.of(LINE), next(iter(p.switches))
    threes = [some[n : n + 3] for n in range(0, len(some) - 2, 3)]
    # Lines for five devices each have room for all, but no line for two of these groups.
    p = ports(limit(p, LINE, nodes=6, length_um=400 * M), LINE, lambda n: 0)
    more = (*p.switches[switch].port_groups, PortGroup((LINE,), len(threes) - 1))
    p = edit("switches", switch, port_groups=more)(p)
    for n, three in enumerate(threes):
        p = group(p, GroupKind.TOGETHER, three, f"three-{n}")
    return p, {switch, LINE}


@impossible("apart-segment", "security-domain", "pin", "port-exists")
def apart_and_of_domains_at_one_switch(m: Machine):
    s = m.busiest
    room = sum(g.count for g in m.problem.switches[s].port_groups if LINE in g.grades)
    p = limit(patient(free(quiet(m.problem))), LINE, length_um=400 * M)
    p = field(p, list(p.devices), security_domain=None, safety_level=None)
    some = m.of(LINE)[: room + 1]
    for n, d in enumerate(some[1:]):
        p = field(p, [d], security_domain=f"domain-{max(n, 1)}")
    # The first has no domain, and two have the same: only apart they need a line each.
    p = group(p, GroupKind.APART_SEGMENT, some[:3])
    for d in some[3:]:
        p = group(p, GroupKind.APART_SEGMENT, [some[0], d], f"also-{d}")
    return pin(p, some, s), {s, *some}


@impossible("unit-loads", "pin", "port-exists")
def heavy_devices_at_one_switch(m: Machine):
    s = m.busiest
    room = sum(g.count for g in m.problem.switches[s].port_groups if LINE in g.grades)
    some = m.of(LINE)[: 2 * room + 1]
    p = pin(patient(free(quiet(m.problem))), some, s)
    p = limit(field(p, some, unit_load_mul=2_000), LINE, length_um=400 * M)
    return limit(p, LINE, unit_loads_mul=5_000), {s, LINE}


@impossible("stub", "pin", "port-exists")
def long_stubs_at_one_switch(m: Machine):
    p, s, some = one_link_more_than(m)
    p = field(p, some, grades=(GradeChoice(LINE), GradeChoice(LINK)), stub_um=300_000)
    return limit(pin(p, some, s), LINE, stub_um=200_000), {s, *some}


@impossible("safety-span", "pin", "port-exists")
def levels_at_one_switch(m: Machine):
    s = m.busiest
    room = sum(g.count for g in m.problem.switches[s].port_groups if LINE in g.grades)
    some = m.of(LINE)[: room + 1]
    p = limit(pin(patient(free(quiet(m.problem))), some, s), LINE, length_um=400 * M)
    p = field(p, list(p.devices), security_domain=None, safety_level=None)
    for n, d in enumerate(some):
        p = field(p, [d], safety_level=n)
    return replace(p, sharing=replace(p.sharing, safety_span=0)), {s}


@impossible("pathway-capacity", "stub")
def long_stubs_behind_a_pathway(m: Machine):
    p, some, side = behind(m, 2)
    p = ports(only_streams(replace(quiet(p), groups=()), set()), LINK, lambda n: n + 2)
    p = field(p, some, grades=(GradeChoice(LINE), GradeChoice(LINK)), stub_um=300_000)
    return limit(limit(p, LINE, stub_um=200_000), LINK, length_um=400 * M), {side, *some}


@impossible("deadline", "backbone-link", "pin")
def deadline_by_a_long_way_round(m: Machine):
    p, s, a, b = far_talk(m)
    p = only_streams(p, {s})
    # Two switches and the lines at both ends would be in time, three are not.
    p = edit("streams", s, payload_bytes=50, period_ns=10**9, jitter_ns=0)(p)
    return edit("streams", s, deadline_ns=5_500_000)(p), {s, a, b}


@impossible("deadline", "backbone-reach", "pin")
def deadline_by_a_way_round_a_link_too_long(m: Machine):
    p, s, a, b = far_talk(m)
    p, ids = only_streams(p, {s}), list(p.switches)
    p = edit("streams", s, payload_bytes=50, period_ns=10**9, jitter_ns=0)(p)
    p = backbone(p, BackboneShape.ANY, [*chain(p), joined(ids[0], ids[-1], 900 * M)])
    return edit("streams", s, deadline_ns=5_500_000)(p), {s, a, b, ids[0], ids[-1]}


def at_both_ends(m: Machine) -> tuple[Problem, str, str]:
    """A stream between devices at the first and last switch, each with no other in reach."""
    p, at = at_home(m)
    a, b = next(iter(at)), list(at)[-1]
    a, b = (next(d for d in m.of(LINE) if m.home[d] == s) for s in (a, b))
    talk = talks(m, [a], payload_bytes=50, period_ns=10**9, deadline_ns=10**10)
    p = replace(quiet(p), streams=talk, transfers={})
    return edit("streams", "n0", destinations=(b,))(p), a, b


@impossible("deadline", "length")
def deadline_between_far_devices(m: Machine):
    p, a, b = at_both_ends(m)
    for s in p.switches:
        p = edit("switches", s, forwarding_delay_ns=2_000_000)(p)
    p = backbone(p, BackboneShape.FIXED, chain(p))
    return edit("streams", "n0", deadline_ns=1_900_000 * len(p.switches))(p), {"n0", a, b}


@impossible("backbone-link", "stream-way", "length")
def no_way_between_devices_in_reach(m: Machine):
    p, a, b = at_both_ends(m)
    return backbone(p, BackboneShape.ANY, chain(p)[1:]), {"n0", a, b}


@impossible("together", "length", "pin")
def together_too_far_from_its_switch(m: Machine):
    p, ids = only_streams(free(quiet(m.problem)), set()), list(m.problem.switches)
    p = replace(p, pathways=(), transfers={}, line=replace(
        p.line, drop_slack_um=0, end_slack_um=0, switch_position=SwitchPosition.END
    ))
    x, *rest = p.places[p.switches[ids[0]].place].position_um
    a, b = max(m.lines(), key=lambda s: len(s.devices)).devices[:2]
    # On both sides of the switch that they are pinned to, each near enough; another is beyond one.
    for d, side in ((a, -4), (b, 4)):
        p = field(p, [d], place=None, position_um=(x + side * M, *rest))
    beyond = replace(
        p.switches[ids[0]], id="beyond", place=None, position_um=(x - 4 * M, *rest), zone=None
    )
    p = backbone(replace(p, switches={**p.switches, "beyond": beyond}), BackboneShape.ANY, [])
    p = limit(pin(p, [a, b], ids[0]), LINE, length_um=10 * M)
    return group(p, GroupKind.TOGETHER, [a, b]), {a, b}


@impossible("apart-switch", "backbone-shape", "backbone-link")
def apart_that_need_a_candidate_outside_the_tree(m: Machine):
    p = only_streams(free(quiet(m.problem)), set())
    some, last = m.of(LINE)[: len(p.switches)], list(p.switches)[-1]
    p = edit("switches", last, required=False)(p)
    p = ports(limit(p, LINE, length_um=400 * M), LINE, lambda n: n + 20)
    p = limit(ports(p, LINK, lambda n: n + 20), LINK, length_um=400 * M)
    p = group(replace(p, pathways=()), GroupKind.APART_SWITCH, some)
    return backbone(p, BackboneShape.TREE, chain(p)[:-1]), set(some)



@kept()
def deadline_by_the_way_round_that_is_there(m: Machine):
    p = backbone(quiet(m.problem), BackboneShape.FIXED, chain(m.problem))
    layout = built(m.layout, p)
    for f in assess(p, layout).streams:
        p = edit("streams", f.stream, deadline_ns=f.bound_ns)(p) if f.bound_ns else p
    return p, layout


@kept()
def links_pinned_home_with_long_stubs(m: Machine):
    p = field(m.problem, m.of(LINK), grades=(GradeChoice(LINE), GradeChoice(LINK)),
              stub_um=300_000)
    for d in m.of(LINK):
        p = pin(p, [d], m.home[d])
    return limit(p, LINE, stub_um=200_000)


@kept()
def levels_loads_and_pins_of_each_line(m: Machine):
    p = unit_loads_of_the_fullest_line(m)
    for n, s in enumerate(m.lines()):
        p = pin(field(p, list(s.devices), safety_level=n), list(s.devices), s.switch)
    return replace(p, sharing=replace(p.sharing, safety_span=0))


@kept()
def apart_within_deadlines_as_judged(m: Machine):
    return apart_one_at_each_switch(replace(m, problem=deadlines_as_judged(m)))


@kept()
def groups_that_fill_the_lines_there_are(m: Machine):
    p = replace(together_as_on_each_line(m), failure_rules=m.problem.failure_rules)
    for s in p.switches:
        p = ports(p, LINE, lambda n, s=s: len(m.lines(s)), s)
    return p, numbered(m.layout)


def _where_cables_just_fit(change: Callable[[Machine], Problem]) -> Callable[[Machine], Problem]:
    def both(m: Machine) -> Problem:
        return change(replace(m, problem=as_many_cables_as_run_there(m)))

    return both


for _change in (apart_one_on_each_line, everyone_pinned_home, deadlines_as_judged,
                load_of_the_busiest_line, length_of_the_longest_line, together_as_on_each_line,
                unit_loads_of_the_fullest_line, nodes_of_the_longest_line):
    _both = _where_cables_just_fit(_change)
    _both.__name__ = f"{_change.__name__}_where_cables_just_fit"
    kept()(_both)

KEPT += [
    Case(f"as planted, {n} devices, seed {seed}", _as_planted, devices=n, seed=seed)
    for n, seeds in ((24, range(15)), (200, (1,)))
    for seed in seeds
]
