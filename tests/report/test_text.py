from dataclasses import replace

from partitioner.model.outcome import Status
from partitioner.report.text import aligned, assessment_text, verdict_text
from partitioner.report.verdict import verdict
from tests.report.fixtures import outcome_of, with_finding


def test_verdict_says_gap_and_bound_when_not_proved(twelve) -> None:
    problem, assessment = twelve
    text = verdict_text(problem, assessment, outcome_of(assessment))
    assert text.startswith("bench-row: feasible. Every rule is kept: 12 devices on 2 shared lines")
    assert "Proven gap 3.00 %" in text
    assert not text.endswith("\n")


def test_an_optimal_plan_is_called_proved(twelve) -> None:
    problem, assessment = twelve
    outcome = replace(
        outcome_of(assessment), status=Status.OPTIMAL, bound_money=assessment.cost.objective_money
    )
    judged = verdict(problem, assessment, outcome)
    assert judged.word == "optimal"
    assert judged.proof == "Proved: no layout that keeps all rules costs less."


def test_what_is_proved_is_named_and_adds_up(twelve) -> None:
    problem, assessment = twelve
    cost = replace(assessment.cost, money=1_413_760, objective_money=1_431_720)
    assessment = replace(assessment, cost=cost)
    aim = replace(problem.objective, mass_price_per_kg_money=20_000)
    weighed = replace(problem, objective=aim)
    outcome = replace(
        outcome_of(assessment), status=Status.OPTIMAL, cost_money=1_431_720, bound_money=1_431_720
    )
    assert verdict(weighed, assessment, outcome).proof == (
        "Proved: no layout that keeps all rules has a lower priced total. Its priced total is "
        "143.17\xa0EUR: 141.38\xa0EUR of money and 1.79\xa0EUR for mass."
    )
    open_ = replace(outcome, status=Status.FEASIBLE, bound_money=1_400_000)
    proof = verdict(weighed, assessment, open_).proof
    assert "can have a priced total below 140.00\xa0EUR. Its priced total is 143.17\xa0EUR" in proof


def test_a_judged_layout_claims_nothing_on_cost(twelve) -> None:
    problem, assessment = twelve
    text = assessment_text(problem, assessment)
    assert "is not known" in text
    assert "gap" not in text


def test_broken_rules_come_first_and_no_gap_is_claimed(twelve) -> None:
    problem, assessment = twelve
    text = verdict_text(problem, with_finding(assessment), outcome_of(assessment))
    assert text.startswith("bench-row: not acceptable. This layout breaks 1 rule in 1 place")
    assert "[length] The first line is 1.20 m too long." in text
    assert "gap" not in text


def test_late_and_overloaded_streams_are_named(twelve) -> None:
    problem, assessment = twelve
    first = assessment.streams[0]
    late = replace(assessment, streams=(replace(first, response_ns=first.deadline_ns + 5_000),))
    assert "is late" in verdict(problem, late, None).tightest
    over = replace(assessment, streams=(replace(first, response_ns=None),))
    assert "is overloaded" in verdict(problem, over, None).tightest
    assert "is overloaded" in verdict_text(problem, over, None)


def test_text_is_plain(twelve) -> None:
    text = verdict_text(*twelve, None)
    assert not set(text) & {"\u00a0", "\u202f", "\u2212", "\x1b"}


def test_columns_line_up() -> None:
    lines = aligned(("id", "n"), [("a", "1"), ("bbb", "22")], right=(1,)).splitlines()
    assert lines == ["id    n", "a     1", "bbb  22"]
