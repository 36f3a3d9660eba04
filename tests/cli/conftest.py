from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.reading.example import example_text


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """The problem that ``partitioner new`` writes."""
    path = tmp_path / "problem.yaml"
    path.write_text(example_text(), encoding="utf-8")
    return path


@pytest.fixture
def by_hand() -> Path:
    """A layout for it, made by hand."""
    return Path(__file__).parent / "data" / "by-hand.yaml"
