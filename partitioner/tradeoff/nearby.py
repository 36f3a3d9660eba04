"""Layouts near one that is known: a device elsewhere, so that the slowest stream gets faster.

A run under a limit begins with nothing, and of many devices with tight limits it may end so. Moving
one device at a time there is a layout in a moment; it is good enough to begin with, and proves
nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess
from partitioner.facts.elsewhere import places_of
from partitioner.model.problem import Problem
from partitioner.tradeoff.axes import Axis
from partitioner.tradeoff.known_segments import Found

MOST_JUDGED = 12
"""Places judged, cheapest first, before the best of them is taken; more while none is better."""


def nearby(
    problem: Problem, axis: Axis, found: Found, should_stop: Callable[[], bool]
) -> Found | None:
    """The layout with one device elsewhere that gains most for its cost; None if none is better.

    Looked at are the devices on the segments of both ends of the stream that ``found`` has its
    value of. ``should_stop`` is asked before each place is judged.
    """
    stream = problem.streams[found.stream]
    segment_of = found.layout.segment_of()
    ends = [d for d in (stream.source, *stream.destinations) if d in segment_of]
    devices = dict.fromkeys(d for end in ends for d in segment_of[end].devices)
    facts = gather_facts(problem, found.layout)
    best: Found | None = None
    judged = 0
    for place in places_of(facts, devices, should_stop):
        if (judged >= MOST_JUDGED and best is not None) or should_stop():
            break
        judged += 1
        assessment = assess(problem, place.layout)
        value, slowest = axis.of(problem, assessment)
        if assessment.findings or value >= found.value:
            continue
        other = Found(place.layout, assessment.cost.objective_money, value, slowest)
        if best is None or _price(found, other) < _price(found, best):
            best = other
    return best


def _price(before: Found, after: Found) -> float:
    """What each unit of the value that is gained costs."""
    return (after.cost_money - before.cost_money) / (before.value - after.value)
