"""The oracle itself: its short cuts, its layouts, and what it and the other brute force say."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.model.problem import PortGroup
from partitioner.reading.layout_file import layout_from_text, layout_text
from tests.brute.brute import best_layout as best_by_own_rules
from tests.brute.oracle import Oracle, accepts, best_layout
from tests.brute.parts import LINE
from tests.brute.random_problems import random_problem
from tests.brute.test_brute import KINDS as PROBLEM_KINDS
from tests.brute.test_brute import plain_problem
from tests.brute.tight_problems import KINDS, tight_problem


def test_short_cuts_change_no_answer():
    compared, refused = 0, 0
    for kind in KINDS:
        for seed in range(5):
            problem = tight_problem(seed, kind)
            if len(problem.devices) > 2 or len(problem.switches) > 2:
                continue
            quick, thorough = Oracle(problem), Oracle(problem, thorough=True)
            best, all_asked = quick.best(), thorough.best()
            assert (best and best[0]) == (all_asked and all_asked[0]), problem.name
            assert quick.judged <= thorough.judged
            compared += 1
            refused += quick.judged < thorough.judged
    assert compared > 15
    assert refused > 2


def test_its_layouts_can_be_stated_in_a_file_and_are_accepted_at_their_cost():
    found = 0
    for kind in KINDS:
        problem = tight_problem(1, kind)
        best = best_layout(problem)
        if best is None:
            continue
        found += 1
        cost, layout = best
        read, findings = layout_from_text(layout_text(layout, problem), "layout.yaml", problem)
        assert findings == []
        assert read == layout
        assert accepts(problem, layout)
        assert assess(problem, layout).cost.objective_money == cost
    assert found > 12


@pytest.mark.parametrize("kind", PROBLEM_KINDS)
def test_it_finds_what_rules_written_down_again_allow(kind):
    """The other brute force knows the rules itself, with wider bounds of delays."""
    for seed in range(2):
        problem = random_problem(seed, 3, **PROBLEM_KINDS[kind])
        by_rules, by_check = best_by_own_rules(problem), best_layout(problem)
        if by_rules is not None and accepts(problem, by_rules[1]):
            assert by_check is not None
            assert by_check[0] <= by_rules[0]
            if not problem.objective.latency_price_per_ms_money:
                assert by_check[0] == by_rules[0]


def test_no_port_left_is_no_layout():
    problem = plain_problem([1, 2, 3, 4])
    assert best_layout(problem) is not None
    one_port = replace(problem.switches["sw0"], port_groups=(PortGroup((LINE,), 1, 0),))
    assert best_layout(replace(problem, switches={"sw0": one_port})) is None


def test_drawn_layouts_hold_every_device():
    problem = tight_problem(0, "mix")
    drawn = list(Oracle(problem).drawn(random.Random(1), 30))
    assert drawn
    for layout in drawn:
        assert set(layout.segment_of()) == set(problem.devices)
