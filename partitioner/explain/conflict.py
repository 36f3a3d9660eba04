"""Which rules of a problem cannot be kept together: smallest sets, each confirmed by planning.

A set of rules is in conflict when the problem with all its other rules taken off has no layout,
and that is proved. It is minimal when dropping any one more gives a problem with a layout.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from partitioner.errors import Conflict, NoAnswer
from partitioner.explain.handles.handle import Handle, named_in, without
from partitioner.explain.handles.register import HOLDS, handles_of
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.runs import SMALL, Answer, Budget, Result
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.hopeless import hopeless, is_hopeless
from partitioner.solve.search import Study

MOST_LAYOUTS = 3
"""Layouts found last that the next plan knows."""
CONFIRMING_SHARE = 0.25
"""Share of the time to confirm that each rule of one conflict is needed."""
MOST_HALVED = 12
"""Rules named in a proof of which a smallest set is looked for; more are taken as named."""
MOST_CONFLICTS = 3
"""Conflicts told of one problem."""


@dataclass(frozen=True, slots=True)
class ConflictSet:
    """Rules that cannot all be kept.

    Attributes
    ----------
    rules
        In the order of the problem file.
    is_minimal
        Proved by a layout for each rule left out; else some of the rules may be no part of it.
    reasons
        What the search said of the problem with these rules only: arithmetic, where it is that.
    """

    rules: tuple[Handle, ...]
    is_minimal: bool
    reasons: tuple[Conflict, ...] = ()


@dataclass(slots=True)
class Asker:
    """Answers whether a problem has a layout with some rules taken off; remembers the answers.

    ``budget`` is the time for all questions together, ``seconds`` the most one question may take.
    ``start`` is a layout to begin with, mostly of the problem before it had these rules.
    """

    problem: Problem
    budget: Budget
    seconds: float = 20.0
    start: Layout | None = None
    handles: list[Handle] = field(init=False)
    _known: dict[frozenset[str], Result] = field(default_factory=dict, init=False)
    _layouts: list[Layout] = field(default_factory=list, init=False)
    """Layouts found of large problems that differ in a few rules: most of their lines do again."""
    _slowest_s: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        self.handles = handles_of(self.problem)

    @property
    def is_large(self) -> bool:
        """Whether only arithmetic can prove that a problem of this size has no layout."""
        return len(self.problem.devices) > SMALL

    @contextmanager
    def within(self, share: float) -> Iterator[None]:
        """Questions asked inside may take this share of the time that is left."""
        whole = self.budget
        self.budget = replace(whole, ends_at=whole.clock() + share * whole.left_s)
        try:
            yield
        finally:
            self.budget = whole

    def with_only(self, kept: Iterable[Handle], *, is_quick: bool = False) -> Result:
        """Whether a layout exists when only these rules are kept."""
        keys = {h.key for h in kept}
        return self.without([h for h in self.handles if h.key not in keys], is_quick=is_quick)

    def without(self, dropped: Sequence[Handle], *, is_quick: bool = False) -> Result:
        """Whether a layout exists when these rules are taken off.

        A quick question to a large problem is left open unless arithmetic answers it.
        """
        key = frozenset(h.key for h in dropped)
        known = self._known.get(key)
        if known is not None:
            return known
        changed = without(self.problem, dropped)
        if is_quick and self.is_large:
            if not self.is_hopeless(changed):
                return Result(Answer.UNKNOWN)
            known = Result(Answer.NONE)
        else:
            known = self.ask(changed)
        if not self.budget.is_over:
            # Else it was asked too little.
            self._known[key] = known
        return known

    def learn(self, result: Result) -> None:
        """Take in what a plan of the problem as it stands said."""
        self._known[frozenset()] = result

    def is_hopeless(self, problem: Problem) -> bool:
        """Whether arithmetic proves, within the time, that a problem has no layout."""
        try:
            return is_hopeless(ColumnBuilder(Instance(problem, look=self._look)))
        except NoAnswer:
            return False

    def reasons(self, kept: Iterable[Handle]) -> tuple[Conflict, ...]:
        """What is said of the problem with these rules only, which has no layout."""
        kept = list(kept)
        told = self.with_only(kept, is_quick=True).conflicts
        if told or not self.is_large:
            return told
        keys = {h.key for h in kept}
        return self.proof(without(self.problem, [h for h in self.handles if h.key not in keys]))

    def proof(self, problem: Problem) -> tuple[Conflict, ...]:
        """What arithmetic tells of a problem that has no layout; nothing where it sees none."""
        try:
            return tuple(hopeless(ColumnBuilder(Instance(problem, look=self._look))))
        except NoAnswer:
            return ()

    def _look(self) -> None:
        if self.budget.is_over:
            raise NoAnswer("the time for all questions is over")

    def ask(
        self, problem: Problem, *, seconds: float | None = None, is_alike: bool = False,
        start: Layout | None = None,
    ) -> Result:  # fmt: skip
        """Whether a problem has a layout at all; the first one found will do.

        ``seconds``: the most that this question may take, in place of what all may. ``is_alike``:
        it differs little from one that had a layout, so it gets a few times as long as those did.
        """
        if self.budget.is_over:
            return Result(Answer.UNKNOWN)
        seconds = self.seconds if seconds is None else seconds
        if is_alike and self._slowest_s:
            seconds = min(seconds, 1.0 + 3.0 * self._slowest_s)
        begun = self.budget.clock()
        result = self.budget.run(
            problem, seconds, study=Study(first_only=True), start=start or self.start,
            known=self._layouts,
        )  # fmt: skip
        if result.outcome is not None:
            self._slowest_s = max(self._slowest_s, self.budget.clock() - begun)
            if self.is_large:
                self._layouts = [result.outcome.layout, *self._layouts][:MOST_LAYOUTS]
        return result


def minimal_conflict(asker: Asker, dropped: Sequence[Handle] = ()) -> ConflictSet | None:
    """Find a smallest set of rules in conflict, among those not dropped.

    By halves (QuickXplain, Junker 2004), so that it takes few questions when few of many rules are
    to blame; then each rule left is taken off once more, alone, as a confirmation. That is left to
    :func:`confirmed` for a large problem. What is given is always a proved conflict; None if the
    rules that are kept are not proved to be one.
    """
    gone = {h.key for h in dropped}
    candidates = [h for h in asker.handles if h.key not in gone]
    first = asker.without([h for h in asker.handles if h.key in gone], is_quick=bool(gone))
    if first.answer is not Answer.NONE:
        return None
    told = first.conflicts or asker.reasons(candidates)
    if asker.with_only((), is_quick=True).answer is Answer.NONE:
        # Not a matter of any rule with a handle.
        return ConflictSet((), True, first.conflicts or asker.reasons(()))
    if asker.is_large:
        candidates = _told_of(asker, candidates, told)
    if asker.is_large and len(asker.handles) > len(candidates) > MOST_HALVED:
        # A proof by arithmetic is small already.
        kept = candidates
    else:
        kept = _explain(asker, [], False, candidates)
    is_minimal = False
    if not asker.is_large:
        with asker.within(CONFIRMING_SHARE):
            kept, is_minimal = _confirmed(asker, kept)
    order = {h.key: n for n, h in enumerate(asker.handles)}
    kept.sort(key=lambda h: order[h.key])
    return ConflictSet(tuple(kept), is_minimal, _as_stated(kept, asker.reasons(kept), told))


def _as_stated(
    kept: Sequence[Handle], reasons: Sequence[Conflict], told: Sequence[Conflict]
) -> tuple[Conflict, ...]:
    """Reasons with the figures that the problem states.

    Of rules that are taken off the reasons have others: those that were ``told`` before stand in
    for them, if there are any.
    """
    off = {hold.rule for hold in HOLDS} - {h.rule for h in kept}
    stated = {(r.rule, r.subjects[:1]): r for r in told}
    found = [
        stated.get((r.rule, r.subjects[:1])) if r.rule in off else r for r in reasons
    ]
    return tuple(r for r in found if r is not None) or tuple(reasons)


def _told_of(
    asker: Asker, candidates: list[Handle], reasons: Sequence[Conflict]
) -> list[Handle]:
    """Those candidates that a proof names, else those of its rules, where they are a conflict.

    A proof by arithmetic names few of hundreds of rules, so that few questions are left.
    """
    rules = {r.rule for r in reasons}
    told = {h.key for r in reasons for h in named_in(r, candidates)}
    named = [h for h in candidates if h.key in told]
    for some in (named, [h for h in candidates if h.rule in rules]):
        if some and asker.with_only(some, is_quick=True).answer is Answer.NONE:
            return some
    return candidates


def _explain(
    asker: Asker, base: list[Handle], has_grown: bool, candidates: list[Handle]
) -> list[Handle]:
    """The part of ``candidates`` that makes a conflict with ``base``; both together are one."""
    if has_grown and asker.with_only(base, is_quick=True).answer is Answer.NONE:
        return []
    if len(candidates) == 1:
        return candidates
    half = len(candidates) // 2
    left, right = candidates[:half], candidates[half:]
    from_right = _explain(asker, [*base, *left], bool(left), right)
    from_left = _explain(asker, [*base, *from_right], bool(from_right), left)
    return [*from_left, *from_right]


def confirmed(asker: Asker, conflict: ConflictSet) -> ConflictSet:
    """The conflict, each of its rules taken off once more as far as the time goes.

    Of a large problem that comes last: layouts without all other rules help to find no way out.
    """
    if conflict.is_minimal:
        return conflict
    kept, is_minimal = _confirmed(asker, list(conflict.rules))
    return replace(conflict, rules=tuple(kept), is_minimal=is_minimal)


def _confirmed(asker: Asker, kept: list[Handle]) -> tuple[list[Handle], bool]:
    """Take off each rule alone: a layout confirms it, a proof that none exists drops it."""
    is_minimal = True
    for handle in list(kept):
        if asker.budget.is_over:
            return kept, False
        rest = [h for h in kept if h is not handle]
        match asker.with_only(rest).answer:
            case Answer.NONE:
                kept = rest
            case Answer.UNKNOWN:
                is_minimal = False
    return kept, is_minimal


def conflicts_of(asker: Asker) -> list[ConflictSet]:
    """Conflicts that share no rule, one after the other, until the rest has a layout.

    The first one is of the problem as it stands; the next one of the problem without the rules of
    the first, and so on.
    """
    found: list[ConflictSet] = []
    dropped: list[Handle] = []
    while len(found) < MOST_CONFLICTS:
        conflict = minimal_conflict(asker, dropped)
        if conflict is None:
            break
        found.append(conflict)
        if not conflict.rules:
            break
        dropped += conflict.rules
    return found
