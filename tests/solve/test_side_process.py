"""Processes beside: they end with the one that started them, whatever they are at."""

from __future__ import annotations

import pickle
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from partitioner.solve.seed_task import SeedTask, SeedVehicle
from partitioner.solve.side_process import SideProcess, command_line
from tests.processes import Started, needs_proc, wait_for

ALIVE_S = 3.0

TASKS = """
import ctypes
from partitioner.solve.side_process import SideProcess

class Grip:
    "Keeps the interpreter, so that no other thread of the process ever runs."
    def run(self, emit):
        emit("begun")
        ctypes.PyDLL(None).sleep(600)

class Nest:
    "Has a process of its own beside."
    def run(self, emit):
        inner = SideProcess(Grip())
        emit(inner.poll(30)[0])
        inner.poll(600)
"""
DRIVER = """
import sys, time
import tasks
from partitioner.solve.side_process import SideProcess
beside = SideProcess(getattr(tasks, sys.argv[1])())
print(beside.poll(30), flush=True)
time.sleep(600)
"""


def long_seeds(seconds: float) -> SeedTask:
    """Lines over many devices for the routing heuristic, which it is busy with till the end."""
    rng = np.random.default_rng(0)
    at = rng.integers(0, 10_000, size=(202, 2))
    apart = np.abs(at[:, None] - at[None]).sum(axis=2).astype(np.int64)
    vehicle = SeedVehicle(0, 0, 40, 100, (8,), 10**9)
    banned = np.zeros((1, 200), dtype=bool)
    demand = np.ones((200, 1), dtype=np.int64)
    return SeedTask(1, apart, apart, banned, demand, (vehicle,), seconds, None, 1)


@needs_proc
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends them whatever they are at")
@pytest.mark.parametrize("task", ["Grip", "Nest"])
def test_they_end_when_the_program_is_killed(task: str, tmp_path: Path) -> None:
    (tmp_path / "tasks.py").write_text(TASKS)
    started = Started(
        [sys.executable, "-c", DRIVER, task],
        env={"PYTHONPATH": f"{tmp_path}:{Path(__file__).parents[2]}"},
    )
    try:
        assert started.child.stdout is not None
        assert started.child.stdout.readline() == "['begun']\n"
        assert len(started.helpers()) == (2 if task == "Nest" else 1)
        started.child.kill()
        assert wait_for(lambda: not started.living(), ALIVE_S)
    finally:
        started.end()


def test_without_help_of_the_kernel_the_thread_that_reads_tasks_sees_it() -> None:
    """As on macOS and Windows, in the middle of a run of the heuristic."""
    words = command_line()
    script_at = next(k for k, word in enumerate(words) if word.endswith("side_process_main.py"))
    elsewhere = (
        "import runpy, sys; sys.platform = 'elsewhere'; sys.argv = sys.argv[1:]; "
        "runpy.run_path(sys.argv[0], run_name='__main__')"
    )
    process = subprocess.Popen(
        [*words[:script_at], "-c", elsewhere, *words[script_at:]],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stdin is not None
        assert process.stdout is not None
        pickle.dump(long_seeds(600.0), process.stdin)
        process.stdin.flush()
        assert pickle.load(process.stdout), "lines are proposed: the heuristic is at work"
        assert process.poll() is None
        process.stdin.close()
        process.wait(timeout=ALIVE_S)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def test_a_wish_to_stop_ends_it_while_nobody_asks() -> None:
    wishes = [False]
    beside = SideProcess(long_seeds(600.0), lambda: wishes[0])
    try:
        assert beside.poll(60.0), "lines are proposed: the heuristic is at work"
        wishes[0] = True
        until = time.monotonic() + ALIVE_S
        while beside.running and time.monotonic() < until:
            beside.poll(0.1)
        assert not beside.running
    finally:
        beside.close()
