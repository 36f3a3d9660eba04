"""Where the rules of a problem stand in its files, for ``file:line`` beside a sentence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from partitioner.explain.handles.handle import Steps
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


def locator(problem_path: Path, lists_from: Sequence[Path] = ()) -> Locate:
    """Make a function that finds statements in a problem file and the lists beside it.

    The file was read without errors; its lists may lie in ``lists_from`` besides its own folder.

    Returns
    -------
    Callable
        Takes :data:`Steps`: section, id or number of the item, key. Where the key itself is missing
        (a default is in force), the line of the item is given, and nothing where the section is
        missing too.
    """
    try:
        parts = read_parts(problem_path, SourceFiles(lists_from), Findings())
    except Enough:
        parts = None
    if parts is None:  # It was changed meanwhile.
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
