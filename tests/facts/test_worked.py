"""One bound worked out: the terms of every delivery add up, leg by leg."""

from __future__ import annotations

import pytest

from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess_facts
from partitioner.facts.worked import worked_delivery
from partitioner.network.cable import CableNetwork
from partitioner.pages.worked import worked_section
from partitioner.report.tables import worst_first
from tests.bench.planted import planted
from tests.check.ground import ground_layout, ground_problem


@pytest.mark.parametrize("which", ["ground", "planted"])
def test_the_terms_of_every_leg_add_up(which: str) -> None:
    if which == "ground":
        problem, layout = ground_problem(), ground_layout()
    else:
        machine = planted(8, 0)
        problem, layout = machine.problem, machine.hidden
    facts = gather_facts(problem, layout, CableNetwork(problem))
    seen = 0
    for figures in facts.timing.streams[:6]:
        if figures.response_ns is None:
            continue
        worked = worked_delivery(facts, figures)
        assert [leg for leg, _ in worked.legs] == list(figures.legs)
        for leg, terms in worked.legs:
            assert sum(t.ns for t in terms) == leg.response_ns, (figures.stream, leg.where)
            seen += len(terms)
        assert worked.frame_bytes >= max(64, worked.client_bytes + 18)
    assert seen > 12


def test_the_section_ends_with_the_bound_of_the_tightest_delivery() -> None:
    problem = ground_problem()
    facts = gather_facts(problem, ground_layout(), CableNetwork(problem))
    assessment = assess_facts(facts)
    section = worked_section(facts, assessment)
    assert section is not None
    tightest = worst_first(assessment.streams)[0]
    assert section.title == f"One bound worked out: {tightest.stream} to {tightest.destination}"
    *terms, last = section.tables[0].records()
    assert last["time_us"] == pytest.approx((tightest.response_ns or 0) / 1000)
    assert sum(t["time_us"] for t in terms) == pytest.approx(last["time_us"])
    assert "64 bytes" in section.paragraphs[0]
    assert all(t["formula"] and t["source"] for t in terms)
