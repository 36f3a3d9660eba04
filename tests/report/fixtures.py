"""Problems and assessments for the report's tests, made by hand without any check, and demos."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from pathlib import Path

from partitioner.application.plan import PlanAnswer, plan
from partitioner.application.reading import read_problem
from partitioner.application.report import report
from partitioner.application.search import Search, all_cores
from partitioner.application.told import LayoutAnswer
from partitioner.model.assessment import (
    Assessment,
    CostSum,
    Leg,
    LegKind,
    PartLine,
    RuleFinding,
    RuleMargin,
    SegmentFigures,
    StarBaseline,
    StreamFigures,
    WirePiece,
)
from partitioner.model.catalogue import Medium
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.outcome import Outcome, Sample, Status
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.report.drawing_input import (
    DrawingInput,
    DrawnDevice,
    DrawnSegment,
    DrawnSwitch,
)
from partitioner.report.rounds import Round, Turn

ROOT = Path(__file__).parents[2]
DEMOS = ("street-sweeper", "river-ferry", "glasshouse", "city-bus")

HEAD = """\
format: 1
name: {name}
currency: EUR
note: Invented data for a test.
routing: {{metric: rectilinear}}
"""


def twelve_text() -> str:
    """Text of a flat problem: two switches, one trunk pathway, ten line devices, two links."""
    places = [f"  - {{id: t{i}, position_m: [{i}, 0, 0]}}" for i in range(8)]
    places += [f"  - {{id: b{i}, position_m: [{i}, 1.5, 0]}}" for i in (1, 3, 5)]
    ways = [f"  - {{id: w{i}, from: t{i}, to: t{i + 1}}}" for i in range(7)]
    ways += [f"  - {{id: u{i}, from: t{i}, to: b{i}, max_cables: 4}}" for i in (1, 3, 5)]
    spots = ["t0", "t1", "t2", "b1", "b3", "b3", "t5", "b5", "t6", "t7"]
    devices = [
        f"  - {{id: lamp-{n}, place: {spot}, grades: [10BASE-T1S-multidrop], stub_m: 0.05"
        + (", option: winter" if n in (3, 8) else "")
        + "}"
        for n, spot in enumerate(spots, 1)
    ]
    devices += [
        "  - {id: camera-1, place: t4, grades: [100BASE-T1]}",
        "  - {id: camera-2, place: b1, grades: [100BASE-T1]}",
    ]
    streams = [
        f"  - {{id: s{n}, from: lamp-{n}, to: [west], payload_bytes: 8, period_us: 10000, "
        f"deadline_us: 10000, pcp: 3}}"
        for n in range(1, 11)
    ]
    return "\n".join(
        [
            HEAD.format(name="bench-row"),
            "places:",
            *places,
            "pathways:",
            *ways,
            "switches:",
            "  - {id: west, place: t2, price: 40, mass_g: 250, forwarding_delay_us: 5, ports: "
            "[{grades: [10BASE-T1S-multidrop], count: 2}, {grades: [100BASE-T1], count: 1}]}",
            "  - {id: east, place: t5, price: 40, mass_g: 250, forwarding_delay_us: 5, ports: "
            "[{grades: [10BASE-T1S-multidrop], count: 2}, {grades: [100BASE-T1], count: 1}]}",
            "backbone:",
            "  shape: fixed",
            "  links: [{between: [west, east], grades: [1000BASE-T1]}]",
            "devices:",
            *devices,
            "streams:",
            *streams,
            "options: [{id: winter, take_rate: 0.3, name: Winter kit}]",
            "",
        ]
    )


def many_text(devices: int = 180, switches: int = 6) -> str:
    """Text of a 3D problem: a ladder frame on two levels with risers and device clusters."""
    columns = 24
    places, ways = [], []
    for level, z in (("f", 0.4), ("r", 2.4)):
        for side, y in (("l", 0.2), ("r", 2.3)):
            for i in range(columns):
                places.append(f"  - {{id: {level}{side}{i}, position_m: [{i / 2}, {y}, {z}]}}")
                if i:
                    name = f"{level}{side}"
                    ways.append(f"  - {{id: w-{name}{i}, from: {name}{i - 1}, to: {name}{i}}}")
        ways += [
            f"  - {{id: x-{level}{i}, from: {level}l{i}, to: {level}r{i}}}" for i in (2, 12, 21)
        ]
    ways += [f"  - {{id: z-{s}{i}, from: f{s}{i}, to: r{s}{i}}}" for s in "lr" for i in (1, 11, 22)]
    spots = [f"{level}{side}{i}" for i in range(columns) for level in "fr" for side in "lr"]
    lines = []
    for n in range(devices):
        grade = "100BASE-T1" if n % 15 == 7 else "10BASE-T1S-multidrop"
        option = ", option: climate" if n % 11 == 5 else ""
        lines.append(
            f"  - {{id: node-{n:03d}, place: {spots[n * 7 % len(spots)]}, "
            f"grades: [{grade}]{option}}}"
        )
    hubs = [
        f"  - {{id: zone-{k + 1}, place: fl{2 + 4 * k}, price: 60, mass_g: 300, "
        f"forwarding_delay_us: 5, ports: [{{grades: [10BASE-T1S-multidrop], count: 8}}, "
        f"{{grades: [100BASE-T1], count: 6}}]}}"
        for k in range(switches)
    ]
    links = ", ".join(
        f"{{between: [zone-{k + 1}, zone-{k + 2}], grades: [1000BASE-T1]}}"
        for k in range(switches - 1)
    )
    streams = [
        f"  - {{id: s{n:03d}, from: node-{n:03d}, to: [zone-1], payload_bytes: 16, "
        f"period_us: 20000, deadline_us: 20000, pcp: 3}}"
        for n in range(devices)
    ]
    return "\n".join(
        [
            HEAD.format(name="long-frame"),
            "places:",
            *places,
            "pathways:",
            *ways,
            "switches:",
            *hubs,
            "backbone:",
            "  shape: fixed",
            f"  links: [{links}]",
            "devices:",
            *lines,
            "streams:",
            *streams,
            "limits:",
            "  10BASE-T1S-multidrop: {basis: engineered, nodes: 10, length_m: 40}",
            "options: [{id: climate, take_rate: 0.4, name: Climate}]",
            "",
        ]
    )


def problem_from(text: str, folder: Path) -> Problem:
    """Read a problem from its text."""
    path = folder / "problem.yaml"
    path.write_text(text, encoding="utf-8")
    return read_problem(path)


def greedy_layout(problem: Problem) -> Layout:
    """Fill lines of the nearest switch in order of distance; good enough to look at."""
    network = CableNetwork(problem)
    grades = problem.catalogue.grades
    free: dict[tuple[str, str], list[int]] = {}
    for switch in problem.switches.values():
        port = 0
        for group in switch.port_groups:
            for _ in range(group.count):
                port += 1
                for grade in group.grades:
                    free.setdefault((switch.id, grade), []).append(port)
    taken: set[tuple[str, int]] = set()
    open_lines: dict[tuple[str, str], list[list[str]]] = {}
    segments: list[tuple[str, int, str, list[str]]] = []

    def take(switch: str, grade: str) -> int | None:
        for port in free.get((switch, grade), []):
            if (switch, port) not in taken:
                taken.add((switch, port))
                return port
        return None

    for device in problem.devices.values():
        nearest = sorted(
            device.pinned_switches or problem.switches,
            key=lambda s, d=device.id: (network.length_um(d, s), s),
        )
        for switch, grade in ((s, c.grade) for s in nearest for c in device.grades):
            if grades[grade].medium is Medium.MIXING:
                room = problem.limits[grade].nodes - 1 - problem.limits[grade].reserve.nodes
                known = open_lines.setdefault((switch, grade), [])
                line = next((x for x in known if len(x) < room), None)
                if line is not None:
                    line.append(device.id)
                    break
            port = take(switch, grade)
            if port is None:
                continue
            members = [device.id]
            segments.append((switch, port, grade, members))
            if grades[grade].medium is Medium.MIXING:
                known.append(members)
            break
        else:
            raise ValueError(f"no port left for {device.id}")
    made = []
    for switch, port, grade, members in sorted(segments, key=lambda s: (s[0], s[1])):
        ordered, here = [], switch
        while members:
            best = min(members, key=lambda d, h=here: (network.length_um(h, d), d))
            members.remove(best)
            ordered.append(best)
            here = best
        shared = grades[grade].medium is Medium.MIXING
        made.append(
            Segment(
                id=f"{switch}.{port}",
                switch=switch,
                port=port,
                grade=grade,
                devices=tuple(ordered),
                plca_ids=tuple(range(1, len(ordered) + 1)) if shared else (),
                node_count=len(ordered) + 1 if shared else 0,
            )
        )
    built = tuple(BuiltLink(b.ends, b.grades[0]) for b in problem.backbone.links)
    return Layout(problem.name, problem.digest, tuple(problem.switches), built, tuple(made))


@cache
def demo_plan(name: str) -> PlanAnswer:
    """A plan of a demo problem; it may take the 90 s it is given."""
    problem = read_problem(ROOT / "problems" / name / "problem.yaml")
    return plan(problem, Search(time_limit_s=90, workers=all_cores()))


@cache
def demo_report(name: str) -> LayoutAnswer:
    """The report of a demo problem; it takes seconds to make."""
    problem = read_problem(ROOT / "problems" / name / "problem.yaml")
    return report(problem, greedy_layout(problem))


def assessment_of(problem: Problem, layout: Layout) -> Assessment:
    """Figures that hang together, worked out in the plainest way; not the product's check."""
    network = CableNetwork(problem)
    grades = problem.catalogue.grades
    segments, parts, wires = [], [], []
    for segment in layout.segments:
        grade = grades[segment.grade]
        limits = problem.limits[segment.grade]
        visits = list(segment.devices)
        visits.insert(segment.switch_index, segment.switch)
        route: list[str] = []
        at, positions = 0, []
        for a, b in pairwise(visits):
            way = list(network.way(a, b))
            route += way if not route or route[-1] != way[0] else way[1:]
            size = network.length_um(a, b)
            at += size
            positions.append(at)
            wires.append(
                WirePiece(
                    f"{segment.id}/{len(positions)}", segment.id, grade.cable, a, b, size, 10**6
                )
            )
        segments.append(
            SegmentFigures(
                segment=segment,
                nodes=len(segment.devices) + 1,
                nodes_limit=limits.nodes,
                length_um=at,
                length_limit_um=limits.length_um,
                longest_stub_um=max(problem.devices[d].stub_um for d in segment.devices),
                stub_limit_um=limits.stub_um,
                load_share_ppm=31_000 * len(segment.devices),
                load_limit_ppm=limits.load_share_ppm,
                unit_load_mul=1000 * len(segment.devices),
                unit_load_limit_mul=limits.unit_loads_mul,
                cycle_ns=83_000 * len(segment.devices) if segment.plca_ids else 0,
                positions_um=tuple(positions),
                switch_position_um=0,
                route=tuple(route),
            )
        )
        cable = problem.catalogue.cables[grade.cable]
        price = -(-at * cable.price_per_m_money // 10**6)
        parts.append(
            PartLine(
                cable.id, "cable", at, cable.price_per_m_money, price,
                at * cable.mass_mg_per_m // 10**6, cable.source, cable.trust.value, segment.id,
            )
        )  # fmt: skip
        for id_, kind, count in (
            (grade.device_phy, "device PHY", len(segment.devices)),
            (grade.connector, "connector", len(segment.devices) + 1),
            (grade.port_phy, "port PHY", 1),
        ):
            part = problem.catalogue.parts[id_]
            parts.append(
                PartLine(
                    id_, kind, count, part.price_money, count * part.price_money,
                    count * part.mass_mg, part.source, part.trust.value, segment.id,
                )
            )  # fmt: skip
    money = sum(p.price_money for p in parts)
    mass = sum(p.mass_mg for p in parts)
    kinds = sorted({p.kind for p in parts})
    by_kind = tuple((k, sum(p.price_money for p in parts if p.kind == k)) for k in kinds)
    by_segment = {s.segment.id: s for s in segments}
    home = layout.segment_of()
    streams = []
    for number, stream in enumerate(problem.streams.values()):
        for destination in stream.destinations:
            legs = _legs(stream.source, destination, home, by_segment, number)
            total = sum(leg.response_ns for leg in legs)
            linear = sum(leg.linear_ns for leg in legs)
            streams.append(
                StreamFigures(
                    stream.id, destination, tuple(legs), linear, total, stream.deadline_ns
                )
            )
    fullest = max(segments, key=lambda s: s.nodes / s.nodes_limit)
    longest = max(segments, key=lambda s: s.length_um / s.length_limit_um)
    tightest = max(streams, key=lambda s: (s.response_ns or 0) / s.deadline_ns)
    margins = (
        RuleMargin(
            "nodes", fullest.segment.id, fullest.nodes / fullest.nodes_limit,
            f"{fullest.nodes} of {fullest.nodes_limit} nodes",
            "IEEE Std 802.3 Clause 147", "restated",
        ),
        RuleMargin(
            "length", longest.segment.id, longest.length_um / longest.length_limit_um,
            f"{longest.length_um / 1e6:.2f} of {longest.length_limit_um / 1e6:g} m",
            "problem file", "user",
        ),
        RuleMargin(
            "deadline", tightest.stream, (tightest.response_ns or 0) / tightest.deadline_ns,
            f"{(tightest.response_ns or 0) / 1e6:.2f} of {tightest.deadline_ns / 1e6:g} ms",
            "problem file", "user",
        ),
        RuleMargin("stub", fullest.segment.id, 0.5, "0.05 of 0.1 m", "IEEE Std 802.3", "memory"),
    )  # fmt: skip
    return Assessment(
        layout=layout,
        findings=(),
        segments=tuple(segments),
        streams=tuple(streams),
        parts=tuple(parts),
        wires=tuple(wires),
        cost=CostSum(money, mass, 0, money, by_kind),
        margins=margins,
        baseline=StarBaseline(
            2 * len(problem.devices), len(problem.devices), 2 * len(problem.devices),
            5_000_000 * len(problem.devices), money * 2, mass * 2, "A link for every device.",
        ),
    )  # fmt: skip


def _legs(source, destination, home, by_segment, number) -> list[Leg]:
    legs = []
    if source in home:
        segment = by_segment[home[source].id]
        kind = LegKind.LINE if segment.cycle_ns else LegKind.LINK
        wire = 90_000 + 3_100 * (number % 7)
        queue = segment.cycle_ns * (1 + number % 3)
        access = segment.cycle_ns
        collision = 60_000 if segment.cycle_ns else 0
        total = queue + access + wire + collision
        legs.append(
            Leg(kind, segment.segment.id, queue, access, wire, collision, total + 80_000, total)
        )
        legs.append(Leg(LegKind.SWITCH, segment.segment.switch, 0, 0, 5_000, 0, 5_000, 5_000))
    if destination in home:
        segment = by_segment[home[destination].id]
        kind = LegKind.LINE_DOWN if segment.cycle_ns else LegKind.LINK_DOWN
        legs.append(Leg(kind, segment.segment.id, 40_000, segment.cycle_ns, 90_000, 0,
                        300_000 + segment.cycle_ns, 130_000 + segment.cycle_ns))  # fmt: skip
    return legs


def with_finding(assessment: Assessment) -> Assessment:
    """The same, with one broken rule."""
    from dataclasses import replace

    finding = RuleFinding(
        "length", (assessment.segments[0].segment.id,), "The first line is 1.20 m too long."
    )
    return replace(assessment, findings=(finding,))


def outcome_of(assessment: Assessment) -> Outcome:
    """An outcome whose timeline has a cost that falls and a bound that rises."""
    cost = assessment.cost.objective_money
    bound = cost * 97 // 100
    samples = (
        Sample(0.4, cost * 120 // 100, None),
        Sample(1.1, cost * 112 // 100, cost * 70 // 100),
        Sample(4.0, cost * 104 // 100, cost * 92 // 100),
        Sample(11.0, cost * 101 // 100, cost * 95 // 100),
        Sample(31.0, cost, bound),
        Sample(60.0, cost, bound),
    )
    return Outcome(
        status=Status.FEASIBLE,
        layout=assessment.layout,
        cost_money=cost,
        bound_money=bound,
        seconds=60.0,
        seconds_to_best=31.0,
        seed=0,
        workers=2,
        stopped_by="time limit",
        bound_source="column generation with relaxed pricing",
        timeline=samples,
        versions=(("partitioner", "0.1.0"), ("ortools", "9.15.6755")),
        columns=48_210,
    )


def made_up_rounds(assessment: Assessment) -> dict[str, Round]:
    """Rounds of the shared lines: every device sends a frame of 64 bytes, the port none."""
    rounds = {}
    for figures in assessment.segments:
        segment = figures.segment
        if not segment.plca_ids:
            continue
        turns = [Turn(0, segment.switch, 3_200, 3_200, 0)]
        turns += [
            Turn(id_, device, 3_200, 69_560, 64)
            for id_, device in sorted(zip(segment.plca_ids, segment.devices, strict=True))
        ]
        rounds[segment.id] = Round(3_560, tuple(turns))
    return rounds


def switches_in_a_row(count: int, name: str = "zone") -> DrawingInput:
    """A long narrow machine: every switch in one row, with two devices on one line each."""
    m = 1_000_000
    switches, devices, segments = [], [], []
    for k in range(count):
        at, sides = (4 * k * m, 0, 0), [(4 * k * m, y * m, 0) for y in (-1, 1)]
        own = tuple(f"d-{k}-{n}" for n in range(2))
        switches.append(DrawnSwitch(f"{name}-{k}", at, True, 2))
        devices += [
            DrawnDevice(id_, side, f"L{k}", "10BASE-T1S-multidrop", n + 1, n + 1)
            for n, (id_, side) in enumerate(zip(own, sides, strict=True))
        ]
        segments.append(
            DrawnSegment(
                f"L{k}", f"{name}-{k}", 1, "10BASE-T1S-multidrop", True,
                ((f"p{k}", at), *((f"p{k}{n}", side) for n, side in enumerate(sides))), 0, own,
                3 * m,
            )
        )  # fmt: skip
    return DrawingInput("row", (), (), tuple(switches), tuple(devices), tuple(segments))
