"""Rules that are kept or not: every rule of the check is either here or among the margins."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.judge import assess_facts
from partitioner.check.rules.registry import ALL_RULES
from partitioner.facts.checked import COMPARERS, checked, not_asked
from partitioner.model.problem import Group, GroupKind, Sharing
from partitioner.pages.checked import checked_section
from tests.check.ground import facts_of, ground_problem


def test_every_rule_has_a_margin_or_says_what_it_compares() -> None:
    assert {r.name for r in ALL_RULES if r.measures is None} == set(COMPARERS)


def test_every_rule_is_told_somewhere() -> None:
    facts = facts_of(ground_problem())
    assessment = assess_facts(facts)
    told = {row.rule for row in checked(facts, assessment.findings)}
    told |= {m.rule for m in assessment.margins}
    unasked = set(not_asked(facts))
    assert not told & unasked
    assert told | unasked == {r.name for r in ALL_RULES}


def test_what_is_compared_is_told_of_each_group_pin_and_line() -> None:
    problem = ground_problem()
    facts = facts_of(problem)
    rows = {(r.rule, r.subject): r for r in checked(facts, ())}
    home, at = facts.home_of, facts.switch_of
    for group in problem.groups:
        row = rows[group.kind.value, group.id]
        where = at if group.kind is GroupKind.APART_SWITCH else home
        for device in group.devices:
            assert f"{device} on {where[device]}" in row.compared
    pinned = {d.id for d in problem.devices.values() if d.pinned_switches is not None}
    assert {s for rule, s in rows if rule == "pin"} == pinned


@pytest.mark.parametrize("of_switch", [False, True])
def test_a_broken_group_is_broken_there_and_nowhere_else(of_switch: bool) -> None:
    problem = ground_problem()
    kind = GroupKind.APART_SWITCH if of_switch else GroupKind.APART_SEGMENT
    pair = Group("motors", kind, ("motor-1", "motor-2"))
    problem = replace(problem, groups=(*problem.groups, pair))
    facts = facts_of(problem)
    assessment = assess_facts(facts)
    rows = checked(facts, assessment.findings)
    assert [(r.rule, r.subject) for r in rows if not r.is_kept] == [(kind.value, "motors")]
    section = checked_section(rows, not_asked(facts))
    first = section.tables[0].records()[0]
    assert (first["subject"], first["state"]) == ("motors", "bad")


def test_levels_and_domains_of_a_line() -> None:
    problem = ground_problem()
    devices = {
        k: replace(d, safety_level=n % 3, security_domain="body" if n % 2 else "drive")
        for n, (k, d) in enumerate(problem.devices.items())
    }
    mixed = Sharing((frozenset({"body", "drive"}),), 2)
    facts = facts_of(replace(problem, devices=devices, sharing=mixed))
    rows = {(r.rule, r.subject): r.compared for r in checked(facts, ())}
    for laid in facts.lines:
        levels = sorted({devices[d].safety_level for d in laid.segment.devices})
        told = rows["safety-span", laid.segment.id]
        assert told == f"levels {', '.join(map(str, levels))}; at most 2 apart"
        assert rows["security-domain", laid.segment.id].startswith("body")
