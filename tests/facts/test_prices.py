"""Prices that move: the proof against all layouts of small problems, and moves re-costed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.reading import read_layout
from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess, assess_facts
from partitioner.facts.elsewhere import why_there
from partitioner.facts.prices import MOVED_PPM, price_moves
from partitioner.model.problem import Problem
from partitioner.pages.board import money_section
from partitioner.units import PPM
from tests.brute.brute import best_layout
from tests.brute.random_problems import random_problem
from tests.check.ground import ground_layout, ground_problem

CASE = Path(__file__).parent.parent / "gold" / "small-sprayer"


def dearer_cable(problem: Problem, change_ppm: int) -> Problem:
    """The problem with another price of all cable."""
    catalogue = problem.catalogue
    cables = {
        k: replace(c, price_per_m_money=c.price_per_m_money * (PPM + change_ppm) // PPM)
        for k, c in catalogue.cables.items()
    }
    return replace(problem, catalogue=replace(catalogue, cables=cables))


@pytest.mark.parametrize("seed", [0, 3])
def test_what_is_proved_holds_over_all_layouts(seed: int) -> None:
    problem = random_problem(seed, 4, mass=True)
    found = best_layout(problem)
    assert found is not None
    bound, layout = found
    (cable,) = (
        m for m in price_moves(assess(problem, layout).cost, (), bound) if m.kind == "cable"
    )
    for change, most in ((MOVED_PPM, cable.rise_money), (-MOVED_PPM, cable.fall_money)):
        then = dearer_cable(problem, change)
        cheapest = best_layout(then)
        assert cheapest is not None
        above = assess(then, layout).cost.objective_money - cheapest[0]
        # Items are rounded up one by one, and so are the prices here.
        assert most is not None
        assert 0 <= above <= most + 40


def test_a_move_pays_from_its_price_on() -> None:
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    problem, layout = read.problem, read.layout
    facts = gather_facts(problem, layout)
    assessment = assess_facts(facts)
    reasons = why_there(facts, assessment.findings)
    moves = price_moves(assessment.cost, reasons, None)
    assert [m.kind for m in moves] == [
        k for k, _ in sorted(assessment.cost.by_kind_money, key=lambda p: (-p[1], p[0]))
    ]
    assert all(m.rise_money is None for m in moves)
    told = 0
    for move in moves:
        for tip, sign in ((move.at_rise, 1), (move.at_fall, -1)):
            if tip is None:
                continue
            told += 1
            kept = [
                (p.priced_money or 0) + sign * tip.share * dict(p.by_kind_money).get(move.kind, 0)
                for r in reasons
                for p in r.places
                if not p.broken and (p.priced_money or 0) >= 0
            ]
            # At the tipping price nothing is cheaper yet, and one move costs the same.
            assert min(kept) >= -1
            if tip.share:
                assert min(abs(k) for k in kept) < 1
    assert told


def test_steps_end_at_the_cost_of_the_layout() -> None:
    problem = ground_problem()
    assessment = assess(problem, ground_layout())
    section = money_section(problem, assessment, price_moves(assessment.cost, (), None))
    steps, batch, _ = (t.records() for t in section.tables)
    assert steps[-1]["left"] == assessment.cost.money / 10_000
    assert sum(s["star"] for s in steps) == pytest.approx(assessment.baseline.money / 10_000)
    assert sum(s["layout"] for s in steps) == pytest.approx(assessment.cost.money / 10_000)
    assert [b["money"] for b in batch] == [
        pytest.approx(b["units"] * batch[0]["money"]) for b in batch
    ]
    assert "nothing is proved" in section.paragraphs[1]
