"""Where the tasks of a large run work: beside it, wherever that is.

What is sent is a task that can be pickled: lines to be built
(:class:`~partitioner.solve.seed_task.SeedTask`), a region of the bound to be priced
(:class:`~partitioner.solve.bound.region_task.RegionTask`), or a part to be planned, any layout of
the whole to be found or one to be made cheaper (:class:`~partitioner.solve.plan_task.PlanTask`).
What comes back is what it has emitted, each message in place of the one before. Every task ends by
itself after the time that it holds. One that is lost comes back without a message: what it was to
make better stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from partitioner.solve.side_process import SideProcess, Task


class Work(Protocol):
    """A task that was given to a crew."""

    @property
    def running(self) -> bool:
        """Whether more may come."""

    def poll(self) -> list[Any]:
        """Give what came in since."""


class Crew(Protocol):
    """Works on several tasks at once."""

    @property
    def size(self) -> int:
        """How many tasks at most."""

    @property
    def is_free(self) -> bool:
        """Whether another task can begin now."""

    @property
    def prices_regions(self) -> bool:
        """Whether regions of the bound are tasks too, or the run itself works on them."""

    def give(self, task: Task) -> Work:
        """Begin a task; only when free."""

    def close(self) -> None:
        """End all that is at work."""


class SideProcesses:
    """A crew of processes of this machine.

    ``should_stop`` is asked now and then, from other threads; true ends all of them.
    """

    prices_regions = False
    """One core more or less: the run itself has nothing else to do meanwhile."""

    def __init__(self, size: int, should_stop: Callable[[], bool]):
        self.size = size
        self._processes = [SideProcess(should_stop=should_stop) for _ in range(size)]

    @property
    def is_free(self) -> bool:
        """Whether another task can begin now."""
        return any(not p.running for p in self._processes)

    def give(self, task: Task) -> SideProcess:
        """Begin a task; only when free."""
        process = next(p for p in self._processes if not p.running)
        process.give(task)
        return process

    def close(self) -> None:
        """End all that is at work."""
        for process in self._processes:
            process.close()
