"""What a rule of the check is."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from partitioner.check.facts import Facts
from partitioner.model.assessment import RuleFinding

Breach = tuple[tuple[str, ...], str]
"""Subjects and sentence of one breach of a rule."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule: stable short name, its meaning in one sentence, and the function that applies it.

    ``broken`` yields the subjects and the sentence of every breach.
    """

    name: str
    meaning: str
    broken: Callable[[Facts], Iterable[Breach]]

    def findings(self, facts: Facts) -> list[RuleFinding]:
        """Every breach of the rule."""
        return [RuleFinding(self.name, subjects, text) for subjects, text in self.broken(facts)]
