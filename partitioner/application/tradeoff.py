"""``tradeoff``: what a faster, lighter or smaller layout costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from partitioner.application.check import judged
from partitioner.application.nearest import told_ending
from partitioner.application.search import Search
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.pages.tradeoff import front_text, seeking_text, tradeoff_page
from partitioner.report.page import page_files
from partitioner.report.sections import Page
from partitioner.tradeoff.axes import AXES
from partitioner.tradeoff.search import TradeOff, TradeOffSettings, begin, trade_off
from partitioner.tradeoff.state import state_data, state_files


@dataclass(frozen=True, slots=True)
class TradeOffAnswer:
    """Layouts that trade cost against another quantity, and why the search ended."""

    problem: Problem
    state: TradeOff
    _assessments: dict[Layout, Assessment] = field(default_factory=dict, repr=False, compare=False)
    """Of the layouts told last: a page is made after each point, with most layouts as before."""

    def text(self) -> str:
        """The layouts for a terminal."""
        return front_text(self.problem, self.state, self._assess)

    def data(self) -> dict[str, Any]:
        """The same as plain data."""
        return state_data(self.problem, self.state)

    def page(self, made_on: date | None = None) -> Page:
        """The layouts as a page; ``made_on`` is the day in its title block."""
        return tradeoff_page(self.problem, self.state, self._assess, made_on)

    def files(self, *, made_on: date | None = None) -> dict[str, str]:
        """A page with the files of its tables, the data and a layout file for each point."""
        return {**state_files(self.problem, self.state), **page_files(self.page(made_on))}

    def _assess(self, layout: Layout) -> Assessment:
        if layout not in self._assessments:
            self._assessments[layout] = judged(self.problem, layout)[1]
        return self._assessments[layout]


def tradeoff(
    problem: Problem,
    search: Search | None = None,
    *,
    axis: str = "latency",
    points: int | None = 8,
    gap: float = 0.01,
    start: Layout | None = None,
    known: TradeOff | None = None,
    on_point: Callable[[TradeOffAnswer], None] | None = None,
) -> TradeOffAnswer:
    """Find layouts that trade cost against worst latency, or another quantity.

    As :func:`partitioner.interface.functions.trade_off`, errors too. ``search`` says how long and
    how to search, for all points together; ``known`` is what an earlier call found, to go on from
    (see :func:`~partitioner.tradeoff.state.read_state`). ``on_point`` is called after each run with
    what is known so far, to be kept.
    """
    search = (search or Search()).begun()
    state = begin(problem, AXES[axis]) if known is None else known
    answer = TradeOffAnswer(problem, state)
    with told_ending(problem, search):
        trade_off(
            problem,
            state,
            search.budget(problem, lambda cost: seeking_text(problem, state, points, cost)),
            TradeOffSettings(points, gap),
            None if on_point is None else lambda _: on_point(answer),
            start,
        )
    return answer
