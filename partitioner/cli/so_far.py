"""The best layout on disk while the search goes on, for runs that nobody lets end."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

from partitioner.cli.output import Place
from partitioner.errors import MachineFault
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.reading.layout_file import layout_text

EVERY_S = 1.0
"""Least seconds between two writings."""


class BestSoFar:
    """Writes the best layout into a folder within that of the run.

    ``left_money`` is the objective value of the layout that a run before has left there; it is
    replaced by cheaper ones only. None: there is none.
    """

    def __init__(
        self, place: Place, problem: Problem, clock: Callable[[], float], left_money: int | None
    ):
        self._place, self._problem, self._clock = place, problem, clock
        self._left_money = left_money
        self._waiting: Callable[[], Layout] | None = None
        self._next_at = clock()

    def take(self, cost_money: int, make: Callable[[], Layout]) -> None:
        """Take note of a better layout."""
        if self._left_money is None or cost_money < self._left_money:
            self._waiting = make
            self.write_if_due()

    def write_if_due(self) -> None:
        """Write the last one taken note of, if it is time to; from the main thread only."""
        is_main = threading.current_thread() is threading.main_thread()
        if self._waiting is None or not is_main or self._clock() < self._next_at:
            return
        make, self._waiting = self._waiting, None
        # A disk that refuses this will be told of at the end, when it matters.
        with contextlib.suppress(MachineFault):
            self._place.write_so_far(layout_text(make(), self._problem))
        self._next_at = self._clock() + EVERY_S

    def end(self, cost_money: int) -> bool:
        """Remove it, as a layout of that cost is written; False if the one left is better."""
        self._waiting = None
        if self._left_money is not None and self._left_money < cost_money:
            return False
        self._place.end_so_far()
        return True
