"""Ctrl-C as a wish to stop: the first one ends the search with the best layout so far."""

from __future__ import annotations

import signal
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any


class StopWish:
    """While entered, the first Ctrl-C sets a flag; a second one aborts.

    Calling the object tells whether the user wants to stop.

    Parameters
    ----------
    on_first
        Called once, when the first Ctrl-C arrives.
    """

    def __init__(self, on_first: Callable[[], None]):
        self._on_first = on_first
        self._is_wanted = False
        self._earlier: Any = None

    def __call__(self) -> bool:
        """Whether Ctrl-C was pressed."""
        return self._is_wanted

    def __enter__(self) -> StopWish:
        """Take over Ctrl-C."""
        self._earlier = signal.signal(signal.SIGINT, self._receive)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give Ctrl-C back."""
        signal.signal(signal.SIGINT, self._earlier)

    def _receive(self, number: int, frame: FrameType | None) -> None:
        if self._is_wanted:
            raise KeyboardInterrupt
        self._is_wanted = True
        self._on_first()
