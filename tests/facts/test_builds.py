"""Builds: what is fitted, what it costs, and that each is judged; by hand and against the plan."""

from __future__ import annotations

import itertools
import random
import re
from dataclasses import replace
from fractions import Fraction

import pytest

from partitioner.application.reading import read_problem
from partitioner.check.acceptance import rule_findings, whole_findings
from partitioner.check.bill import BillItem, backbone_items, segment_items
from partitioner.check.combinations import MOST_BUILDS, combinations_of
from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess, assess_facts
from partitioner.check.one_build import build_facts, build_problem
from partitioner.facts.builds import added_by, judge_builds, unit_items
from partitioner.model.outcome import Status
from partitioner.model.problem import Build, FailureRule, Option
from partitioner.pages.builds import builds_section
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.units import PPM
from tests.brute.brute import best_layout
from tests.brute.oracle import Oracle
from tests.brute.random_problems import random_problem
from tests.brute.test_brute import KINDS
from tests.check.ground import (
    ground_layout,
    ground_problem,
    stream,
    with_device,
    with_segment,
)

ALL = frozenset(p.id for p in ground_problem().options.values())


def with_fan():
    """The ground problem with a fan on the rear line that an option of its own brings."""
    problem = ground_problem()
    fan = replace(problem.devices["motor-1"], id="fan", option="cooling", function=None)
    problem = replace(
        problem,
        devices={**problem.devices, "fan": fan},
        options={**problem.options, "cooling": Option("cooling", 250_000)},
    )
    layout = with_segment(
        ground_layout(),
        "line-rear",
        devices=("fan", "motor-1", "motor-2"),
        switch_index=3,
        plca_ids=(3, 2, 1),
        node_count=5,
    )
    return problem, layout


def test_a_line_ends_at_its_last_fitted_device() -> None:
    facts = gather_facts(ground_problem(), ground_layout())
    assert assess_facts(facts).findings == ()
    full, base = build_facts(facts, ALL), build_facts(facts, ())
    line = base.lines[0].segment
    assert (line.devices, line.plca_ids, line.node_count) == (("lamp-1", "lamp-2"), (1, 2), 5)
    # Ways of 1.0 m and 1.5 m, 0.1 m slack a drop, 0.2 m an end; the heater is 2.0 m further on.
    assert base.lines[0].geometry.length_um == 3_100_000
    assert full.lines[0].geometry.length_um == 5_200_000
    assert full.lines[0].geometry == facts.lines[0].geometry
    # The turn of the absent device stays, but silent: the longest cycle gets shorter by a frame.
    assert base.timing.cycle_ns["line-front"] < full.timing.cycle_ns["line-front"]


def test_an_absent_device_in_the_middle_leaves_its_piece_of_cable() -> None:
    problem = with_device(ground_problem(), "lamp-1", option="winter")
    problem = replace(problem, line=replace(problem.line, option_tail=False))
    problem = with_device(problem, "heater", option=None)
    facts = gather_facts(problem, ground_layout())
    base = build_facts(facts, ())
    assert base.lines[0].segment.devices == ("lamp-2", "heater")
    assert base.lines[0].geometry.length_um == facts.lines[0].geometry.length_um
    assert base.lines[0].segment.plca_ids == (2, 3)


def test_streams_of_absent_devices_are_gone() -> None:
    problem = ground_problem()
    more = stream("warm", "brain", ("heater", "motor-1"))
    problem = replace(problem, streams={**problem.streams, "warm": more})
    left = build_problem(problem, ())
    assert "heat" not in left.streams
    assert left.streams["warm"].destinations == ("motor-1",)
    assert left.streams["speed"] == problem.streams["speed"]
    assert [g.devices for g in left.groups][-1] == ("motor-2",)
    assert build_problem(problem, ALL).streams == problem.streams


def test_combinations_are_all_or_those_stated() -> None:
    problem = ground_problem()
    both = replace(
        with_device(problem, "lamp-2", option="fog"),
        options={**problem.options, "fog": Option("fog", 250_000), "none": Option("none", 500_000)},
    )
    whole = combinations_of(both)
    assert whole.is_whole
    assert [(c.name, c.share) for c in whole.rows] == [
        ("base", Fraction(7, 10) * Fraction(3, 4)),
        ("winter", Fraction(3, 10) * Fraction(3, 4)),
        ("fog", Fraction(7, 10) * Fraction(1, 4)),
        ("winter+fog", Fraction(3, 10) * Fraction(1, 4)),
    ]
    stated = replace(
        both,
        builds=(
            Build("cold", frozenset({"winter"}), 900_000),
            Build("plain", frozenset(), 100_000),
        ),
    )
    told = combinations_of(stated)
    assert [(c.name, c.options, c.share) for c in told.rows] == [
        ("cold", frozenset({"winter"}), Fraction(9, 10)),
        ("plain", frozenset(), Fraction(1, 10)),
    ]


def test_of_too_many_combinations_pairs_and_extremes_are_looked_at() -> None:
    problem = random_problem(1, 9, streams=False)
    options = {f"o{k}": Option(f"o{k}", 500_000) for k in range(9)}
    devices = {
        id_: replace(d, option=f"o{k}") for k, (id_, d) in enumerate(problem.devices.items())
    }
    problem = replace(problem, options=options, devices=devices)
    found = combinations_of(problem)
    assert MOST_BUILDS < 2**9
    assert not found.is_whole
    # None, nine alone, 36 pairs, nine with one left out, all.
    assert len(found.rows) == 1 + 9 + 36 + 9 + 1
    assert len({c.options for c in found.rows}) == len(found.rows)
    for a in options:
        for b in options:
            if a < b:
                states = {(a in c.options, b in c.options) for c in found.rows}
                assert len(states) == 4


def test_price_of_a_unit_by_hand() -> None:
    facts = gather_facts(ground_problem(), ground_layout())
    builds = judge_builds(facts)
    base, winter = builds.rows
    assert [r.combination.name for r in builds.rows] == ["base", "winter"]
    # One PHY, one connector and 2.0 m + 0.1 m of cable at 6173 a metre: 12346 + 618 (rounded up).
    assert winter.money - base.money == 12_501 + 4_001 + 12_346 + 618
    added = added_by(facts, "winter")
    assert added.money == winter.money - base.money
    assert {(p.kind, p.quantity) for p in added.parts} == {
        ("device PHY", 1),
        ("connector", 1),
        ("cable", 2_100_000),
    }
    assert (base.lines, base.links, len(base.fitted)) == (2, 2, 6)
    assert builds.broken == ()


def test_stopped_builds_are_counted_not_passed() -> None:
    asked = iter([False, True, True])
    facts = gather_facts(ground_problem(), ground_layout())
    builds = judge_builds(facts, lambda: next(asked))
    assert (len(builds.rows), builds.unchecked, builds.expected_money) == (1, 1, None)


@pytest.mark.parametrize("kind", ["options", "builds", "all"])
@pytest.mark.parametrize("seed", range(4))
def test_cost_of_the_plan_is_the_average_unit_rounded_up(kind: str, seed: int) -> None:
    """Each item is rounded up once, and its share to a part per million."""
    problem = random_problem(seed, 5, **KINDS[kind])
    found = best_layout(problem)
    if found is None:
        return
    facts = gather_facts(problem, found[1])
    cost = assess_facts(facts).cost
    builds = judge_builds(facts)
    assert builds.broken == ()
    expected = builds.expected_money
    assert expected is not None
    everything = unit_items(facts, problem.options)
    assert expected <= cost.money
    assert cost.money - expected <= sum(1 + Fraction(i.unit_price_money, 1) * (
        Fraction(i.quantity, PPM) if i.kind == "cable" else 1) / PPM + 1 for i in everything)
    mass = sum((r.combination.share * r.mass_mg for r in builds.rows), Fraction(0))
    assert mass <= cost.mass_mg <= mass + 2 * len(everything) + 1


@pytest.mark.parametrize("kind", ["options", "builds", "all"])
@pytest.mark.parametrize("seed", range(3))
def test_pieces_to_cut_add_up_to_the_cable_of_every_build(kind: str, seed: int) -> None:
    problem = random_problem(seed, 4, **KINDS[kind])
    layouts = itertools.islice(Oracle(problem).drawn(random.Random(seed), 8), 8)
    for layout in layouts:
        facts = gather_facts(problem, layout)
        wires = assess_facts(facts).wires
        for row in judge_builds(facts).rows:
            cut_um = sum(w.length_um for w in wires if w.is_in(row.combination.options))
            assert cut_um == row.cable_um
        cable = [i for i in bill_of(facts) if i.kind == "cable"]
        all_um = sum(w.length_um for w in wires if w.is_in(problem.options))
        assert all_um == sum(i.quantity for i in cable)
        # Shares are rounded up to a part per million in each, so to that they agree.
        average = sum(Fraction(w.length_um * w.share_ppm, PPM) for w in wires)
        bill = sum(Fraction(i.quantity * i.share_ppm, PPM) for i in cable)
        assert abs(average - bill) <= Fraction(sum(i.quantity for i in cable), PPM)


def bill_of(facts) -> list[BillItem]:
    """The bill of a whole layout, weighted with the share of units."""
    problem = facts.problem
    return [
        *(
            item
            for laid in facts.laid
            for item in segment_items(problem, laid.segment, laid.grade, laid.geometry)
        ),
        *backbone_items(problem, facts.layout, facts.network),
    ]


@pytest.mark.parametrize("kind", ["options", "builds", "all"])
@pytest.mark.parametrize("seed", range(10, 14))
def test_nothing_gets_harder_by_leaving_devices_out(kind: str, seed: int) -> None:
    """The argument in the docs, watched: no line longer, no load and no bound larger."""
    problem = random_problem(seed, 5, **KINDS[kind])
    found = best_layout(problem)
    if found is None:
        return
    facts = gather_facts(problem, found[1])
    full = build_facts(facts, problem.options)
    bounds = {(f.stream, f.destination): f for f in full.timing.streams}
    lengths_um = {s.segment.id: s.geometry.length_um for s in full.laid}
    for combination in combinations_of(problem).rows:
        built = build_facts(facts, combination.options)
        for laid in built.laid:
            id_ = laid.segment.id
            assert laid.geometry.length_um <= lengths_um[id_]
            assert built.timing.load_ppm[id_] <= full.timing.load_ppm[id_]
            assert built.timing.cycle_ns[id_] <= full.timing.cycle_ns[id_]
        for figures in built.timing.streams:
            whole = bounds[figures.stream, figures.destination]
            assert figures.response_ns <= whole.response_ns
            assert figures.linear_ns <= whole.linear_ns


def test_a_build_can_break_what_the_whole_layout_keeps() -> None:
    """Motors that still reach the fan are not lost; without the fan they reach nobody."""
    problem, layout = with_fan()
    streams = {
        "drive": problem.streams["drive"],
        "air-1": stream("air-1", "motor-1", ("fan",)),
        "air-2": stream("air-2", "motor-2", ("fan",)),
    }
    problem = replace(
        problem,
        streams=streams,
        failure_rules=(FailureRule("keep-driving", None, "drive", 1),),
    )
    # The line itself may fail with both motors on it, so the rule is about something else here.
    problem = with_device(problem, "motor-2", function=None)
    problem = with_device(problem, "brain", function="drive")
    assert rule_findings(gather_facts(problem, layout)) == ()
    builds = judge_builds(gather_facts(problem, layout))
    assert [r.combination.name for r in builds.broken] == ["base", "winter"]
    found = whole_findings(gather_facts(problem, layout))
    assert assess(problem, layout).findings == found
    assert {f.rule for f in found} == {"failure"}
    finding = found[0]
    assert finding.sentence.startswith("In build base: The backbone link front-rear down")
    section = builds_section(gather_facts(problem, layout), assess(problem, layout), builds)
    assert section is not None
    assert "base and winter of 4" in section.paragraphs[0].replace("\u00a0", " ")
    states = [row[2] for row in section.tables[0].rows]
    assert states == ["bad", "bad", "ok", "ok"]


def test_a_late_stream_in_one_build_only_is_seen() -> None:
    problem, layout = with_fan()
    late = replace(problem.streams["speed"], id="gust", source="fan", deadline_ns=1_000)
    late = replace(late, destinations=("motor-2",))
    problem = replace(problem, streams={**problem.streams, "gust": late})
    builds = judge_builds(gather_facts(problem, layout))
    assert {r.combination.name for r in builds.broken} == {"cooling", "winter+cooling"}
    assert {f.rule for r in builds.broken for f in r.findings} == {"deadline"}
    section = builds_section(gather_facts(problem, layout), assess(problem, layout), builds)
    # Told once with both builds, and as exactly as one can measure.
    (told,) = section.points
    assert told.startswith("cooling and winter+cooling: deadline: Stream gust may take ")
    assert max(len(number) for number in re.findall(r"[\d.]+", told)) <= len("0.001")


@pytest.mark.parametrize("seed", range(3))
def test_cost_never_falls_with_a_take_rate(seed: int) -> None:
    """More units with an option, more parts: planned afresh for each rate, to the optimum."""
    problem = random_problem(seed, 4, options=1, anywhere=True)
    costs = []
    for rate_ppm in (0, 250_000, 500_000, 750_000, 1_000_000):
        taken = replace(problem, options={"o0": replace(problem.options["o0"],
                                                        take_rate_ppm=rate_ppm)})
        outcome = plan_layout(taken, PlanSettings(seed=0, workers=1, work_limit=40))
        assert outcome.status is Status.OPTIMAL
        costs.append(outcome.cost_money)
    assert costs == sorted(costs)
    assert any(d.option for d in problem.devices.values()) == (costs[0] < costs[-1])


def test_section_shows_every_build_and_what_options_add() -> None:
    problem, layout = with_fan()
    facts = gather_facts(problem, layout)
    assessment = assess_facts(facts)
    section = builds_section(facts, assessment, judge_builds(facts))
    assert section is not None
    table, parts = section.tables
    assert [row[0] for row in table.rows] == ["base", "winter", "cooling", "winter+cooling"]
    assert sum(row[1] for row in table.rows) == pytest.approx(1)
    assert {row[0] for row in parts.rows} == {"winter", "cooling"}
    (figure,) = section.figures
    assert figure.svg.count("not in this build") == 2 + 1 + 1 + 1  # and once in the legend


def test_without_options_there_is_no_section() -> None:
    devices = {id_: replace(d, option=None) for id_, d in ground_problem().devices.items()}
    facts = gather_facts(replace(ground_problem(), options={}, devices=devices), ground_layout())
    builds = judge_builds(facts)
    assert [r.combination.name for r in builds.rows] == ["base"]
    assert builds_section(facts, assess_facts(facts), builds) is None


@pytest.mark.slow
@pytest.mark.parametrize(("name", "count"), [("street-sweeper", 4), ("city-bus", 8)])
def test_every_build_of_the_demos_keeps_every_rule(problems, name: str, count: int) -> None:
    problem = read_problem(problems / name / "problem.yaml")
    outcome = plan_layout(problem, PlanSettings(time_limit_s=40, workers=1))
    builds = judge_builds(gather_facts(problem, outcome.layout))
    assert len(builds.rows) == count
    assert builds.is_whole
    assert builds.broken == ()
