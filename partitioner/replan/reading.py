"""Read an earlier layout with a problem that has changed since: what is gone is no mistake here."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from partitioner.errors import Finding, WrongFile
from partitioner.model.layout import Layout
from partitioner.model.problem import Device, Problem, Switch
from partitioner.reading.layout_file import layout_from_text
from partitioner.reading.origin import Findings
from partitioner.reading.problem import FileKind, read_text
from partitioner.reading.yaml_text import load


def read_earlier_layout(path: Path, problem: Problem) -> tuple[Layout, tuple[str, ...]]:
    """Read a layout made for an earlier state of a problem.

    Returns
    -------
    Layout
        As written, with devices and switches that the problem no longer has.
    tuple of str
        Sentences on what is gone, for the user to see that nothing was mistyped.

    Raises
    ------
    WrongFile
        With every other finding.
    """
    unread = Findings()
    read = read_text(path, FileKind.LAYOUT, unread)
    if read is None:
        raise WrongFile(unread.found)
    return earlier_layout(read[0], str(path), problem)


def earlier_layout(text: str, file: str, problem: Problem) -> tuple[Layout, tuple[str, ...]]:
    """As :func:`read_earlier_layout`, from the text of a file that was read already."""
    raw = load(text, file).data
    devices, switches = _names(raw, problem)
    # What is only in the earlier layout has stand-ins, which lend their names alone.
    lent = {d: Device(d, None, (0, 0, 0), ()) for d in devices}
    lent_switches = {s: Switch(s, None, (0, 0, 0), (), 0, 0, False, 0) for s in switches}
    wide = replace(
        problem, devices={**problem.devices, **lent},
        switches={**problem.switches, **lent_switches},
    )  # fmt: skip
    layout, findings = layout_from_text(text, file, wide)
    errors = [f for f in findings if f.severity == "error"]
    if layout is None or errors:
        raise WrongFile(errors or [Finding(file, 0, 0, "wrong-kind", "", "no layout")])
    noticed = [f"{d} of the earlier layout is no longer in the problem" for d in devices]
    noticed += [f"switch {s} of the earlier layout is no longer in the problem" for s in switches]
    noticed += [
        f"{f.file}:{f.line}: {f.message}"
        for f in findings
        if f.severity != "error" and "have changed since" not in f.message
    ]
    return layout, tuple(noticed)


def _names(raw: Any, problem: Problem) -> tuple[list[str], list[str]]:
    """Devices and switches that a layout names and the problem does not have, in order."""
    segments = _list(raw, "segments")
    devices = [name for segment in segments for name in _list(segment, "devices")]
    switches = [segment.get("switch") for segment in segments if isinstance(segment, dict)]
    switches += _list(raw, "open_switches")
    switches += [name for link in _list(raw, "backbone") for name in _list(link, "between")]
    return _unknown(devices, problem.devices), _unknown(switches, problem.switches)


def _list(raw: Any, key: str) -> list[Any]:
    """The list at a key; an empty one where the file has something else."""
    found = raw.get(key) if isinstance(raw, dict) else None
    return found if isinstance(found, list) else []


def _unknown(names: Iterable[Any], known: Collection[str]) -> list[str]:
    """Names that are not known, each once."""
    return list(dict.fromkeys(n for n in names if isinstance(n, str) and n not in known))
