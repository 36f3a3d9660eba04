"""A rule of a problem as a thing one can take hold of: taken off, or eased by some amount.

A handle changes one statement of the problem file and nothing else but what has to go with it, and
its words name every edit. Taken off, it must allow at least what it allowed before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from partitioner.errors import Conflict
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.units import ceil_div

Change = Callable[[Problem], Problem]
Steps = tuple[str | int, ...]
"""Where a statement stands in the problem file: section, id of the item or grade, key."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Amounts a rule may be eased to, from ``start`` (now) to ``end`` (as good as none).

    ``step`` is negative where less is looser. ``to`` gives the change to an amount, ``words`` tells
    it. ``used`` reads off what follows from a layout which amount it needs.
    """

    start: int
    end: int
    step: int
    to: Callable[[int], Change]
    words: Callable[[int], str]
    used: Callable[[Assessment], int | None] = lambda assessment: None

    def steps_to(self, amount: int) -> int:
        """Steps until an amount is reached or passed."""
        return ceil_div(amount - self.start, self.step)

    def at(self, step: int) -> int:
        """The amount after so many steps, the end at last."""
        value = self.start + step * self.step
        return min(value, self.end) if self.step > 0 else max(value, self.end)


@dataclass(frozen=True, slots=True)
class Ease:
    """One way of easing a rule that is no matter of amount.

    ``is_used`` tells whether a layout of the problem without the rule makes use of it. ``who`` is
    the part of the words by which alone they differ from those of eases that are alike.
    """

    words: str
    change: Change
    is_used: Callable[[Layout], bool] = lambda layout: True
    who: str = ""


@dataclass(frozen=True, slots=True)
class Handle:
    """One rule of a problem.

    Attributes
    ----------
    key
        Unlike that of every other handle.
    rule, subjects
        Name in the register of the check, and whom it concerns.
    sentence
        The rule as this problem states it, in plain words with its numbers.
    at
        Where it stands in the problem file.
    off
        Takes the rule away.
    scale
        Smaller changes than that, by amount.
    eases
        Changes for where no amount will do: the mildest first, each allowing all that those before
        it allow.
    choices, most_chosen
        Smaller changes that are independent of each other, and how many of them may be needed
        together.
    """

    key: str
    rule: str
    subjects: tuple[str, ...]
    sentence: str
    at: Steps
    off: Change
    scale: Scale | None = None
    eases: tuple[Ease, ...] = ()
    choices: tuple[Ease, ...] = ()
    most_chosen: int = 1


Handles = Iterator[Handle]


def by_amount(
    rule: str,
    subjects: tuple[str, ...],
    sentence: str,
    at: Steps,
    scale: Scale,
    *,
    off: Change | None = None,
    eases: tuple[Ease, ...] = (),
    part: str | int = "",
) -> Handle:
    """Make the handle of a rule with an amount: off at the end of its scale, if not otherwise.

    Its key is the rule with the first of the subjects, and the ``part`` of it, if any.
    """
    key = ":".join(str(word) for word in (rule, *subjects[:1], part) if word != "")
    return Handle(key, rule, subjects, sentence, at, off or scale.to(scale.end), scale, eases)


def named_in(conflict: Conflict, handles: Sequence[Handle]) -> list[Handle]:
    """The handles of the rule of a conflict whose statements it names."""
    return [
        h for h in handles
        if h.rule == conflict.rule and (not h.subjects or h.subjects[0] in conflict.subjects)
    ]


def without(problem: Problem, handles: Sequence[Handle]) -> Problem:
    """The problem with some of its rules taken off."""
    for handle in handles:
        problem = handle.off(problem)
    return problem


def edit(*steps: str | int, **changes: Any) -> Change:
    """Make the change that sets fields of one part of a problem.

    ``steps`` are the way to the part: names of fields, keys of mappings, ids or numbers of items in
    tuples. ``changes`` are fields of the part and their new values.
    """
    return lambda problem: _edited(problem, steps, changes)


def _edited(part: Any, steps: Steps, changes: Mapping[str, Any]) -> Any:
    if not steps:
        return replace(part, **changes)
    here, further = steps[0], steps[1:]
    if isinstance(part, Mapping):
        return {**part, here: _edited(part[here], further, changes)}
    if isinstance(part, tuple):
        return tuple(
            _edited(item, further, changes)
            if here == (number if isinstance(here, int) else item.id)
            else item
            for number, item in enumerate(part)
        )
    return replace(part, **{str(here): _edited(getattr(part, str(here)), further, changes)})
