"""Small random problems over every kind of rule, half of them with deadlines that bind.

A problem is drawn by :mod:`tests.brute.random_problems` with the features of its kind and, now and
then, further ones. Then its deadlines (and in some kinds its load limits and transfers) are set
around what the check says of a layout drawn at random, so that they decide what is allowed.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

from partitioner.check.facts import Facts, gather_facts
from partitioner.model.frames import stream_frame_bytes
from partitioner.model.problem import BackboneShape, Encapsulation, Problem, Stream
from tests.brute.oracle import Oracle, accepts
from tests.brute.random_problems import MS, random_problem

KINDS: dict[str, dict] = {
    "plain": {},
    "anywhere": {"anywhere": True, "spacing": True},
    "links": {"links": True, "backbone": BackboneShape.FIXED},
    "only-links": {"only_links": True, "links": True},
    "pathways": {"pathways": True, "capacities": True},
    "options": {"options": 2, "option_tail": True, "anywhere": True},
    "builds": {"options": 2, "builds": True, "failures": True},
    "rules": {"groups": True, "pins": True, "sharing": True},
    "tree": {"candidates": True, "backbone": BackboneShape.TREE, "switches": 3},
    "ring": {"candidates": True, "backbone": BackboneShape.RING, "switches": 3},
    "any": {"candidates": True, "backbone": BackboneShape.ANY, "switches": 3},
    "relay": {"candidates": True, "pins": True, "switches": 3},
    "weights": {"mass": True, "latency": True},
    "queues": {"queue_pcp": True, "links": True},
    "transfers": {"transfers": True, "backbone": BackboneShape.FIXED},
    "failures": {"failures": True, "backbone": BackboneShape.RING, "switches": 3},
    "load": {"links": True},
    "reserve": {"reserve": True, "spacing": True},
    "five": {"devices": 5, "switches": 1},
    "mix": {},
}
"""Features that a kind always has; others come now and then, in ``mix`` often."""
FEATURES = (
    "anywhere", "spacing", "links", "groups", "pins", "sharing", "candidates", "mass", "latency",
    "queue_pcp", "transfers", "failures", "reserve", "option_tail", "pathways", "capacities",
)
"""Those that any problem may have."""
DEADLINES = ("tight", "tight", "ten periods", "slow")
"""How deadlines are set, in turn by seed."""


_ONE_CAN_MESSAGE = (Encapsulation.IEEE1722_NTSCF, Encapsulation.IEEE1722_TSCF)


def tight_problem(seed: int, kind: str, *, small: bool = False) -> Problem:
    """Make a problem of a kind; the same arguments make the same problem.

    One to four devices, in the kind ``five`` five; ``small``: one to three, that the oracle needs a
    fraction of a second for.
    """
    rng = random.Random(f"{seed}/{kind}")
    odds = 0.3 if kind == "mix" else 0.08
    features = {feature: True for feature in FEATURES if rng.random() < odds}
    if rng.random() < odds:
        features |= {"options": 2, "builds": rng.random() < 0.5}
    if rng.random() < 0.7:
        features["backbone"] = rng.choice(list(BackboneShape))
    features["switches"] = rng.choice([1, 2, 2, 3])
    features |= KINDS[kind]
    sizes = [2, 3, 3] if features["switches"] > 2 else [1, 2, 3, 3, 4, 4]
    if small:
        sizes = [1, 2, 2] if features["switches"] > 2 else [1, 2, 3, 3]
    devices = features.pop("devices", None) or rng.choice(sizes)
    problem = random_problem(rng.randrange(10**9), devices, nodes=rng.choice([3, 4, 5]), **features)
    problem = replace(problem, name=f"{kind}-{seed}", streams=_busier(rng, problem.streams))
    if kind == "relay" or rng.random() < 0.2:
        problem = _fewer_links(rng, problem)
    way = DEADLINES[seed % len(DEADLINES)]
    if way == "slow":
        return all_streams(problem, lambda s: _slow(rng, s))
    if way == "ten periods":
        return all_streams(problem, lambda s: replace(s, deadline_ns=10 * s.period_ns))
    return _bound_around(rng, problem, load=kind == "load" or rng.random() < 0.1)


def _busier(rng: random.Random, streams: dict[str, Stream]) -> dict[str, Stream]:
    """The same streams at 1 to 20 ms, some with much jitter; together below 10 Mb/s."""
    found = {}
    for stream in streams.values():
        period = rng.choice([MS, 2 * MS, 5 * MS, 10 * MS, 20 * MS])
        sizes = [1, 8, 46, 64, 200, 600, 1_400]
        is_control = stream.encapsulation in _ONE_CAN_MESSAGE
        found[stream.id] = replace(
            stream,
            period_ns=period,
            deadline_ns=period,
            jitter_ns=rng.choice([0, 0, 0, 0, 50_000, period // 2, 2 * period]),
            payload_bytes=stream.payload_bytes if is_control else rng.choice(sizes),
        )
    most = rng.choice([0.2, 0.5, 0.8])
    load = sum(800 * (stream_frame_bytes(s) + 20) / s.period_ns for s in found.values())
    if load <= most:
        return found
    # Whole microseconds, so that a file can state them.
    return {
        k: replace(s, period_ns=int(s.period_ns * load / most) // 1_000 * 1_000)
        for k, s in found.items()
    }


def _slow(rng: random.Random, stream: Stream) -> Stream:
    period = rng.choice([200, 500, 1_000]) * MS
    return replace(stream, period_ns=period, deadline_ns=period, jitter_ns=stream.jitter_ns // 10)


def all_streams(problem: Problem, change: Callable[[Stream], Stream]) -> Problem:
    """The problem with every stream changed."""
    return replace(problem, streams={k: change(s) for k, s in problem.streams.items()})


def _fewer_links(rng: random.Random, problem: Problem) -> Problem:
    """Leave one backbone link out, so that some switches are joined only by way of others."""
    links = list(problem.backbone.links)
    if len(links) < 2:
        return problem
    links.pop(rng.randrange(len(links)))
    return replace(problem, backbone=replace(problem.backbone, links=tuple(links)))


def _bound_around(rng: random.Random, problem: Problem, *, load: bool) -> Problem:
    """Set deadlines to 1 to 2 times the delays of a layout drawn at random.

    The layout keeps all rules but those about traffic, where there is one that does.
    """
    facts = _drawn(rng, problem)
    if facts is None:
        return problem
    worst: dict[str, int] = {}
    for figures in facts.timing.streams:
        if figures.bound_ns is not None:
            worst[figures.stream] = max(worst.get(figures.stream, 0), figures.bound_ns)
    streams = {}
    share = rng.choice([0.3, 0.7, 1.0])
    for id_, stream in problem.streams.items():
        factor = rng.choice([1.0, 1.0 + rng.random() / 10, 1.0 + rng.random()])
        deadline = 10 * stream.period_ns
        if id_ in worst and rng.random() < share:
            deadline = -(-int(worst[id_] * factor) // 1_000) * 1_000
        streams[id_] = replace(stream, deadline_ns=deadline)
    problem = replace(problem, streams=streams)
    return _bound_load(rng, problem, facts) if load else problem


def _bound_load(rng: random.Random, problem: Problem, facts: Facts) -> Problem:
    """Set the load limit of lines to just what the busiest line of a layout needs."""
    limits = dict(problem.limits)
    for laid in facts.lines:
        own = limits[laid.grade.id]
        needed = facts.timing.load_ppm[laid.segment.id] + own.reserve.load_share_ppm
        wanted = min(1_000_000, int(needed * rng.choice([1.0, 1.0, 1.0 + rng.random() / 5])) + 1)
        if wanted > 1:
            limits[laid.grade.id] = replace(own, load_share_ppm=wanted)
    return replace(problem, limits=limits)


def _drawn(rng: random.Random, problem: Problem) -> Facts | None:
    """What follows from a layout drawn at random, judged with deadlines far off."""
    far = all_streams(problem, lambda s: replace(s, deadline_ns=10 * s.period_ns))
    quiet = replace(far, streams={}, transfers={})
    drawn = list(Oracle(problem).drawn(rng, 60))
    good = [x for x in drawn if accepts(quiet, x)]
    if not good:
        return None
    layout = next((x for x in good if accepts(far, x)), good[0])
    return gather_facts(far, layout)
