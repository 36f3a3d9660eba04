"""One worst-case delay worked out: the terms of every delivery add up, leg by leg."""

from __future__ import annotations

import re
from collections import Counter

import pytest

from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess_facts
from partitioner.facts.worked import worked_delivery
from partitioner.model.assessment import worst_first
from partitioner.pages.worked import worked_section
from partitioner.timing.worked import PHY_TERM, WAY_TERM
from tests.bench.planted import planted
from tests.check.ground import facts_of, ground_layout, ground_problem


@pytest.mark.parametrize("which", ["ground", "planted"])
def test_the_terms_of_every_leg_add_up(which: str) -> None:
    if which == "ground":
        problem, layout = ground_problem(), ground_layout()
    else:
        machine = planted(8, 0)
        problem, layout = machine.problem, machine.hidden
    facts = gather_facts(problem, layout)
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
    facts = facts_of(problem)
    assessment = assess_facts(facts)
    section = worked_section(facts, assessment)
    assert section is not None
    tightest = worst_first(assessment.streams)[0]
    assert section.title == (
        f"One worst-case delay worked out: {tightest.stream} to {tightest.destination}"
    )
    *terms, last = section.tables[0].records()
    assert last["time_us"] == pytest.approx((tightest.response_ns or 0) / 1000)
    assert sum(t["time_us"] for t in terms) == pytest.approx(last["time_us"])
    assert "64 bytes" in section.paragraphs[0]
    assert all(t["formula"] and t["source"] for t in terms)


SLOT = re.compile(r"\((\d+) preamble \+ 8 L \+ (\d+) gap\) bits at (\d+) Mbit/s; L: (.*)")


def test_a_reader_can_work_the_terms_out_from_their_inputs() -> None:
    """PHYs and cable by their figures, frames in a queue by their lengths."""
    seen: Counter[str] = Counter()
    for problem, layout in (
        (ground_problem(), ground_layout()),
        ((machine := planted(20, 1)).problem, machine.hidden),
    ):
        facts = gather_facts(problem, layout)
        bounded = [f for f in facts.timing.streams if f.response_ns is not None]
        for figures in bounded[:40]:
            for _, terms in worked_delivery(facts, figures).legs:
                for term in terms:
                    told = [float(x) for x in re.findall(r"[\d.]+(?= ns| m )", term.formula)]
                    if term.name == PHY_TERM:
                        assert sum(told) == term.ns
                    elif term.name == WAY_TERM:
                        assert 0 <= term.ns - told[0] * told[1] < 1.1
                    elif match := SLOT.search(term.formula):
                        preamble, gap, rate = map(int, match.groups()[:3])
                        lengths = []
                        for words in match[4].split(", "):
                            many, times, length = words.rpartition(" × ")
                            one = length.split()[-1]
                            lengths += [int(one)] * (int(many) if times else 1)
                        bits = sum(preamble + 8 * length + gap for length in lengths)
                        assert abs(term.ns - 1000 * bits / rate) < len(lengths)
                    seen[term.name] += bool(told or SLOT.search(term.formula))
    queued = ("frames before it in the queue", "a lower frame on the wire")
    assert all(seen[name] for name in (PHY_TERM, WAY_TERM, *queued))
