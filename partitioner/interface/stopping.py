"""Ctrl-C during a search, or a notebook's stop button, ends it with the best so far."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stop_wish() -> Iterator[Callable[[], bool]]:
    """Give a function that tells whether Ctrl-C came; a second one is a KeyboardInterrupt.

    Signals reach the main thread alone: in another thread, and where the caller has given Ctrl-C
    a meaning of its own, nothing is taken over.
    """
    is_main = threading.current_thread() is threading.main_thread()
    earlier = signal.getsignal(signal.SIGINT)
    if not is_main or earlier is not signal.default_int_handler:
        yield lambda: False
        return
    wished = threading.Event()

    def receive(number: int, frame: FrameType | None) -> None:
        wished.set()
        signal.signal(signal.SIGINT, earlier)

    signal.signal(signal.SIGINT, receive)
    try:
        yield wished.is_set
    finally:
        signal.signal(signal.SIGINT, earlier)
