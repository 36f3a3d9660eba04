"""The brute force itself: against hand-made optima, the check, and random layouts."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.model.catalogue import Medium
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import (
    BackboneShape,
    Basis,
    Device,
    GradeChoice,
    LineRules,
    PlcaRules,
    PortGroup,
    Problem,
    SegmentLimits,
    SwitchPosition,
)
from tests.brute.brute import best_layout
from tests.brute.parts import LINE
from tests.brute.random_problems import random_problem

# Without deadlines that bind, transfers or a price of latency: those are for the oracle.
KINDS: dict[str, dict] = {
    "plain": {},
    "anywhere": {"anywhere": True},
    "links": {"links": True, "anywhere": True},
    "only links": {"only_links": True},
    "pathways": {"pathways": True, "capacities": True},
    "options": {"options": 2, "anywhere": True, "option_tail": True},
    "rules": {"groups": True, "pins": True, "sharing": True},
    "tree": {"candidates": True, "switches": 3, "backbone": BackboneShape.TREE},
    "ring": {"switches": 3, "backbone": BackboneShape.RING, "links": True},
    "weights": {"backbone": BackboneShape.FIXED, "mass": True},
    "builds": {"options": 3, "builds": True, "anywhere": True},
    "failures": {"failures": True, "switches": 3, "backbone": BackboneShape.TREE},
    "failures on a ring": {"failures": True, "switches": 3, "backbone": BackboneShape.RING},
    "all": {
        "backbone": BackboneShape.TREE,
        "candidates": True,
        "reserve": True,
        "spacing": True,
        "pathways": True,
        "capacities": True,
        "links": True,
        "options": 2,
        "anywhere": True,
        "mass": True,
    },
}


def plain_problem(positions_m: list[int], **line) -> Problem:
    """Devices on a straight line of positions, one switch at 0, no streams, no slack."""
    problem = random_problem(0, 1, switches=1, streams=False)
    devices = {
        f"d{k}": Device(f"d{k}", None, (x * 1_000_000, 0, 0), (GradeChoice(LINE),))
        for k, x in enumerate(positions_m)
    }
    switch = replace(
        problem.switches["sw0"],
        place=None,
        position_um=(0, 0, 0),
        port_groups=(PortGroup((LINE,), 4, 0),),
    )
    return replace(
        problem,
        devices=devices,
        switches={"sw0": switch},
        routing=replace(problem.routing, factor_ppm=1_000_000),
        limits={LINE: SegmentLimits(Basis.ENGINEERED, 4, 25_000_000, 100_000, 500_000)},
        line=LineRules(**line),
        plca=PlcaRules(),
    )


def parts_value(devices: int, segments: int) -> int:
    """Value of the parts of lines in the test catalogue, cable left out."""
    return devices * (12_501 + 4_001) + segments * (2 * 1_501 + 4_001 + 14_003)


def cable_value(*metres: int) -> int:
    return sum(6_173 * m for m in metres)


def test_one_line_visits_devices_by_distance():
    problem = plain_problem([3, 1, 2])
    cost, layout = best_layout(problem)
    assert layout.segments[0].devices == ("d1", "d2", "d0")
    assert cost == (
        problem.switches["sw0"].price_money + parts_value(3, 1) + cable_value(1, 1, 1)
    )


def test_devices_on_both_sides_are_worth_two_ports():
    # 3 m one way and 3 m the other: one line to both ends is 3 + 6 = 9 m with the switch at an
    # end; two lines are 6 m and one more port (21006) against 3 m of cable (18519).
    problem = plain_problem([3, -3])
    cost, layout = best_layout(problem)
    assert len(layout.segments) == 1
    assert cost == (
        problem.switches["sw0"].price_money + parts_value(2, 1) + cable_value(3, 6)
    )
    # A metre further out on each side the second port pays: 21006 against 4 m (24692).
    far = plain_problem([4, -4])
    cost, layout = best_layout(far)
    assert len(layout.segments) == 2
    assert cost == far.switches["sw0"].price_money + parts_value(2, 2) + cable_value(4, 4)
    # With the switch along the line neither is needed.
    through = plain_problem([4, -4], switch_position=SwitchPosition.ANYWHERE)
    cost, layout = best_layout(through)
    assert [s.switch_index for s in layout.segments] == [1]
    assert cost == (
        through.switches["sw0"].price_money + parts_value(2, 1) + cable_value(4, 4)
    )


def test_node_limit_asks_for_a_second_line():
    # Four devices, at most three on a line of four nodes.
    _, layout = best_layout(plain_problem([1, 2, 3, 4]))
    assert sorted(len(s.devices) for s in layout.segments) in ([1, 3], [2, 2])


def test_no_layout_is_none():
    problem = plain_problem([1, 2, 3, 4])
    switch = replace(problem.switches["sw0"], port_groups=(PortGroup((LINE,), 1, 0),))
    assert best_layout(replace(problem, switches={"sw0": switch})) is None


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(4))
def test_the_check_accepts_the_best_layout_at_the_same_cost(kind, seed):
    problem = random_problem(seed, 5, **KINDS[kind])
    found = best_layout(problem)
    if found is None:
        return
    cost, layout = found
    assessment = assess(problem, layout)
    assert assessment.findings == ()
    assert assessment.cost.objective_money == cost
    # By the linear bound too, which the brute force judges by.
    assert all(f.linear_ns <= f.deadline_ns for f in assessment.streams)


def test_most_random_problems_have_a_layout():
    found = [
        best_layout(random_problem(seed, 5, **kind)) is not None
        for kind in KINDS.values()
        for seed in range(4)
    ]
    assert sum(found) > 0.75 * len(found)


def random_layout(problem: Problem, rng: random.Random) -> Layout:
    """Any layout whose names and ports make sense; most break some rule."""
    opened = [s for s in problem.switches.values() if s.required or rng.random() < 0.5]
    devices = list(problem.devices.values())
    rng.shuffle(devices)
    segments: list[Segment] = []
    free = [
        (s.id, port, grade)
        for s in opened for port, group in s.ports.items() for grade in group.grades
    ]
    rng.shuffle(free)
    taken: set[tuple[str, int]] = set()
    while devices:
        usable = [
            f
            for f in free
            if (f[0], f[1]) not in taken and f[2] in {c.grade for c in devices[0].grades}
        ]
        if not usable:
            break
        switch, port, grade = usable[0]
        taken.add((switch, port))
        is_line = problem.catalogue.grades[grade].medium is Medium.MIXING
        number = rng.randint(1, min(4, len(devices))) if is_line else 1
        members = [d for d in devices if grade in {c.grade for c in d.grades}][:number]
        devices = [d for d in devices if d not in members]
        names = tuple(d.id for d in members)
        anywhere = problem.line.switch_position is SwitchPosition.ANYWHERE
        index = rng.randint(0, len(names)) if anywhere and is_line else 0
        ids = tuple(range(1, len(names) + 1)) if is_line else ()
        spare = problem.limits[grade].reserve.nodes
        segments.append(
            Segment(
                f"seg-{len(segments)}",
                switch,
                port,
                grade,
                names,
                index,
                ids,
                len(names) + 1 + spare if is_line else 0,
            )
        )
    ids = {s.id for s in opened}
    links = [
        BuiltLink(link.ends, rng.choice(link.grades))
        for link in problem.backbone.links
        if set(link.ends) <= ids
        and (problem.backbone.shape is BackboneShape.FIXED or rng.random() < 0.7)
    ]
    return Layout(
        problem.name, problem.digest, tuple(s.id for s in opened), tuple(links), tuple(segments)
    )


@pytest.mark.parametrize("kind", KINDS)
def test_no_random_layout_that_the_check_accepts_is_cheaper(kind):
    accepted = 0
    for seed in range(4):
        problem = random_problem(seed, 4, **KINDS[kind])
        found = best_layout(problem)
        rng = random.Random(seed)
        for _ in range(30):
            layout = random_layout(problem, rng)
            assessment = assess(problem, layout)
            if assessment.findings:
                continue
            accepted += 1
            assert found is not None
            assert assessment.cost.objective_money >= found[0]
    assert accepted > 0
