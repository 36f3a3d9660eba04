"""Work counted in place of seconds: calls of functions, the same on every machine."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

A_SECOND = 1_000_000
"""Calls that take about a second."""


class WorkClock:
    """A clock that goes on with the calls of functions, of generators and into libraries.

    It goes while entered. Reading it tells seconds; ``longest_s`` is the longest time between two
    readings.
    """

    def __init__(self) -> None:
        calls = 0

        # Called at every call and return, so it is what a test with this clock takes.
        def note(frame: FrameType, event: str, argument: Any) -> None:
            nonlocal calls
            if event[-1] == "l":  # "call" and "c_call", no return and no exception
                calls += 1

        self._note = note
        self._calls: Callable[[], int] = lambda: calls
        self.longest_s = 0.0
        self._read_at = 0.0
        self._earlier: Any = None

    def __enter__(self) -> WorkClock:
        self._earlier = sys.getprofile()
        sys.setprofile(self._note)
        return self

    def __exit__(self, *_: object) -> None:
        sys.setprofile(self._earlier)

    @property
    def calls(self) -> int:
        """Calls so far."""
        return self._calls()

    def __call__(self) -> float:
        """Seconds of work so far."""
        now = self.calls / A_SECOND
        self.longest_s = max(self.longest_s, now - self._read_at)
        self._read_at = now
        return now


def calls_in(work: Callable[[], object]) -> int:
    """Calls that ``work`` makes."""
    with WorkClock() as clock:
        work()
    return clock.calls
