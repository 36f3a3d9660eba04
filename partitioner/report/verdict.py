"""The verdict on a layout in one sentence, the same in the page, the terminal and the data."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.model.assessment import Assessment
from partitioner.model.catalogue import Medium
from partitioner.model.outcome import Outcome, Status
from partitioner.model.problem import Problem
from partitioner.report.amounts import (
    count_text,
    left_text,
    margin_time_text,
    money_text,
    ratio_text,
    time_text,
)
from partitioner.report.sections import State
from partitioner.report.tables import worst_first
from partitioner.units import MONEY_STEPS

CENT = MONEY_STEPS // 100


@dataclass(frozen=True, slots=True)
class Verdict:
    """A judgement: its state, the word for it, and the sentences that say why."""

    state: State
    word: str
    sentence: str
    proof: str
    """How far from the cheapest the layout can be, or that nobody looked."""
    tightest: str
    """The stream nearest to its deadline; empty without streams."""


def verdict(problem: Problem, assessment: Assessment, outcome: Outcome | None) -> Verdict:
    """Judge a layout from its findings, and say what is known about its cost."""
    layout = assessment.layout
    grades = problem.catalogue.grades
    lines = sum(grades[s.grade].medium is Medium.MIXING for s in layout.segments)
    devices = sum(len(s.devices) for s in layout.segments)
    money = money_text(assessment.cost.money, problem.currency)
    what = (
        f"{count_text(devices, 'device')} on {count_text(lines, 'shared line')} and "
        f"{count_text(len(layout.segments) - lines, 'link')} at "
        f"{count_text(len(layout.open_switches), 'switch', 'switches')} for {money}"
    )
    tightest = tightest_text(assessment)
    proof = proof_text(problem, assessment, outcome)
    if assessment.findings:
        rules = len({f.rule for f in assessment.findings})
        word = "not acceptable"
        sentence = (
            f"This layout breaks {count_text(rules, 'rule')} in "
            f"{count_text(len(assessment.findings), 'place')}: {what}."
        )
        return Verdict(State.BAD, word, sentence, proof, tightest)
    sentence = f"Every rule is kept: {what}."
    if outcome is None:
        return Verdict(State.OK, "keeps all rules", sentence, proof, tightest)
    word = "optimal" if outcome.status is Status.OPTIMAL else "feasible"
    return Verdict(State.OK, word, sentence, proof, tightest)


def proof_text(problem: Problem, assessment: Assessment, outcome: Outcome | None) -> str:
    """What is proved about the cost, in one sentence."""
    if assessment.findings:
        return ""
    if outcome is None:
        return "The layout was judged, not planned: how far it is from the cheapest is not known."
    is_money = not _weights(problem)
    total = "" if is_money else f" {priced_total_text(problem, assessment)}"
    if outcome.status is Status.OPTIMAL:
        if is_money:
            return "Proved: no layout that keeps all rules costs less."
        return f"Proved: no layout that keeps all rules has a lower priced total.{total}"
    gap = f"Proven gap {ratio_text(outcome.gap, 2)}: no layout that keeps all rules can "
    bound = money_text(outcome.bound_money, problem.currency)
    if is_money:
        return f"{gap}cost less than {bound}."
    return f"{gap}have a priced total below {bound}.{total}"


def priced_total_text(problem: Problem, assessment: Assessment) -> str:
    """What is minimised and how it comes about, in one sentence; money alone if nothing else is."""
    cost = assessment.cost
    currency = problem.currency
    money = money_text(cost.money, currency)
    weights = _weights(problem)
    if not weights:
        return f"Its cost is {money}; nothing else has a price."
    # The three amounts are read together, so as they are shown they have to add up.
    rest = money_text(_shown(cost.objective_money) - _shown(cost.money), currency)
    return (
        f"Its priced total is {money_text(cost.objective_money, currency)}: {money} of money and "
        f"{rest} for {' and '.join(weights)}."
    )


def _shown(money: int) -> int:
    return round(money / CENT) * CENT


def _weights(problem: Problem) -> list[str]:
    """What the objective gives a price besides money."""
    aim = problem.objective
    priced = (
        ("mass", aim.mass_price_per_kg_money), ("worst-case delay", aim.latency_price_per_ms_money)
    )  # fmt: skip
    return [name for name, price in priced if price]


def tightest_text(assessment: Assessment) -> str:
    """The stream with the least of its deadline left, in one sentence."""
    if not assessment.streams:
        return ""
    worst = worst_first(assessment.streams)[0]
    way = f"Stream {worst.stream} to {worst.destination}"
    deadline = time_text(worst.deadline_ns)
    if worst.response_ns is None or worst.margin_ns is None:
        return f"{way} is overloaded: more arrives than a line can carry (deadline {deadline})."
    if worst.margin_ns < 0:
        return (
            f"{way} is late: at most {time_text(worst.response_ns)} against a deadline of "
            f"{deadline}."
        )
    share = left_text(worst.margin_ns, worst.deadline_ns)
    return (
        f"Tightest deadline: {way[0].lower() + way[1:]} takes at most "
        f"{time_text(worst.response_ns)} of {deadline}, "
        f"{margin_time_text(worst.margin_ns)} ({share}) left."
    )
