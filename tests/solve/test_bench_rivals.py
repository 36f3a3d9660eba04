"""The bench compares like with like: rivals run, and what they find is priced by one function."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from partitioner.application.reading import read_problem
from partitioner.check.judge import assess
from partitioner.model.catalogue import Medium
from partitioner.model.problem import GradeChoice, Group, GroupKind, PortGroup, Problem
from partitioner.units import MONEY_STEPS, ceil_div
from tests.bench import partition
from tests.bench.fleet import Fleet, Routes, dropped_rules, fleet_of, layout_of
from tests.bench.instances import GRADE, geometry_problem, open_vrp_problem, open_vrp_rows
from tests.bench.measure import OURS, Row, Task, measure, must_hold, rivals, seconds_to_gap
from tests.bench.scale_chart import scale_chart
from tests.bench.table import (
    BelowPublished,
    BoundTooHigh,
    filled,
    latest,
    percent,
    slope,
    table,
    write_blocks,
)

DEMOS = Path(__file__).parent.parent.parent / "problems"


SECONDS = {"arcs": 60.0, "routing": 1.0, "pyvrp": 1.0}
"""The arc model ends early by proof; the others use all the time they get."""


@pytest.fixture(scope="module")
def small() -> Problem:
    return geometry_problem(7, 0)


@pytest.fixture(scope="module")
def small_fleet(small: Problem) -> Fleet:
    return fleet_of(small)


def by_hand(problem: Problem, fleet: Fleet, routes: Routes) -> int:
    """Cost of a geometry layout: 8 a line and 1 a metre of rectilinear way, each rounded up."""
    total = 0
    for kind, visits in routes:
        stops = [problem.switches[fleet.switch_ids[fleet.kinds[kind].switch]].position_um]
        stops += [problem.devices[fleet.device_ids[i]].position_um for i in visits]
        total += 8 * MONEY_STEPS
        for a, b in pairwise(stops):
            assert a is not None
            assert b is not None
            way_um = sum(abs(x - y) for x, y in zip(a, b, strict=True))
            total += ceil_div(way_um * MONEY_STEPS, 1_000_000)
    return total


@pytest.mark.parametrize("name", list(rivals()))
def test_rival_finds_a_layout_that_costs_what_hand_arithmetic_says(
    name: str, small: Problem, small_fleet: Fleet
) -> None:
    result = rivals()[name](small_fleet, SECONDS[name], 0, 2)
    assert result.routes is not None
    assert sorted(i for _, visits in result.routes for i in visits) == list(range(7))
    assessment = assess(small, layout_of(small_fleet, result.routes))
    assert assessment.findings == ()
    expected = by_hand(small, small_fleet, result.routes)
    assert assessment.cost.objective_money == expected == small_fleet.cost(result.routes)
    if result.bound is not None:
        assert result.bound <= expected


LINK = "link-grade"


def with_rules(problem: Problem) -> Problem:
    """One port a switch for lines and one for links, a pin, a link-only device, two apart."""
    grade = problem.catalogue.grades[GRADE]
    link = replace(grade, id=LINK, medium=Medium.LINK, terminator=None, full_duplex=True)
    catalogue = replace(problem.catalogue, grades={**problem.catalogue.grades, LINK: link})
    ports = (PortGroup((GRADE,), 1, 80_000), PortGroup((LINK,), 1, 0))
    devices = dict(problem.devices)
    devices["device-1"] = replace(devices["device-1"], pinned_switches=("switch-4",))
    devices["device-2"] = replace(devices["device-2"], grades=(GradeChoice(LINK),))
    return replace(
        problem,
        catalogue=catalogue,
        switches={s: replace(v, port_groups=ports) for s, v in problem.switches.items()},
        devices=devices,
        groups=(Group("pair", GroupKind.APART_SEGMENT, ("device-3", "device-4")),),
        limits={**problem.limits, LINK: replace(problem.limits[GRADE], nodes=2)},
    )


@pytest.mark.parametrize("name", list(rivals()))
def test_rival_keeps_pins_grades_and_ports(name: str, small: Problem) -> None:
    """What every rival has words for, it keeps; the pair may meet if others are between."""
    problem = with_rules(small)
    fleet = fleet_of(problem)
    assert not fleet.is_exact
    result = rivals()[name](fleet, SECONDS[name], 0, 2)
    assert result.routes is not None
    assert sorted(i for _, visits in result.routes for i in visits) == list(range(7))
    assessment = assess(problem, layout_of(fleet, result.routes))
    assert {f.rule for f in assessment.findings} <= {"apart-segment"}
    assert assessment.cost.objective_money == fleet.cost(result.routes)
    kind_of = {i: fleet.kinds[kind] for kind, visits in result.routes for i in visits}
    assert fleet.switch_ids[kind_of[0].switch] == "switch-4"
    assert kind_of[1].grade == LINK


def test_routes_beyond_the_ports_are_found_out(small_fleet: Fleet) -> None:
    row = next(r for r in open_vrp_rows() if r.instance == "E-n22-k4")
    problem = open_vrp_problem(row)
    fleet = fleet_of(problem)
    layout = layout_of(fleet, [(0, (i,)) for i in range(fleet.n)])
    findings = assess(problem, layout).findings
    assert sum(f.rule == "port-exists" for f in findings) == fleet.n - row.max_routes


def test_rivals_have_every_port_where_ports_are_scarce() -> None:
    for row in open_vrp_rows():
        assert [k.count for k in fleet_of(open_vrp_problem(row)).kinds] == [row.max_routes]


def test_only_problems_without_further_rules_count_as_exact(small: Problem) -> None:
    assert dropped_rules(small) == {}
    city = dropped_rules(read_problem(DEMOS / "city-bus" / "problem.yaml"))
    assert city["deadlines end to end"] == ("arcs", "routing", "pyvrp")
    assert city["ports shared by several grades"] == ("routing", "pyvrp")
    house = dropped_rules(read_problem(DEMOS / "glasshouse" / "problem.yaml"))
    assert "switch along its line" in house


def test_a_measurement_of_ours_holds_what_it_claims() -> None:
    row = measure(Task("geometry", "7-3", OURS, 30.0))
    assert row["cost_money"] == row["claimed_money"]
    assert row["bound_money"] <= row["cost_money"]
    assert row["findings"] == {}
    assert row["timeline"][-1][1] == row["cost_money"]
    json.dumps(row)


class At:
    def __init__(self, seconds: float, cost: int | None, bound: int | None):
        self.seconds, self.cost_money, self.bound_money = seconds, cost, bound


def test_seconds_to_a_gap_wait_for_both_cost_and_bound() -> None:
    samples = [At(1, 100, None), At(2, 100, 90), At(3, 100, 95), At(4, 100, 99)]
    assert seconds_to_gap(samples, 0.05) == 3
    assert seconds_to_gap(samples, 0.005) is None
    assert seconds_to_gap([At(1, None, 90)], 0.5) is None


def made_row(what: str, instance: str, solver: str, cost: int | None, **more: object) -> Row:
    return {
        "key": f"{what}/{instance}/{solver}/60s/r0", "what": what, "instance": instance,
        "solver": solver, "limit_s": 60.0, "solver_seed": 0, "machine": "a machine",
        "python": "3.11", "versions": {"ortools": "1"}, "date": "2026-01-02 03:04", "load": 0.1,
        "cost_money": cost, "left_out": 0, "status": "found", "seconds": 60.0,
        "seconds_to_best": 5.0, "bound_money": None, "devices": 60, "findings": {}, **more,
    }  # fmt: skip


def test_geometry_table_has_costs_ratios_and_gap() -> None:
    rows = [
        made_row("geometry", "60-0", OURS, 1_000_000, bound_money=990_000, status="feasible"),
        made_row("geometry", "60-0", "pyvrp", 1_010_000),
        made_row("geometry", "60-0", "routing", None, left_out=2),
    ]
    text = table("geometry", rows)
    assert "100.0000 (best) 5.0 s" in text
    assert "101.0000 (+1.00 %) 5.0 s" in text
    assert "2 left out" in text
    assert "| 1.00 % |" in text
    assert "that of PyVRP: median 0.9901" in text
    assert "routing library found nothing whole on 1" in text


def test_a_cost_below_the_published_one_fails() -> None:
    entry = next(r for r in open_vrp_rows() if r.instance == "E-n22-k4")
    good = math.ceil(entry.best_known * MONEY_STEPS)
    row = made_row("openvrp", entry.instance, OURS, good, bound_money=good - 9, status="feasible")
    assert "+0.000 %" in table("openvrp", [row])
    row["cost_money"] = good - 2
    with pytest.raises(BelowPublished):
        table("openvrp", [row])


def test_a_bound_above_what_a_rival_found_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ours = made_row("geometry", "60-0", OURS, 1_000_000, bound_money=999_000, status="feasible")
    other = made_row("geometry", "60-0", "pyvrp", 998_999)
    with pytest.raises(BoundTooHigh):
        table("geometry", [ours, other])
    other["findings"] = {"length": 1}
    assert "99.8999" in table("geometry", [ours, other])
    other["findings"] = {}
    results = tmp_path / "rows.jsonl"
    partition.add_row(results, ours)
    partition.add_row(results, other)
    assert partition.main(["--tables", "--results", str(results)]) == 1
    assert "bound 999000 above the cost 998999" in capsys.readouterr().err


@pytest.mark.parametrize(
    "wrong", [{"findings": {"length": 1}}, {"claimed_money": 99}, {"bound_money": 101}]
)
def test_a_plan_of_ours_that_is_not_what_it_claims_fails(wrong: Row) -> None:
    right: Row = {"findings": {}, "claimed_money": 100, "cost_money": 100, "bound_money": 100}
    must_hold(right)
    with pytest.raises(RuntimeError):
        must_hold({**right, **wrong})


def test_slope_is_the_exponent() -> None:
    points = [(n, 0.01 * n**1.2) for n in (250.0, 1_000.0, 4_000.0)]
    assert slope(points) == pytest.approx(1.2)
    assert slope(points[:1]) is None
    text = scale_chart(points, 1.2)
    assert text.count('class="p"') == 3


def test_blocks_are_filled_and_missing_ones_noticed(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("a\n\n<!-- bench:one -->\nold\n<!-- /bench -->\n\nb\n")
    write_blocks(page, {"one": "new"})
    assert page.read_text() == "a\n\n<!-- bench:one -->\n\nnew\n\n<!-- /bench -->\n\nb\n"
    with pytest.raises(ValueError, match="bench:two"):
        filled(page.read_text(), {"two": "x"})


def test_the_page_has_a_block_for_every_table() -> None:
    text = partition.PAGE.read_text(encoding="utf-8")
    filled(text, dict.fromkeys(partition.TABLES, "x"))


def test_resume_skips_what_is_there_and_repeats_what_broke(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[str] = []

    def pretend(task: Task) -> Row:
        ran.append(task.solver)
        status = "failed: x" if task.solver == "arcs" and len(ran) < 3 else "found"
        made = made_row(task.what, task.instance, task.solver, 500_000, status=status)
        return {**made, "key": task.key, "bound_money": 400_000}

    monkeypatch.setattr(partition, "measure_apart", pretend)
    words = ["--what", "geometry", "--devices", "30", "--seeds", "0", "--seconds", "60",
             "--solvers", "arcs,pyvrp", "--results", str(tmp_path / "rows.jsonl")]  # fmt: skip
    assert partition.main(words) == 1
    assert partition.main([*words, "--resume"]) == 0
    assert ran == ["arcs", "pyvrp", "arcs"]
    rows = latest(partition.read_rows(tmp_path / "rows.jsonl"))
    assert {r["status"] for r in rows.values()} == {"found"}


def test_small_shares_are_not_rounded_to_nothing() -> None:
    assert percent(0.00001) == "<0.01 %"
    assert percent(0.0) == "0.00 %"
    assert percent(0.0123) == "1.23 %"
