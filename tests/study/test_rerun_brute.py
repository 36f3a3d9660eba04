"""Reruns of small problems against every layout there is, to the money step."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from partitioner.model.layout import Layout
from partitioner.model.problem import BackboneShape, ChangePrices, Problem
from partitioner.study.rerun import Rerun, held_by, rerun
from partitioner.study.rerun_search import RerunSettings
from tests.brute.brute import best_layout
from tests.brute.random_problems import random_problem
from tests.study.rerun_brute import all_pairs, front_of

KINDS: dict[str, dict] = {
    "plain": {},
    "anywhere": {"anywhere": True, "streams": False},
    "links": {"links": True, "switches": 3},
    "pathways": {"pathways": True, "capacities": True},
    "options": {"options": 2},
    "reserve": {"reserve": True, "backbone": BackboneShape.FIXED},
    "rules": {"groups": True, "pins": True, "sharing": True},
    "tree": {"candidates": True, "backbone": BackboneShape.TREE},
}
SETTINGS = RerunSettings(time_limit_s=60, points=100)


def changed_problem(seed: int, kind: str, size: int = 4) -> tuple[Problem, Layout] | None:
    """A problem, and the best layout of what it was before: one device fewer, one more."""
    rng = random.Random(f"rerun/{kind}/{seed}")
    whole = random_problem(seed, size + 1, **{"streams": True, **KINDS[kind]})
    names = list(whole.devices)
    gone, new = names[rng.randrange(2)], names[2 + rng.randrange(len(names) - 2)]
    old = without(whole, {new})
    found = best_layout(old)
    if found is None:
        return None
    prices = [rng.choice([1, 7, 999, 10_001, 30_011]) for _ in range(6)]
    return replace(without(whole, {gone}), change_prices=ChangePrices(*prices)), found[1]


def without(problem: Problem, gone: set[str]) -> Problem:
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


def pairs_of(result: Rerun) -> list[tuple[int, int]]:
    return [(p.found.plan_money, p.found.change_money) for p in result.front]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(2))
def test_best_rerun_and_whole_front_equal_brute_force(kind, seed):
    case = changed_problem(seed, kind)
    if case is None:
        pytest.skip("the earlier problem has no layout")
    problem, before = case
    pairs = all_pairs(problem, before)
    if not pairs:
        pytest.skip("the changed problem has no layout")
    result = rerun(problem, before, SETTINGS)
    assert result.best.found.total_money == min(a + b for a, b in pairs)
    assert result.best.found.is_proved
    assert result.searched.total_bound_money == result.best.found.total_money
    assert pairs_of(result) == front_of(pairs)
    assert result.searched.is_front_whole
    assert result.searched.plan_bound_money == min(a for a, _ in pairs)
    assert result.searched.least_change_money == min(b for _, b in pairs)


@pytest.mark.parametrize("seed", range(3))
def test_frozen_device_and_segment_against_brute_force(seed):
    case = changed_problem(seed, "plain")
    if case is None:
        pytest.skip("the earlier problem has no layout")
    problem, before = case
    alive = [s for s in before.segments if set(s.devices) <= problem.devices.keys()]
    device = next(d for s in before.segments for d in s.devices if d in problem.devices)
    for name in (device, *(s.id for s in alive[:1])):
        held = held_by(problem, before, [name])
        whole = next(s for s in before.segments if name in (s.id, *s.devices))
        still = tuple(d for d in whole.devices if d in problem.devices)
        segment = replace(whole, devices=still)

        group = problem.switches[segment.switch].group_of_port(segment.port)

        def untouched(chosen, name=name, segment=segment, group=group):
            if name == segment.id:
                return any(
                    (c.switch, c.grade, g, c.order)
                    == (segment.switch, segment.grade, group, segment.devices)
                    for c, g in chosen
                )
            for c, g in chosen:
                if name in c.devices:
                    at, was = c.order.index(name), segment.devices.index(name)
                    return (
                        (c.switch, c.grade, g) == (segment.switch, segment.grade, group)
                        and (at == 0) == (was == 0)
                        and (at == 0 or c.order[at - 1] == segment.devices[was - 1])
                    )
            return False

        who = still[0] if name == segment.id else name
        pairs = all_pairs(problem, before, untouched, (segment.id, who))
        assert pairs
        result = rerun(problem, before, SETTINGS, held=held)
        assert result.best.found.total_money == min(a + b for a, b in pairs)
        assert pairs_of(result) == front_of(pairs)
