"""Figures, margins and the star beside the plan."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.check.rules.measure import Measure
from partitioner.check.rules.registry import ALL_RULES
from partitioner.model.assessment import LegKind
from partitioner.model.catalogue import Trust
from partitioner.model.layout import Layout
from partitioner.model.problem import Basis, GradeChoice, Transfer
from partitioner.wording import metres
from tests.brute.parts import LINE, LINK100
from tests.check.ground import (
    MS,
    M,
    ground_layout,
    ground_problem,
    stream,
    with_device,
    with_limits,
    with_segment,
    without_segment,
)


def test_segment_figures():
    line = assess(ground_problem(), ground_layout()).segments[0]
    assert (line.nodes, line.nodes_limit) == (4, 6)
    assert (line.length_um, line.length_limit_um) == (5_200_000, 12 * M)
    assert (line.longest_stub_um, line.stub_limit_um) == (50_000, 100_000)
    assert (line.unit_load_mul, line.unit_load_limit_mul) == (3_000, 5_000)
    assert line.load_limit_ppm == 500_000
    # Two streams of 64-byte frames every 20 ms. Each takes 96 + 64 + 512 + 8 = 680 bit times of
    # 100 ns and a loop delay of 1.56 µs plus 5.2 m at 5 ns/m: 69.586 µs; 2 x 0.34793 %.
    assert line.load_share_ppm == 6_959
    # BEACON 2 µs, loop delay 1.586 µs, two used turns of 69.586 µs, three silent ones of 3.2 µs.
    assert line.cycle_ns == 2_000 + 1_586 + 2 * 69_586 + 3 * 3_200
    # Pieces: 1 + 0.1 + 0.2 at the switch, 1.5 + 0.1, 2 + 0.1 + 0.2.
    assert line.positions_um == (1_300_000, 2_900_000, 5_200_000)
    assert line.switch_position_um == 0
    assert line.route == ("p0", "p1", "p2", "p3")


def test_link_figures_leave_out_what_belongs_to_lines():
    problem = with_device(ground_problem(), "camera", stub_um=90_000)
    found = assess(problem, ground_layout())
    link = found.segments[3]
    assert (link.nodes, link.longest_stub_um, link.unit_load_mul) == (2, 0, 0)
    assert link.unit_load_limit_mul is None
    assert link.cycle_ns == 0
    assert found.findings == ()


def test_end_to_end_is_the_sum_of_the_legs():
    for figures in assess(ground_problem(), ground_layout()).streams:
        assert figures.linear_ns == sum(leg.linear_ns for leg in figures.legs)
        assert figures.response_ns == sum(leg.response_ns for leg in figures.legs)
        assert figures.response_ns <= figures.linear_ns
        for leg in figures.legs:
            assert leg.response_ns <= leg.linear_ns


def test_legs_follow_the_way():
    streams = assess(ground_problem(), ground_layout()).streams
    found = {(s.stream, s.destination): s for s in streams}
    drive = found["drive", "motor-1"]
    assert [(leg.kind, leg.where) for leg in drive.legs] == [
        (LegKind.LINK, "link-brain"),
        (LegKind.SWITCH, "front"),
        (LegKind.BACKBONE, "front-rear"),
        (LegKind.SWITCH, "rear"),
        (LegKind.LINE_DOWN, "line-rear"),
    ]
    # Forwarding 5 µs in each switch.
    assert [leg.response_ns for leg in drive.legs if leg.kind is LegKind.SWITCH] == [5_000, 5_000]
    assert [leg.kind for leg in found["speed", "motor-2"].legs] == [LegKind.LINE]


def test_margins_name_the_tightest_place_of_each_rule():
    margins = {m.rule: m for m in assess(ground_problem(), ground_layout()).margins}
    nodes = margins["nodes"]
    assert nodes.where == "line-front"
    assert nodes.used == pytest.approx(5 / 6)
    assert nodes.text == "4 and 1 kept free of 6 nodes, 1 left"
    assert margins["length"].text == "5.2 m and 2 m kept free of 12 m, 4.8 m left"
    assert margins["pathway-capacity"].text == "2 of 3 cables, 1 left"
    assert margins["unit-loads"].text == "3 unit loads of 5 unit loads, 2 unit loads left"
    assert margins["stub"].where == "lamp-1 on line-front"
    assert set(margins) == {rule.name for rule in ALL_RULES if rule.measures} - {"transfer"}
    used = [m.used for m in assess(ground_problem(), ground_layout()).margins]
    assert used == sorted(used, reverse=True)


def test_margins_of_transfers_and_failures():
    problem = replace(
        ground_problem(),
        transfers={"update": Transfer("update", "brain", ("lamp-1",), 100_000, 1_000 * MS, 1_000)},
    )
    margins = {m.rule: m for m in assess(problem, ground_layout()).margins}
    # 100 frames in a second: one every 10 ms.
    assert margins["transfer"].where == "update to lamp-1"
    assert "for a frame, of which one is sent every 10 ms" in margins["transfer"].text
    assert 0 < margins["transfer"].used < 1
    # Both motors hang on one line, and two may be lost.
    assert margins["failure"].text == "2 of 2 devices, 0 left"
    assert margins["failure"].where == "rule keep-driving, segment line-rear"


def test_a_broken_rule_uses_more_than_its_limit():
    problem = with_limits(ground_problem(), LINE, length_um=7 * M)
    margins = {m.rule: m for m in assess(problem, ground_layout()).margins}
    assert margins["length"].used == pytest.approx(7.2 / 7)
    assert margins["length"].text == "5.2 m and 2 m kept free of 7 m, 0.2 m too much"


def test_the_source_of_a_limit_is_the_grade_or_the_problem_file():
    engineered = {m.rule: m for m in assess(ground_problem(), ground_layout()).margins}
    assert (engineered["nodes"].source, engineered["nodes"].trust) == ("problem file", "user")
    problem = with_limits(ground_problem(), LINE, basis=Basis.GUARANTEED)
    guaranteed = {m.rule: m for m in assess(problem, ground_layout()).margins}
    grade = problem.catalogue.grades[LINE]
    assert guaranteed["nodes"].source == grade.source
    assert guaranteed["nodes"].trust == Trust.INVENTED.value


def test_overload_has_no_bound():
    problem = ground_problem()
    flood = stream("flood", "motor-1", ("motor-2",), payload_bytes=1_500, period_ns=MS)
    problem = replace(problem, streams={"flood": flood})
    found = assess(problem, ground_layout())
    assert found.streams[0].bound_ns is None
    assert found.streams[0].margin_ns is None
    assert {f.rule for f in found.findings} == {"load", "overload"}


# -- the star -------------------------------------------------------------------------------------


def test_star_by_hand():
    # Two devices only. lamp-1 hangs 1 m from front, motor-1 1 m from rear; both on the cheaper
    # 10 Mb/s link: 1 + 0.1 + 2 x 0.2 = 1.5 m each.
    problem = ground_problem()
    problem = replace(
        problem,
        devices={k: problem.devices[k] for k in ("lamp-1", "motor-1")},
        streams={},
        groups=(),
        failure_rules=(),
    )
    star = assess(problem, replace(ground_layout(), segments=())).baseline
    assert (star.phys, star.ports, star.connectors) == (4 + 2, 2, 4 + 2)
    # 6 m of backbone come on top.
    assert star.cable_um == 2 * 1_500_000 + 6 * M
    # A way of 1 m 6173, a drop of 0.1 m 618, two ends of 0.2 m 1235 each; PHYs 11003 and 13001;
    # connectors 2 x 5003.
    link = 6_173 + 618 + 2 * 1_235 + 11_003 + 13_001 + 2 * 5_003
    # Switches 2 x 400000; backbone 6 x 14503, 2 x 9001, 2 x 57003.
    shared = 800_000 + 87_018 + 18_002 + 114_006
    assert star.money == 2 * link + shared
    assert "ports not limited" in star.note


def test_star_takes_a_faster_grade_where_the_load_asks_for_it():
    problem = ground_problem()
    busy = stream("busy", "lamp-1", ("brain",), payload_bytes=1_400, period_ns=2 * MS)
    slow = assess(problem, ground_layout()).baseline
    fast = assess(
        replace(problem, streams={**problem.streams, "busy": busy}), ground_layout()
    ).baseline
    # 1.2 ms every 2 ms is 60 % of 10 Mb/s; no limit is stated there, so it still fits...
    assert fast.money == slow.money
    busier = replace(busy, period_ns=MS)
    faster = assess(
        replace(problem, streams={**problem.streams, "busy": busier}), ground_layout()
    ).baseline
    # ... but not every 1 ms: both PHYs, connectors and the cable of 100BASE-T1 instead.
    # cable 1 m, 0.1 m, 2 x 0.2 m
    step = (9_371 + 938 + 2 * 1_875) - (6_173 + 618 + 2 * 1_235)
    step += (23_011 + 27_007 + 2 * 6_007) - (11_003 + 13_001 + 2 * 5_003)
    assert faster.money - slow.money == step


def test_star_says_what_it_cannot_reach():
    problem = with_limits(ground_problem(), LINK100, length_um=1_000)
    grades = {
        k: replace(g, guaranteed_length_um=1_000) for k, g in problem.catalogue.grades.items()
    }
    problem = replace(problem, catalogue=replace(problem.catalogue, grades=grades))
    star = assess(problem, ground_layout()).baseline
    assert "No link grade of the catalogue reaches and carries 7 devices" in star.note


def test_star_keeps_to_pins():
    near = assess(ground_problem(), ground_layout()).baseline
    problem = with_device(ground_problem(), "lamp-1", pinned_switches=("rear",))
    far = assess(problem, ground_layout()).baseline
    # From front 1 m, from rear 5.5 m.
    assert far.cable_um - near.cable_um == 4_500_000


# -- layouts that make little sense ----------------------------------------------------------------


@pytest.mark.parametrize(
    "layout",
    [
        Layout("ground", "ground", (), (), ()),
        Layout("ground", "ground", ("front", "rear"), (), ()),
        without_segment(ground_layout(), "link-brain"),
        with_segment(ground_layout(), "line-front", switch="ghost"),
        with_segment(ground_layout(), "line-front", grade="ghost"),
        with_segment(ground_layout(), "line-front", devices=("ghost",), plca_ids=(1,)),
        with_segment(ground_layout(), "line-front", devices=("lamp-1",) * 4, plca_ids=(1,) * 4),
        with_segment(ground_layout(), "line-front", plca_ids=(-3, 999, 0), node_count=-1),
        with_segment(ground_layout(), "line-front", switch_index=-5, port=-1),
        with_segment(ground_layout(), "link-brain", devices=("brain", "camera", "lamp-1")),
        with_segment(ground_layout(), "link-brain", id="line-front"),
        replace(ground_layout(), backbone=(replace(ground_layout().backbone[0], grade="x"),)),
        replace(ground_layout(), backbone=(replace(ground_layout().backbone[0], ends=("x", "y")),)),
    ],
)
def test_any_layout_is_judged_and_found_wanting(layout):
    found = assess(ground_problem(), layout)
    assert found.findings
    assert all(f.sentence.endswith(".") for f in found.findings)


def test_a_device_of_two_grades_is_judged_by_the_one_it_got():
    problem = with_device(
        ground_problem(), "brain", grades=(GradeChoice(LINE), GradeChoice(LINK100))
    )
    assert assess(problem, ground_layout()).findings == ()


def test_the_check_works_without_the_solver():
    code = (
        "import sys, partitioner.check.judge; "
        "sys.exit(any(m.split('.')[0] in ('ortools', 'pyvrp') or m.startswith('partitioner.solve')"
        " for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("above_um", [-1, 0, 1, 999, 1_000])
def test_a_length_beside_its_limit_is_in_millimetres_and_never_looks_otherwise(above_um: int):
    """Rounding never shows a broken limit as kept or the reverse, and the amounts add up."""
    most = Measure(("a",), "a", 3 * M + above_um, 3 * M, metres, "{used} {over}")
    least = replace(most, used=3 * M - above_um, is_least=True)
    up = -(-above_um // 1_000) / 1_000
    state = "left" if above_um <= 0 else "too much"
    assert most.text == f"{3 + up:g} m of 3 m, {abs(up):g} m {state}"
    assert least.sentence == f"{3 - up:g} m {abs(up):g} m"
    # A limit of part of a millimetre is told beside the exact length.
    assert replace(most, limit=3 * M + 1).text.startswith(metres(3 * M + above_um))
