"""The program as a process of its own, and all processes that belong to it, as Linux tells."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

needs_proc = pytest.mark.skipif(
    not Path("/proc/self/environ").exists(), reason="processes are counted in /proc"
)
ROOT = Path(__file__).parent.parent
PROGRAM = (sys.executable, "-m", "partitioner")
HELPER = "side_process_main.py"
_MARK = "TEST_RUN_MARK"
_STREAMS = {
    "stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True,
}  # fmt: skip
STOPPING = ("SIGINT", "SIGTERM", "SIGHUP")


class Started:
    """A process that is started with a mark in its environment, which all it starts inherit."""

    def __init__(self, words: Sequence[str], **how: Any):
        self.mark = uuid.uuid4().hex
        environment = {**os.environ, "PYTHONPATH": str(ROOT), **how.pop("env", {})}
        self.child = subprocess.Popen(
            list(words),
            env={**environment, _MARK: self.mark},
            **{**_STREAMS, **how},
            preexec_fn=_as_from_a_shell,
        )

    def living(self) -> dict[int, str]:
        """Command line by number of all processes with the mark that are not dead."""
        needle = f"{_MARK}={self.mark}".encode()
        found = {}
        for folder in Path("/proc").iterdir():
            if not folder.name.isdecimal():
                continue
            try:
                if needle in (folder / "environ").read_bytes():
                    words = (folder / "cmdline").read_bytes().decode(errors="replace")
                    found[int(folder.name)] = words.replace("\0", " ")
            except OSError:
                # It ended while we looked, or is somebody else's.
                continue
        return found

    def helpers(self) -> list[int]:
        """Numbers of the processes beside."""
        return [number for number, words in self.living().items() if HELPER in words]

    def helpers_with(self, library: str) -> list[int]:
        """Numbers of the processes beside that have a library loaded."""
        return [number for number in self.helpers() if library in _mapped(number)]

    def has_control(self) -> bool:
        """Whether the program handles SIGTERM itself, which Python alone does not."""
        try:
            lines = Path(f"/proc/{self.child.pid}/status").read_text().splitlines()
        except OSError:
            return False
        caught = next((int(s.split()[1], 16) for s in lines if s.startswith("SigCgt")), 0)
        return bool(caught >> (signal.SIGTERM - 1) & 1)

    def __enter__(self) -> Started:
        """Ends, with all it started, at the end of the ``with``."""
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def end(self) -> None:
        """Leave nothing behind, whatever the test found."""
        for number in self.living():
            try:
                os.kill(number, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self.child.communicate()


def wait_for(is_so: Callable[[], object], seconds: float, *, every: float = 0.02) -> bool:
    """Wait until something is so; False if it was not within the time."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if is_so():
            return True
        time.sleep(every)
    return bool(is_so())


def _mapped(number: int) -> str:
    try:
        return Path(f"/proc/{number}/maps").read_text()
    except OSError:
        return ""


def _as_from_a_shell() -> None:
    """Heed the signals, even if whoever runs the tests ignores them (``nohup``)."""
    for name in STOPPING:
        signal.signal(getattr(signal, name), signal.SIG_DFL)
