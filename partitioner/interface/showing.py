"""Parts of an answer that show themselves in a notebook."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from partitioner.report.notebook import section_fragment
from partitioner.report.sections import Figure
from partitioner.report.sections import Section as Told
from partitioner.report.sections import Table as Rows
from partitioner.report.svg import standalone

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing or chart. A notebook shows it; :meth:`svg` is it as a file of its own."""

    figure: Figure

    @property
    def name(self) -> str:
        """Its key among the drawings of an answer."""
        return self.figure.id

    @property
    def caption(self) -> str:
        """What it shows, in a sentence."""
        return self.figure.caption

    def svg(self) -> str:
        """The drawing as the text of an SVG file, styles included."""
        return standalone(self.figure.alone)

    def _repr_svg_(self) -> str:
        return self.svg()

    def __repr__(self) -> str:
        return f"<Drawing {self.name}: {self.caption}>"


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report: words, drawings and tables. A notebook shows it."""

    told: Told

    @property
    def title(self) -> str:
        """Its heading."""
        return self.told.title

    @property
    def name(self) -> str:
        """Its key among the sections of an answer."""
        return self.told.anchor

    @property
    def paragraphs(self) -> tuple[str, ...]:
        """What it says, drawings and tables aside."""
        return (*self.told.paragraphs, *self.told.points)

    def _repr_html_(self) -> str:
        return section_fragment(self.told)

    def __repr__(self) -> str:
        return f"<Section {self.name}: {self.title}>"


class Tables(Mapping[str, "pd.DataFrame"]):
    """Tables by name, each a DataFrame of its own when it is asked for.

    Names are those of the CSV files, columns too: a quantity ends with its unit.
    """

    def __init__(self, tables: Mapping[str, Rows]):
        self._tables = dict(tables)

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self._tables[name].frame()

    def __iter__(self) -> Iterator[str]:
        return iter(self._tables)

    def __len__(self) -> int:
        return len(self._tables)

    def __repr__(self) -> str:
        return f"<Tables {', '.join(self._tables)}>"
