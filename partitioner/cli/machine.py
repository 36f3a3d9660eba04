"""Faults of the machine, not of the program: no memory, no disk, streams that are closed."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from typing import IO

from partitioner.errors import MachineFault

JUDGING_MB = 250
"""Address space that judging and reporting take (measured: 234 MB on Linux, x86-64)."""
_SOLVER_MB = 500
_WORKER_MB = 100
"""Address space of planning: so much, and so much for each core used (measured with the demo
problems on Linux, x86-64: 446 MB with one core, 661 with two, 811 with four, 1,104 with eight)."""

_BYTES_PER_MB = 1_000_000
_MEMORY_WORDS = ("annot allocate memory", "failed to map segment", "can't start new thread")
_DISK = {
    getattr(errno, name)
    for name in (
        "ENOSPC", "EFBIG", "EDQUOT", "EROFS", "EIO", "ENOMEM", "EMFILE", "ENFILE", "ESTALE", "EBADF"
    )
    if hasattr(errno, name)
}  # fmt: skip


def address_space_mb() -> int | None:
    """Address space this process may have (``ulimit -v``) in MB; None without a limit."""
    try:
        import resource
    except ImportError:  # Windows
        return None
    soft, _ = resource.getrlimit(resource.RLIMIT_AS)
    return None if soft == resource.RLIM_INFINITY else soft // _BYTES_PER_MB


def require_memory(needed_mb: int, what: str) -> None:
    """Make sure, before the libraries are loaded that would end the process, that they fit.

    Raises
    ------
    MachineFault
        If the process may not have so much address space.
    """
    allowed = address_space_mb()
    if allowed is not None and allowed < needed_mb:
        raise MachineFault(
            f"{what} takes {needed_mb} MB of address space, and this process may have {allowed} MB "
            "(ulimit -v)"
        )


def usable_workers(wanted: int | None) -> int:
    """Give the number of cores to plan with: as many as asked for, else as many as fit.

    Raises
    ------
    MachineFault
        If the process may not have the address space that takes.
    """
    # Not for ``--help``: it brings half of the model along.
    from partitioner.application.search import all_cores

    allowed = address_space_mb()
    workers = wanted or all_cores()
    if wanted is None and allowed is not None:
        workers = max(1, min(workers, (allowed - _SOLVER_MB) // _WORKER_MB))
    what = f"planning with {workers} core{'s' if workers > 1 else ''}"
    require_memory(_SOLVER_MB + _WORKER_MB * workers, what)
    return workers


def machine_words(error: BaseException) -> str | None:
    """Say in one sentence what the machine refused; None if it is no fault of the machine."""
    if isinstance(error, OSError):
        if error.filename is not None:
            return f"{error.filename}: {error.strerror}"
        if error.errno in _DISK:
            return error.strerror or str(error)
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, MemoryError) or (
            isinstance(seen, ImportError | OSError | RuntimeError)
            and any(words in str(seen) for words in _MEMORY_WORDS)
        ):
            allowed = address_space_mb()
            limit = "" if allowed is None else f": this process may have {allowed} MB (ulimit -v)"
            return f"there is not enough memory{limit}"
        seen = seen.__cause__ or seen.__context__
    return None


def settle_streams() -> None:
    """Give each standard stream that the caller has closed a file of its own.

    Otherwise the next file that is opened gets its number, and what a library prints goes into
    that file. Writing to a closed stdout fails, as it does for other programs; what goes to a
    closed stderr is lost.
    """
    modes = (("stdin", os.O_RDONLY), ("stdout", os.O_RDONLY), ("stderr", os.O_WRONLY))
    for number, (name, flags) in enumerate(modes):
        if getattr(sys, name) is not None:
            continue
        with contextlib.suppress(OSError):
            opened = os.open(os.devnull, flags)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
            mode = "r" if name == "stdin" else "w"
            stream = open(number, mode, encoding="utf-8", closefd=False)  # noqa: SIM115
            setattr(sys, name, stream)


def silence(stream: IO[str]) -> None:
    """Let nothing more fail that is written to a standard stream, its rest at the end included."""
    with contextlib.suppress(AttributeError, OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, stream.fileno())
        os.close(null)


def end_streams() -> str | None:
    """Write out what waits in stdout and stderr; say what stdout refused, if it did."""
    said = None
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError, AttributeError) as error:
            if stream is sys.stdout and isinstance(error, OSError):
                # Whoever stops reading a pipe knows it.
                said = None if isinstance(error, BrokenPipeError) else stdout_words(error)
            silence(stream)
    return said


def is_of_echo(error: OSError) -> bool:
    """Whether it was raised while click printed something."""
    step = error.__traceback__
    while step is not None and step.tb_next is not None:
        step = step.tb_next
    return step is not None and step.tb_frame.f_globals.get("__name__") == "click.utils"


def stdout_words(error: OSError) -> str:
    """Say that the answer could not be printed."""
    return f"the answer could not be written to stdout: {error.strerror or error}"
