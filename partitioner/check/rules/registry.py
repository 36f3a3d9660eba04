"""The register: every rule of the check, in the order findings are listed."""

from __future__ import annotations

from partitioner.check.rules import limits, placement, plca, service, switches
from partitioner.check.rules.rule import Chapter, Rule

CHAPTERS: tuple[Chapter, ...] = (
    placement.CHAPTER,
    switches.CHAPTER,
    plca.CHAPTER,
    limits.CHAPTER,
    service.CHAPTER,
)

ALL_RULES: tuple[Rule, ...] = tuple(rule for chapter in CHAPTERS for rule in chapter.rules)
