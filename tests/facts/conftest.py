from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.application.check import CheckAnswer
from partitioner.reading.example import example_text
from tests.judged import judge


@pytest.fixture(scope="session")
def judged(root: Path, tmp_path_factory: pytest.TempPathFactory) -> CheckAnswer:
    """A layout made by hand for the problem that ``partitioner new`` writes."""
    problem = tmp_path_factory.mktemp("example") / "problem.yaml"
    problem.write_text(example_text(), encoding="utf-8")
    return judge(problem, root / "tests" / "cli" / "data" / "by-hand.yaml")
