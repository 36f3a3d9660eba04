"""What to change so that a problem without a layout gets one: few changes, small ones, tried out.

Sets of rules that open every conflict when they are taken off are found one conflict at a time;
each rule of a set is then eased only as far as needed. Every way out that is returned was planned,
and the check accepted the layout.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, islice, product

from partitioner.explain.conflict import Asker, ConflictSet, minimal_conflict
from partitioner.explain.handles.handle import Ease, Handle, Scale, without
from partitioner.explain.handles.parts import parts
from partitioner.explain.needed import needed, written_for
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.runs import Answer, Result

MOST_CHANGES = 3
"""Rules changed at once at most."""
MOST_SETS = 60
"""Sets of rules tried while looking for ways out."""
MOST_TRIED = 40
"""Sets of choices tried for one rule."""
MOST_KINDS = 8
"""Kinds of rules (or pairs of them, for two conflicts) that are tried as a whole."""
PARTS_SHARE = 0.5
"""Share of the time for changes of places, grades, ports and switches in place of rules."""
MOST_CHOICES = 6
"""Ways of easing one rule that are planned to the end."""


@dataclass(frozen=True, slots=True)
class WayOut:
    """Changes that together give the problem a layout.

    Attributes
    ----------
    changes
        In words, each on one rule.
    rules
        The rules changed, parallel to ``changes``; none where a place, a grade, a kind of port or
        the number of switches changes instead.
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


def ways_out(
    asker: Asker, conflicts: Sequence[ConflictSet], seconds: float
) -> list[WayOut]:
    """Ways out of a problem without a layout: fewest changes first, then cheapest.

    ``conflicts``: all that are known, sharing no rule; a large problem has one way out of each kind
    of their rules tried first. The asker's budget bounds the work; the plan that prices one way out
    takes ``seconds`` at most.
    """
    found: list[WayOut] = []
    if len(conflicts) == 1:
        found += ways_by_parts(asker, conflicts[0], seconds)
    if asker.is_large:
        found += ways_of_each_kind(asker, conflicts, seconds)
    done = {frozenset(h.key for h in way.rules) for way in found}
    for rules in opening_sets(asker, MOST_CHANGES):
        if frozenset(h.key for h in rules) not in done:
            found += _eased(asker, rules, seconds)
        if asker.budget.is_over:
            break
    found.sort(key=lambda w: (len(w.changes), w.cost_money, w.changes))
    return found


def ways_by_parts(asker: Asker, conflict: ConflictSet, seconds: float) -> list[WayOut]:
    """Ways out that leave all rules and change a place, a grade, a kind of port, or add a switch.

    The first of each kind that helps, for the devices that the conflict names.
    """
    rules = {h.rule for h in conflict.rules}
    named = [id_ for reason in conflict.reasons for id_ in reason.subjects]
    named += [id_ for handle in conflict.rules for id_ in handle.subjects]
    found: list[WayOut] = []
    until = asker.budget.clock() + PARTS_SHARE * asker.budget.left_s
    for part in parts(asker.problem, named, has_more_switches="port-exists" not in rules):
        for change in part:
            if asker.budget.is_over or asker.budget.clock() > until:
                return found
            way = _by_part(asker, change, seconds)
            if way is not None:
                found.append(way)
                break
    return found


def _by_part(asker: Asker, change: Scale | Ease, seconds: float) -> WayOut | None:
    eased = _eased_part(asker, change)
    if eased is None:
        return None
    if not asker.is_large:
        return _planned(asker, (eased.words,), (), eased.problem, seconds, eased.is_least)
    outcome = asker.ask(eased.problem).outcome
    if outcome is None:
        return None
    return WayOut((eased.words,), (), eased.problem, outcome, eased.is_least)


def _eased_part(asker: Asker, change: Scale | Ease) -> _Eased | None:
    """The problem with a change of which arithmetic does not say that it leaves the conflict."""
    if isinstance(change, Scale):
        least = _least_by_arithmetic if asker.is_large else _least
        return least(asker, asker.problem, change, ())
    eased = _Eased(change.change(asker.problem), change.words, True)
    return None if asker.is_hopeless(eased.problem) else eased


def ways_of_each_kind(
    asker: Asker, conflicts: Sequence[ConflictSet], seconds: float
) -> list[WayOut]:
    """Ways out that leave rules of one kind of each conflict: as far as a layout needs it.

    A layout of a large problem with all rules of a kind off is found sooner than one with a single
    rule off, and shows how far each of them has to give way. Where the rules in conflict are not
    enough, all others of the kind go too.
    """
    found: dict[tuple[str, ...], WayOut] = {}
    kinds = [dict.fromkeys(h.rule for h in conflict.rules) for conflict in conflicts]
    for chosen in islice(product(*kinds), MOST_KINDS):
        if asker.budget.is_over:
            break
        named = [
            h for conflict, rule in zip(conflicts, chosen, strict=True)
            for h in conflict.rules if h.rule == rule
        ]
        if len(named) == 1 and (eased := _eased(asker, named, seconds)):
            found |= {way.changes: way for way in eased}
            continue
        result = asker.without(named)
        every = [h for h in asker.handles if h.rule in chosen]
        if result.answer is not Answer.FOUND and len(every) > len(named):
            named, result = every, asker.without(every)
        if result.outcome is None:
            continue
        layout = result.outcome.layout
        uses = needed(asker.problem, named, layout)
        start = written_for(uses.problem, layout)
        way = _planned(asker, uses.changes, uses.handles, uses.problem, seconds, False, start)
        if way is not None:
            found.setdefault(way.changes, way)
    return list(found.values())


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


@dataclass(frozen=True, slots=True)
class _Eased:
    """A problem with one rule eased, in words; ``is_least``: proved that nothing milder will do."""

    problem: Problem
    words: str
    is_least: bool


def _eased(asker: Asker, rules: Sequence[Handle], seconds: float) -> list[WayOut]:
    """Ways out that change just these rules, each as little as will do."""
    ends: list[tuple[Problem, tuple[str, ...], bool]] = [(asker.problem, (), True)]
    for number, handle in enumerate(rules):
        rest = list(rules[number + 1 :])
        # Of several ways to ease one rule, all are told only where it is the only one.
        most = MOST_CHOICES if len(rules) == 1 else 1
        ends = [
            (eased.problem, (*words, eased.words), is_least and eased.is_least)
            for problem, words, is_least in ends
            for eased in islice(_easings(asker, problem, handle, rest), most)
        ]
    ways = [
        _planned(asker, words, rules, problem, seconds, is_least)
        for problem, words, is_least in ends
    ]
    return [way for way in ways if way is not None]


def _easings(
    asker: Asker, problem: Problem, handle: Handle, rest: Sequence[Handle]
) -> Iterator[_Eased]:
    """Ways of easing one rule that will do, the rules in ``rest`` being off."""
    if handle.scale is not None:
        if asker.is_large:
            # Less than that has no layout, and often that much will do.
            few = _least_by_arithmetic(asker, problem, handle.scale, rest)
            if few is None:
                return
            if asker.ask(without(few.problem, rest)).answer is Answer.FOUND:
                yield few
                return
        least = _least(asker, problem, handle.scale, rest)
        if least is not None:
            yield least
            return
    is_least = True
    for ease in handle.eases:
        eased = ease.change(problem)
        match asker.ask(without(eased, rest)).answer:
            case Answer.FOUND:
                yield _Eased(eased, ease.words, is_least)
                return
            case Answer.UNKNOWN:
                is_least = False
    yield from _chosen(asker, problem, handle, rest)


def _chosen(
    asker: Asker, problem: Problem, handle: Handle, rest: Sequence[Handle]
) -> Iterator[_Eased]:
    """The smallest sets of a rule's choices that will do.

    Where there are too many sets to try, one is taken from a layout of the problem without the
    rule, and thinned out.
    """
    tried = 0
    is_least = True
    for size in range(1, min(handle.most_chosen, len(handle.choices)) + 1):
        is_found = False
        for chosen in combinations(handle.choices, size):
            if tried == MOST_TRIED:
                break
            tried += 1
            match _ask_chosen(asker, problem, chosen, rest):
                case Answer.FOUND:
                    is_found = True
                    yield _together(problem, chosen, is_least)
                case Answer.UNKNOWN:
                    is_least = False
        if is_found:
            return
        if tried == MOST_TRIED:
            yield from _thinned(asker, problem, handle, rest)
            return


def _thinned(
    asker: Asker, problem: Problem, handle: Handle, rest: Sequence[Handle]
) -> Iterator[_Eased]:
    result = asker.ask(without(handle.off(problem), rest))
    if result.outcome is None:
        return
    layout = result.outcome.layout
    chosen = [choice for choice in handle.choices if choice.is_used(layout)]
    if _ask_chosen(asker, problem, chosen, rest) is not Answer.FOUND:
        return
    for choice in list(chosen):
        fewer = [c for c in chosen if c is not choice]
        if _ask_chosen(asker, problem, fewer, rest) is Answer.FOUND:
            chosen = fewer
    # Another set may be smaller.
    yield _together(problem, chosen, False)


def _together(problem: Problem, chosen: Sequence[Ease], is_least: bool) -> _Eased:
    return _Eased(_with_all(problem, chosen), " and ".join(c.words for c in chosen), is_least)


def _with_all(problem: Problem, chosen: Iterable[Ease]) -> Problem:
    for choice in chosen:
        problem = choice.change(problem)
    return problem


def _ask_chosen(
    asker: Asker, problem: Problem, chosen: Sequence[Ease], rest: Sequence[Handle]
) -> Answer:
    return asker.ask(without(_with_all(problem, chosen), rest)).answer


def _least(asker: Asker, problem: Problem, scale: Scale, rest: Sequence[Handle]) -> _Eased | None:
    """Ease one rule by the least amount that will do, the rules in ``rest`` being off."""

    def steps_used(result: Result) -> int | None:
        """Steps that the layout found needs, where it needs less than it was given."""
        if result.assessment is None:
            return None
        used = scale.used(result.assessment)
        return None if used is None else scale.steps_to(used)

    low, high = 0, scale.steps
    end = scale.to(scale.end)(problem)
    result = asker.ask(without(end, rest))
    if result.answer is not Answer.FOUND:
        return None
    is_sure = True
    enough = steps_used(result)
    while high - low > 1:
        if enough is not None and low < enough < high:
            if _holds(asker, scale.to(scale.at(enough))(problem), rest):
                high = enough
                continue
            enough = None
        if asker.budget.is_over:
            is_sure = False
            break
        middle = (low + high) // 2
        changed = scale.to(scale.at(middle))(problem)
        result = asker.ask(without(changed, rest), is_alike=True)
        if result.answer is Answer.FOUND:
            high = middle
            enough = steps_used(result)
        else:
            low = middle
            is_sure = is_sure and result.answer is Answer.NONE
    return _eased_by(problem, scale, high, is_sure)


def _eased_by(problem: Problem, scale: Scale, step: int, is_least: bool) -> _Eased:
    amount = scale.at(step)
    return _Eased(scale.to(amount)(problem), scale.words(amount), is_least)


def _least_by_arithmetic(
    asker: Asker, problem: Problem, scale: Scale, rest: Sequence[Handle]
) -> _Eased | None:
    """The least amount of which arithmetic does not say that it is too little; None if all are."""

    def is_too_little(step: int) -> bool:
        return asker.is_hopeless(without(scale.to(scale.at(step))(problem), rest))

    low, high = 0, scale.steps
    if is_too_little(high):
        return None
    while high - low > 1 and not asker.budget.is_over:
        middle = (low + high) // 2
        if is_too_little(middle):
            low = middle
        else:
            high = middle
    return _eased_by(problem, scale, high, high - low == 1)


def _holds(asker: Asker, problem: Problem, rest: Sequence[Handle]) -> bool:
    return asker.ask(without(problem, rest), is_alike=True).answer is Answer.FOUND


def _planned(
    asker: Asker,
    words: Sequence[str],
    rules: Sequence[Handle],
    problem: Problem,
    seconds: float,
    is_least: bool,
    start: Layout | None = None,
) -> WayOut | None:
    """Plan the changed problem: the proof that the way out is one, and what it costs."""
    result = asker.budget.run(problem, seconds, start=start)
    if result.answer is not Answer.FOUND:
        return None
    assert result.outcome is not None
    return WayOut(tuple(words), tuple(rules), problem, result.outcome, is_least)
