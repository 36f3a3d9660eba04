"""A layout is acceptable if the whole of it and every build of it keep every rule."""

from __future__ import annotations

import random
from pathlib import Path

from partitioner.application.reading import read_layout_of, read_problem
from partitioner.check.acceptance import rule_findings, whole_findings
from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess
from tests.brute.oracle import Oracle, accepts
from tests.brute.tight_problems import KINDS, tight_problem
from tests.check.ground import ground_layout, ground_problem, with_segment
from tests.judged import judge

CASES = Path(__file__).parent.parent / "cases"


def test_a_rule_that_a_build_breaks_is_among_the_findings() -> None:
    """Without its option, d has no partner left beside e: one switch down takes both down."""
    problem = read_problem(CASES / "failure-build.yaml")
    layout = read_layout_of(problem, CASES / "failure-build-plan-layout.yaml").layout
    facts = gather_facts(problem, layout)
    assert rule_findings(facts) == ()
    found = whole_findings(facts)
    assert {f.rule for f in found} == {"failure"}
    assert all(f.sentence.startswith("In build base: ") for f in found)
    assert assess(problem, layout).findings == found
    judged = judge(CASES / "failure-build.yaml", CASES / "failure-build-plan-layout.yaml")
    assert judged.assessment.findings == found


def test_builds_are_not_told_of_where_the_whole_breaks_a_rule() -> None:
    problem = ground_problem()
    layout = with_segment(ground_layout(), "line-front", port=99)
    found = whole_findings(gather_facts(problem, layout))
    assert found
    assert not any(f.sentence.startswith("In build") for f in found)
    assert whole_findings(gather_facts(problem, ground_layout())) == ()


def test_the_unit_with_everything_has_nothing_to_add() -> None:
    """Judging each build, the one that fits every device too, says the same of any layout."""
    said = {True: 0, False: 0}
    for kind in KINDS:
        problem = tight_problem(3, kind)
        if not problem.options:
            continue
        for layout in Oracle(problem).drawn(random.Random(5), 12):
            is_good = whole_findings(gather_facts(problem, layout)) == ()
            assert is_good == accepts(problem, layout)
            said[is_good] += 1
    assert min(said.values()) > 3
