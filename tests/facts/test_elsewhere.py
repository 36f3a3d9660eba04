"""Next best places: each against the whole check of the layout with the device moved."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from partitioner.check.acceptance import rule_findings
from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess
from partitioner.check.rules.registry import ALL_RULES
from partitioner.facts.elsewhere import (
    NEAREST_LINES,
    NEAREST_SWITCHES,
    OtherPlace,
    WhyThere,
    Wonder,
    lines_elsewhere,
    why_there,
)
from partitioner.facts.places import TIMED
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.pages.elsewhere import line_words, place_words, why_section, wonder_words
from tests.bench.planted import planted
from tests.brute.brute import best_layout
from tests.brute.random_problems import random_problem
from tests.check.ground import ground_layout, ground_problem


def judged_whole(problem: Problem, now: Assessment, place: OtherPlace) -> None:
    """What is said of a place is what a whole judgement of the layout with it says."""
    known = {(f.rule, f.subjects) for f in now.findings}
    then = assess(problem, place.layout)
    assert place.money == then.cost.money - now.cost.money, place.segment
    if place.priced_money is not None:
        assert place.priced_money == then.cost.objective_money - now.cost.objective_money
    new = {(f.rule, f.subjects) for f in then.findings} - known
    if place.is_timed and not place.broken:
        assert not new, (place.segment, new)
    if not place.is_timed and not place.broken:
        assert {rule for rule, _ in new} <= {r.name for r in TIMED}
    assert {(f.rule, f.subjects) for f in place.broken} <= new
    assert place.segment in place.layout.segments


def compared(problem: Problem, layout: Layout) -> tuple[WhyThere, ...]:
    """The next best places, each compared with a whole judgement of the moved layout."""
    now = assess(problem, layout)
    found = why_there(gather_facts(problem, layout), now.findings)
    for reason in found:
        for place in reason.places:
            judged_whole(problem, now, place)
            assert place.layout.segment_of()[reason.device] == place.segment
            assert reason.home != place.segment
    return found


@pytest.fixture(scope="module")
def machine() -> tuple[Problem, Layout]:
    """A machine of twenty devices with a layout that keeps all rules."""
    made = planted(12, 0)
    return made.problem, made.hidden


def test_places_of_a_machine_are_as_the_check_judges_them(
    machine: tuple[Problem, Layout],
) -> None:
    found = compared(*machine)
    assert {r.device for r in found} == set(machine[0].devices)
    assert any(p.is_timed for r in found for p in r.places)
    assert any(p.broken for r in found for p in r.places)
    for reason in found:
        lines = [p for p in reason.places if not p.is_new]
        assert len(lines) <= NEAREST_LINES
        kept = [p.worth for p in reason.places if not p.broken]
        assert kept == sorted(kept), "the best place comes first"


def test_no_move_makes_an_optimal_layout_cheaper() -> None:
    tried = 0
    for seed in range(8):
        problem = random_problem(seed, 4, mass=True, pins=True, groups=seed % 2 == 1, links=True)
        best = best_layout(problem)
        if best is None:
            continue
        for reason in compared(problem, best[1]):
            for place in reason.places:
                if place.is_timed and not place.broken and place.priced_money is not None:
                    tried += 1
                    assert place.priced_money >= 0, (seed, reason.device)
    assert tried >= 8


def test_a_price_of_delays_counts_where_they_were_worked_out(
    machine: tuple[Problem, Layout],
) -> None:
    problem, layout = machine
    aim = replace(problem.objective, latency_price_per_ms_money=5_000)
    found = compared(replace(problem, objective=aim), layout)
    assert {p.priced_money is not None for r in found for p in r.places} == {True, False}
    for reason in found:
        for place in reason.places:
            assert place.is_timed == (place.priced_money is not None)


def test_what_a_layout_breaks_already_is_held_against_no_place() -> None:
    problem, layout = ground_problem(), ground_layout()
    wrong = replace(layout, segments=(*layout.segments[:1], *layout.segments[2:]))
    findings = assess(problem, wrong).findings
    assert findings, "a segment is missing"
    found = why_there(gather_facts(problem, wrong), findings)
    known = {(f.rule, f.subjects) for f in findings}
    assert found
    assert not known & {(f.rule, f.subjects) for r in found for p in r.places for f in p.broken}


@pytest.mark.parametrize("price", [0, 5_000])
def test_every_line_at_other_switches_is_as_the_check_judges_it(price: int) -> None:
    layout, problem = ground_layout(), ground_problem()
    aim = replace(problem.objective, latency_price_per_ms_money=price)
    for groups, is_kept in (((), True), (problem.groups, False)):
        asked = replace(problem, objective=aim, groups=groups)
        now = assess(asked, layout)
        found = lines_elsewhere(gather_facts(asked, layout), now.findings)
        assert [line.home for line in found] == [s for s in layout.segments if s.plca_ids]
        places = [(line.home, place) for line in found for place in line.places]
        assert any(not place.broken for _, place in places) == is_kept
        assert all(len(line.places) <= NEAREST_SWITCHES for line in found)
        for home, place in places:
            judged_whole(asked, now, place)
            assert place.segment.switch in layout.open_switches
            assert place.segment.switch != home.switch
            assert place.segment.devices == home.devices
            # No other way to the same switch is shorter and keeps as much.
            for index in range(len(home.devices) + 1):
                other = replace(place.segment, switch_index=index)
                moved = tuple(other if s == place.segment else s for s in place.layout.segments)
                then = assess(asked, replace(layout, segments=moved))
                assert then.cost.money >= now.cost.money + place.money or then.findings


def test_what_is_told_where_one_points() -> None:
    problem, layout = ground_problem(), ground_layout()
    facts = gather_facts(problem, layout)
    reasons, lines = why_there(facts), lines_elsewhere(facts)
    section = why_section(problem, len(problem.devices), reasons, lines)
    assert section is not None
    for reason in reasons:
        said = section.told[f"device/{reason.device}"]
        assert reason.next_best is None or place_words(problem, reason.next_best) in said
    assert {f"segment/{s.id}" for s in layout.segments} <= set(section.told)
    for line in lines:
        said = section.told[f"segment/{line.home.id}"]
        assert not line.places or line_words(problem, line.places[0]) in said


def test_a_line_that_hangs_cheaper_elsewhere_counts_among_the_moves() -> None:
    problem, layout = ground_problem(), ground_layout()
    facts = gather_facts(problem, layout)
    reasons, (line, *_) = why_there(facts), lines_elsewhere(facts)
    place = replace(line.places[0], priced_money=-123_400, is_timed=True, broken=())
    section = why_section(problem, 3, reasons[:1], [replace(line, places=(place,))])
    assert section is not None
    told = section.paragraphs[1].replace("\u00a0", " ")
    assert "1 such move would keep every rule" in told
    assert f"most of all {line.home.id} at {place.segment.switch}: 12.34 EUR cheaper" in told


def test_a_page_says_that_time_ran_out_for_this() -> None:
    section = why_section(ground_problem(), 3, ())
    assert section is not None
    assert "Time ran out" in section.paragraphs[0]
    assert section.tables == []
    assert why_section(ground_problem(), 0, ()) is None


def test_stops_when_asked() -> None:
    facts = gather_facts(ground_problem(), ground_layout())
    assert why_there(facts, should_stop=lambda: True) == ()
    assert lines_elsewhere(facts, should_stop=lambda: True) == ()


def test_a_device_alone_is_wondered_about_and_told(machine: tuple[Problem, Layout]) -> None:
    problem, layout = machine
    found = why_there(gather_facts(problem, layout))
    odd = [r for r in found if r.wonder is not None]
    ranks = [list(Wonder).index(r.wonder) for r in odd]
    assert ranks == sorted(ranks)
    lines = {s.id for s in layout.segments if s.plca_ids}
    alone = {s.devices[0] for s in layout.segments if len(s.devices) == 1 and s.id in lines}
    assert {r.device for r in odd if r.wonder is Wonder.ALONE} == alone
    section = why_section(problem, len(problem.devices), found)
    assert section is not None
    by_name = {t.id: t for t in section.tables}
    rows = {row["device"]: row for row in by_name["why"].records()}
    assert set(rows) == {r.device for r in odd}
    for reason in odd:
        row = rows[reason.device]
        assert row["wonder"] == wonder_words(reason) != ""
        best = reason.next_best
        if best is not None:
            assert place_words(problem, best) in row["elsewhere"]
            assert row["more_money"] == best.money / 10_000
    every = by_name["other-places"].records()
    assert len(every) == sum(len(r.places) for r in found)


def test_rules_of_segments_do_not_look_at_others(machine: tuple[Problem, Layout]) -> None:
    """What is marked so finds on a whole layout what it finds on each segment alone."""
    own = [rule for rule in ALL_RULES if rule.by_segment]
    problem, layout = machine
    rng = random.Random(5)
    seen = set()
    for _ in range(30):
        segments = list(layout.segments)
        for _ in range(3):
            at = rng.randrange(len(segments))
            broken = segments[at]
            segments[at] = rng.choice(
                (
                    replace(broken, devices=broken.devices + segments[at - 1].devices),
                    replace(broken, port=broken.port + 40),
                    replace(broken, plca_ids=tuple(0 for _ in broken.plca_ids)),
                    replace(broken, node_count=1),
                    replace(broken, switch_index=1),
                    replace(broken, grade="100BASE-T1"),
                    replace(broken, burst_counts=(("nobody", 3),)),
                )
            )
        facts = gather_facts(problem, replace(layout, segments=tuple(segments)))
        whole = {(f.rule, f.subjects) for r in own for f in r.findings(facts)}
        single = set()
        for laid in facts.laid:
            written = replace(facts.layout, segments=(laid.written,))
            sound = replace(facts.sound, segments=(laid.segment,))
            one = replace(facts, layout=written, sound=sound, laid=(laid,))
            single |= {(f.rule, f.subjects) for r in own for f in r.findings(one)}
        assert single == whole
        seen |= {rule for rule, _ in whole}
    assert len(seen) >= 6, seen
    assert rule_findings(gather_facts(problem, layout)) == ()
