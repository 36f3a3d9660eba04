"""What ``plan`` says is true of all layouts that ``check`` accepts: put to the oracle.

The best layout is no dearer than the oracle's, "no layout" is said only where the oracle has none,
no bound is above its best, ``check`` accepts every layout planned (builds included), and every
problem ends with a proof.
"""

from __future__ import annotations

import pytest

from tests.brute.tight_problems import KINDS, tight_problem
from tests.brute.verdict import judge_plan


def wrong(kind: str, seeds: range, *, small: bool = False) -> dict[str, str]:
    """Faults and their detail, by problem."""
    verdicts = [judge_plan(tight_problem(seed, kind, small=small)) for seed in seeds]
    assert any(v.best_money is not None for v in verdicts)
    return {
        v.name: f"{', '.join(v.faults)}: best {v.best_money}, planned {v.planned_money} {v.detail}"
        for v in verdicts
        if v.faults
    }


@pytest.mark.parametrize("kind", KINDS)
def test_plan_says_what_is_true(kind):
    assert wrong(kind, range(8), small=True) == {}


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, 240, 20))
@pytest.mark.parametrize("kind", KINDS)
def test_plan_says_what_is_true_of_thousands(kind, first):
    assert wrong(kind, range(first, first + 20)) == {}
