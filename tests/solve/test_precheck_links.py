"""What links between switches take of narrow pathways, against trying all layouts."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace

import pytest

from partitioner.explain.handles.handle import edit
from partitioner.model.problem import (
    BackboneShape,
    Encapsulation,
    FailureRule,
    Problem,
    ReleaseKind,
    Stream,
)
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.hopeless import hopeless, is_hopeless
from tests.brute.oracle import best_layout
from tests.brute.random_problems import MS, random_problem
from tests.brute.tight_problems import all_streams

SHAPES = list(BackboneShape)


def narrow(seed: int) -> Problem:
    """A few devices and switches on narrow pathways, with much time.

    Some links are required; in about half the last switch hears the first. In every third problem
    two watched devices at two switches send to another one, to which one pathway leads.
    """
    rng = random.Random(f"narrow/{seed}")
    is_watched = seed % 3 == 0
    often = {"candidates": 0.4, "pins": 0.6, "failures": 0.5, "links": 0.5, "groups": 0.2}
    problem = random_problem(
        seed, 2 if is_watched else rng.choice([1, 2, 3]),
        switches=3 if is_watched else rng.choice([2, 3, 3]), pathways=True,
        backbone=SHAPES[seed % len(SHAPES)], **{k: rng.random() < odds for k, odds in often.items()}
    )
    links = [replace(k, required=rng.random() < 0.25) for k in problem.backbone.links]
    if not is_watched and len(links) > 1 and rng.random() < 0.4:
        links.pop(rng.randrange(len(links)))
    most = [None, 0, 1, 1, 2, 3]
    problem = replace(
        problem,
        pathways=tuple(replace(w, max_cables=rng.choice(most)) for w in problem.pathways),
        backbone=replace(problem.backbone, links=tuple(links)),
    )
    first, *_, last = problem.switches
    for s in list(problem.streams.values())[: rng.choice([0, 1])]:
        problem = edit("streams", s.id, source=first, destinations=(last,))(problem)
    if is_watched:
        problem = watched_apart(problem, most=1 + seed // 36 % 2, cables=1 + seed // 12 % 3)
    return all_streams(problem, lambda s: replace(
        s, period_ns=1_000 * MS, deadline_ns=1_000 * MS, jitter_ns=0
    ))


def watched_apart(problem: Problem, most: int, cables: int) -> Problem:
    """Two devices at the last two switches send to the first; so many of them may be lost.

    So many cables fit through the one pathway between them and the first.
    """
    first, *others = problem.switches
    only, beside, *more = (replace(w, max_cables=None) for w in problem.pathways)
    assert {beside.ends, only.ends} == {("p00", "p10"), ("p01", "p11")}
    problem = replace(problem, pathways=(replace(only, max_cables=cables), *more))
    problem = edit("switches", first, place="p00", position_um=None)(problem)
    sent = [
        Stream(
            f"s{n}", d, (first,), 46, Encapsulation.RAW, True, ReleaseKind.PERIODIC, MS, 0, MS, 0
        )
        for n, d in enumerate(problem.devices)
    ]
    for d, switch in zip(problem.devices, others, strict=True):
        problem = edit("switches", switch, place="p20", position_um=None)(problem)
        problem = edit("devices", d, pinned_switches=(switch,), function="watched", place="p20",
                       position_um=None)(problem)
    rules = (FailureRule("r0", None, "watched", most),)
    return replace(problem, failure_rules=rules, streams={s.id: s for s in sent}, groups=())


@pytest.mark.parametrize(
    "seeds", [range(60), pytest.param(range(60, 1_000), marks=pytest.mark.slow)], ids=str
)
def test_nothing_that_has_a_layout_is_called_impossible(seeds: range) -> None:
    seen: Counter[tuple[BackboneShape, bool]] = Counter()
    for seed in seeds:
        problem = narrow(seed)
        has_layout = best_layout(problem) is not None
        told = hopeless(ColumnBuilder(Instance(problem)))
        assert not (told and has_layout), (seed, [c.sentence for c in told])
        assert is_hopeless(ColumnBuilder(Instance(problem))) == bool(told), seed
        rules = {c.rule for c in told}
        by_links = "pathway-capacity" in rules and not rules.isdisjoint(
            {"backbone-link", "backbone-shape", "stream-way", "failure"}
        )
        if has_layout or by_links:
            seen[problem.backbone.shape, has_layout] += 1
    assert seen.keys() == {(shape, has_layout) for shape in SHAPES for has_layout in (True, False)}
