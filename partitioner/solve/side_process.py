"""Tasks at work in a process of its own, sending on what they find as they go.

The process runs :mod:`partitioner.solve.side_process_main`. Its standard input carries pickled
tasks, one after the other; its standard output a pickled message for everything a task emits, and
None at the end of each.

It is cut off from where its user stands: it imports nothing from the current folder, and Ctrl-C or
the end of the terminal do not reach it. And it ends with the process that started it, however that
ends.
"""

from __future__ import annotations

import contextlib
import gc
import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from partitioner.import_path import settled_path

LOOK_EVERY_S = 0.2
"""Between two looks at whether the user wants to stop."""


class Task(Protocol):
    """Work that can be pickled; ``run`` hands what it finds to ``emit``."""

    def run(self, emit: Callable[[Any], None]) -> None:
        """Work until done."""


class SideProcess:
    """A process that works on one task at a time; :meth:`poll` gives what has come in since.

    It begins with a ``task``, if there is one already. ``should_stop`` is asked now and then, from
    another thread; true ends the process, whatever the thread that started it is at.
    """

    def __init__(self, task: Task | None = None, should_stop: Callable[[], bool] = lambda: False):
        self._process = subprocess.Popen(
            command_line(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self._should_stop = should_stop
        self._is_closed = threading.Event()
        self._tasks: queue.SimpleQueue[Task | None] = queue.SimpleQueue()
        self._queue: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self.running = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        threading.Thread(target=self._watch, daemon=True).start()
        if task is not None:
            self.give(task)

    def give(self, task: Task) -> None:
        """Start the next task; only when none is running."""
        assert not self.running
        self.running = True
        self._tasks.put(task)

    def _serve(self) -> None:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        while (task := self._tasks.get()) is not None:
            try:
                pickle.dump(task, stdin)
                stdin.flush()
                while (message := pickle.load(stdout)) is not None:
                    self._queue.put(message)
            except (EOFError, BrokenPipeError, OSError, pickle.UnpicklingError):
                pass
            self._queue.put(None)

    def _watch(self) -> None:
        while not self._is_closed.wait(LOOK_EVERY_S):
            if self._should_stop():
                self._process.kill()
                return

    def poll(self, wait_s: float = 0.0) -> list[Any]:
        """Every message that came in; waits up to ``wait_s`` for a first one."""
        out: list[Any] = []
        try:
            message = self._queue.get(timeout=wait_s) if wait_s > 0 else self._queue.get_nowait()
            while True:
                if message is None:
                    self.running = False
                    break
                out.append(message)
                message = self._queue.get_nowait()
        except queue.Empty:
            pass
        return out

    def close(self) -> None:
        """End the process and free what it held."""
        self.running = False
        self._is_closed.set()
        self._tasks.put(None)
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        self._thread.join(timeout=1.0)
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


def command_line() -> list[str]:
    """Give the command line of the process, for the process that calls this.

    ``-I`` keeps the current folder and ``PYTHONPATH`` from the import path. So that this very
    program and the libraries it has found are found again, the settled path goes along. It looks
    for garbage as often as the calling process.
    """
    often = ",".join(map(str, gc.get_threshold()))
    script = Path(__file__).with_name("side_process_main.py").resolve()
    no_cache = ["-B"] if sys.dont_write_bytecode else []
    return [sys.executable, "-I", *no_cache, str(script), str(os.getpid()), often, *settled_path()]
