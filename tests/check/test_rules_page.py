"""The reference page of the rules says what the code says."""

from __future__ import annotations

import re
from pathlib import Path

from partitioner.check.rules.registry import RULES

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "rules.md"


def sections() -> dict[str, str]:
    """Text below each heading of the third level, up to the next heading."""
    text = PAGE.read_text(encoding="utf-8")
    parts = re.split(r"^(#+) (.+)$", text, flags=re.MULTILINE)[1:]
    rows = zip(parts[0::3], parts[1::3], parts[2::3], strict=True)
    return {name: body.strip() for level, name, body in rows if level == "###"}


def test_every_rule_has_its_heading_in_the_order_of_the_code():
    assert list(sections()) == list(RULES)


def test_every_heading_is_followed_by_the_meaning():
    for name, body in sections().items():
        assert body.split("\n\n")[0] == RULES[name]
