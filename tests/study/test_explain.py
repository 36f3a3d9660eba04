"""Conflicts and ways out of seeded problems; every claim is tried by brute force too."""

from __future__ import annotations

import time

import pytest

from partitioner.check.judge import assess
from partitioner.model.problem import Problem
from partitioner.study.conflict import Asker
from partitioner.study.explain import (
    NoLayoutExplained,
    explain,
    explained_data,
    explained_text,
)
from partitioner.study.handles import without
from partitioner.study.runs import Budget
from tests.brute.brute import best_layout
from tests.study.no_layout import ONE, TWO


def budget(seconds: float = 240.0) -> Budget:
    return Budget(time.monotonic, time.monotonic() + seconds)


def explained(problem: Problem) -> NoLayoutExplained:
    found = explain(problem, budget())
    assert isinstance(found, NoLayoutExplained)
    assert found.is_whole
    return found


def is_minimal_by_brute_force(problem: Problem, conflict) -> None:
    """With these rules only there is no layout; with any one less there is."""
    handles = Asker(problem, budget()).handles
    rules = {h.key for h in conflict.rules}
    others = [h for h in handles if h.key not in rules]
    assert best_layout(without(problem, others)) is None
    for handle in conflict.rules:
        assert best_layout(without(problem, [*others, handle])) is not None


def each_way_works(problem: Problem, found: NoLayoutExplained) -> None:
    assert found.ways
    for way in found.ways:
        assert way.changes
        best = best_layout(way.problem)
        assert best is not None
        assert way.outcome.cost_money == best[0]
        assert assess(way.problem, way.outcome.layout).findings == ()


@pytest.mark.parametrize("seed", [1])
@pytest.mark.parametrize("kind", ONE)
def test_one_conflict(kind, seed):
    make, rules = ONE[kind]
    problem = make(seed)
    assert best_layout(problem) is None
    found = explained(problem)
    assert [{h.rule for h in c.rules} for c in found.conflicts] == [rules]
    assert found.conflicts[0].is_minimal
    is_minimal_by_brute_force(problem, found.conflicts[0])
    each_way_works(problem, found)
    assert all(len(w.changes) == 1 for w in found.ways[:1])


@pytest.mark.parametrize("seed", [1])
@pytest.mark.parametrize("kind", TWO)
def test_two_conflicts_at_once(kind, seed):
    make, rules = TWO[kind]
    problem = make(seed)
    assert best_layout(problem) is None
    found = explained(problem)
    sets = [{h.rule for h in c.rules} for c in found.conflicts]
    assert sorted(map(sorted, sets)) == sorted(map(sorted, rules))
    for conflict in found.conflicts:
        assert conflict.is_minimal
        is_minimal_by_brute_force(problem, conflict)
    each_way_works(problem, found)
    assert all(len(w.changes) == 2 for w in found.ways)


def test_the_least_amount_is_the_least():
    make, _ = ONE["ports and nodes"]
    found = explained(make(1))
    # Five devices, three on a line: two ports, or a line of six nodes with the switch port.
    assert {w.changes for w in found.ways} == {
        ("give sw0 2 ports for 10BASE-T1S-multidrop in place of 1",),
        ("raise the node limit of 10BASE-T1S-multidrop from 4 to 6",),
    }
    assert all(w.is_least for w in found.ways)


def test_words_name_rules_places_and_ways():
    make, _ = ONE["apart on switches"]
    problem = make(1)
    found = explained(problem)
    text = explained_text(problem, found, lambda steps: "p.yaml:7")
    assert text.startswith(f"{problem.name}: no layout keeps all rules; this is proved.")
    assert "p.yaml:7: [apart-switch] d0 and d3 stay on different switches (group g0)." in text
    assert "keep group g0 on different segments only; the layout then costs " in text
    data = explained_data(problem, found)
    assert data["conflicts"][0]["rules"][0]["key"] == "group:g0"
    assert data["ways_out"][0]["cost"] > 0
