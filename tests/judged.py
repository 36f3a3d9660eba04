"""Judging the files of a layout, as ``check`` does."""

from __future__ import annotations

from pathlib import Path

from partitioner.application.check import CheckAnswer, check
from partitioner.application.reading import read_layout


def judge(problem_path: Path, layout_path: Path) -> CheckAnswer:
    """Read a problem and a layout of it, and judge the layout."""
    read = read_layout(problem_path, layout_path)
    return check(read.problem, read.layout)
