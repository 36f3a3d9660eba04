"""SIGINT (Ctrl-C), SIGTERM and SIGHUP as a wish to stop, while there may be something to keep."""

from __future__ import annotations

import signal
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any

from partitioner.cli.signals import end, end_saying, heeded


class StopWish:
    """While entered, the first of the signals sets a flag; a second one aborts.

    Calling the object tells whether the user wants to stop. A second signal goes to whoever had
    it before: in the program that ends the process at once, elsewhere Ctrl-C is KeyboardInterrupt.

    Parameters
    ----------
    on_first
        Called once, when the first signal arrives, between any two steps of the program: it must
        not use Python's own streams, which may be in use.
    """

    def __init__(self, on_first: Callable[[], None]):
        self._on_first = on_first
        self._is_wanted = False
        self._earlier: dict[int, Any] = {}

    def __call__(self) -> bool:
        """Whether one of the signals came."""
        return self._is_wanted

    def __enter__(self) -> StopWish:
        """Take the signals over."""
        for number in heeded():
            self._earlier[number] = signal.getsignal(number)
            signal.signal(number, self._receive)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give the signals back."""
        for number, earlier in self._earlier.items():
            signal.signal(number, earlier)

    def _receive(self, number: int, frame: FrameType | None) -> None:
        if not self._is_wanted:
            self._is_wanted = True
            self._on_first()
            return
        earlier = self._earlier[number]
        if earlier is end:
            end_saying("stopped by you a second time; what was not written yet is lost")
        elif callable(earlier):
            earlier(number, frame)
        else:
            signal.signal(number, earlier)
            signal.raise_signal(number)
