"""The best layout on disk while the search goes on, for runs that nobody lets end."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from pathlib import Path

from partitioner.application.earlier import cost_of_layout
from partitioner.cli.output import SO_FAR, Place
from partitioner.cli.voice import Voice
from partitioner.errors import MachineFault
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.reading.layout_file import layout_text
from partitioner.report.writer import LAYOUT

EVERY_S = 1.0
"""Least seconds between two writings."""


def kept_so_far(
    place: Place,
    problem: Problem,
    voice: Voice,
    *,
    is_offered: bool,
    value_of: Callable[[Path, Problem], int | None] = cost_of_layout,
) -> BestSoFar:
    """Begin to keep the best layout within a folder, and tell what a run before has left there.

    ``is_offered``: say that one could start from it, as the run does not start from anything else.
    ``value_of`` gives what the layout in a file is worth to a run of this kind; less is better.
    """
    left = place.folder / SO_FAR / LAYOUT
    left_money = value_of(left, problem)
    if left_money is not None and is_offered:
        voice.note(
            f"{left} is what a run that was cut off had found; --start {left} would begin from it"
        )
    return BestSoFar(place, problem, time.monotonic, left_money)


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
        self._waiting: dict[str, Callable[[], str]] = {}
        self._written: dict[str, str] = {}
        self._next_at = clock()

    def take(self, cost_money: int, make: Callable[[], Layout]) -> None:
        """Take note of a better layout."""
        if self._left_money is None or cost_money < self._left_money:
            self._waiting[LAYOUT] = lambda: layout_text(make(), self._problem)
            self.write_if_due()

    def take_text(self, name: str, make: Callable[[], str]) -> None:
        """Take note of what is known besides, to be written beside a layout of this run."""
        if self._waiting or self._written:
            self._waiting[name] = make
            self.write_if_due()

    def write_if_due(self) -> None:
        """Write what was taken note of last, if it is time to; from the main thread only."""
        is_main = threading.current_thread() is threading.main_thread()
        if not self._waiting or not is_main or self._clock() < self._next_at:
            return
        waiting, self._waiting = self._waiting, {}
        self._written |= {name: make() for name, make in waiting.items()}
        # A disk that refuses this will be told of at the end, when it matters.
        with contextlib.suppress(MachineFault):
            self._place.write_so_far(self._written)
        self._next_at = self._clock() + EVERY_S

    def end(self, cost_money: int, voice: Voice) -> None:
        """Remove it, as a layout of that cost is written; not if the one left is better."""
        self._waiting.clear()
        if self._left_money is not None and self._left_money < cost_money:
            left = self._place.folder / SO_FAR / LAYOUT
            voice.note(f"{left} is cheaper still; --start {left} would begin from it")
            return
        self._place.end_so_far()
