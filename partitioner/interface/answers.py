"""What the functions answer: figures, tables as DataFrames, drawings, and the files of a report."""

from __future__ import annotations

import errno
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from partitioner.application.explain import EXPLANATION
from partitioner.interface.problem import AnyPath, Problem
from partitioner.interface.showing import Drawing, Section, Tables
from partitioner.model.assessment import Assessment, RuleFinding
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome
from partitioner.report.sections import drawings_of
from partitioner.report.writer import LAYOUT_MARKS
from partitioner.units import MG_PER_G, MONEY_STEPS

if TYPE_CHECKING:
    import pandas as pd

    from partitioner.application.check import CheckAnswer
    from partitioner.application.explain import ExplainAnswer
    from partitioner.application.plan import PlanAnswer
    from partitioner.application.replan import ReplanAnswer
    from partitioner.application.told import LayoutAnswer
    from partitioner.application.tradeoff import TradeOffAnswer
    from partitioner.report.sections import Page, Table


VERDICT = "check.json"


@dataclass(frozen=True, repr=False)
class Answer:
    """What all answers have. A notebook shows the verdict with the first drawing.

    Attributes
    ----------
    problem
        The problem that was asked about.
    """

    problem: Problem
    _answer: Any
    _marks: ClassVar[Sequence[str]] = LAYOUT_MARKS

    @cached_property
    def _page(self) -> Page:
        page: Page = self._answer.page()
        return page

    @property
    def verdict(self) -> str:
        """The answer in a few sentences."""
        return " ".join(paragraph for paragraph in self._page.lead if paragraph)

    @cached_property
    def sections(self) -> Mapping[str, Section]:
        """The chapters of its report and the parts below them by name."""
        return {s.name: s for s in map(Section, self._page.walk())}

    @cached_property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Its tables as DataFrames, named as the CSV files of the report."""
        told = {t.name: t for s in self._page.walk() for t in s.tables}
        return Tables({**self._own_tables(), **told})

    def _own_tables(self) -> Mapping[str, Table]:
        """Tables that it has whether its report shows them or not."""
        return {}

    @cached_property
    def drawings(self) -> Mapping[str, Drawing]:
        """Its drawings and charts by name."""
        return {f.id: Drawing(f) for f in drawings_of(self._page.sections)}

    def files(self) -> dict[str, str | bytes]:
        """All that :meth:`write` writes, by name."""
        made: dict[str, str | bytes] = self._answer.files()
        return made

    def write(self, folder: AnyPath, *, force: bool = False, archive: bool = False) -> Path:
        """Write what the command of this name writes; give the folder.

        Parameters
        ----------
        folder
            Made if missing. Files of an earlier answer of this kind are replaced, all or none.
        force
            Write also into a folder that holds other things; these stay.
        archive
            Also pack all files into ``NAME.zip`` within the folder, by the problem's name.

        Raises
        ------
        FileExistsError
            If it holds other things.
        OSError
            If the disk refuses; what was there before is still there.
        """
        from partitioner.report.archive import with_archive
        from partitioner.report.writer import check_destination, write_set

        target = Path(folder)
        try:
            check_destination(target, force, self._marks)
        except FileExistsError:
            told = "the folder holds other files; choose another one, or give force=True"
            raise FileExistsError(errno.EEXIST, told, str(target)) from None
        files = self.files()
        if archive:
            files = with_archive(files, self.problem.name)
        write_set(target, files, force, self._marks)
        return target

    def __repr__(self) -> str:
        return f"<{type(self).__name__} {self.problem.name}: {self._page.word}>"

    def _repr_html_(self) -> str:
        from partitioner.report.notebook import verdict_fragment

        figure = next(iter(drawings_of(self._page.sections)), None)
        return verdict_fragment(self._page, self._page.sheet.plan or figure)


@dataclass(frozen=True, repr=False)
class Printed(Answer):
    """An answer that its command prints."""

    def text(self) -> str:
        """The answer as the command prints it."""
        return str(self._answer.text())


@dataclass(frozen=True, repr=False)
class _OfLayout(Answer):
    """An answer about one layout."""

    @property
    def _assessment(self) -> Assessment:
        made: Assessment = self._answer.assessment
        return made

    def _own_tables(self) -> Mapping[str, Table]:
        from partitioner.report.tables import all_tables

        return all_tables(self.problem.model, self._assessment)

    @property
    def layout(self) -> Layout:
        """The layout: its segments with their devices, ports and PLCA IDs."""
        return self._assessment.layout

    @property
    def money(self) -> float:
        """What a unit costs, in the currency of the problem, by the share of units with a part."""
        return self._assessment.cost.money / MONEY_STEPS

    @property
    def mass_g(self) -> float:
        """Mass of a unit in g, by the share of units with a part."""
        return self._assessment.cost.mass_mg / MG_PER_G

    @property
    def priced_total(self) -> float:
        """What a plan makes as small as can be: money, and mass and delay at their prices."""
        return self._assessment.cost.objective_money / MONEY_STEPS

    @property
    def broken_rules(self) -> tuple[RuleFinding, ...]:
        """Rules that the layout breaks, each with its subjects and a sentence."""
        return tuple(self._assessment.findings)


@dataclass(frozen=True, repr=False)
class _Searched(_OfLayout, Printed):
    """An answer that a search found."""

    @property
    def _outcome(self) -> Outcome | None:
        made: Outcome | None = self._answer.outcome
        return made

    @property
    def is_optimal(self) -> bool:
        """Whether it is proved that no layout has a lower priced total."""
        return self._outcome is not None and self._outcome.bound_money >= self._outcome.cost_money

    @property
    def bound(self) -> float | None:
        """No layout has a priced total below this; None where nothing is proved of all layouts."""
        return None if self._outcome is None else self._outcome.bound_money / MONEY_STEPS

    @property
    def gap(self) -> float | None:
        """Share of the priced total by which another layout can be cheaper at most."""
        return None if self._outcome is None else self._outcome.gap

    @property
    def start_unusable(self) -> tuple[str, ...]:
        """What of the layout to start from could not be used: a sentence each."""
        return () if self._outcome is None else tuple(self._outcome.start_unusable)


@dataclass(frozen=True, repr=False)
class Plan(_Searched):
    """A planned layout, checked, with its proven gap."""

    _answer: PlanAnswer

    @property
    def stopped_by(self) -> str:
        """Why the search ended: ``proof``, ``time limit``, ``work limit`` or ``user``."""
        return self._answer.outcome.stopped_by

    @property
    def seconds(self) -> float:
        """How long the search took."""
        return self._answer.outcome.seconds


@dataclass(frozen=True, repr=False)
class Replan(_Searched):
    """A layout for a changed problem, with the list of what changes."""

    _answer: ReplanAnswer

    @property
    def start_unusable(self) -> tuple[str, ...]:
        """What of the layout to start from could not be used: a sentence each."""
        return tuple(self._answer.rerun.searched.outcome.start_unusable)

    @property
    def change_price(self) -> float:
        """What its changes cost, by the ``change_prices`` of the problem."""
        return self._answer.rerun.best.found.change_money / MONEY_STEPS

    @property
    def layouts(self) -> tuple[Layout, ...]:
        """Layouts between fewest changes and planning afresh, if points were asked for."""
        return tuple(point.layout for point in self._answer.rerun.front)


@dataclass(frozen=True, repr=False)
class Report(_OfLayout):
    """All there is to say of a layout."""

    _answer: LayoutAnswer


@dataclass(frozen=True, repr=False)
class Check(_OfLayout, Printed):
    """The verdict on a layout."""

    _answer: CheckAnswer
    _marks = (VERDICT,)

    @property
    def is_kept(self) -> bool:
        """Whether the layout keeps every rule."""
        return not self.broken_rules

    def files(self) -> dict[str, str | bytes]:
        """What the command prints with ``--json``, as a file: it writes no other."""
        from partitioner.visible import json_file

        return {VERDICT: json_file(self._answer.data())}


@dataclass(frozen=True, repr=False)
class TradeOff(Printed):
    """Layouts that trade cost against another quantity, from cheap to dear."""

    _answer: TradeOffAnswer
    _marks = ("tradeoff.json",)

    @property
    def layouts(self) -> tuple[Layout, ...]:
        """The layout of each point, from cheap to dear."""
        return tuple(point.layout for point in self._answer.state.front.points)

    @property
    def is_complete(self) -> bool:
        """Whether all that was asked for was found."""
        return self._answer.state.is_finished

    @property
    def start_unusable(self) -> tuple[str, ...]:
        """What of the layout to start from could not be used: a sentence each."""
        return tuple(self._answer.state.start_unusable)


@dataclass(frozen=True, repr=False)
class Explanation(Printed):
    """Why there is no layout, what each rule costs, or why a device is where it is."""

    _answer: ExplainAnswer
    _marks = (EXPLANATION,)

    @property
    def data(self) -> dict[str, Any]:
        """The explanation as plain data, as the command prints it with ``--json``."""
        return self._answer.data()

    @property
    def start_unusable(self) -> tuple[str, ...]:
        """What of the layout to start from could not be used: a sentence each."""
        return self._answer.start_unusable
