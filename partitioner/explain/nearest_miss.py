"""What keeps the last devices out of an incomplete layout, and what would let them in.

Each is put where it would cost least cable, onto the lines and switches near it, and the judge
says which rules that breaks. The rules broken least are told, and eased as far as this place needs;
an easing is told only if the judge then finds nothing against the device there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from partitioner.check.facts import gather_facts
from partitioner.check.geometry import segment_geometry
from partitioner.check.judge import assess, assess_facts
from partitioner.explain.handles.handle import Change, Handle, Scale, edit
from partitioner.explain.handles.register import handles_of
from partitioner.facts.places import alone, lines_for, places_on
from partitioner.model.assessment import COMPLETE, Assessment, RuleFinding
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.units import ceil_div

NEAREST_LINES = 4
NEAREST_SWITCHES = 3
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
        Rules broken there that the layout without the device keeps.
    changes
        What would allow it, in words; the judge has nothing against the device there then. Empty
        if no such changes were found.
    """

    device: str
    where: str
    findings: tuple[RuleFinding, ...]
    changes: tuple[str, ...]


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
    problem: Problem, layout: Layout, should_stop: Callable[[], bool] = lambda: False
) -> NearestMiss:
    """Look for what keeps each device out that a layout, which keeps all other rules, lacks.

    ``should_stop`` is asked before each place that is tried; what was found by then is given.
    """
    placed = layout.segment_of()
    missing = tuple(d for d in problem.devices if d not in placed)
    network = CableNetwork(problem)
    handles = handles_of(problem)
    places = []
    for device in missing:
        # What nothing speaks against is placed at once: those after it have to live with it.
        tried = _tried(problem, layout, network, device, should_stop)
        if not tried:
            break
        tried.sort(key=lambda t: len(t.findings))
        best = tried[0]
        for trial in tried[:2]:
            changes = _eased(trial, handles)
            if changes:
                best = replace(trial, changes=changes)
                break
        if best.findings:
            places.append(Place(device, best.where, best.findings, best.changes))
        else:
            layout = best.layout
    placed = layout.segment_of()
    return NearestMiss(layout, tuple(d for d in missing if d not in placed), tuple(places))


@dataclass(frozen=True, slots=True)
class _Trial:
    """The layout with one device more, somewhere; ``port``: the segment that takes one anew."""

    problem: Problem
    layout: Layout
    where: str
    device: str
    assessment: Assessment
    findings: tuple[RuleFinding, ...]
    port: Segment | None = None
    changes: tuple[str, ...] = ()


def _tried(
    problem: Problem,
    layout: Layout,
    network: CableNetwork,
    device: str,
    should_stop: Callable[[], bool],
) -> list[_Trial]:
    found: list[_Trial] = []
    candidates = [
        *_on_lines(problem, layout, network, device), *_alone(problem, layout, network, device)
    ]
    for where, segment, port in candidates:
        if should_stop():
            break
        others = tuple(s for s in layout.segments if s.id != segment.id)
        opened = layout.open_switches
        if segment.switch not in opened:
            opened = tuple(s for s in problem.switches if s in {*opened, segment.switch})
        trial = replace(layout, segments=(*others, segment), open_switches=opened)
        assessment = assess_facts(gather_facts(problem, trial, network))
        against = tuple(f for f in assessment.findings if f.rule != COMPLETE)
        found.append(
            _Trial(problem, trial, where, device, assessment, against, segment if port else None)
        )
    return found


def _on_lines(
    problem: Problem, layout: Layout, network: CableNetwork, device: str
) -> Iterator[tuple[str, Segment, bool]]:
    """The nearest lines with the device where it makes them least longer."""
    rules = problem.line
    for _, line in lines_for(problem, layout, network, device)[:NEAREST_LINES]:
        shortest = min(
            places_on(line, device, rules.switch_position),
            key=lambda s: segment_geometry(s, network, rules).length_um,
        )
        # What is kept in reserve stays in reserve.
        longer = replace(shortest, node_count=line.node_count + 1)
        yield f"one more on {line.id} at {line.switch}", longer, False


def _alone(
    problem: Problem, layout: Layout, network: CableNetwork, device: str
) -> Iterator[tuple[str, Segment, bool]]:
    """A segment of its own at the nearest switches; without a free port the next number there."""
    tried: Counter[str] = Counter()
    for segment, switch, is_free in alone(problem, layout, network, device):
        tried[segment.grade] += 1
        if tried[segment.grade] <= NEAREST_SWITCHES:
            kind = "line" if segment.plca_ids else "link"
            yield f"a {segment.grade} {kind} of its own at {switch.id}", segment, not is_free


# -- easings ----------------------------------------------------------------------------------


def _eased(trial: _Trial, handles: Sequence[Handle]) -> tuple[str, ...]:
    """Say what would allow a trial, or nothing if no easing that was tried does."""
    problem, layout, words = trial.problem, trial.layout, []
    if trial.port is not None:
        problem, layout, said = _one_port_more(problem, layout, trial.port)
        words.append(said)
    rules = dict.fromkeys(
        (f.rule, f.subjects) for f in trial.findings
        if trial.port is None or f.rule not in ("port-exists", "port-grade", "port-once")
    )
    if len(rules) + len(words) > MOST_EASED:
        return ()
    for rule, subjects in rules:
        change = _easing(trial, rule, subjects, handles)
        if change is None:
            return ()
        to, said = change
        problem = to(problem)
        words.append(said)
    left = [f for f in assess(problem, layout).findings if f.rule != COMPLETE]
    return () if left else tuple(dict.fromkeys(words))


def _easing(
    trial: _Trial, rule: str, subjects: tuple[str, ...], handles: Sequence[Handle]
) -> tuple[Change, str] | None:
    """Give the change of a rule to the amount that a trial needs, or its mildest other change."""
    own = [h for h in handles if h.rule == rule]
    own.sort(key=lambda h: -len(set(subjects) & set(h.subjects)))
    for handle in own:
        if handle.subjects and not {*subjects, trial.device} & set(handle.subjects):
            continue
        amount = _amount(handle.scale, trial.assessment)
        if handle.scale is not None and amount is not None:
            return handle.scale.to(amount), handle.scale.words(amount)
        for ease in (*handle.choices, *handle.eases):
            if ease.is_used(trial.layout):
                return ease.change, ease.words
    return None


def _amount(scale: Scale | None, assessment: Assessment) -> int | None:
    """Give the first amount on a scale that a layout does with; None if that is no looser."""
    used = None if scale is None else scale.used(assessment)
    if scale is None or used is None:
        return None
    steps = ceil_div(used - scale.start, scale.step)
    return scale.start + steps * scale.step if steps > 0 else None


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
