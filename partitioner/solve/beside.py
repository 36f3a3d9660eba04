"""Tasks at work in a process of its own, sending on what they find as they go.

The process is started as ``python -m partitioner.solve.beside``. Its standard input carries
pickled tasks, one after the other; its standard output a pickled message for everything a task
emits, and None at the end of each.
"""

from __future__ import annotations

import contextlib
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any, Protocol


class Task(Protocol):
    """Work that can be pickled; ``run`` hands what it finds to ``emit``."""

    def run(self, emit: Callable[[Any], None]) -> None:
        """Work until done."""


class Beside:
    """A process that works on one task at a time; :meth:`poll` gives what has come in since."""

    def __init__(self, task: Task | None = None):
        self._process = subprocess.Popen(
            [sys.executable, "-m", "partitioner.solve.beside"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self._tasks: queue.SimpleQueue[Task | None] = queue.SimpleQueue()
        self._queue: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self.running = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
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
        self._tasks.put(None)
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        self._thread.join(timeout=1.0)
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


def main() -> None:
    """Work on each task that comes in and send on what it emits."""
    out = sys.stdout.buffer
    sys.stdout = sys.stderr

    def emit(message: Any) -> None:
        pickle.dump(message, out)
        out.flush()

    while True:
        try:
            task = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        try:
            task.run(emit)
        finally:
            emit(None)


if __name__ == "__main__":
    main()
