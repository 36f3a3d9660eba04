"""Every rule of the check can be named in a conflict, moved and priced, or it is told why not."""

from __future__ import annotations

from functools import cache

import pytest

from partitioner.check.rules.registry import RULES
from partitioner.explain.handles import handles_of
from tests.brute.tight_problems import KINDS, tight_problem

OF_THE_LAYOUT = "says what a layout is; no problem states it"
NO_STATEMENT = {
    "known-names": OF_THE_LAYOUT,
    "segment-once": OF_THE_LAYOUT,
    "device-once": OF_THE_LAYOUT,
    "segment-devices": OF_THE_LAYOUT,
    "switch-open": OF_THE_LAYOUT,
    "plca-ids": OF_THE_LAYOUT,
    "plca-node-count": OF_THE_LAYOUT,
    "plca-burst": OF_THE_LAYOUT,
    "stream-way": OF_THE_LAYOUT,
    "port-exists": "the ports of a switch are offered as `ports`",
    "port-once": "the ports of a switch are offered as `ports`",
    "port-grade": "the ports of a switch are offered as `ports`",
    "device-grade": "what a device's PHY can do is no rule to be relaxed",
    "switch-position": "where the switch may sit is offered as `switch-at-end`",
    "overload": "the load limit and the deadlines are what is offered",
}
"""Rules of the check that no handle bears the name of."""
RARE = {"stub", "backbone-reach"}
"""Rules that bind in none of the problems drawn here; ``no_layout`` and ``test_ways_out`` have
them."""


@cache
def handled() -> frozenset[str]:
    """Rules with a handle in some random problem of any kind."""
    problems = (tight_problem(seed, kind, small=True) for kind in KINDS for seed in range(6))
    return frozenset(h.rule for problem in problems for h in handles_of(problem))


@pytest.mark.parametrize("rule", sorted(set(RULES) - RARE))
def test_a_rule_has_a_handle_or_a_reason(rule: str) -> None:
    assert (rule in handled()) != (rule in NO_STATEMENT)


def test_no_reason_is_given_for_what_is_no_rule() -> None:
    assert set(NO_STATEMENT) | RARE <= set(RULES)


def test_handles_have_names_of_rules_but_for_what_is_offered_whole() -> None:
    assert handled() - set(RULES) <= {"ports", "reserve", "switch-at-end"}
