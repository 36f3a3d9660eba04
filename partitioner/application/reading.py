"""Read problems and layouts, with every finding told at once."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from partitioner.errors import Finding, WrongFile
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    import pandas as pd

    from partitioner.reading.problem import Source

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class ReadLayout:
    """A problem, a layout of it, and what was noticed in the files without stopping."""

    problem: Problem
    layout: Layout
    warnings: tuple[str, ...]


def read_problem(
    path: Path, *, is_strict: bool = False, lists_from: Sequence[Path] = ()
) -> Problem:
    """Read a problem file with its lists.

    As :func:`partitioner.interface.problem.read_problem`, errors too; ``is_strict`` takes warnings
    in the files for errors.
    """
    return read_source(path, is_strict=is_strict, lists_from=lists_from)[0]


def read_source(
    path: Path, *, is_strict: bool = False, lists_from: Sequence[Path] = ()
) -> tuple[Problem, Source]:
    """Read a problem with what it was read from; as :func:`read_problem`."""
    from partitioner.reading.problem import read_source as read

    source = read(path, lists_from)
    return _unless_wrong(source.problem, source.findings, is_strict), source


def build_source(
    settings: Mapping[str, Any], frames: Mapping[str, pd.DataFrame], *, is_strict: bool = False
) -> tuple[Problem, Source]:
    """Make a problem of plain data and DataFrames, with what a file of it would hold.

    As :func:`partitioner.reading.frames.source_from_frames`, errors too; ``is_strict`` takes
    warnings for errors. A file with errors is a WrongFile, as of :func:`read_problem`.
    """
    from partitioner.reading.frames import source_from_frames

    source = source_from_frames(settings, frames)
    return _unless_wrong(source.problem, source.findings, is_strict), source


def read_layout(
    problem_path: Path,
    layout_path: Path,
    *,
    is_strict: bool = False,
    lists_from: Sequence[Path] = (),
) -> ReadLayout:
    """Read a problem and a layout of it; parameters and errors as of :func:`read_problem`."""
    problem = read_problem(problem_path, is_strict=is_strict, lists_from=lists_from)
    return read_layout_of(problem, layout_path, is_strict=is_strict)


def read_layout_of(problem: Problem, layout_path: Path, *, is_strict: bool = False) -> ReadLayout:
    """Read a layout of a problem that was read; as :func:`read_layout`."""
    from partitioner.reading.layout_file import read_layout_with_findings
    from partitioner.reading.render import format_finding

    read, findings = read_layout_with_findings(layout_path, problem)
    layout = _unless_wrong(read, findings, is_strict)
    noticed = tuple(format_finding(f, source=False) for f in findings)
    return ReadLayout(problem, layout, problem.warnings + noticed)


def for_batch(problem: Problem, units: int | None) -> Problem:
    """Give the problem with another number of units ordered together; None leaves it."""
    if units is None:
        return problem
    return replace(problem, shop=replace(problem.shop, batch=units))


def problem_files(path: Path, lists_from: Sequence[Path] = ()) -> dict[str, bytes]:
    """Give the problem file and the lists it names as they are, by file name."""
    from partitioner.reading.origin import Enough, Findings
    from partitioner.reading.problem import SourceFiles, read_parts

    files = SourceFiles(lists_from)
    # What is wrong was told when the problem was read.
    with contextlib.suppress(Enough):
        read_parts(path, files, Findings())
    return {Path(name).name: content for name, content in files.contents}


def _unless_wrong(read: T | None, findings: list[Finding], is_strict: bool) -> T:
    """Give what was read, unless a finding stands against it."""
    if read is None or (is_strict and findings):
        from partitioner.reading.render import format_findings

        if is_strict:
            findings = [replace(f, severity="error") for f in findings]
        raise WrongFile(findings, format_findings(sorted(findings)))
    return read
