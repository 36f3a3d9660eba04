"""Small problems that several tests of reading start from."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from partitioner.errors import Finding
from partitioner.model.problem import Problem
from tests.reading.whole import read_problem_with_findings

SMALL = """\
format: 1
name: small
places:
  - {id: front, position_m: [0, 0, 0.5]}
  - {id: rear, position_m: [4, 0, 0.5]}
switches:
  - id: zone-front
    place: front
    ports:
      - {grades: [10BASE-T1S-multidrop, 10BASE-T1S-link], count: 2, price: 0.5}
      - {grades: [100BASE-T1], count: 1}
devices:
  - {id: lamp, place: rear, grades: [10BASE-T1S-multidrop], stub_m: 0.05}
  - {id: pump, place: rear, grades: [10BASE-T1S-multidrop, 10BASE-T1S-link]}
  - {id: fan, position_m: [2.1, 0.3, 1.9], grades: {10BASE-T1S-multidrop: 1.25}}
  - {id: camera, place: front, grades: [100BASE-T1]}
streams:
  - {id: lamp-set, from: zone-front, to: [lamp], payload_bytes: 8, period_us: 10000}
"""

Read = Callable[..., tuple[Problem | None, list[Finding]]]


@pytest.fixture
def small() -> str:
    """Text of a small right problem."""
    return SMALL


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write texts to files (the first is the problem) and read them."""

    def run(text: str, **beside: str) -> tuple[Problem | None, list[Finding]]:
        path = tmp_path / "problem.yaml"
        path.write_text(text, encoding="utf-8")
        for name, content in beside.items():
            (tmp_path / f"{name}.csv").write_text(content, encoding="utf-8", newline="")
        return read_problem_with_findings(path)

    return run


@pytest.fixture
def small_problem(read: Read, small: str) -> Problem:
    """The small problem, read."""
    problem, findings = read(small)
    assert problem is not None, findings
    return problem
