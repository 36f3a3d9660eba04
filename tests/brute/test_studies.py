"""What reruns, fronts, conflicts, prices and growth say, put to the oracle.

The slow half goes through 500 reruns, 300 fronts, 200 conflicts, 500 prices, 200 later devices and
more. ``python -m tests.brute.hunt --what ...`` does so for any other seeds.
"""

from __future__ import annotations

import pytest

from tests.brute.hunt import hunt
from tests.brute.tight_problems import KINDS
from tests.brute.verdict import COUNTED
from tests.replan.random_reruns import KINDS as RERUNS

SEEDS = {
    "rerun": (0, 60),
    "front": (0, 20),
    "conflict": (1, 16),
    "price": (1, 8),
    "growth": (4, 24),
}
"""By what is asked: seeds of each kind in the ordinary half, and in all. The first reruns are asked
more in ``tests/replan/test_brute.py``, of fronts there is one of each kind."""
FRONTS = [((n + 14) % SEEDS["front"][1], kind) for n, kind in enumerate(KINDS)]
"""Another seed for each kind: so every axis and every way to set deadlines has its turn, and the
kind of five devices, where a front may take a quarter of a minute, has one of a second."""
QUICK_CONFLICTS = ("plain", "rules", "tree", "load", "queues")
"""Explaining takes seconds a problem."""


def wrong(what: str, kind: str, seeds: range) -> list[str]:
    """Faults, each with the problem and what was said."""
    found = [(seed, v) for seed in seeds for v in hunt((kind, seed), what, COUNTED)]
    return [f"{kind} {s}: {', '.join(v.faults)} {v.detail}" for s, v in found if v.faults]


@pytest.mark.parametrize("what", ["growth", "price"])
@pytest.mark.parametrize("kind", KINDS)
def test_growth_and_prices(kind, what):
    assert wrong(what, kind, range(SEEDS[what][0])) == []


@pytest.mark.parametrize(("seed", "kind"), FRONTS)
def test_fronts(seed, kind):
    assert wrong("front", kind, range(seed, seed + 1)) == []


@pytest.mark.parametrize("kind", QUICK_CONFLICTS)
def test_conflicts(kind):
    assert wrong("conflict", kind, range(SEEDS["conflict"][0])) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "kind"), [(w, k) for w in SEEDS for k in (RERUNS if w == "rerun" else KINDS)]
)
def test_hundreds(what, kind):
    assert wrong(what, kind, range(SEEDS[what][1])) == []
