"""What a :mod:`partitioner.solve.side_process` runs; started as a script, never imported.

Its arguments are the process that it is to end with, how often to look for garbage, and the entries
of the import path.
"""

import sys

if __name__ == "__main__":
    # Isolated, Python has what is installed on its path, not what the caller was told besides.
    sys.path[:] = sys.argv[3:]

import contextlib
import gc
import importlib.util
import os
import pickle
import queue
import signal
import threading
from pathlib import Path
from typing import Any

PR_SET_PDEATHSIG = 1
"""Linux, ``prctl(2)``: the signal a process gets when the one that started it ends."""


def end_with(parent: int) -> None:
    """Have the kernel end this process when process number ``parent`` ends.

    Only Linux can do that, and it looks at the thread that started the process: one that plans has
    to live until it has closed what works beside. Elsewhere, see :func:`read_tasks`.
    """
    if sys.platform.startswith("linux"):
        import ctypes

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    # It may have ended before; on Windows a launcher may stand between the two.
    if os.name == "posix" and os.getppid() != parent:
        os._exit(1)


def read_tasks(tasks: queue.SimpleQueue[Any]) -> None:
    """Read tasks until nobody is left to send any, and end the process then.

    It runs in a thread of its own, so that it notices in the middle of a task too. The heuristic
    and the solver leave the interpreter to other threads many times a second.
    """
    try:
        while True:
            tasks.put(pickle.load(sys.stdin.buffer))
    finally:
        # At the end of the pipe, or where what came cannot be used.
        os._exit(0)


def use_package_of(script: Path) -> None:
    """Import ``partitioner`` from the folder this script lies in, whatever the path would give.

    A checkout that is run where it lies has nothing on the path to be found by.
    """
    folder = script.parents[1]
    spec = importlib.util.spec_from_file_location(
        "partitioner", folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    assert spec is not None
    assert spec.loader is not None
    package = importlib.util.module_from_spec(spec)
    sys.modules["partitioner"] = package
    spec.loader.exec_module(package)


def main() -> None:
    """Work on each task that comes in and send on what it emits."""
    end_with(int(sys.argv[1]))
    gc.set_threshold(*map(int, sys.argv[2].split(",")))
    use_package_of(Path(__file__))
    out = sys.stdout.buffer
    sys.stdout = sys.stderr
    tasks: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=read_tasks, args=(tasks,), daemon=True).start()

    def emit(message: Any) -> None:
        pickle.dump(message, out)
        out.flush()

    try:
        while True:
            task = tasks.get()
            try:
                task.run(emit)
            finally:
                emit(None)
    finally:
        # The reading thread stands in the way of an orderly end.
        os._exit(1)


if __name__ == "__main__":
    main()
