"""Every rule of the check, in the order findings are listed."""

from __future__ import annotations

from partitioner.check.rules import limits, placement, plca, service, switches
from partitioner.check.rules.rule import Rule

ALL_RULES: tuple[Rule, ...] = (
    *placement.RULES,
    *switches.RULES,
    *plca.RULES,
    *limits.RULES,
    *service.RULES,
)

RULES: dict[str, str] = {rule.name: rule.meaning for rule in ALL_RULES}
"""Meaning of each rule in one sentence, by its short name."""
