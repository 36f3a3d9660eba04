"""Problems and layouts: read from files, or built from DataFrames."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from partitioner.application import reading
from partitioner.model import problem as model
from partitioner.model.layout import Layout

if TYPE_CHECKING:
    import pandas as pd

AnyPath = str | os.PathLike[str]


@dataclass(frozen=True, repr=False)
class Problem:
    """A problem that was read without an error, by ``read_problem`` or ``build_problem``.

    Attributes
    ----------
    path
        The file it was read from; None if it was built.
    lists_from
        Folders that its lists may lie in besides its own.
    model
        What the rest of the program works with, in integers of base units.
    """

    path: Path | None
    lists_from: tuple[Path, ...]
    model: model.Problem
    _data: Mapping[str, Any] = field(compare=False)

    @property
    def name(self) -> str:
        """Its name."""
        return self.model.name

    @property
    def currency(self) -> str:
        """Currency of all prices."""
        return self.model.currency

    @property
    def digest(self) -> str:
        """Digest of its files, by which a layout knows the problem it was made for."""
        return self.model.digest

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was noticed while it was read: a sentence each."""
        return self.model.warnings

    @property
    def settings(self) -> dict[str, Any]:
        """All keys that are no list, as plain values, to be changed and built from again."""
        return {k: _people(v) for k, v in self._data.items() if not _is_list(v)}

    @property
    def frames(self) -> dict[str, pd.DataFrame]:
        """Its lists as DataFrames, to be changed and built from again.

        Columns are those of a CSV file. Cells that name several things hold a list.
        """
        import pandas as pd

        return {
            name: pd.DataFrame([_flat(_people(row)) for row in rows])
            for name, rows in self._data.items()
            if _is_list(rows)
        }

    def text(self) -> str:
        """The problem as one problem file, its lists included."""
        from partitioner.reading.yaml_text import dump

        return dump(dict(self._data))

    def write(self, path: AnyPath) -> Path:
        """Write the problem as one problem file; give its path.

        Parameters
        ----------
        path
            The file, which may exist. Of a problem that was built, a file called ``problem.yaml``
            has the same digest.
        """
        target = Path(path)
        target.write_text(self.text(), encoding="utf-8")
        return target

    def __repr__(self) -> str:
        return f"<Problem {self.name}: {len(self.model.devices)} devices>"

    def _repr_html_(self) -> str:
        from partitioner.report.notebook import section_fragment
        from partitioner.report.sections import Column, Kind, Section, Table

        rows = [(name, len(frame)) for name, frame in self.frames.items()]
        columns = [Column("list", "List", heads_row=True), Column("rows", "Rows", Kind.NUMBER)]
        table = Table("lists", "Its lists", columns, rows)
        return section_fragment(Section(self.name, self.model.note, [table], points=self.warnings))


def read_problem(
    path: AnyPath, *, strict: bool = False, lists_from: Sequence[AnyPath] = ()
) -> Problem:
    """Read a problem file with its lists.

    Parameters
    ----------
    path
        The problem file; the lists it names are read from its folder and below.
    strict
        Take warnings for errors.
    lists_from
        Folders, besides that of the problem, that its lists may lie in.

    Raises
    ------
    WrongFile
        With every finding.

    Examples
    --------
    >>> import partitioner
    >>> problem = partitioner.read_problem("tests/gold/small-sprayer/problem.yaml")
    >>> problem.name, len(problem.frames["devices"])
    ('small-sprayer', 11)
    """
    folders = tuple(Path(folder) for folder in lists_from)
    found, source = reading.read_source(Path(path), is_strict=strict, lists_from=folders)
    return Problem(Path(path), folders, found, source.data)


def build_problem(
    settings: Mapping[str, Any],
    *,
    devices: pd.DataFrame | None = None,
    streams: pd.DataFrame | None = None,
    switches: pd.DataFrame | None = None,
    ports: pd.DataFrame | None = None,
    places: pd.DataFrame | None = None,
    pathways: pd.DataFrame | None = None,
    groups: pd.DataFrame | None = None,
    transfers: pd.DataFrame | None = None,
    options: pd.DataFrame | None = None,
    builds: pd.DataFrame | None = None,
    forecast: pd.DataFrame | None = None,
    failure_rules: pd.DataFrame | None = None,
    strict: bool = False,
) -> Problem:
    """Make a problem of plain settings and DataFrames, read as strictly as a file.

    Parameters
    ----------
    settings
        Keys of the problem file that are no list (``name``, ``limits``, ``backbone``, …) with plain
        values, and any lists that have no frame; ``format`` may be left out.
    devices, streams, …, failure_rules
        A frame for each list of the problem file, one row an item. Columns are the keys of the item
        with their units (``period_us``, ``length_m``); a position stands in ``x_m``, ``y_m``,
        ``z_m``. Cells that name several things hold a list or names with spaces between. What is
        missing (NaN, None, an empty text) has its default.
    ports
        Ports of the switches: ``switch``, ``grades``, ``count``, ``price``.
    strict
        Take warnings for errors.

    Raises
    ------
    WrongFile
        With every finding; each names frame, row and column.

    Examples
    --------
    >>> import pandas as pd
    >>> import partitioner
    >>> line = "10BASE-T1S-multidrop"
    >>> problem = partitioner.build_problem(
    ...     {"name": "two-lamps"},
    ...     switches=pd.DataFrame([{"id": "hub", "x_m": 0, "y_m": 0}]),
    ...     ports=pd.DataFrame([{"switch": "hub", "grades": line, "count": 1}]),
    ...     devices=pd.DataFrame(
    ...         {"id": ["left", "right"], "x_m": [1, 2.5], "y_m": [0, 0], "grades": [line, line]}
    ...     ),
    ... )
    >>> problem.frames["devices"]["x_m"].tolist()
    [1.0, 2.5]
    """
    given = {
        "places": places, "pathways": pathways, "switches": switches, "ports": ports,
        "devices": devices, "groups": groups, "streams": streams, "transfers": transfers,
        "options": options, "builds": builds, "forecast": forecast, "failure_rules": failure_rules,
    }  # fmt: skip
    frames = {name: frame for name, frame in given.items() if frame is not None}
    found, source = reading.build_source(settings, frames, is_strict=strict)
    return Problem(None, (), found, source.data)


def read_layout(path: AnyPath, problem: Problem, *, strict: bool = False) -> Layout:
    """Read a layout of a problem.

    Parameters
    ----------
    path
        A layout file, planned or written by hand.
    problem
        The problem it belongs to.
    strict
        Take warnings for errors; without it they are let pass.

    Raises
    ------
    WrongFile
        With every finding.
    """
    return reading.read_layout_of(problem.model, Path(path), is_strict=strict).layout


def layout_of(layout: Layout | AnyPath, problem: Problem) -> Layout:
    """A layout as it is, or read from its file."""
    return layout if isinstance(layout, Layout) else read_layout(layout, problem)


def problem_of_data(data: Mapping[str, Any]) -> Problem:
    """A problem of the plain data of one file, known to be right."""
    from partitioner.reading.problem import problem_from_text
    from partitioner.reading.yaml_text import dump

    return Problem(None, (), problem_from_text(dump(dict(data)), "problem.yaml"), data)


def _is_list(value: Any) -> bool:
    return isinstance(value, list)


def _people(value: Any) -> Any:
    """Plain values in the numbers of Python."""
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, Mapping):
        return {k: _people(v) for k, v in value.items()}
    return [_people(v) for v in value] if isinstance(value, list) else value


def _flat(row: dict[str, Any]) -> dict[str, Any]:
    """A row with its position in three columns."""
    from partitioner.reading.sheet import AXES

    flat: dict[str, Any] = {}
    for key, value in row.items():
        if key == "position_m":
            flat.update(zip(AXES, value, strict=True))
        else:
            flat[key] = value
    return flat
