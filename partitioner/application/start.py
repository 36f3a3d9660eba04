"""A layout to start a search from, which may belong to another state of the problem."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from partitioner.model.catalogue import Grade
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem


def read_start(path: Path, problem: Problem) -> Layout:
    """Read a layout to start from, also one that names what the problem does not have.

    What cannot be used of it is told by the search: ``start_unusable`` of its outcome.

    Raises
    ------
    WrongFile
        If the file cannot be read or holds no layout.
    """
    from partitioner.replan.reading import read_earlier_layout

    known = problem.catalogue.grades
    # A segment of an unknown grade may have PLCA settings, which a full-duplex link has not.
    like = next(g for g in known.values() if not g.full_duplex)
    grades: dict[str, Grade] = {g: replace(like, id=g) for g in _grades_in(path)} | dict(known)
    wide = replace(problem, catalogue=replace(problem.catalogue, grades=grades))
    return read_earlier_layout(path, wide)[0]


def _grades_in(path: Path) -> set[str]:
    """Grades that a layout file names; none where it cannot be understood."""
    from partitioner.reading.origin import Findings
    from partitioner.reading.problem import FileKind, read_text
    from partitioner.reading.yaml_text import load

    read = read_text(path, FileKind.LAYOUT, Findings())
    data = None if read is None else load(read[0], str(path)).data
    if not isinstance(data, dict):
        return set()
    rows = [r for k in ("segments", "backbone") if isinstance(data.get(k), list) for r in data[k]]
    named = [row.get("grade") for row in rows if isinstance(row, dict)]
    return {g for g in named if isinstance(g, str)}
