"""Where the rules of a problem stand in its files, for ``file:line`` beside a sentence."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from partitioner.errors import Conflict
from partitioner.explain.handles.handle import Handle, Steps, named_in
from partitioner.explain.handles.register import handles_of
from partitioner.model.problem import Problem
from partitioner.reading.origin import Enough, Findings, Origin, YamlOrigin
from partitioner.reading.problem import SourceFiles, read_parts
from partitioner.reading.sheet import RowOrigin
from partitioner.visible import visible

Locate = Callable[[Steps], str]
"""Gives ``file:line`` of a statement, or an empty text where it stands nowhere."""

_LATER_KEYS = {"switch": ("switch", "switches", "zone")}
"""Keys that say the same thing; the first one that is there counts."""


def nowhere(steps: Steps) -> str:
    """No place in a file is known."""
    return ""


def locator(problem: Problem, path: Path, lists_from: Sequence[Path] = ()) -> Locate:
    """Make a function that finds statements in the file of a problem and the lists beside it.

    The lists may lie in ``lists_from`` besides the folder of the file. The files are read again
    when the first place is asked for; if they changed meanwhile, no place is known.

    Returns
    -------
    Callable
        Takes :data:`Steps`: section, id or number of the item, key. Where the key itself is missing
        (a default is in force), the line of the item is given, and nothing where the section is
        missing too.
    """
    read_again = cache(lambda: _locator(problem.digest, path, SourceFiles(lists_from)))
    return lambda steps: read_again()(steps)


def _locator(digest: str, path: Path, files: SourceFiles) -> Locate:
    try:
        parts = read_parts(path, files, Findings())
    except Enough:
        return nowhere
    if parts is None or files.digest() != digest:
        return nowhere
    document = parts.origin.document
    data: dict[str, Any] = document.data
    rows: dict[tuple[str, str], Origin] = {
        (section, item.id): item.origin
        for section in ("devices", "streams")
        for item in parts.items(section)
        if isinstance(item.origin, RowOrigin)
    }

    def locate(steps: Steps) -> str:
        section = str(steps[0])
        if len(steps) > 1 and (row := rows.get((section, str(steps[1])))) is not None:
            at = row.at(steps[2:])
            return visible(f"{at.file}:{at.cell or at.line}")
        path = _yaml_path(data, steps)
        if not path:
            return ""
        at = YamlOrigin(document, path, "").at(on_key=True)
        return visible(f"{at.file}:{at.line}")

    return locate


def _yaml_path(data: dict[str, Any], steps: Steps) -> Steps:
    """As much of the way as the file has, items by their number."""
    path: list[str | int] = []
    here: Any = data
    for step in steps:
        if isinstance(here, list):
            number = step if isinstance(step, int) else _number_of(here, step)
            if number is None or number >= len(here):
                break
            path.append(number)
            here = here[number]
        elif isinstance(here, dict):
            key = next((k for k in _LATER_KEYS.get(str(step), (step,)) if k in here), None)
            if key is None:
                break
            path.append(key)
            here = here[key]
        else:
            break
    return tuple(path)


def _number_of(items: list[Any], id_: str) -> int | None:
    for number, item in enumerate(items):
        if isinstance(item, dict) and item.get("id") == id_:
            return number
    return None


def placed(problem: Problem, conflicts: Sequence[Conflict], locate: Locate) -> list[Conflict]:
    """Conflicts of a problem, each with the places in its files of what it is about."""
    handles = handles_of(problem)
    found = []
    for conflict in conflicts:
        where = (locate(steps) for steps in _stated_at(problem, conflict, handles))
        found.append(replace(conflict, where=tuple(dict.fromkeys(filter(None, where)))))
    return found


def _stated_at(problem: Problem, conflict: Conflict, handles: Sequence[Handle]) -> Iterator[Steps]:
    """Statements that a conflict names, then the items it is about of which none of them is."""
    named, sections = named_in(conflict, handles), _sections_of(problem)
    # A switch may have ports of several kinds.
    yield from (h.at for h in [h for h in named if h.sentence == conflict.sentence] or named)
    told = {id_ for h in named for id_ in h.subjects[:1]}
    about = ""
    for id_ in conflict.subjects:
        section = next((name for name, ids in sections.items() if id_ in ids), "")
        about = about or section
        if section and section == about and id_ not in told:
            yield section, id_
    if not named and conflict.rule.startswith("backbone-"):
        yield ("backbone",)


def _sections_of(problem: Problem) -> dict[str, Collection[str]]:
    """Ids by the section of the problem file that their items stand in."""
    return {
        "devices": problem.devices, "switches": problem.switches, "streams": problem.streams,
        "transfers": problem.transfers, "limits": problem.limits,
        "pathways": {p.id for p in problem.pathways},
        "groups": {g.id for g in problem.groups},
        "failure_rules": {r.id for r in problem.failure_rules},
    }
