"""Whether a layout is acceptable: every rule kept, in the whole layout and in every build of it.

This is the one meaning of the word, and what ``partitioner check`` goes by. Nothing that only a
report needs is worked out here.
"""

from __future__ import annotations

from collections.abc import Iterator

from partitioner.check.combinations import Combination, combinations_of
from partitioner.check.facts import Facts
from partitioner.check.one_build import build_facts, fitted_devices
from partitioner.check.rules.registry import ALL_RULES
from partitioner.model.assessment import COMPLETE, RuleFinding


def whole_findings(facts: Facts) -> tuple[RuleFinding, ...]:
    """Judge a layout and all its builds; empty exactly when ``partitioner check`` accepts it.

    The layout may break any rule, name things that do not exist, or leave devices out.

    Returns
    -------
    tuple[RuleFinding, ...]
        Rules that the whole layout breaks. Only where it breaks none, devices that are missing
        aside: rules that builds break, each sentence beginning with the build it is about.
    """
    found = rule_findings(facts)
    if not facts.problem.options or any(f.rule != COMPLETE for f in found):
        return found
    of_builds = (
        RuleFinding(f.rule, f.subjects, f"In build {build.name}: {f.sentence}")
        for build, broken in broken_builds(facts)
        for f in broken
        if f.rule != COMPLETE
    )
    return (*found, *of_builds)


def broken_builds(facts: Facts) -> Iterator[tuple[Combination, tuple[RuleFinding, ...]]]:
    """Every build that breaks rules, one after the other, with what it breaks.

    The build that fits every device has nothing to break that the whole layout does not break, so
    it is passed over, and so is one that fits the same devices as one before.
    """
    seen = {frozenset(facts.problem.devices)}
    for build in combinations_of(facts.problem).rows:
        fitted = fitted_devices(facts.problem, build.options)
        if fitted in seen:
            continue
        seen.add(fitted)
        if broken := rule_findings(build_facts(facts, build.options)):
            yield build, broken


def rule_findings(facts: Facts) -> tuple[RuleFinding, ...]:
    """Every breach of every rule, of the layout as it stands, its builds left aside."""
    return tuple(finding for rule in ALL_RULES for finding in rule.findings(facts))
