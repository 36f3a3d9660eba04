"""Small random reruns: a changed problem, the earlier layout, what must stay untouched."""

from __future__ import annotations

import random
from dataclasses import replace

from partitioner.check.facts import gather_facts
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import BackboneShape, ChangePrices, Problem
from partitioner.replan.rerun import CannotHold, held_by
from partitioner.solve.change import Held
from tests.brute.oracle import Oracle
from tests.brute.random_problems import MS, random_problem
from tests.brute.tight_problems import all_streams

KINDS: dict[str, dict] = {
    "plain": {},
    "price": {"latency": True},
    "anywhere": {"anywhere": True},
    "links": {"links": True},
    "reserve": {"reserve": True, "latency": True},
    "rules": {"groups": True, "pins": True, "sharing": True},
    "tree": {"candidates": True, "backbone": BackboneShape.TREE},
    "options": {"options": 2},
    "pathways": {"pathways": True, "capacities": True},
    "held": {"latency": True},
    "mix": {},
}
"""Features that a kind always has; ``mix`` has any."""
FEATURES = ("latency", "anywhere", "links", "reserve", "groups", "pins", "sharing", "mass")
DEADLINES = ("loose", "tight", "tight", "ten periods")
"""How deadlines are set, in turn by seed."""

Rerun = tuple[Problem, Layout, Held]


def random_rerun(seed: int, kind: str) -> Rerun | None:
    """Make a rerun of a kind; the same seed and kind make the same one.

    None where nothing could be drawn, or what was drawn cannot be held.
    """
    rng = random.Random(f"rerun/{kind}/{seed}")
    features: dict = {f: True for f in FEATURES if kind == "mix" and rng.random() < 0.3}
    features |= {"switches": rng.choice([1, 1, 2]), "backbone": BackboneShape.FIXED} | KINDS[kind]
    whole = random_problem(
        rng.randrange(10**9), rng.choice([3, 4, 4]), nodes=rng.choice([3, 4, 5]), **features
    )
    names = list(whole.devices)
    rng.shuffle(names)
    gone, new = set(names[: rng.choice([0, 1, 1])]), set(names[-1:] if rng.random() < 0.5 else [])
    prices = [rng.choice([0, 1, 7, 150, 999, 10_001, 30_011]) for _ in range(6)]
    problem = replace(
        without(whole, gone), change_prices=ChangePrices(*prices), name=f"{kind}-{seed}"
    )
    drawn = list(Oracle(without(whole, new)).drawn(rng, 30))
    if not drawn:
        return None
    old = drawn[rng.randrange(len(drawn))]
    old = replace(old, segments=tuple(_named(rng, k, s) for k, s in enumerate(old.segments)))
    problem = _with_deadlines(rng, problem, DEADLINES[seed % len(DEADLINES)])
    if kind != "held" and rng.random() < 0.8:
        return problem, old, Held()
    try:
        return problem, old, _held(rng, problem, old)
    except CannotHold:
        return None


def _named(rng: random.Random, number: int, segment: Segment) -> Segment:
    """A segment with a short name and, on a line, PLCA IDs drawn anew, some beyond its devices."""
    ids = segment.plca_ids
    if ids:
        top = rng.choice([len(ids), len(ids), len(ids) + 1, len(ids) + 3, 9])
        ids = tuple(rng.sample(range(1, top + 1), len(ids)))
    count = max(ids) + 1 if ids else 0
    return replace(segment, id=f"old-{number}", plca_ids=ids, node_count=count)


def _held(rng: random.Random, problem: Problem, before: Layout) -> Held:
    things = [d for s in before.segments for d in s.devices if d in problem.devices]
    things += [s.id for s in before.segments]
    if rng.random() < 0.2:
        return held_by(problem, before, complete=True)
    if rng.random() < 0.15:
        things = list(problem.switches)
    return held_by(problem, before, rng.sample(things, min(len(things), rng.choice([1, 1, 2]))))


def without(problem: Problem, gone: set[str]) -> Problem:
    """A problem that lacks some devices."""
    return replace(
        problem,
        devices={d: row for d, row in problem.devices.items() if d not in gone},
        streams={
            s.id: s
            for s in problem.streams.values()
            if s.source not in gone and not gone & set(s.destinations)
        },
        groups=tuple(
            replace(g, devices=tuple(d for d in g.devices if d not in gone))
            for g in problem.groups
            if len(set(g.devices) - gone) > 1
        ),
    )


def _with_deadlines(rng: random.Random, problem: Problem, way: str) -> Problem:
    """Set deadlines; if tight, to 1 to 1.5 times the delays of some layout with some IDs."""
    if way == "loose":
        return problem
    problem = all_streams(problem, lambda s: replace(s, deadline_ns=10 * s.period_ns))
    if way == "ten periods":
        return problem
    period = rng.choice([MS // 2, MS, 5 * MS])
    problem = all_streams(problem, lambda s: replace(s, period_ns=max(period, s.period_ns // 4)))
    drawn = list(Oracle(problem).drawn(rng, 20))
    if not drawn:
        return problem
    layout = drawn[rng.randrange(len(drawn))]
    layout = replace(
        layout, segments=tuple(_named(rng, k, s) for k, s in enumerate(layout.segments))
    )
    facts = gather_facts(problem, layout)
    worst: dict[str, int] = {}
    for row in facts.timing.streams:
        if row.bound_ns is not None:
            worst[row.stream] = max(worst.get(row.stream, 0), row.bound_ns)
    slack = rng.choice([1.0, 1.0, 1.02, 1.5])
    return all_streams(
        problem,
        lambda s: replace(
            s, deadline_ns=min(10 * s.period_ns, 1_000 + int(slack * worst.get(s.id, 2**60)))
        ),
    )
