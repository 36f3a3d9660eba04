"""What one device or line elsewhere would save, were it not for a rule: found in a moment."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from partitioner.check.facts import gather_facts
from partitioner.facts.elsewhere import LineElsewhere, WhyThere, lines_elsewhere, why_there
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork


@dataclass(frozen=True, slots=True)
class Move:
    """A layout with one device or line elsewhere, ``saved_money`` cheaper, and what it breaks.

    The rules it breaks are those found first; there may be more.
    """

    layout: Layout
    saved_money: int
    rules: frozenset[str]


def cheaper_moves(
    problem: Problem, layout: Layout, should_stop: Callable[[], bool]
) -> list[Move]:
    """Moves that make a layout cheaper and break rules, those that save most first."""
    facts = gather_facts(problem, layout, CableNetwork(problem))
    asked: list[WhyThere | LineElsewhere] = [
        *why_there(facts, (), should_stop), *lines_elsewhere(facts, (), should_stop)
    ]
    moves = [
        Move(place.layout, -place.worth, frozenset(f.rule for f in place.broken))
        for one in asked for place in one.places
        if place.broken and place.worth < 0
    ]
    return sorted(moves, key=lambda move: -move.saved_money)
