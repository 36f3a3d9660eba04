"""Reads a problem and gives what is wrong with it instead of raising."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from partitioner.errors import Finding
from partitioner.model.problem import Problem
from partitioner.reading.problem import read_source


def read_problem_with_findings(
    path: Path, lists_from: Sequence[Path] = ()
) -> tuple[Problem | None, list[Finding]]:
    """The problem, None where one of the findings is an error, and the findings."""
    source = read_source(path, lists_from)
    return source.problem, source.findings
