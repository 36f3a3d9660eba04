"""What keeps the last devices out of an incomplete layout, and what would let them in.

Each is put where it would cost least cable, onto the lines and switches near it, and the judge
says which rules that breaks. The rules broken least are told, and eased as far as this place needs;
an easing is told only if the judge then finds nothing against the device there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from partitioner.check.acceptance import rule_findings, whole_findings
from partitioner.check.facts import Facts, gather_facts
from partitioner.check.judge import assess_facts
from partitioner.check.laid import lay
from partitioner.explain.handles.handle import Change, Handle, edit
from partitioner.explain.handles.register import handles_of
from partitioner.explain.needed import amount_for
from partitioner.facts.places import UNTIMED, alone, lines_for, lines_with
from partitioner.model.assessment import COMPLETE, Assessment, RuleFinding
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork

_QUICK = tuple(r for r in UNTIMED if r.name not in (COMPLETE, "stream-way"))
"""Rules that need neither delays nor the ways of streams."""
NEAREST_LINES = 4
NEAREST_SWITCHES = 3
MOST_JUDGED = 3
"""Places of one device that are judged by all rules: those with the least against them else."""
MOST_EASED = 3
"""Rules that are eased together for one place."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place for a device that has none, and what is against it.

    Attributes
    ----------
    where
        In words, to follow "as".
    findings
        Rules broken there that the layout without the device keeps; none where only delays and
        loads, which were not worked out, can be against it.
    changes
        What would allow it, in words; the judge has nothing against the device there then. Empty
        if no such changes were found.
    is_whole
        Whether delays were worked out too and changes tried; else time was up before.
    """

    device: str
    where: str
    findings: tuple[RuleFinding, ...]
    changes: tuple[str, ...]
    is_whole: bool = True


@dataclass(frozen=True, slots=True)
class NearestMiss:
    """An incomplete layout that keeps all rules otherwise, and the best place for what is missing.

    ``layout`` has the devices too that turned out to fit. ``places`` has one for each missing
    device that was looked into, in the order of the problem file.
    """

    layout: Layout
    missing: tuple[str, ...]
    places: tuple[Place, ...]


def nearest_miss(
    problem: Problem,
    layout: Layout,
    should_stop: Callable[[], bool] = lambda: False,
    is_late: Callable[[], bool] | None = None,
) -> NearestMiss:
    """Look for what keeps each device out that a layout, which keeps all other rules, lacks.

    First by all rules but those on delays and loads, which is quick, for every device; then by all
    rules, changes included. ``should_stop`` is asked before each device and each delay that is
    worked out; what was found by then is given. ``is_late`` is asked in its place before the quick
    looks, if it is given.
    """
    network = CableNetwork(problem)
    handles = handles_of(problem)
    facts = gather_facts(problem, layout, network)
    placed = layout.segment_of()
    missing = tuple(d for d in problem.devices if d not in placed)
    first: dict[str, _Trial] = {}
    for device in missing:
        if (should_stop if is_late is None else is_late)():
            break
        quick = _quick(facts, device)
        if quick:
            first[device] = quick[0]
    places: dict[str, Place] = {}
    steps = [facts]
    for device in missing:
        # What nothing speaks against is placed at once: those after it have to live with it.
        tried = [] if should_stop() else _judged(_quick(facts, device), should_stop)
        if not tried:
            break
        best = tried[0]
        if not best.findings:
            facts = best.at
            steps.append(facts)
            continue
        changes: tuple[str, ...] = ()
        for trial in tried[:2]:
            changes = () if should_stop() else _eased(trial, handles)
            if changes:
                best = trial
                break
        places[device] = Place(device, best.where, best.findings, changes)
    facts = _kept_by_builds(steps)
    for device, trial in first.items():
        # Its line may have been filled meanwhile, or its port taken.
        if device not in places and trial.stands_in(facts.layout):
            places[device] = Place(device, trial.where, trial.findings, (), is_whole=False)
    placed = facts.layout.segment_of()
    left = tuple(d for d in missing if d not in placed)
    return NearestMiss(facts.layout, left, tuple(places[d] for d in left if d in places))


def _kept_by_builds(steps: Sequence[Facts]) -> Facts:
    """The layout with most devices that breaks no rule in any build, of ever longer ones.

    To ask this at each step would take as many times as long as there are builds.
    """
    low, high = 0, len(steps) - 1
    while low < high:
        # Mostly the last one will do.
        middle = high if high == len(steps) - 1 else (low + high + 1) // 2
        if any(f.rule != COMPLETE for f in whole_findings(steps[middle])):
            high = middle - 1
        else:
            low = middle
    return steps[low]


@dataclass(frozen=True, slots=True)
class _Trial:
    """The layout with one device more, somewhere.

    ``segment`` is what it is on there, in place of the line ``before``, if that is not new.
    ``needs_port``: the segment is one more than the switch has ports for. ``at`` are its facts;
    their delays are worked out by :func:`_judged` only.
    """

    at: Facts
    where: str
    device: str
    segment: Segment
    before: Segment | None
    findings: tuple[RuleFinding, ...]
    needs_port: bool = False

    def stands_in(self, layout: Layout) -> bool:
        """Whether a layout with more devices leaves the place as it was."""
        if self.before is not None:
            return self.before in layout.segments
        port = self.segment.switch, self.segment.port
        return self.needs_port or port not in {(s.switch, s.port) for s in layout.segments}


def _quick(facts: Facts, device: str) -> list[_Trial]:
    """Each place for a device, judged without delays and loads; the fewest findings first."""
    found = []
    problem, layout = facts.problem, facts.layout
    spots = [*_on_lines(facts, device), *_alone(facts, device)]
    for where, segment, before, needs_port in spots:
        opened = {*layout.open_switches, segment.switch}
        trial = replace(
            layout,
            segments=(*(s for s in layout.segments if s != before), segment),
            open_switches=tuple(s for s in problem.switches if s in opened),
        )
        laid = tuple(s for s in facts.laid if s.segment != before)
        laid += (lay(problem, facts.network, segment),)
        moved = replace(facts, layout=trial, sound=trial, laid=laid)
        if problem.failure_rules:
            moved = moved.with_ways()
        findings = tuple(f for rule in _QUICK for f in rule.findings(moved))
        found.append(_Trial(moved, where, device, segment, before, findings, needs_port))
    return sorted(found, key=lambda t: len(t.findings))


def _judged(trials: Sequence[_Trial], should_stop: Callable[[], bool]) -> list[_Trial]:
    """The most hopeful trials judged by all rules, until nothing speaks against one."""
    found: list[_Trial] = []
    for trial in trials[:MOST_JUDGED]:
        if should_stop():
            break
        timed = trial.at.timed(linear=False)
        against = tuple(f for f in rule_findings(timed) if f.rule != COMPLETE)
        found.append(replace(trial, at=timed, findings=against))
        if not against:
            break
    return sorted(found, key=lambda t: len(t.findings))


def _on_lines(
    facts: Facts, device: str
) -> Iterator[tuple[str, Segment, Segment | None, bool]]:
    """The nearest lines with the device where it makes them least longer."""
    for _, line in lines_for(facts, device)[:NEAREST_LINES]:
        shortest = lines_with(facts, line, device)[0].segment
        # What is kept in reserve stays in reserve.
        longer = replace(shortest, node_count=line.node_count + 1)
        yield f"one more on {line.id} at {line.switch}", longer, line, False


def _alone(facts: Facts, device: str) -> Iterator[tuple[str, Segment, Segment | None, bool]]:
    """A segment of its own at the nearest switches; without a free port the next number there."""
    tried: Counter[str] = Counter()
    for segment, switch, is_free in alone(facts, device):
        tried[segment.grade] += 1
        if tried[segment.grade] <= NEAREST_SWITCHES:
            kind = "line" if segment.plca_ids else "link"
            yield f"a {segment.grade} {kind} of its own at {switch.id}", segment, None, not is_free


# -- easings ----------------------------------------------------------------------------------


def _eased(trial: _Trial, handles: Sequence[Handle]) -> tuple[str, ...]:
    """Say what would allow a trial, or nothing if no easing that was tried does."""
    problem, layout, words = trial.at.problem, trial.at.layout, []
    if trial.needs_port:
        problem, layout, said = _one_port_more(problem, layout, trial.segment)
        words.append(said)
    rules = dict.fromkeys(
        (f.rule, f.subjects) for f in trial.findings
        if not trial.needs_port or f.rule not in ("port-exists", "port-grade", "port-once")
    )
    if len(rules) + len(words) > MOST_EASED:
        return ()
    assessment = assess_facts(trial.at)
    for rule, subjects in rules:
        change = _easing(trial, assessment, rule, subjects, handles)
        if change is None:
            return ()
        to, said = change
        problem = to(problem)
        words.append(said)
    eased = gather_facts(problem, layout, CableNetwork(problem))
    left = [f for f in whole_findings(eased) if f.rule != COMPLETE]
    return () if left else tuple(dict.fromkeys(words))


def _easing(
    trial: _Trial,
    assessment: Assessment,
    rule: str,
    subjects: tuple[str, ...],
    handles: Sequence[Handle],
) -> tuple[Change, str] | None:
    """Give the change of a rule to the amount that a trial needs, or its mildest other change."""
    own = [h for h in handles if h.rule == rule]
    own.sort(key=lambda h: -len(set(subjects) & set(h.subjects)))
    for handle in own:
        if handle.subjects and not {*subjects, trial.device} & set(handle.subjects):
            continue
        amount = amount_for(handle.scale, assessment)
        if handle.scale is not None and amount is not None:
            return handle.scale.to(amount), handle.scale.words(amount)
        for ease in (*handle.choices, *handle.eases):
            if ease.is_used(trial.at.layout):
                return ease.change, ease.words
    return None


def _one_port_more(
    problem: Problem, layout: Layout, segment: Segment
) -> tuple[Problem, Layout, str]:
    """The problem with one port more for a segment that has none, and the layout on its ports."""
    switch = problem.switches[segment.switch]
    index = next(k for k, g in enumerate(switch.port_groups) if segment.grade in g.grades)
    last = sum(g.count for g in switch.port_groups[: index + 1])
    count = switch.port_groups[index].count + 1
    moved = []
    for other in layout.segments:
        if other.id == segment.id:
            moved.append(replace(other, port=last + 1))
        elif other.switch == switch.id and other.port > last:
            moved.append(replace(other, port=other.port + 1))
        else:
            moved.append(other)
    return (
        edit("switches", switch.id, "port_groups", index, count=count)(problem),
        replace(layout, segments=tuple(moved)),
        f"one more port for {segment.grade} at {switch.id}",
    )
