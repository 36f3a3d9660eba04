"""SIGINT (Ctrl-C), SIGTERM and SIGHUP while there is something to keep: a wish, or told to wait."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

from partitioner.cli.signals import end, end_saying, heeded


@contextmanager
def stop_wish(on_first: Callable[[], None]) -> Iterator[Callable[[], bool]]:
    """Take the first of the signals for a wish to stop; give what tells whether it came.

    A second signal goes to whoever had it before: in the program that ends the process at once,
    elsewhere Ctrl-C is KeyboardInterrupt. ``on_first`` is called once, when the first signal
    arrives, between any two steps of the program: it must not use Python's own streams, which may
    be in use.
    """
    is_wanted = False

    def receive(number: int, frame: FrameType | None, earlier: Any) -> None:
        nonlocal is_wanted
        if not is_wanted:
            is_wanted = True
            on_first()
        elif earlier is end:
            end_saying("stopped by you a second time; what was not written yet is lost")
        elif callable(earlier):
            earlier(number, frame)
        else:
            signal.signal(number, earlier)
            signal.raise_signal(number)

    with _received(receive):
        yield lambda: is_wanted


@contextmanager
def unbroken(*, is_last: bool) -> Iterator[None]:
    """Let the signals wait until what must not be cut in two is done.

    Unless it ``is_last``, with nothing left to be stopped, whoever had the signal before gets the
    first one noted afterwards.
    """
    if threading.current_thread() is not threading.main_thread():
        yield  # They come to the main thread alone.
        return
    noted: list[int] = []
    try:
        with _received(lambda number, frame, earlier: noted.append(number)):
            yield
    finally:
        if noted and not is_last:
            signal.raise_signal(noted[0])


@contextmanager
def _received(receive: Callable[[int, FrameType | None, Any], None]) -> Iterator[None]:
    """Give the signals to a function, with whoever had each before and has it again afterwards."""
    earlier: dict[int, Any] = {number: signal.getsignal(number) for number in heeded()}

    def handle(number: int, frame: FrameType | None) -> None:
        receive(number, frame, earlier[number])

    try:
        for number in earlier:
            signal.signal(number, handle)
        yield
    finally:
        for number, handler in earlier.items():
            signal.signal(number, handler)
