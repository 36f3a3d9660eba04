"""What a rule of the check is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from partitioner.check.facts import Facts
from partitioner.check.rules.measure import Breach, Measure
from partitioner.model.assessment import RuleFinding

Broken = Callable[[Facts], Iterable[Breach]]
Measured = Callable[[Facts], Iterable[Measure]]


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule of the register: all that is said of it, and the function that applies it.

    Attributes
    ----------
    name
        Stable short name: in findings, conflicts, prices, and as heading of the reference page.
    meaning
        The rule in one sentence.
    broken
        Yields the subjects and the sentence of every breach; None for a rule that is broken
        exactly where one of its ``measures`` is over its limit.
    measures
        Every amount the rule limits, for margins; None for a rule without amounts.
    keys
        Keys of the problem file that state it, ``*`` for an id or a number in a list; none for a
        rule that says what a layout is.
    source
        Where the rule or its figures come from, if neither from the problem file nor the catalogue.
    note
        What else the reference page tells of it.
    by_segment
        It looks at one segment at a time and at no delay: what it finds on some segments does not
        depend on the others.
    """

    name: str
    meaning: str
    broken: Broken | None = None
    measures: Measured | None = None
    keys: tuple[str, ...] = ()
    source: str = ""
    note: str = ""
    by_segment: bool = False

    def __post_init__(self) -> None:
        if self.broken is None and self.measures is None:
            raise ValueError(f"rule {self.name} checks nothing")

    def measured(self, facts: Facts) -> Iterable[Measure]:
        """Every amount the rule limits."""
        return () if self.measures is None else self.measures(facts)

    def findings(self, facts: Facts) -> Iterator[RuleFinding]:
        """Every breach of the rule."""
        if self.broken is not None:
            for subjects, sentence in self.broken(facts):
                yield RuleFinding(self.name, subjects, sentence)
        else:
            for measure in self.measured(facts):
                if measure.over > 0:
                    yield RuleFinding(self.name, measure.subjects, measure.sentence)


@dataclass(frozen=True, slots=True)
class Chapter:
    """Rules of one subject, in the order in which their functions stand."""

    title: str
    rules: list[Rule] = field(default_factory=list)

    def rule(
        self, name: str, meaning: str, measures: Measured | None = None, **more: Any
    ) -> Callable[[Broken], Broken]:
        """Make a rule of a function that finds its breaches; arguments as of :class:`Rule`."""

        def add(broken: Broken) -> Broken:
            self.rules.append(Rule(name, meaning, broken, measures, **more))
            return broken

        return add

    def limit(self, name: str, meaning: str, **more: Any) -> Callable[[Measured], Measured]:
        """Make a rule of a function that gives the amounts it limits."""

        def add(measures: Measured) -> Measured:
            self.rules.append(Rule(name, meaning, None, measures, **more))
            return measures

        return add
