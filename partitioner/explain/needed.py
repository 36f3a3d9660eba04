"""What a layout of a looser problem makes use of: which of the rules taken off, and how far."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import count as numbers

from partitioner.check.acceptance import whole_findings
from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess
from partitioner.explain.handles.handle import Change, Ease, Handle, Scale, without
from partitioner.explain.handles.register import handles_of
from partitioner.model.assessment import Assessment, RuleFinding
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.wording import listed


@dataclass(frozen=True, slots=True)
class Use:
    """A rule that gives way: by how much, if by an amount, and in words.

    ``who``: see :class:`~partitioner.explain.handles.handle.Ease`.
    """

    handle: Handle
    words: str
    change: Change
    amount: int | None = None
    who: str = ""

    def at(self, amount: int) -> Use:
        """The same by another amount."""
        scale = self.handle.scale
        assert scale is not None
        return replace(self, words=scale.words(amount), change=scale.to(amount), amount=amount)


def changed_by(problem: Problem, changes: Iterable[Use | Ease]) -> Problem:
    """The problem with some changes made."""
    for one in changes:
        problem = one.change(problem)
    return problem


@dataclass(frozen=True, slots=True)
class Needed:
    """The rules that a layout does not keep, and changes with which it keeps all there are.

    The check accepts the layout with all of them made, which gives ``problem``. Of a layout that
    keeps all rules they are what makes it cheaper.
    """

    uses: tuple[Use, ...]
    problem: Problem

    @property
    def handles(self) -> tuple[Handle, ...]:
        """The rules."""
        return tuple(use.handle for use in self.uses)

    @property
    def changes(self) -> tuple[str, ...]:
        """The changes in words, each on one rule, or on several that change alike."""
        alike: dict[str, list[str]] = {}
        for use in self.uses:
            pattern = f"{use.words} ".replace(f" {use.who} ", " {who} ", 1).rstrip()
            alike.setdefault(pattern if use.who else use.words, []).append(use.who)
        return tuple(
            pattern.replace("{who}", listed(dict.fromkeys(who)), 1) if who[0] else pattern
            for pattern, who in alike.items()
        )


def needed(
    problem: Problem,
    handles: Sequence[Handle],
    layout: Layout,
    should_stop: Callable[[], bool] = lambda: False,
) -> Needed:
    """Say what a layout needs that was found with the rules of ``handles`` taken off.

    That may be another rule than these: without a limit of length a backbone reaches further too.
    Once ``should_stop`` says so it may be told to need more than it does.
    """
    judged = assess(problem, written_for(problem, layout))
    found = judged.findings
    if not found:
        return _needed_for_less(problem, handles, layout, judged.cost.objective_money)
    rules = handles_of(problem)
    by_finding = [[h for h in rules if _is_about(h, f)] for f in found]
    # Most rules are about the first of their subjects: a stream rather than its two ends.
    first = [[h for h in some if not h.subjects or h.subjects[0] in f.subjects]
             for some, f in zip(by_finding, found, strict=True)]  # fmt: skip
    kept = list(handles)
    sole: set[str] = set()
    for matching in (first, by_finding):
        suspects = list({h.key: h for some in matching for h in some}.values())
        if fits(without(problem, suspects), layout):
            kept, sole = suspects, {some[0].key for some in matching if len(some) == 1}
            break
    # One that alone speaks for what is broken is needed.
    kept = fewest(kept, lambda fewer: fits(without(problem, fewer), layout), sole, should_stop)
    loose = without(problem, kept)
    assessment = assess(loose, written_for(loose, layout))
    eased, uses = problem, list[Use]()
    for handle in kept:
        rest = without(eased, [h for h in kept if h is not handle])
        amount = amount_for(handle.scale, assessment)
        if amount is None:
            amount = _amount_tried(handle.scale, rest, layout)
        if handle.scale is not None and amount is not None:
            change = handle.scale.to(amount)
            eased = change(eased)
            uses.append(Use(handle, handle.scale.words(amount), change, amount))
            continue
        use = _eased_by(handle, rest, layout)
        eased = use.change(eased)
        uses.append(use)
    if not fits(eased, layout):
        eased = without(problem, kept)
        uses = [_none_of(handle) for handle in kept]
    return Needed(tuple(uses), eased)


def fewest(
    handles: Sequence[Handle],
    suffices: Callable[[Sequence[Handle]], bool],
    sole: Collection[str],
    should_stop: Callable[[], bool],
) -> list[Handle]:
    """Few of some rules that suffice, with those of the keys ``sole``: no other can be spared.

    None at all never suffice. Many are tried at a time at first, so that where few are needed the
    rest is soon gone. Once ``should_stop`` says so those not tried stay.
    """
    kept, size = list(handles), max(1, len(handles) // 2)
    while size:
        rest = [h for h in kept if h.key not in sole]
        for k in range(0, len(rest), size):
            spared = {h.key for h in rest[k : k + size]}
            fewer = [h for h in kept if h.key not in spared]
            if should_stop():
                return kept
            if fewer and suffices(fewer):
                kept = fewer
        size //= 2
    return kept


def _eased_by(handle: Handle, rest: Problem, layout: Layout) -> Use:
    """The change of a rule that a layout makes use of, or the few choices; ``rest``: all else off.

    Without the rule, where none is enough.
    """
    used = [c for c in handle.choices if c.is_used(layout)]
    for ease in (*used, *(e for e in handle.eases if e.is_used(layout))):
        if fits(ease.change(rest), layout):
            return Use(handle, ease.words, ease.change, who=ease.who)
    if not fits(changed_by(rest, used), layout):
        return _none_of(handle)
    for choice in list(used):
        fewer = [c for c in used if c is not choice]
        if fits(changed_by(rest, fewer), layout):
            used = fewer
    return Use(handle, " and ".join(c.words for c in used), partial(changed_by, changes=used))


def _none_of(handle: Handle) -> Use:
    return Use(handle, f"do without: {handle.sentence.removesuffix('.')}", handle.off)


def _needed_for_less(
    problem: Problem, handles: Sequence[Handle], layout: Layout, cost_money: int
) -> Needed:
    """What a layout needs to cost as little as without some rules, all of which it keeps.

    That is more ports of a cheap kind, where it has a dear one for want of them.
    """
    loose = without(problem, handles)
    free_money = assess(loose, written_for(loose, layout)).cost.objective_money
    uses, eased = list[Use](), problem
    for handle in handles if free_money < cost_money else ():
        scale = handle.scale
        if scale is None or handle.rule != "port-exists":
            continue
        amount = scale.start
        while amount < scale.end:
            wider = scale.to(amount + scale.step)(eased)
            if _ports_money(wider, layout) >= _ports_money(eased, layout):
                break
            amount, eased = amount + scale.step, wider
        if amount != scale.start:
            uses.append(Use(handle, scale.words(amount), scale.to(amount), amount))
    if assess(eased, written_for(eased, layout)).cost.objective_money > free_money:
        return Needed((), problem)
    return Needed(tuple(uses), eased)


def _ports_money(problem: Problem, layout: Layout) -> int:
    """Prices of the ports that a layout takes."""
    segments = written_for(problem, layout).segments
    return sum(problem.switches[s.switch].ports[s.port].price_money for s in segments)


def _is_about(handle: Handle, finding: RuleFinding) -> bool:
    is_theirs = not handle.subjects or not set(finding.subjects).isdisjoint(handle.subjects)
    return handle.rule == finding.rule and is_theirs


def amount_for(scale: Scale | None, assessment: Assessment) -> int | None:
    """Give the first amount on a scale that a layout does with; None if that is no looser."""
    used = None if scale is None else scale.used(assessment)
    if scale is None or used is None:
        return None
    steps = scale.steps_to(used)
    return scale.start + steps * scale.step if steps > 0 else None


def _amount_tried(scale: Scale | None, problem: Problem, layout: Layout) -> int | None:
    """The same where it cannot be read off the layout, by trying; ``problem``: all else is off."""
    if scale is None:
        return None
    step = least_step(
        scale.steps_to(scale.end), lambda n: scale.to(scale.at(n))(problem), layout
    )
    return None if step is None else scale.at(step)


def least_step(most: int, at: Callable[[int], Problem], layout: Layout) -> int | None:
    """The first of some steps of easing, from 1 to ``most``, at which the check accepts a layout.

    None where it does not at the last.
    """
    if not fits(at(most), layout):
        return None
    return 1 + bisect_left(range(1, most), True, key=lambda step: fits(at(step), layout))


def fits(problem: Problem, layout: Layout) -> bool:
    """Whether the check accepts a layout, its ports numbered as the problem has them."""
    facts = gather_facts(problem, written_for(problem, layout), CableNetwork(problem))
    return not whole_findings(facts)


def written_for(problem: Problem, layout: Layout) -> Layout:
    """The layout with the port numbers of a problem, and node counts that hold its reserve.

    Port numbers count through the groups of ports of a switch, so they move where a group has
    another count. A segment for which there is no port has the number after the last.
    """
    by_switch: dict[str, list[Segment]] = {}
    for segment in layout.segments:
        by_switch.setdefault(segment.switch, []).append(segment)
    numbered: dict[str, int] = {}
    for name, segments in by_switch.items():
        numbered |= _ports(problem, name, segments)
    return replace(
        layout,
        segments=tuple(
            replace(s, port=numbered[s.id], node_count=_node_count(problem, s))
            for s in layout.segments
        ),
    )


def _node_count(problem: Problem, segment: Segment) -> int:
    if not segment.plca_ids:
        return segment.node_count
    reserve = problem.limits[segment.grade].reserve.nodes
    return max(segment.node_count, max(segment.plca_ids) + 1 + reserve)


def _ports(problem: Problem, name: str, segments: Iterable[Segment]) -> dict[str, int]:
    """A port for each segment at a switch; kinds of ports that serve least are used first."""
    switch = problem.switches[name]
    serves = {port: group.grades for port, group in switch.ports.items()}
    free = sorted(serves, key=lambda port: (len(serves[port]), port))
    beyond = numbers(switch.port_count + 1)
    found = {}
    for segment in segments:
        mine = next((port for port in free if segment.grade in serves[port]), None)
        if mine is None:
            found[segment.id] = next(beyond)
            continue
        free.remove(mine)
        found[segment.id] = mine
    return found
