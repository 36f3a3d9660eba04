"""Candidate switches the other way round, against trying everything."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from partitioner.errors import NoLayout
from partitioner.model.outcome import Status
from partitioner.model.problem import BackboneShape
from partitioner.pages.zones import zones_section
from partitioner.runs import Answer, Budget
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.zones.zones import Turned, Zones, turn_candidates, without_switch
from tests.brute.brute import best_layout
from tests.brute.random_problems import random_problem


def budget(seconds: float = 120.0) -> Budget:
    return Budget(time.monotonic, time.monotonic() + seconds)


def planned(problem):
    return plan_layout(problem, PlanSettings(seed=0, workers=1, work_limit=40))


@pytest.mark.parametrize("seed", range(5))
def test_every_difference_is_the_one_found_by_trying_everything(seed: int) -> None:
    problem = random_problem(
        seed, 4, switches=3, candidates=True, backbone=BackboneShape.TREE, deadlines="loose"
    )
    try:
        outcome = planned(problem)
    except NoLayout:
        assert best_layout(problem) is None
        return
    assert outcome.status is Status.OPTIMAL
    zones = turn_candidates(problem, outcome, budget())
    assert [row.switch for row in zones.rows] == ["sw1", "sw2"]
    for row in zones.rows:
        assert row.opened == (row.switch not in outcome.layout.open_switches)
        if row.opened:
            switch = replace(problem.switches[row.switch], required=True)
            changed = replace(problem, switches={**problem.switches, row.switch: switch})
        else:
            changed = without_switch(problem, row.switch)
        best = best_layout(changed)
        if best is None:
            assert row.answer is Answer.NONE
            assert row.reason
            continue
        assert row.cost_money == best[0]
        assert row.more_money == row.at_least_money == row.at_most_money
        assert row.more_money == best[0] - outcome.cost_money >= 0
        assert (row.switch in row.layout.open_switches) == row.opened
        assert row.gap == 0


def test_without_a_switch_nothing_names_it() -> None:
    problem = random_problem(1, 4, switches=3, candidates=True, backbone=BackboneShape.TREE)
    pinned = replace(problem.devices["d0"], pinned_switches=("sw0", "sw2"))
    problem = replace(problem, devices={**problem.devices, "d0": pinned})
    left = without_switch(problem, "sw2")
    assert list(left.switches) == ["sw0", "sw1"]
    assert left.devices["d0"].pinned_switches == ("sw0",)
    assert all("sw2" not in link.ends for link in left.backbone.links)


def test_a_switch_that_the_file_needs_is_not_closed() -> None:
    problem = random_problem(1, 4, switches=2, candidates=True, backbone=BackboneShape.TREE)
    pinned = replace(problem.devices["d0"], pinned_switches=("sw1",))
    problem = replace(problem, devices={**problem.devices, "d0": pinned})
    (row,) = turn_candidates(problem, planned(problem), budget()).rows
    assert (row.answer, row.opened) == (Answer.NONE, False)
    assert row.reason == "d0 may hang on sw1 only."


def test_no_time_is_told() -> None:
    problem = random_problem(0, 4, switches=3, candidates=True, backbone=BackboneShape.TREE)
    zones = turn_candidates(problem, planned(problem), budget(0))
    assert set(zones.skipped) | {row.switch for row in zones.rows} == {"sw1", "sw2"}
    assert zones.skipped
    text = " ".join(zones_section(problem, zones).paragraphs)
    assert "No time was left for" in text


def test_section_in_words() -> None:
    problem = random_problem(0, 4, switches=3, candidates=True, backbone=BackboneShape.TREE)
    layout = planned(problem).layout
    one = Turned(
        "sw1", True, Answer.FOUND, layout=replace(layout, open_switches=("sw0", "sw1")),
        cost_money=1_230_000, bound_money=1_200_000, more_money=230_000, at_least_money=200_000,
        at_most_money=240_000,
    )  # fmt: skip
    none = Turned("sw2", False, Answer.NONE, reason="d0 may hang on sw2 only.")
    section = zones_section(problem, Zones(1, (one, none)))
    text = " ".join(section.paragraphs).replace("\u00a0", " ")
    assert "One switch more: 23.00 EUR more, with sw1 opened." in text
    assert "lie at least 20.00 and at most 24.00 EUR" in text
    assert section.points == ["sw2 cannot be closed: d0 may hang on sw2 only."]
    assert section.tables[0].rows[0][:5] == ("sw1", "open", "ok", 2, 123.0)
    cheaper = replace(one, more_money=-10_000)
    text = " ".join(zones_section(problem, Zones(1, (cheaper,))).paragraphs)
    assert "not proved optimal" in text
    required = zones_section(problem, Zones(1, ()))
    assert "Every switch of the problem is required" in required.paragraphs[0]
    assert required.tables == ()
