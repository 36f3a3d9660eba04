"""The register of rules is whole, and the guide for adding one tells every place it needs."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import pytest

from partitioner.check.facts import Facts
from partitioner.check.rules.measure import Breach
from partitioner.check.rules.registry import ALL_RULES
from partitioner.check.rules.rule import Rule
from partitioner.explain.handles.handle import Ease, Handle, Handles
from partitioner.explain.handles.register import HOLDS, NO_HOLD, Hold, handles_of
from partitioner.model.problem import Problem
from partitioner.pages.explanation import FIRST_WORDS
from partitioner.reading.schema import ProblemTable
from partitioner.reading.tables import key_names, tables_inside
from tests.brute.tight_problems import KINDS, tight_problem
from tests.check.test_rules import CASES

ROOT = Path(__file__).parents[2]
RARE = {"stub", "backbone-reach"}
"""Rules that bind in none of the problems drawn here; ``no_layout`` and ``test_ways_out`` have
them."""

SCHEMA = "reading/schema.py"
HANDLES = "explain/handles/"
BRUTE = "tests/brute/tight_problems.py"
CASE = "tests/check/test_rules.py"
PAGE = "docs/reference/rules.md"


@dataclass(frozen=True)
class Places:
    """Everything that a rule needs beside its row in the register of the check."""

    holds: tuple[Hold, ...]
    reasons: frozenset[str]
    drawn: frozenset[str]
    cases: frozenset[str]
    headings: frozenset[str]


def missing(rule: Rule, places: Places) -> set[str]:
    """The files in which something of a rule is still to be written."""
    found = set()
    is_held = any(hold.rule == rule.name for hold in places.holds)
    if any(not is_key(ProblemTable, key) for key in rule.keys) or (is_held and not rule.keys):
        found.add(SCHEMA)
    if is_held == (rule.name in places.reasons):
        found.add(HANDLES)
    if is_held and rule.name not in places.drawn | RARE:
        found.add(BRUTE)
    if rule.name not in places.cases:
        found.add(CASE)
    if rule.name not in places.headings:
        found.add(PAGE)
    return found


def is_key(table: type, path: str) -> bool:
    """Whether a path of keys leads to something in the problem file."""
    step, _, further = path.partition(".")
    if step == "*":
        return not further or is_key(table, further)
    names = dict(zip(key_names(table), table.model_fields.values(), strict=True))
    if step not in names:
        return False
    inside = tables_inside(names[step].annotation)
    return not further or (bool(inside) and is_key(inside[0], further))


@cache
def drawn_handles() -> tuple[Handle, ...]:
    """Handles in random problems of any kind."""
    problems = (tight_problem(seed, kind, small=True) for kind in KINDS for seed in range(6))
    return tuple(h for problem in problems for h in handles_of(problem))


def places() -> Places:
    page = (ROOT / PAGE).read_text(encoding="utf-8")
    return Places(
        HOLDS,
        frozenset(NO_HOLD),
        frozenset(h.rule for h in drawn_handles()),
        frozenset(rule for rule, _, _ in CASES.values()),
        frozenset(re.findall(r"^### (.+)$", page, re.M)),
    )


@pytest.mark.parametrize("rule", ALL_RULES, ids=lambda rule: rule.name)
def test_nothing_of_a_rule_is_missing(rule: Rule) -> None:
    assert missing(rule, places()) == set()


def test_nothing_is_said_of_what_is_no_rule() -> None:
    there = places()
    named = {hold.rule for hold in HOLDS} | there.reasons | there.cases | there.headings | RARE
    assert named == {rule.name for rule in ALL_RULES}


def test_every_handle_stands_where_its_rule_is_stated() -> None:
    keys = {rule.name: [key.split(".") for key in rule.keys] for rule in ALL_RULES}
    for handle in drawn_handles():
        assert any(
            len(key) == len(handle.at)
            and all(k in ("*", str(step)) for k, step in zip(key, handle.at, strict=True))
            for key in keys[handle.rule]
        ), handle


def test_words_that_rules_begin_with_are_no_names_within_a_sentence() -> None:
    firsts = {h.sentence.split(" ")[0] for h in drawn_handles()}
    assert {"A", "Only", "Stream"} <= {word for word in firsts if word[0].isupper()} <= FIRST_WORDS


# -- a rule that is not there yet ---------------------------------------------------------------


def _no_toys(facts: Facts) -> Iterator[Breach]:
    for device in facts.problem.devices.values():
        if device.function == "toy":
            yield (device.id,), f"{device.id} is a toy."


def _toys(problem: Problem) -> Handles:
    off: Callable[[Problem], Problem] = lambda p: p  # noqa: E731
    yield Handle("toy", "toy", (), "No toys.", ("line", "toy"), off, eases=(Ease("allow", off),))


TOY = Rule("toy", "No device is a toy.", _no_toys, keys=("devices.*.function",))
HOLD = Hold("toy", _toys)


def with_toy() -> Places:
    there = places()
    return Places(
        (*there.holds, HOLD),
        there.reasons,
        there.drawn | {"toy"},
        there.cases | {"toy"},
        there.headings | {"toy"},
    )


def test_a_rule_with_all_its_places_is_whole() -> None:
    assert missing(TOY, with_toy()) == set()


@pytest.mark.parametrize(
    ("rule", "change", "file"),
    [
        (replace(TOY, keys=("devices.*.toy",)), {}, SCHEMA),
        (replace(TOY, keys=()), {}, SCHEMA),
        (TOY, {"holds": HOLDS}, HANDLES),
        (TOY, {"reasons": frozenset({"toy"})}, HANDLES),
        (TOY, {"drawn": frozenset()}, BRUTE),
        (TOY, {"cases": frozenset()}, CASE),
        (TOY, {"headings": frozenset()}, PAGE),
    ],
)
def test_each_missing_place_is_named(rule: Rule, change: dict[str, object], file: str) -> None:
    assert missing(rule, replace(with_toy(), **change)) == {file}


def test_a_new_row_in_the_register_is_found_without_all_else() -> None:
    toy = replace(TOY, keys=("devices.*.toy",))
    assert missing(toy, places()) == {SCHEMA, HANDLES, CASE, PAGE}


def test_a_row_that_checks_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="rule toy checks nothing"):
        Rule("toy", "No device is a toy.")


def test_the_guide_names_every_place() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    steps = guide.partition("## Add a rule")[2].partition("\n## ")[0]
    for place in (SCHEMA, HANDLES, BRUTE, CASE, PAGE, "check/rules/", "solve/", "model/problem.py"):
        assert f"`{place}`" in steps
