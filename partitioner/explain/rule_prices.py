"""What each rule costs: the cheapest layout with it against the cheapest without it.

Where a run ends before proof, the price is an interval: what is certain from the costs found and
the bounds proved.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto

from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess
from partitioner.explain.handles.handle import Handle, edit, without
from partitioner.explain.handles.register import HOLDS, handles_of
from partitioner.explain.needed import Needed, needed, written_for
from partitioner.facts.elsewhere import OtherPlace, lines_elsewhere, places_of, why_there
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Status
from partitioner.model.problem import Group, GroupKind, Problem
from partitioner.network.cable import CableNetwork
from partitioner.runs import Answer, Budget, Result
from partitioner.solve.search import Study

LEAST_S, LEAST_PER_DEVICE_S = 4.0, 0.025
"""Least seconds of one plan, and for each of many devices: in less nothing cheaper is found, and a
few rules of which something is known say more than many of which nothing is."""
MOVES_SHARE, MOST_MOVES, MOST_OF_A_KIND = 0.15, 3, 12
"""Share of the time for what single devices and lines elsewhere would save, and how many of them
are judged for a rule, and for several of a kind: delays mostly speak against the others too."""
UNREAD_ROOM = 0.1
"""Where what a layout leaves of a rule cannot be read off it: before those with more left."""
FEW = 3
"""Of several rules of a kind, what a change of so many saves is told beside what all of them cost,
and so many such changes."""
NEEDED_SHARE = 0.25
"""Of the time of a plan: what finding the changes that it needs may take."""
TIGHT_SHARE = 0.2
"""Share of a deadline left up to which choosing ports anew finds more than lines by geometry do."""
UNSURE_GAP = 0.02
"""Gap of a layout above which what is saved without a rule may be owed to the search alone, and
with which bounds of layouts without a rule say little."""
MOST_SINGLE = 12
"""Of several rules that cost something together, so many are priced alone too."""


Rules = tuple[str, tuple[Handle, ...]]
"""Rules taken off at once, and what they are called together."""


@dataclass(frozen=True, slots=True)
class Price:
    """A price known to lie between two amounts, in objective money; ``most`` None: no end.

    ``is_impossible``: proved that there is no layout to compare with.
    """

    least_money: int
    most_money: int | None
    is_impossible: bool = False

    @property
    def is_exact(self) -> bool:
        """Whether the price is one amount."""
        return self.least_money == self.most_money


class Tried(Enum):
    """How far a rule was tried."""

    ALONE = auto()
    """Planned without it, or without it and the others of its kind that are priced with it."""
    AMONG = auto()
    """Planned without it and several others, as there was no time for each."""
    MOVED = auto()
    """Known is only what one device or line elsewhere would save."""
    NOT = auto()
    """There was no time."""


@dataclass(frozen=True, slots=True)
class RulePrice:
    """What one rule, or several of a kind taken together, cost.

    ``binds`` is proved: without it there is a cheaper layout than any with it. ``saved_money``: by
    how much the cheapest layout found without it is cheaper than the best one found with it.
    ``changes``: what that layout needs, in words; with all of them made it keeps every rule.
    ``layout`` is that layout; None where none is cheaper.
    """

    name: str
    handles: tuple[Handle, ...]
    price: Price
    tried: Tried = Tried.ALONE
    saved_money: int = 0
    changes: tuple[str, ...] = ()
    layout: Layout | None = None

    @property
    def is_tried(self) -> bool:
        """Whether anything is known of its price."""
        return self.tried is not Tried.NOT

    @property
    def binds(self) -> bool:
        """Whether it certainly costs something."""
        return self.price.least_money > 0

    @property
    def may_bind(self) -> bool:
        """Whether it may cost something as far as is known."""
        return self.price.most_money is None or self.price.most_money > 0


@dataclass(frozen=True, slots=True)
class LayoutExplained:
    """Why a layout costs what it costs: a price for each rule, dearest first."""

    outcome: Outcome
    assessment: Assessment
    prices: tuple[RulePrice, ...]


def price_between(base: Outcome, other: Result) -> Price:
    """What is certain of (cheapest of base) less (cheapest of other), other being looser."""
    least = max(0, base.bound_money - _cost(other)) if other.outcome is not None else 0
    # Without a bound nothing is known: no rule costs more than the whole layout.
    most = max(0, base.cost_money - other.bound_money) if other.bound_money > 0 else None
    return Price(least, most)


def surcharge(base: Outcome, other: Result) -> Price:
    """What is certain of (cheapest of other) less (cheapest of base), other being tighter."""
    if other.answer is Answer.NONE:
        return Price(0, None, is_impossible=True)
    least = max(0, other.bound_money - base.cost_money)
    if other.outcome is None:
        return Price(least, None)
    return Price(least, max(0, _cost(other) - base.bound_money))


def _cost(result: Result) -> int:
    assert result.outcome is not None
    return result.outcome.cost_money


def _layout(result: Result) -> Layout:
    assert result.outcome is not None
    return result.outcome.layout


def together(problem: Problem) -> list[Rules]:
    """Handles as they are priced: limits one by one, ports, deadlines, groups of a kind at once.

    Where several are taken together, the single ones follow only if the whole costs something.
    """
    single: list[Rules] = []
    kinds: dict[str, list[Handle]] = {}
    names = {hold.rule: hold.priced_as for hold in HOLDS if hold.priced_as}
    for handle in handles_of(problem):
        if handle.rule in names:
            kinds.setdefault(handle.rule, []).append(handle)
        else:
            single.append((handle.sentence, (handle,)))
    for rule, handles in kinds.items():
        title = handles[0].sentence if len(handles) == 1 else names[rule]
        single.append((title, tuple(handles)))
    return single


def rule_prices(
    problem: Problem,
    base: Outcome,
    assessment: Assessment,
    budget: Budget,
    on_rule: Callable[[str], None],
    on_prices: Callable[[LayoutExplained], None] = lambda so_far: None,
) -> LayoutExplained:
    """Price every rule of a problem that has a plan, ``base``, and its assessment; dearest first.

    ``budget`` is the time for all plans; rules that the plan uses up come first, those of which it
    has some left last; where time is short the last ones are taken off together, and those not
    reached follow as not tried. ``on_rule`` is told the name of each rule before it is taken off,
    ``on_prices`` what is known after each. A cheaper layout that keeps all rules may be met on the
    way: then that one is explained.
    """
    pricing = _Pricing(problem, base, assessment, budget)
    while pricing.goes_on:
        step = pricing.next_step()
        on_rule(step.name.removesuffix("."))
        if pricing.take(step):
            on_prices(pricing.explained())
    return pricing.explained()


@dataclass(frozen=True, slots=True)
class _Step:
    """Rules taken off next; ``last``: all that are left, where these are taken off at once."""

    name: str
    handles: tuple[Handle, ...]
    last: tuple[Rules, ...] = ()

    @property
    def parts(self) -> tuple[Rules, ...]:
        """Rules that were to be priced each by itself."""
        return self.last or ((self.name, self.handles),)


class _Pricing:
    """Prices rules step by step; what is found on the way decides what is tried next."""

    def __init__(self, problem: Problem, base: Outcome, assessment: Assessment, budget: Budget):
        self.problem, self.base, self.assessment = problem, base, assessment
        self.budget = budget
        self.moved = _by_single_moves(problem, base, budget)
        self.known = {one.name: one for one in reversed(self.moved)}
        self.todo = sorted(
            together(problem),
            key=lambda pair: (
                _cost(self.known[pair[0]].result) if pair[0] in self.known else base.cost_money,
                _room(pair[1], assessment),
            ),
        )
        self.untried: list[Rules] = []
        self.results: list[_Priced] = []
        self.least_s = max(LEAST_S, LEAST_PER_DEVICE_S * len(problem.devices))
        self.took: list[float] = []

    @property
    def goes_on(self) -> bool:
        """Whether there are rules to try and time for that."""
        return bool(self.todo) and not self.budget.is_over

    def explained(self) -> LayoutExplained:
        """What is known so far."""
        found = [one.price(self.base) for one in _told([*self.results, *self.moved], self.base)]
        found.sort(
            key=lambda p: (
                -p.price.least_money, -p.saved_money, -(p.price.most_money or 0), p.name
            )
        )
        names = {p.name for p in found}
        found += [
            RulePrice(name, handles, Price(0, None), Tried.NOT)
            for name, handles in (*self.untried, *self.todo) if name not in names
        ]
        return LayoutExplained(self.base, self.assessment, tuple(found))

    def next_step(self) -> _Step:
        """Take the next rules off the list; where time is short, all that are left."""
        took, left_s = self.took, self.budget.left_s
        if took and left_s < 2 * min(self.least_s, sum(took) / len(took)):
            # Single ones of a kind that is priced stay untried.
            priced = {h.key for one in self.results if len(one.handles) > 1 for h in one.handles}
            new = [one for one in self.todo if not priced.issuperset(_keys(one[1]))]
            if len(new) > 1:
                self.untried += [one for one in self.todo if one not in new]
                self.todo = []
                handles = tuple(h for _, some in new for h in some)
                return _Step(f"the last {len(new)} rules, all at once", handles, tuple(new))
        return _Step(*self.todo.pop(0))

    def take(self, step: _Step) -> bool:
        """Plan without some rules; true if that tells anything of their price."""
        seconds = max(self.least_s, self.budget.left_s / (len(self.todo) + 1))
        result = self._planned_without(step, seconds)
        if result.outcome is None:
            self.untried += step.parts
            return False
        if result.outcome.cost_money < self.base.cost_money:
            self.base, self.assessment = _cheaper(
                self.problem, self.base, self.assessment, result.outcome
            )
        uses = None
        if result.outcome.cost_money < self.base.cost_money:
            is_late = self.budget.over_within(NEEDED_SHARE * seconds)
            uses = needed(self.problem, step.handles, result.outcome.layout, is_late)
            if is_late() and len(uses.handles) > MOST_SINGLE:
                # Time went before those that are not needed were told from the others.
                uses = None
                self.untried += step.last
                if step.last:
                    return False
        if step.last:
            done, left = _of_several(step.last, result, uses)
            self.results += done
            self.untried += left
            return True
        self.results.append(_Priced(step.name, step.handles, result, uses))
        if len(step.handles) > 1 and price_between(self.base, result).most_money != 0:
            single = _worth_trying(step.handles, self.assessment, self.base, result, uses)
            self.todo += [(h.sentence, (h,)) for h in single]
        return True

    def _planned_without(self, step: _Step, seconds: float) -> Result:
        """Plan without some rules, beginning at the cheapest layout known to do without them."""
        loose = without(self.problem, step.handles)
        moves = [self.known[name].result for name, _ in step.parts if name in self.known]
        start = self.base.layout
        if moves and _cost(best := min(moves, key=_cost)) < self.base.cost_money:
            start = _layout(best)
        study = _study(step.handles, self.base, self.assessment)
        began = self.budget.clock()
        result = self.budget.run(loose, seconds, start=written_for(loose, start), study=study)
        self.took.append(self.budget.clock() - began)
        return result


def _keys(handles: Iterable[Handle]) -> frozenset[str]:
    return frozenset(h.key for h in handles)


@dataclass(frozen=True, slots=True)
class _Priced:
    """Rules, what came of planning without them, and what that needs."""

    name: str
    handles: tuple[Handle, ...]
    result: Result
    uses: Needed | None
    tried: Tried = Tried.ALONE

    @property
    def changes(self) -> tuple[str, ...]:
        """What the layout without the rules needs, in words."""
        return () if self.uses is None else self.uses.changes

    def price(self, base: Outcome) -> RulePrice:
        """What that says of the price."""
        saved = max(0, base.cost_money - _cost(self.result))
        known = price_between(base, self.result)
        price = RulePrice(self.name, self.handles, known, self.tried, saved)
        if not saved:
            return price
        return replace(price, changes=self.changes, layout=_layout(self.result))


def _told(found: Sequence[_Priced], base: Outcome) -> list[_Priced]:
    """What is worth telling: of the same rules, or the same changes, what was found first.

    Of what is known by a move alone, only what saves something.
    """
    told: dict[frozenset[str], _Priced] = {}
    changes: set[tuple[str, ...]] = set()
    for one in found:
        rules = _keys(one.handles)
        is_move = one.tried is Tried.MOVED
        if rules in told or (is_move and _cost(one.result) >= base.cost_money):
            continue
        if is_move and one.changes in changes:
            continue
        told[rules] = one
        changes.add(one.changes)
    return list(told.values())


def _of_several(
    rules: Sequence[Rules], result: Result, uses: Needed | None
) -> tuple[list[_Priced], list[Rules]]:
    """What a plan without several rules says of each, and those of which it says nothing.

    Alone none costs more than all of them together. Where that is something, it is the price of
    those that the layout does not keep.
    """
    if uses is None:
        return [_Priced(*one, result, None, Tried.AMONG) for one in rules], []
    broken = _keys(uses.handles)
    needs = [(name, some) for name, some in rules if not broken.isdisjoint(_keys(some))]
    others = [one for one in rules if one not in needs]
    name = "; ".join(name.removesuffix(".") for name, _ in needs)
    handles = tuple(h for _, some in needs for h in some)
    tried = Tried.ALONE if len(needs) == 1 else Tried.AMONG
    return ([_Priced(name, handles, result, uses, tried)] if needs else []), others


def _study(
    handles: Sequence[Handle], base: Outcome, assessment: Assessment
) -> Study | None:
    """What a plan without some rules goes for: only a cheaper layout, where a proof is far."""
    is_tight = any(
        f.bound_ns is not None and f.bound_ns > (1 - TIGHT_SHARE) * f.deadline_ns
        for f in assessment.streams
    )
    # Ports without number are too many to be chosen among one by one.
    if not is_tight or base.gap <= UNSURE_GAP or handles[0].rule == "port-exists":
        return None
    return Study(only_cheaper=True)


def _cheaper_places(
    problem: Problem, layout: Layout, should_stop: Callable[[], bool]
) -> list[OtherPlace]:
    """Places of one device or line that are cheaper and break rules, those that save most first."""
    facts = gather_facts(problem, layout, CableNetwork(problem))
    places = [p for why in why_there(facts, (), should_stop) for p in why.places]
    places += [p for line in lines_elsewhere(facts, (), should_stop) for p in line.places]
    return sorted((p for p in places if p.broken and p.worth < 0), key=lambda p: p.worth)


def _by_single_moves(problem: Problem, base: Outcome, budget: Budget) -> list[_Priced]:
    """Cheaper layouts without a rule in which one device or line hangs elsewhere.

    For each rule, or all of a kind, the one that saves most; of all of a kind also those that need
    only a few of them changed, priced for these.
    """
    is_over = budget.over_within(MOVES_SHARE * budget.left_s)
    found: list[_Priced] = []
    done: set[str] = set()
    tries: Counter[str] = Counter()
    few: Counter[str] = Counter()
    rules = together(problem)
    for place in _cheaper_places(problem, base.layout, is_over):
        # Those found first; there may be more.
        broken = {f.rule for f in place.broken}
        for name, handles in rules:
            if is_over():
                return found
            is_kind = len(handles) > 1
            if not broken <= {h.rule for h in handles} or (
                few[name] >= FEW if is_kind else name in done
            ):
                continue
            tries[name] += 1
            if tries[name] > (MOST_OF_A_KIND if is_kind else MOST_MOVES):
                continue
            loose = without(problem, handles)
            layout = written_for(loose, place.layout)
            judged = assess(loose, layout)
            cost = judged.cost.objective_money
            if judged.findings or cost >= base.cost_money:
                continue
            outcome = replace(
                base, layout=layout, cost_money=cost, bound_money=0, status=Status.FEASIBLE
            )
            result = Result(Answer.FOUND, outcome, judged)
            uses = needed(problem, handles, layout, is_over)
            if name not in done:
                done.add(name)
                found.append(_Priced(name, handles, result, uses, Tried.MOVED))
            if is_kind and 0 < len(uses.handles) <= FEW:
                few[name] += 1
                alone = "; ".join(h.sentence.removesuffix(".") for h in uses.handles) + "."
                found.append(_Priced(alone, uses.handles, result, uses, Tried.MOVED))
    return found


def _worth_trying(
    handles: Sequence[Handle],
    assessment: Assessment,
    base: Outcome,
    result: Result,
    uses: Needed | None,
) -> list[Handle]:
    """Rules of several that are worth taking off alone.

    The tightest where their price together is known; else those that a cheaper layout without
    them does not keep, if it needs more than one off. Alone they cost no more than together.
    """
    if price_between(base, result).is_exact:
        return _tightest(handles, assessment)[:MOST_SINGLE]
    broken = _keys(uses.handles) if uses is not None else frozenset()
    alone = [h for h in handles if h.key in broken]
    return alone[:MOST_SINGLE] if len(alone) > 1 else []


def _room(handles: Sequence[Handle], assessment: Assessment) -> float:
    """Share of a rule that a layout leaves: 0 nothing; of several the least."""
    rooms = []
    for handle in handles:
        used = None if handle.scale is None else handle.scale.used(assessment)
        if handle.scale is None or used is None:
            rooms.append(UNREAD_ROOM)
            continue
        left = (handle.scale.start - used) * (1 if handle.scale.step > 0 else -1)
        is_used_up = left < abs(handle.scale.step)
        rooms.append(0.0 if is_used_up else left / max(1, abs(handle.scale.start)))
    return min(rooms)


def _cheaper(
    problem: Problem, base: Outcome, assessment: Assessment, other: Outcome
) -> tuple[Outcome, Assessment]:
    """The cheaper layout of a looser problem as the plan of this one, if it keeps all its rules."""
    layout = written_for(problem, other.layout)
    judged = assess(problem, layout)
    if judged.findings or judged.cost.objective_money >= base.cost_money:
        return base, assessment
    cost = judged.cost.objective_money
    status = Status.OPTIMAL if cost <= base.bound_money else base.status
    return replace(base, layout=layout, cost_money=cost, status=status), judged


def _tightest(handles: Sequence[Handle], assessment: Assessment) -> list[Handle]:
    """Deadlines with the least left first; the others as they come."""
    left = {f.stream: (f.bound_ns or 2**40) / f.deadline_ns for f in assessment.streams}
    return sorted(handles, key=lambda h: -left.get(h.subjects[0] if h.subjects else "", 0.0))


# -- one device -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """The cheapest layout with a device somewhere else, against the plan.

    ``reasons`` say why there is none, as far as arithmetic says it.
    """

    where: str
    surcharge: Price
    reasons: tuple[str, ...] = ()


def elsewhere(problem: Problem, base: Outcome, device: str, budget: Budget) -> list[Elsewhere]:
    """Price every other home of a device: other switches, other mates, another grade.

    Raises
    ------
    KeyError
        If the problem has no such device.
    """
    row = problem.devices[device]
    segment = base.layout.segment_of()[device]
    found = []
    # With nothing else moved there mostly is a layout at once, so that little time prices too.
    places = places_of(gather_facts(problem, base.layout), [device])
    near = [(p.layout, p.layout.segment_of()[device]) for p in places]
    todo: list[tuple[str, Problem, list[Layout]]] = []
    allowed = row.pinned_switches or tuple(problem.switches)
    for switch in problem.switches:
        if switch != segment.switch and switch in allowed:
            pin = edit("devices", device, pinned_switches=(switch,))
            todo.append((f"on {switch}", pin(problem), [n for n, s in near if s.switch == switch]))
    mates = [d for d in segment.devices if d != device]
    if mates:
        all_ = f"all of {', '.join(mates)}" if len(mates) > 1 else mates[0]
        for them, whom in ((all_, mates), *((m, [m]) for m in mates if len(mates) > 1)):
            apart = [n for n, s in near if not {*whom} & {*s.devices}]
            todo.append((f"away from {them}", _apart(problem, device, whom), apart))
    served = problem.served_grades
    for choice in row.grades:
        if choice.grade != segment.grade and choice.grade in served:
            only = edit("devices", device, grades=(choice,))
            there = [n for n, s in near if s.grade == choice.grade]
            todo.append((f"by {choice.grade}", only(problem), there))
    others = [d for d in problem.devices if d != device]
    is_line = problem.catalogue.is_line(segment.grade)
    if is_line and mates and len(mates) < len(others):
        alone = [n for n, s in near if len(s.devices) == 1]
        todo.append(("on a segment of its own", _apart(problem, device, others), alone))
    for number, (where, changed, starts) in enumerate(todo):
        result = Result(Answer.UNKNOWN)
        if not budget.is_over:
            start = next(iter(starts), None)
            seconds = budget.left_s / (len(todo) - number)
            result = budget.run(changed, seconds, start=start, known=[base.layout])
        found.append(
            Elsewhere(
                where,
                surcharge(base, result),
                # That no choice of segments keeps all rules is no more than "not possible".
                tuple(c.sentence for c in result.conflicts if c.rule != "combination"),
            )
        )
    return found


def _apart(problem: Problem, device: str, mates: Iterable[str]) -> Problem:
    apart = (
        Group(f"explain/{device}/{mate}", GroupKind.APART_SEGMENT, (device, mate))
        for mate in mates
    )
    return replace(problem, groups=(*problem.groups, *apart))
