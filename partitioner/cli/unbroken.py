"""What must not be cut in two: signals that mean stop wait until it is done."""

from __future__ import annotations

import signal
import threading
from types import FrameType, TracebackType
from typing import Any

from partitioner.cli.signals import heeded


class Unbroken:
    """While entered, SIGINT (Ctrl-C), SIGTERM and SIGHUP are only noted.

    Parameters
    ----------
    is_last
        Whether nothing is left to be stopped afterwards. If not, whoever had the signal before
        gets the first one noted, once the work is done.
    """

    def __init__(self, *, is_last: bool):
        self._is_last = is_last
        self._earlier: dict[int, Any] = {}
        self._noted: int | None = None

    def __enter__(self) -> Unbroken:
        """Take the signals over; they come to the main thread alone."""
        if threading.current_thread() is threading.main_thread():
            for number in heeded():
                self._earlier[number] = signal.signal(number, self._note)
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
        if self._noted is not None and not self._is_last:
            signal.raise_signal(self._noted)

    def _note(self, number: int, frame: FrameType | None) -> None:
        if self._noted is None:
            self._noted = number
