"""Rules across the items of a problem: names, pairs of keys, things that rule each other out."""

from __future__ import annotations

from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts


def check_parts(parts: Parts, findings: Findings) -> None:
    """Check all items of a problem against each other."""
