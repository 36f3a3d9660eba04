"""The verdict on a layout in one sentence, the same in the page, the terminal and the data."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from partitioner.model.assessment import Assessment, RuleFinding
from partitioner.model.outcome import Outcome, Status
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text, gap_text, money_text
from partitioner.report.sections import State
from partitioner.units import MONEY_STEPS
from partitioner.visible import some_of, visible

CENT = MONEY_STEPS // 100
MOST_NAMED = 20
"""Most devices named that have no place."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """A judgement: its state, the word for it, and the sentence that says why.

    The sentence names what is proved, which is the priced total, and the money in it.
    """

    state: State
    word: str
    sentence: str


def verdict(problem: Problem, assessment: Assessment, outcome: Outcome | None) -> Verdict:
    """Judge a layout from its findings, and say what is known about its cost."""
    total = priced_total_text(problem, assessment)
    broken = assessment.broken
    breaks = f"breaks {broken_text(broken)}"
    if assessment.missing:
        rest = f"the rest {breaks}" if broken else "the rest keeps every rule"
        sentence = f"{missing_text(problem, assessment)}; {rest}. As it is, {total}."
        return Verdict(State.BAD, "incomplete", sentence)
    if broken:
        sentence = f"This layout {breaks}; as it is, {total}."
        return Verdict(State.BAD, "not acceptable", sentence)
    if outcome is None:
        sentence = f"Every rule is kept, and {total}; whether a cheaper layout exists is not known."
        return Verdict(State.OK, "checked", sentence)
    if outcome.status is Status.OPTIMAL:
        lower = "has a lower priced total" if _weights(problem) else "costs less"
        sentence = (
            f"Every rule is kept, and it is proved that no layout that keeps them {lower} than "
            f"its {_amount(problem, assessment)}."
        )
        return Verdict(State.OK, "optimal", sentence)
    if outcome.bound_money <= 0:
        sentence = (
            f"Every rule is kept, and {total}; there was no time to prove how much cheaper one "
            "could be."
        )
        return Verdict(State.OK, "feasible", sentence)
    sentence = (
        f"Every rule is kept, and {total}; it is proved that none can be below "
        f"{money_text(outcome.bound_money, problem.currency)}, a gap of "
        f"{gap_text(outcome.gap)}."
    )
    return Verdict(State.OK, "feasible", sentence)


def broken_text(broken: Collection[RuleFinding]) -> str:
    """How many rules some findings are about, and how many findings there are."""
    rules = count_text(len({f.rule for f in broken}), "rule")
    return f"{rules} in {count_text(len(broken), 'place')}"


def missing_text(problem: Problem, assessment: Assessment) -> str:
    """Which devices have no place, and what could not be judged for that; empty if all have one."""
    missing = assessment.missing
    if not missing:
        return ""
    whole = len(problem.devices)
    unjudged = sum(
        stream.source in missing or destination in missing
        for stream in problem.streams.values()
        for destination in stream.destinations
    )
    streams = f", so {unjudged} of {problem.delivery_count} stream deliveries could not be judged"
    return (
        f"{len(missing)} of {count_text(whole, 'device')} {'has' if len(missing) == 1 else 'have'} "
        f"no place ({some_of([visible(d) for d in missing], MOST_NAMED)})"
        f"{streams if unjudged else ''}"
    )


def priced_total_text(problem: Problem, assessment: Assessment) -> str:
    """What was minimised and how it comes about, as the second half of a sentence."""
    return f"the {total_name(problem)} is {_amount(problem, assessment)}"


def _amount(problem: Problem, assessment: Assessment) -> str:
    """The priced total with what it is the sum of; money alone if nothing else has a price."""
    cost, currency = assessment.cost, problem.currency
    money = money_text(cost.money, currency)
    weights = _weights(problem)
    if not weights:
        return money
    # The three amounts are read together, so as they are shown they have to add up.
    rest = money_text(_shown(cost.objective_money) - _shown(cost.money), currency)
    total = money_text(cost.objective_money, currency)
    return f"{total} ({money} of money, {rest} for {' and '.join(weights)})"


def total_name(problem: Problem) -> str:
    """What the amount that planning makes small is called: money alone is the cost."""
    return "priced total" if _weights(problem) else "cost"


def total_text(problem: Problem, total_money: int, money: int | None = None) -> str:
    """That amount with its name, and the money in it where that is another one."""
    total = money_text(total_money, problem.currency)
    if not _weights(problem):
        return f"a cost of {total}"
    of_it = "" if money is None else f" ({money_text(money, problem.currency)} of it money)"
    return f"a priced total of {total}{of_it}"


def costs_text(problem: Problem, total_money: int, money: int | None = None) -> str:
    """What a layout does: costs so much, or has a priced total of so much."""
    if not _weights(problem):
        return f"costs {money_text(total_money, problem.currency)}"
    return f"has {total_text(problem, total_money, money)}"


def _shown(money: int) -> int:
    return round(money / CENT) * CENT


def _weights(problem: Problem) -> list[str]:
    """What the objective gives a price besides money."""
    aim = problem.objective
    priced = (
        ("mass", aim.mass_price_per_kg_money), ("priced delay", aim.latency_price_per_ms_money)
    )  # fmt: skip
    return [name for name, price in priced if price]
