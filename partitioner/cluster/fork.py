"""Where the workers of this machine come from: a process that has loaded the planner once.

Python's fork server loads what a worker needs while the study is still read, and each worker, also
one that takes the place of another that died, is split off from it, ready to work.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from multiprocessing import resource_tracker

from partitioner.import_path import settled_path

_LOADED = (
    "distributed", "partitioner.cluster.tasks", "partitioner.application.sweep_case", "pyvrp",
)  # fmt: skip
# Elsewhere a library of the system may not stand being split (macOS), or there is no such thing.
PROCESS_METHOD = "forkserver" if sys.platform == "linux" else "spawn"


def worker_environment() -> dict[str, str]:
    """What workers, and the process they come from, have in their environment beside our own."""
    # Each has one core. Memory goes back to the system, whose account of it is what counts.
    threads = dict.fromkeys(("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    # No worker imports anything from the folder somebody happens to stand in.
    path = {"PYTHONPATH": os.pathsep.join(settled_path()), "PYTHONSAFEPATH": "1"}
    return {**threads, "MALLOC_TRIM_THRESHOLD_": "65536", **path}


def begin_fork_server() -> None:
    """Start the process that workers come from, if it is not there; it ends with this one."""
    if PROCESS_METHOD == "spawn":
        return
    from multiprocessing import forkserver

    forkserver.set_forkserver_preload(list(_LOADED))
    with kept_environment(), ctrl_c_stays_here():
        os.environ.update(worker_environment())
        forkserver.ensure_running()


@contextlib.contextmanager
def ctrl_c_stays_here() -> Iterator[None]:
    """Have it not reach processes started now, nor those that take their place when they die.

    A terminal sends it to all processes of a command. Threads and processes inherit what is
    blocked where they begin; a signal that comes here meanwhile waits until the end.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    # Whichever thread starts this one of Python's own processes has Ctrl-C unblocked by that.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def kept_environment() -> Iterator[None]:
    """Have this process's environment afterwards as it was: dask sets in it what workers get."""
    before = dict(os.environ)
    try:
        yield
    finally:
        for name in os.environ.keys() - before.keys():
            del os.environ[name]
        os.environ.update(before)
