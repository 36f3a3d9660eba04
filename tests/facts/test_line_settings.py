"""Electrical estimate, PLCA timer and burst proposals of a layout's lines."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from partitioner.application.check import judged as judged_with_facts
from partitioner.check.judge import assess
from partitioner.facts import line_settings as study
from partitioner.model.problem import Problem
from partitioner.pages import line_settings as page
from partitioner.report.ethtool import plca_commands
from partitioner.report.tables import all_tables

ROOT = Path(__file__).parent.parent.parent


def test_every_line_has_its_timer_checked(judged) -> None:
    fits = study.timer_fits(judged.problem, judged.assessment)
    assert {f.segment for f in fits} == {
        "front-line", "middle-line", "rear-line", "camera-link", "boom-left", "boom-right",
    }  # fmt: skip
    (link,) = (f for f in fits if f.segment == "camera-link")
    assert (link.node_count, link.timer_bt, link.is_sound) == (2, 32, True)
    front = fits[0]
    # 440 ns sending PHY + 1040 ns carrier sense + 2 x 5.1 m x 5 ns/m = 1531 ns: 16 BT.
    assert front.least_bt == 16
    assert front.timer_bt == 32
    assert front.is_sound


def with_timer(problem: Problem, to_timer_bt: int) -> Problem:
    return replace(problem, plca=replace(problem.plca, to_timer_bt=to_timer_bt))


def test_a_timer_that_is_too_short_is_bad(judged) -> None:
    problem = with_timer(judged.problem, 15)
    fits = study.timer_fits(problem, judged.assessment)
    assert not fits[0].is_sound
    section = page.settings_section(replace(judged.facts, problem=problem), judged.assessment)
    assert section is not None
    assert "need another look" in section.paragraphs[0]


def test_settings_that_do_not_agree_are_bad(judged) -> None:
    first = judged.assessment.segments[0]
    twins = replace(first.segment, plca_ids=(1, 1, 3))
    changed = replace(judged.assessment, segments=(replace(first, segment=twins),))
    (fit,) = study.timer_fits(judged.problem, changed)
    assert not fit.is_sound
    assert "share node-id 1" in fit.faults[0]


def test_electrical_margins_come_tightest_first(judged) -> None:
    margins = study.line_margins(judged.problem, judged.assessment)
    assert len(margins) == 2 * 5
    assert [m.used for m in margins] == sorted((m.used for m in margins), reverse=True)
    assert {m.rule for m in margins} == {"insertion-loss", "node-capacitance"}


def test_a_burst_is_proposed_only_where_it_helps(judged) -> None:
    # The pump sends three streams: each waits behind the others, one frame per opportunity.
    proposals = study.burst_proposals(judged.facts, judged.assessment)
    assert proposals
    for p in proposals:
        assert p.gain_ns > 0
        assert p.keeps_deadlines
        assert p.burst_count in (1, 2)
    # What is proposed is what the check finds when the layout has it.
    best = proposals[0]
    segments = tuple(
        replace(s, burst_counts=((best.node, best.burst_count),)) if s.id == best.segment else s
        for s in judged.assessment.layout.segments
    )
    after = assess(judged.problem, replace(judged.assessment.layout, segments=segments))
    bounds = {(f.stream, f.destination): f.response_ns for f in after.streams}
    assert bounds[best.stream, best.destination] == best.after_ns


def test_no_proposal_for_a_broken_layout(judged) -> None:
    layout = judged.assessment.layout
    facts, broken = judged_with_facts(
        judged.problem, replace(layout, segments=layout.segments[1:])
    )
    assert broken.findings
    assert study.burst_proposals(facts, broken) == []


def test_no_section_where_nothing_runs_plca(judged) -> None:
    links = [s for s in judged.assessment.segments if s.segment.id == "panel-link"]
    only_links = replace(judged.assessment, segments=tuple(links))
    assert page.settings_section(judged.facts, only_links) is None
    assert page.electrical_section(study.line_margins(judged.problem, only_links)) is None


def test_both_ends_of_a_half_duplex_link_have_plca_settings(judged) -> None:
    tables = all_tables(judged.problem, judged.assessment)
    rows = tables["plca"].records()
    link = [r for r in rows if r["segment"] == "camera-link"]
    assert [(r["node"], r["role"], r["node_id"], r["node_cnt"], r["to_tmr"]) for r in link] == [
        ("zone-front", "switch port 3", 0, 2, 32),
        ("camera", "device", 1, None, 32),
    ]
    assert not any(r["segment"] == "panel-link" for r in rows)
    lines = plca_commands(tables["plca"], "").split("# segment camera-link\n")[1].splitlines()[:6]
    assert [" ".join(line.split()[3:9]) for line in lines if "--set-plca-cfg" in line] == [
        "enable on node-id 0 node-cnt 2",
        "enable on node-id 1 to-tmr 32",
    ]
    drops = tables["drops"].records()
    ids = {r["node"]: r["plca_id"] for r in drops if r["segment"] == "camera-link"}
    assert ids == {"zone-front": 0, "camera": 1}


def test_a_burst_on_a_half_duplex_link_is_judged_like_one_on_a_line(judged) -> None:
    def with_bursts(*bursts: tuple[str, int]) -> set[str]:
        segments = tuple(
            replace(s, burst_counts=bursts) if s.id == "camera-link" else s
            for s in judged.assessment.layout.segments
        )
        after = assess(judged.problem, replace(judged.assessment.layout, segments=segments))
        return {f.rule for f in after.findings}

    assert with_bursts(("camera", 1)) == set()
    assert with_bursts(("panel", 1)) == {"plca-burst"}


def test_rounds_are_as_long_as_the_longest_cycle(judged) -> None:
    rounds = study.line_rounds(judged.facts)
    lines = study.shared_lines(judged.problem, judged.assessment)
    assert set(rounds) == {f.segment.id for f in lines}
    for f in lines:
        found = rounds[f.segment.id]
        assert found.longest_ns == f.cycle_ns
        assert found.silent_ns == found.start_ns + f.segment.node_count * 3_200
        assert next(t.node for t in found.turns if t.node) == f.segment.switch
