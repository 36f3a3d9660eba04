"""Why there is no layout, and what would help; or which rules make the layout as dear as it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.explain.conflict import Asker, ConflictSet, confirmed, conflicts_of
from partitioner.explain.rule_prices import Elsewhere, LayoutExplained, elsewhere, rule_prices
from partitioner.explain.ways_out import WayOut, ways_out
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout, Segment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.runs import Answer, Budget, Result

PLAN_SHARE = 0.3
"""Share of the time that the first plan of the problem may take."""
CONFLICTS_SHARE = 0.4
"""Share of the time after it that the conflicts of a problem without a layout may take."""
CHEAPEST_SHOWN = 8
"""Ways out shown in text."""


@dataclass(frozen=True, slots=True)
class NoLayoutExplained:
    """Why a problem has no layout.

    Attributes
    ----------
    conflicts
        Sets of rules that cannot be kept together, sharing no rule.
    ways
        Changes that were tried out, fewest first, then by what the layout costs.
    is_whole
        The time sufficed for all that was to be tried.
    """

    conflicts: tuple[ConflictSet, ...]
    ways: tuple[WayOut, ...]
    is_whole: bool


@dataclass(frozen=True, slots=True)
class DeviceExplained:
    """Why a device is where it is: the cheapest layouts with it elsewhere."""

    device: str
    segment: Segment
    outcome: Outcome
    assessment: Assessment
    others: tuple[Elsewhere, ...]


Explained = NoLayoutExplained | LayoutExplained | DeviceExplained


def explain(
    problem: Problem,
    budget: Budget,
    device: str | None = None,
    on_step: Callable[[str], None] = lambda text: None,
    start: Layout | None = None,
    on_prices: Callable[[LayoutExplained], None] = lambda so_far: None,
) -> Explained:
    """Explain a problem: its conflict, or the price of its rules, or the place of one device.

    ``budget`` is the time for everything, ``start`` a layout that the first plan starts from. With
    a ``device`` it is explained why that one is where it is, if there is a layout. ``on_step`` is
    told what is done next, ``on_prices`` what is known after each plan without a rule.

    Raises
    ------
    NoAnswer
        Neither a layout nor a proof that there is none was found.
    KeyError
        If the problem has no such device.
    """
    if device is not None and device not in problem.devices:
        raise KeyError(device)
    on_step("planning the problem as it stands")
    seconds = PLAN_SHARE * budget.left_s
    result = budget.run(problem, seconds, start=start, is_as_it_stands=True)
    if result.answer is Answer.UNKNOWN and not budget.is_over:
        # Without a layout there is nothing to explain, so the rest of the time is for one.
        on_step("looking for a first layout")
        result = budget.run(
            problem, budget.left_s, start=start, enough_gap=1.0, attempt=1, is_as_it_stands=True
        )  # fmt: skip
        if result.outcome is not None and not budget.is_over:
            on_step("planning on from the first layout")
            result = budget.run(
                problem, min(seconds, 0.5 * budget.left_s), start=result.outcome.layout,
                is_as_it_stands=True,
            )  # fmt: skip
    if result.answer is Answer.UNKNOWN:
        assert result.ended is not None
        raise result.ended
    if result.answer is Answer.NONE:
        return _explain_none(problem, result, budget, on_step, start)
    assert result.outcome is not None
    assert result.assessment is not None
    if device is not None:
        on_step(f"planning with {device} elsewhere")
        others = elsewhere(problem, result.outcome, device, budget)
        segment = result.outcome.layout.segment_of()[device]
        return DeviceExplained(
            device, segment, result.outcome, result.assessment, tuple(others)
        )
    return rule_prices(
        problem, result.outcome, result.assessment, budget,
        lambda name: on_step(f"planning without: {name}"), on_prices,
    )  # fmt: skip


def _explain_none(
    problem: Problem, result: Result, budget: Budget, on_step: Callable[[str], None],
    start: Layout | None,
) -> NoLayoutExplained:  # fmt: skip
    asker = Asker(problem, budget, max(1.0, budget.left_s / 5), start)
    asker.learn(result)
    on_step("looking for the rules in conflict")
    with asker.within(CONFLICTS_SHARE):
        conflicts = conflicts_of(asker)
    on_step("trying ways out")
    ways, is_whole = ways_out(asker, conflicts, seconds=max(1.0, budget.left_s / 8))
    if asker.is_large and is_whole:
        # Else what is left would be too short for that.
        conflicts = [confirmed(asker, conflict) for conflict in conflicts]
    return NoLayoutExplained(tuple(conflicts), tuple(ways), is_whole)
