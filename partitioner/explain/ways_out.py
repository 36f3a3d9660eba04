"""What to change so that a problem without a layout gets one: few changes, small ones, tried out.

Sets of rules that open every conflict when they are taken off are found one conflict at a time;
each rule of a set is then eased only as far as needed. Every way out that is returned was planned,
and the check accepted the layout.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, islice, pairwise

from partitioner.check.judge import assess
from partitioner.explain.conflict import Asker, ConflictSet, minimal_conflict
from partitioner.explain.handles.handle import Ease, Handle, Scale, without
from partitioner.explain.handles.parts import parts
from partitioner.explain.handles.register import handles_of
from partitioner.explain.needed import (
    Needed,
    Use,
    changed_by,
    fits,
    least_step,
    needed,
    written_for,
)
from partitioner.model.outcome import Outcome, Status
from partitioner.model.problem import Problem
from partitioner.runs import Answer, Budget, Result
from partitioner.units import ceil_div

MOST_CHANGES = 3
"""Rules changed at once at most."""
MOST_SETS = 60
"""Sets of rules tried while looking for ways out."""
MOST_TRIED = 40
"""Sets of choices tried for one rule."""
MOST_KINDS = 8
"""Kinds of rules, or few of them together, that are tried as a whole."""
KINDS_SHARE = 0.3
"""Share of the time left to find these kinds by arithmetic."""
EFFORTS = (0.25, 1.0)
"""Shares of the time of a question that a layout without rules of these kinds is looked for."""
SHARES = 8
"""Parts of an amount by which it is brought nearer to that of the problem."""
LOOSENING_SHARE = 0.85
"""Share of what is left then for such layouts."""
TIGHTENING_SHARE = 0.7
"""Share of what is left then to bring their amounts nearer to those of the problem."""
FINDING_SHARE = 0.8
"""Share of the time to find ways out; the rest is for cheaper layouts of theirs."""
PARTS_SHARE = 0.5
"""Share of the time for changes of what rules are about in place of rules, kind by kind."""
MOST_CHOICES = 6
"""Ways of easing one rule that are planned to the end."""


@dataclass(frozen=True, slots=True)
class WayOut:
    """Changes that together give the problem a layout.

    Attributes
    ----------
    changes
        In words, each on one rule, or on several that change alike.
    rules
        The rules changed; none where what they are about changes instead.
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
) -> tuple[list[WayOut], bool]:
    """Ways out of a problem without a layout: fewest changes first, then cheapest.

    ``conflicts``: all that are known, sharing no rule; a large problem has one way out of each kind
    of their rules tried first. The asker's budget bounds the work; the plan that prices one way out
    takes ``seconds`` at most. Also whether the time sufficed to look for all there are.
    """
    with asker.within(FINDING_SHARE):
        found = without_more_than_needed(_found(asker, conflicts))
        is_whole = not asker.budget.is_over
    ways = [
        _priced(asker.budget, way, min(seconds, asker.budget.left_s / (len(found) - n)))
        for n, way in enumerate(found)
    ]
    return sorted(ways, key=lambda w: (len(w.changes), w.cost_money, w.changes)), is_whole


def without_more_than_needed(ways: Iterable[WayOut]) -> list[WayOut]:
    """The ways out but those that make all changes of another, as far or further, and more."""
    ways = list(ways)
    return [way for way in ways if not any(_does_more(way, other) for other in ways)]


def _does_more(way: WayOut, other: WayOut) -> bool:
    if set(other.changes) < set(way.changes):
        return True
    shared = {h.key for h in other.rules}
    if not shared or not shared < {h.key for h in way.rules}:
        return False
    loose = {h.key: h for h in handles_of(way.problem)}
    tight = {h.key: h for h in handles_of(other.problem)}
    return all(_is_as_loose(loose.get(key), tight.get(key)) for key in shared)


def _is_as_loose(rule: Handle | None, than: Handle | None) -> bool:
    """Whether a rule asks for no more than the same one of another problem; None: for nothing."""
    if rule is None or than is None:
        return rule is None
    if rule.scale is None or than.scale is None:
        return rule.sentence == than.sentence
    return (rule.scale.start - than.scale.start) * rule.scale.step >= 0


def _priced(budget: Budget, way: WayOut, seconds: float) -> WayOut:
    """The way out with the best layout that a plan of the changed problem comes to."""
    if way.outcome.status is Status.OPTIMAL:
        return way
    better = budget.run(way.problem, seconds, start=way.outcome.layout).outcome
    return way if better is None else replace(way, outcome=better)


def _found(asker: Asker, conflicts: Sequence[ConflictSet]) -> Iterator[WayOut]:
    if len(conflicts) == 1:
        yield from ways_by_parts(asker, conflicts[0])
    done: set[frozenset[str]] = set()
    for way in ways_of_each_kind(asker, conflicts) if asker.is_large else ():
        done.add(frozenset(h.key for h in way.rules))
        yield way
    for rules in opening_sets(asker, MOST_CHANGES, conflicts):
        if frozenset(h.key for h in rules) not in done:
            yield from _eased(asker, rules)
        if asker.budget.is_over:
            break


def ways_by_parts(asker: Asker, conflict: ConflictSet) -> Iterator[WayOut]:
    """Ways out that leave all rules and change a place, a grade, traffic, ports or switches.

    The first of each kind that helps, for those that the conflict names.
    """
    rules = {h.rule for h in conflict.rules} | {reason.rule for reason in conflict.reasons}
    named = [id_ for reason in conflict.reasons for id_ in reason.subjects]
    named += [id_ for handle in conflict.rules for id_ in handle.subjects]
    kinds = parts(asker.problem, named, rules)
    clock = asker.budget.clock
    ends_at = clock() + PARTS_SHARE * asker.budget.left_s
    for number, kind in enumerate(kinds):
        until = clock() + (ends_at - clock()) / (len(kinds) - number)
        for change in kind:
            if asker.budget.is_over or clock() > until:
                break
            loosest = change.to(change.end) if isinstance(change, Scale) else change.change
            if asker.is_large and asker.is_hopeless(loosest(asker.problem)):
                continue
            eased = (
                _least(asker, asker.problem, change, ()) if isinstance(change, Scale)
                else _by_ease(asker, asker.problem, change)
            )
            if eased is not None:
                yield eased.way(())
                break


def _by_ease(asker: Asker, problem: Problem, ease: Ease) -> _Eased | None:
    changed = ease.change(problem)
    outcome = asker.ask(changed).outcome
    return None if outcome is None else _Eased(changed, (ease.words,), True, outcome)


def ways_of_each_kind(asker: Asker, conflicts: Sequence[ConflictSet]) -> list[WayOut]:
    """Ways out that leave rules of one kind, or of a few together: as far as a layout needs it.

    A layout of a large problem with all rules of a kind off is found sooner than one with a single
    rule off, and shows how far each of them has to give way. Where none is found in its share of
    the time, more ports and wider pathways are allowed besides.
    """
    found: list[tuple[Needed, Outcome]] = []
    ways: dict[tuple[str, ...], WayOut] = {}
    with asker.within(KINDS_SHARE):
        sets = list(islice(open_kinds(asker, conflicts), MOST_KINDS))
    room = [h for h in asker.handles if h.rule in ("port-exists", "pathway-capacity")]
    with asker.within(LOOSENING_SHARE):
        for effort in EFFORTS:
            left: list[list[Handle]] = []
            for handles in sets:
                if asker.budget.is_over:
                    break
                seconds = effort * asker.seconds
                outcome = asker.ask(without(asker.problem, handles), seconds=seconds).outcome
                if outcome is None:
                    left.append(handles)
                    continue
                eased = _eased(asker, handles) if len(handles) == 1 else []
                ways |= {way.changes: way for way in eased}
                loose = None if eased else _loosened(asker, handles, outcome)
                found += [] if loose is None else [loose]
            more = [[*handles, *(h for h in room if h not in handles)] for handles in left]
            opened = [{h.key for h in uses.handles} for uses, _ in found]
            sets = left + [
                handles for handles in more
                if not any(keys <= {h.key for h in handles} for keys in opened)
            ]
    eased_already = {frozenset(h.key for h in way.rules) for way in ways.values()}
    found = [
        (uses, outcome) for uses, outcome in found
        if any(use.amount is None for use in uses.uses)
        or frozenset(h.key for h in uses.handles) not in eased_already
    ]
    with asker.within(TIGHTENING_SHARE):
        for number, loose in enumerate(found):
            with asker.within(1 / (len(found) - number)):
                uses, outcome = _tightened(asker, *loose)
            way = WayOut(uses.changes, uses.handles, uses.problem, outcome, False)
            ways.setdefault(way.changes, way)
    return list(ways.values())


def open_kinds(asker: Asker, conflicts: Sequence[ConflictSet]) -> Iterator[list[Handle]]:
    """Rules of few kinds without which arithmetic sees no conflict any more, fewest kinds first.

    Of these kinds the rules in conflict, or all there are where these are not enough. Where all are
    not enough either, each kind in the proof that is left is tried with them.
    """
    told = [h for conflict in conflicts for h in conflict.rules]
    # Rules of which many are in conflict have most to give.
    kinds = [rule for rule, _ in Counter(h.rule for h in told).most_common()]
    level = [frozenset({kind}) for kind in kinds]
    seen, done = set(level), list[frozenset[str]]()
    for _ in range(MOST_CHANGES):
        following: list[frozenset[str]] = []
        for chosen in level:
            if any(chosen >= enough for enough in done):
                continue
            if asker.budget.is_over:
                return
            named = [h for h in told if h.rule in chosen]
            every = [h for h in asker.handles if h.rule in chosen]
            if named and not asker.is_hopeless(without(asker.problem, named)):
                done.append(chosen)
                yield named
                continue
            rest = asker.proof(without(asker.problem, every))
            if asker.budget.is_over:
                return
            if not rest:
                done.append(chosen)
                yield every
                continue
            for rule in dict.fromkeys(r.rule for r in rest):
                more = chosen | {rule}
                if more not in seen and any(h.rule == rule for h in asker.handles):
                    seen.add(more)
                    following.append(more)
        level = following


def _loosened(
    asker: Asker, handles: Sequence[Handle], outcome: Outcome | None
) -> tuple[Needed, Outcome] | None:
    """What a layout found without some rules needs, with a layout of the problem changed so.

    Where it needs many rules to give way, fewer of them are tried as long as there is a layout.
    """
    found: tuple[Needed, Outcome] | None = None
    while outcome is not None:
        uses = needed(asker.problem, handles, outcome.layout)
        if found is not None and len(uses.uses) >= len(found[0].uses):
            break
        found = uses, _of_changed(uses.problem, outcome)
        handles, outcome = _fewer_of(asker, uses.handles)
    return found


def _tightened(asker: Asker, uses: Needed, outcome: Outcome) -> tuple[Needed, Outcome]:
    """The same changes by smaller amounts, as far as layouts are found: all alike, then each."""
    by_amount = [n for n, use in enumerate(uses.uses) if use.amount is not None]
    for numbers in [by_amount, *([n] for n in by_amount if len(by_amount) > 1)]:
        low, high = 0, SHARES
        while high - low > 1 and not asker.budget.is_over:
            share = (low + high) // 2
            fewer = [
                _by_share(use, share) if n in numbers else use for n, use in enumerate(uses.uses)
            ]
            problem = changed_by(asker.problem, fewer)
            is_same = [use.amount for use in fewer] == [use.amount for use in uses.uses]
            if is_same or asker.is_hopeless(problem):
                low = share
                continue
            found = asker.ask(problem, is_alike=True).outcome
            if found is None:
                low = share
                continue
            uses, outcome = Needed(tuple(fewer), problem), found
            # Of what is left then, all shares are new.
            low, high = low * SHARES // share, SHARES
    return uses, outcome


def _by_share(use: Use, share: int) -> Use:
    """The change by a share of the steps to its amount, rounded up to a step."""
    scale, amount = use.handle.scale, use.amount
    if scale is None or amount is None:
        return use
    step = ceil_div(scale.steps_to(amount) * share, SHARES)
    return use.at(scale.at(step))


def _fewer_of(
    asker: Asker, handles: tuple[Handle, ...]
) -> tuple[tuple[Handle, ...], Outcome | None]:
    """A half or three quarters of many rules without which there is a layout too, and that one."""
    if len(handles) <= MOST_CHANGES:
        return (), None
    cuts = [len(handles) * quarter // 4 for quarter in range(5)]
    parts = [handles[: cuts[2]], handles[cuts[2] :]]
    parts += [handles[:a] + handles[b:] for a, b in pairwise(cuts)]
    for part in parts:
        changed = without(asker.problem, part)
        if not asker.budget.is_over and not asker.is_hopeless(changed):
            outcome = asker.ask(changed, is_alike=True).outcome
            if outcome is not None:
                return part, outcome
    return (), None


def opening_sets(
    asker: Asker, most_rules: int, conflicts: Sequence[ConflictSet] = ()
) -> list[tuple[Handle, ...]]:
    """Smallest sets of rules without which the problem has a layout, smaller sets first.

    A tree of sets: under each set that does not suffice yet hang those with one more rule, taken
    from a conflict that is still there (Reiter 1987), at first the first of ``conflicts``.
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
                    conflict = (
                        conflicts[0] if conflicts and not rules else minimal_conflict(asker, rules)
                    )
                    for handle in conflict.rules if conflict is not None else ():
                        more = keys | {handle.key}
                        if more not in seen:
                            seen.add(more)
                            following.append((*rules, handle))
        level = following
    return found


@dataclass(frozen=True, slots=True)
class _Eased:
    """A problem with rules eased, in words; ``is_least``: proved that nothing milder will do.

    ``outcome``: a plan of it, other rules being off where they are eased afterwards.
    """

    problem: Problem
    words: tuple[str, ...]
    is_least: bool
    outcome: Outcome

    def way(self, rules: Sequence[Handle]) -> WayOut:
        """The way out that changes these rules and no other."""
        return WayOut(self.words, tuple(rules), self.problem, self.outcome, self.is_least)


def _eased(asker: Asker, rules: Sequence[Handle]) -> list[WayOut]:
    """Ways out that change just these rules, each as little as will do."""
    # Of several ways to ease one rule, all are told only where it is the only one.
    most = MOST_CHOICES if len(rules) == 1 else 1
    ends: list[_Eased | None] = [None]
    for number, handle in enumerate(rules):
        rest = rules[number + 1 :]
        ends = [
            eased if end is None else replace(
                eased, words=(*end.words, *eased.words), is_least=end.is_least and eased.is_least
            )
            for end in ends
            for eased in islice(
                _easings(asker, asker.problem if end is None else end.problem, handle, rest), most
            )
        ]
    return [end.way(rules) for end in ends if end is not None]


def _easings(
    asker: Asker, problem: Problem, handle: Handle, rest: Sequence[Handle]
) -> Iterator[_Eased]:
    """Ways of easing one rule that will do, the rules in ``rest`` being off."""
    if handle.scale is not None and (least := _least(asker, problem, handle.scale, rest)):
        yield least
        return
    is_least = True
    for ease in handle.eases:
        result, eased = _ask_chosen(asker, problem, [ease], rest)
        if result.outcome is not None:
            yield _Eased(eased, (ease.words,), is_least, result.outcome)
            return
        is_least = is_least and result.answer is Answer.NONE
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
            result, eased = _ask_chosen(asker, problem, chosen, rest)
            if result.outcome is not None:
                is_found = True
                yield _together(eased, chosen, is_least, result.outcome)
            is_least = is_least and result.answer is not Answer.UNKNOWN
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
    result, eased = _ask_chosen(asker, problem, chosen, rest)
    if result.outcome is None:
        return
    outcome = result.outcome
    for choice in list(chosen):
        fewer = [c for c in chosen if c is not choice]
        result, without_it = _ask_chosen(asker, problem, fewer, rest)
        if result.outcome is not None:
            chosen, eased, outcome = fewer, without_it, result.outcome
    # Another set may be smaller.
    yield _together(eased, chosen, False, outcome)


def _together(
    problem: Problem, chosen: Sequence[Ease], is_least: bool, outcome: Outcome
) -> _Eased:
    return _Eased(problem, (" and ".join(c.words for c in chosen),), is_least, outcome)


def _ask_chosen(
    asker: Asker, problem: Problem, chosen: Sequence[Ease], rest: Sequence[Handle]
) -> tuple[Result, Problem]:
    """The answer to the problem with all of some changes, and that problem."""
    problem = changed_by(problem, chosen)
    return asker.ask(without(problem, rest)), problem


def _least(asker: Asker, problem: Problem, scale: Scale, rest: Sequence[Handle]) -> _Eased | None:
    """Ease by the least amount that will do, the rules in ``rest`` being off.

    It is never more than the layout found last needs. A large problem, of which the last steps are
    seldom settled, gets the time of one question.
    """

    def at(step: int) -> Problem:
        return without(scale.to(scale.at(step))(problem), rest)

    low, high = 0, scale.steps_to(scale.end)
    result = asker.ask(at(high))
    if result.outcome is None:
        return None
    high, outcome = _steps_needed(scale, at, high, result)
    is_sure = True
    until = asker.budget.clock() + asker.seconds
    wanted = list[int]()
    if asker.is_large:
        # Less than that has no layout, and often that much will do.
        low = bisect_left(range(1, high), True, key=lambda n: not asker.is_hopeless(at(n)))
        wanted.append(low + 1)
    while high - low > 1:
        if asker.budget.is_over or (asker.is_large and asker.budget.clock() > until):
            is_sure = False
            break
        step = wanted.pop() if wanted else (low + high) // 2
        result = asker.ask(at(step), is_alike=True)
        if result.outcome is not None:
            high, outcome = _steps_needed(scale, at, step, result)
        else:
            low = step
            is_sure = is_sure and result.answer is Answer.NONE
    amount = scale.at(high)
    return _Eased(scale.to(amount)(problem), (scale.words(amount),), is_sure, outcome)


def _steps_needed(
    scale: Scale, at: Callable[[int], Problem], most: int, result: Result
) -> tuple[int, Outcome]:
    """Steps of easing that a layout found after ``most`` needs, and its outcome after just these.

    Nothing is proved then of what a layout costs.
    """
    assert result.outcome is not None
    assert result.assessment is not None
    layout = result.outcome.layout
    used = scale.used(result.assessment)
    step = most if used is None else max(1, scale.steps_to(used))
    if step >= most or not fits(at(step), layout):
        step = least_step(most, at, layout) or most
    if step == most:
        return most, result.outcome
    return step, _of_changed(at(step), result.outcome)


def _of_changed(problem: Problem, outcome: Outcome) -> Outcome:
    """A layout of a looser problem as one of this, of which nothing is proved."""
    layout = written_for(problem, outcome.layout)
    return replace(
        outcome, status=Status.FEASIBLE, layout=layout, bound_money=0, bound_source="",
        cost_money=assess(problem, layout).cost.objective_money,
    )  # fmt: skip
