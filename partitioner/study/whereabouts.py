"""Where the rules of a problem stand in its files, for ``file:line`` beside a sentence."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from partitioner.reading.csv_table import read_csv
from partitioner.reading.origin import Findings, Origin, YamlOrigin
from partitioner.reading.schema import DeviceTable, StreamTable, Table
from partitioner.reading.yaml_text import load
from partitioner.study.handles import Steps
from partitioner.visible import visible

Locate = Callable[[Steps], str]
"""Gives ``file:line`` of a statement, or an empty text where it stands nowhere."""

_CSV: tuple[tuple[str, type[Table]], ...] = (("devices", DeviceTable), ("streams", StreamTable))
_LATER_KEYS = {"switch": ("switch", "switches", "zone")}
"""Keys that say the same thing; the first one that is there counts."""


def locator(problem_path: Path) -> Locate:
    """Make a function that finds statements in a problem file and the lists beside it.

    Parameters
    ----------
    problem_path
        A file that was read without errors.

    Returns
    -------
    Callable
        Takes steps as in :attr:`partitioner.study.handles.Handle.at`: section, id or number of
        the item, key. Where the key itself is missing (a default is in force), the line of the
        item is given, and nothing where the section is missing too.
    """
    document = load(problem_path.read_text(encoding="utf-8-sig"), str(problem_path))
    data: dict[str, Any] = document.data if isinstance(document.data, dict) else {}
    rows: dict[tuple[str, str], Origin] = {}
    for section, model in _CSV:
        name = data.get(f"{section}_csv")
        if isinstance(name, str):
            path = problem_path.parent / name
            text = path.read_text(encoding="utf-8-sig")
            items, _ = read_csv(model, text, str(path), section, Findings())
            rows.update({(section, item.id): item.origin for item in items})

    def locate(steps: Steps) -> str:
        section = str(steps[0])
        if len(steps) > 1 and (row := rows.get((section, str(steps[1])))) is not None:
            at = row.at(steps[2:])
            return visible(f"{at.file}:{at.line}")
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
