"""What to change so that a problem without a layout gets one: few changes, small ones, tried out.

Sets of rules that open every conflict when they are taken off are found one conflict at a time;
each rule of a set is then eased only as far as needed. Every way out that is returned was planned,
and the check accepted the layout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.study.conflict import Asker, minimal_conflict
from partitioner.study.handles import Ease, Handle, Scale, without
from partitioner.study.runs import Answer

MOST_SETS = 60
"""Sets of rules tried while looking for ways out."""


@dataclass(frozen=True, slots=True)
class WayOut:
    """Changes that together give the problem a layout.

    Attributes
    ----------
    changes
        In words, each on one rule.
    rules
        The rules changed, parallel to ``changes``.
    problem
        The problem with the changes made.
    outcome
        A plan of it; its layout was accepted by the check.
    is_least
        The amounts were proved to be the least that will do (a little less has no layout).
    """

    changes: tuple[str, ...]
    rules: tuple[Handle, ...]
    problem: Problem
    outcome: Outcome
    is_least: bool

    @property
    def cost_money(self) -> int:
        """Objective cost of the layout found for the changed problem."""
        return self.outcome.cost_money


def ways_out(asker: Asker, most_changes: int = 3, seconds: float = 20.0) -> list[WayOut]:
    """Ways out of a problem without a layout: fewest changes first, then cheapest.

    Parameters
    ----------
    asker
        Of the problem; its budget bounds the work.
    most_changes
        Rules changed at once at most.
    seconds
        Most the plan that prices one way out may take.
    """
    found: list[WayOut] = []
    for rules in opening_sets(asker, most_changes):
        found += _eased(asker, rules, seconds)
        if asker.budget.is_over:
            break
    found.sort(key=lambda w: (len(w.changes), w.cost_money, w.changes))
    return found


def opening_sets(asker: Asker, most_rules: int) -> list[tuple[Handle, ...]]:
    """Smallest sets of rules without which the problem has a layout, smaller sets first.

    A tree of sets: under each set that does not suffice yet hang those with one more rule, taken
    from a conflict that is still there (Reiter 1987).
    """
    found: list[tuple[Handle, ...]] = []
    level: list[tuple[Handle, ...]] = [()]
    seen: set[frozenset[str]] = {frozenset()}
    tried = 0
    for _ in range(most_rules + 1):
        following: list[tuple[Handle, ...]] = []
        for rules in level:
            keys = frozenset(h.key for h in rules)
            if any(keys >= {h.key for h in done} for done in found):
                continue
            if asker.budget.is_over or tried >= MOST_SETS:
                return found
            tried += 1
            match asker.without(rules).answer:
                case Answer.FOUND:
                    found.append(rules)
                case Answer.NONE if len(rules) < most_rules:
                    conflict = minimal_conflict(asker, rules)
                    for handle in conflict.rules if conflict is not None else ():
                        more = keys | {handle.key}
                        if more not in seen:
                            seen.add(more)
                            following.append((*rules, handle))
        level = following
    return found


def _eased(asker: Asker, rules: Sequence[Handle], seconds: float) -> list[WayOut]:
    """Ways out that change just these rules, each as little as will do."""
    problem = asker.problem
    words: list[str] = []
    is_least = True
    for number, handle in enumerate(rules):
        rest = list(rules[number + 1 :])
        if handle.scale is not None:
            eased = _least(asker, problem, handle.scale, rest)
            if eased is None:
                return []
            problem, text, is_sure = eased
            words.append(text)
            is_least = is_least and is_sure
            continue
        working = [
            ease
            for ease in handle.eases
            if asker.ask(without(ease.change(problem), rest)).answer is Answer.FOUND
        ]
        if len(rules) == 1:
            ends = [_planned(asker, [e.words], rules, e.change(problem), seconds, True)
                    for e in _mildest(working)]  # fmt: skip
            return [w for w in ends if w is not None]
        if not working:
            return []
        problem = working[0].change(problem)
        words.append(working[0].words)
    way = _planned(asker, words, rules, problem, seconds, is_least)
    return [] if way is None else [way]


def _mildest(working: Sequence[Ease]) -> Sequence[Ease]:
    """Without the last, which stands for dropping a rule altogether, where others do."""
    return working[:3]


def _least(
    asker: Asker, problem: Problem, scale: Scale, rest: Sequence[Handle]
) -> tuple[Problem, str, bool] | None:
    """Ease one rule by the least amount that will do, the rules in ``rest`` being off.

    Returns the problem, the change in words and whether a step less is proved not to do.
    """

    def amount(step: int) -> int:
        value = scale.start + step * scale.step
        return min(value, scale.end) if scale.step > 0 else max(value, scale.end)

    top = -(-(scale.end - scale.start) // scale.step)
    low, high = 0, top
    end = asker.ask(without(scale.at(problem, scale.end), rest))
    if end.answer is not Answer.FOUND:
        return None
    is_sure = True
    while high - low > 1:
        if asker.budget.is_over:
            is_sure = False
            break
        middle = (low + high) // 2
        changed = scale.at(problem, amount(middle))
        result = asker.ask(without(changed, rest), is_alike=True)
        if result.answer is Answer.FOUND:
            high = middle
            assert result.assessment is not None
            used = scale.used(changed, result.assessment)
            if used is not None:
                # The layout may need less than it was given.
                enough = max(low + 1, -(-(used - scale.start) // scale.step))
                if enough < high and _holds(asker, scale.at(problem, amount(enough)), rest):
                    high = enough
        else:
            low = middle
            is_sure = is_sure and result.answer is Answer.NONE
    return scale.at(problem, amount(high)), scale.words(amount(high)), is_sure


def _holds(asker: Asker, problem: Problem, rest: Sequence[Handle]) -> bool:
    return asker.ask(without(problem, rest), is_alike=True).answer is Answer.FOUND


def _planned(
    asker: Asker,
    words: Sequence[str],
    rules: Sequence[Handle],
    problem: Problem,
    seconds: float,
    is_least: bool,
) -> WayOut | None:
    """Plan the changed problem: the proof that the way out is one, and what it costs."""
    result = asker.budget.run(problem, seconds)
    if result.answer is not Answer.FOUND:
        return None
    assert result.outcome is not None
    return WayOut(tuple(words), tuple(rules), problem, result.outcome, is_least)
