"""SIGINT (Ctrl-C), SIGTERM and SIGHUP where there is nothing to keep: the end, at once.

No exception is raised for that: inside an import or a callback of a library it would be swallowed,
or told with a traceback. A signal that was ignored when the program was started, as ``nohup`` does,
stays so.

Imports next to nothing: until these handlers are set, Ctrl-C is answered with a traceback.
"""

import os
import signal
import sys

SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
"""The signals that mean stop, as far as the system has them."""
FAULT = 1
"""``ExitCode.FAULT``; its module takes as long to import as Python to start."""


def heeded() -> list[signal.Signals]:
    """Those of the signals that are not ignored, and not handled by something else than Python."""
    unheard = (signal.SIG_IGN, None)
    return [number for number in SIGNALS if signal.getsignal(number) not in unheard]


def end_at_once() -> None:
    """Let each of the signals end the process where it stands, from here on."""
    for number in heeded():
        signal.signal(number, end)


def ignore() -> None:
    """Ignore the signals from here on."""
    for number in heeded():
        signal.signal(number, signal.SIG_IGN)


def end(number, frame) -> None:  # type: ignore[no-untyped-def]
    """Handle a signal: say so and end."""
    end_saying("stopped by you before there was anything to keep")


def end_saying(reason: str) -> None:
    """End the process where it stands; the processes beside it end by themselves."""
    say_now(f"error: {reason}\n")
    os._exit(FAULT)


def say_now(text: str) -> None:
    """Write ``text`` to stderr past Python's buffers, which a signal may find in use.

    On a terminal it begins a line of its own: one of progress may stand there. Not being able to
    write is no failure: with SIGHUP the terminal is gone.
    """
    try:
        number = sys.stderr.fileno()
        os.write(number, ("\n" * os.isatty(number) + text).encode(errors="replace"))
    except (AttributeError, OSError, ValueError):
        pass
