"""``tradeoff``: what a faster, lighter or smaller layout costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from partitioner.application.search import Search
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    from partitioner.report.sections import Page
    from partitioner.tradeoff.search import TradeOff

_FINISHING_S = 0.3


@dataclass(frozen=True, slots=True)
class TradeOffAnswer:
    """Layouts that trade cost against another quantity, and why the search ended."""

    problem: Problem
    state: TradeOff

    def text(self) -> str:
        """The layouts for a terminal."""
        from partitioner.pages.tradeoff import front_text

        return front_text(self.problem, self.state)

    def data(self) -> dict[str, Any]:
        """The same as plain data."""
        from partitioner.tradeoff.state import state_data

        return state_data(self.problem, self.state)

    def page(self) -> Page:
        """The layouts as a page."""
        from partitioner.pages.tradeoff import tradeoff_page

        return tradeoff_page(self.problem, self.state)

    def files(self) -> dict[str, str]:
        """A page, the data and a layout file for each point, by name."""
        from partitioner.pages.tradeoff import tradeoff_files

        return tradeoff_files(self.problem, self.state)


def read_tradeoff(folder: Path, problem: Problem, axis: str = "latency") -> TradeOff | None:
    """Read what an earlier call left in a folder, to go on from; None if there is nothing.

    Raises
    ------
    WrongFile
        If a file of it was changed so that it cannot be understood.
    """
    from partitioner.tradeoff.axes import AXES
    from partitioner.tradeoff.state import read_state

    return read_state(folder, problem, AXES[axis])


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

    Parameters
    ----------
    problem
        As read by :func:`~partitioner.application.reading.read_problem`.
    search
        How long and how to search, for all points together.
    axis
        What to weigh against cost: ``latency``, ``margin``, ``mass``, ``ports`` or ``lines``.
    points
        How many points, spread between the ends; None: all there are, one after the other.
    gap
        Proven gap (share of the cost) that a point must reach.
    start
        A layout to start from, as for a plan.
    known
        What an earlier call found, to go on from; see :func:`read_tradeoff`.
    on_point
        Called after each run with what is known so far, to be kept.

    Raises
    ------
    NoLayout
        The problem has no layout at all.
    NoAnswer
        No layout was found within the time.

    Examples
    --------
    >>> from pathlib import Path
    >>> from partitioner.application.reading import read_problem
    >>> problem = read_problem(Path("tests/cases/tradeoff-floor.yaml"))
    >>> answer = tradeoff(problem, Search(time_limit_s=30), points=None)
    >>> answer.state.ended_by.value, len(answer.data()["points"]) > 1
    ('proof', True)
    """
    from partitioner.pages.tradeoff import seeking_text
    from partitioner.tradeoff.axes import AXES
    from partitioner.tradeoff.search import TradeOffSettings, begin, trade_off

    search = (search or Search()).begun()
    state = begin(problem, AXES[axis]) if known is None else known
    answer = TradeOffAnswer(problem, state)
    trade_off(
        problem,
        state,
        search.budget(_FINISHING_S, lambda: seeking_text(state, points)),
        TradeOffSettings(points, gap),
        None if on_point is None else lambda _: on_point(answer),
        start,
    )
    return answer
