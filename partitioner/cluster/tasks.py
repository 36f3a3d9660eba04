"""Tasks of a sweep on a cluster.

Scheduling, restarts of workers and the way back of results are dask's. Here is what a sweep adds:
at most one task a core is at work, so that a worker that dies tells which task killed it; one
that does so three times is set aside; workers that have another program are not used.
"""

from __future__ import annotations

import contextlib
import pickle
import pkgutil
import queue
import time
import uuid
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from partitioner.cluster.connection import (
    CONNECT_S,
    ClusterLost,
    WrongVersion,
    must_be,
    program_version,
)
from partitioner.cluster.workers import Workers

if TYPE_CHECKING:
    from distributed import Client, Future

MOST_DEATHS = 3
"""Workers that a task may kill before it is set aside."""
_SATURATION = "distributed.scheduler.worker-saturation"
_LOOK_EVERY_S = 0.25
_NO_WORKERS_S = 60.0
"""How long a cluster may be without a worker before the run ends."""


class Task(Protocol):
    """What travels to a worker."""

    @property
    def key(self) -> str:
        """Unique among the tasks of one run."""


@dataclass(frozen=True, slots=True)
class Ended:
    """A task that ended. ``value`` is None where it killed its workers, ``deaths`` of them."""

    task: Any
    value: Any
    seconds: float = 0.0
    worker: str = ""
    deaths: int = 0


def run_tasks(
    client: Client,
    function: str,
    tasks: Iterable[Task],
    *,
    should_stop: Callable[[], bool] = lambda: False,
    on_refused: Callable[[str], None] = lambda words: None,
) -> Iterator[Ended]:
    """Have tasks worked on, and give each when it ends, in no order.

    The client is not an asynchronous one. ``function`` is ``module:name`` of one that the workers
    can import, and is not imported here; it gets a task and raises nothing on purpose. Tasks are
    taken one by one, as workers become free. ``should_stop`` is asked several times a second; true
    ends the run, and what is under way is lost. ``on_refused`` is told, in a sentence, each
    worker that is not used, and why.

    Raises
    ------
    ClusterLost
        The scheduler went away, or no worker was there for a minute.
    MachineFault
        No worker has the program.
    """
    try:
        run = _Run(client, function, tasks, on_refused)
        try:
            yield from _ended(run, should_stop)
        finally:
            run.cancel()
    except ClusterLost as lost:
        raise ClusterLost(f"{lost}; what has ended is kept, run it again to go on") from lost


def _ended(run: _Run, should_stop: Callable[[], bool]) -> Iterator[Ended]:
    while not should_stop():
        run.send()
        if not run.flying:
            return
        try:
            future = run.arrived.get(timeout=_LOOK_EVERY_S)
        except queue.Empty:
            run.workers.look()
            continue
        if run.has_landed(future):
            # A core works on the next one while this one is fetched and written down.
            run.send()
        ended = run.take(future)
        if ended is not None:
            run.send()
            yield ended


class _Run:
    """What is under way of one run."""

    def __init__(
        self,
        client: Client,
        function: str,
        tasks: Iterable[Task],
        on_refused: Callable[[str], None],
    ):
        self._client = client
        self._function = function
        self._waiting = iter(tasks)
        self._again: deque[Task] = deque()
        self._suspects: deque[Task] = deque()
        self._deaths: Counter[str] = Counter()
        self._failures: Counter[str] = Counter()
        self._sent = 0
        self._id = uuid.uuid4().hex
        self.arrived: queue.SimpleQueue[Future[Any]] = queue.SimpleQueue()
        self.flying: dict[Any, tuple[Future[Any], Task]] = {}
        self._landed: dict[Any, Task] = {}
        self.workers = Workers(client, on_refused, _NO_WORKERS_S)
        # With this value the scheduler gives no core a second task.
        import dask

        self._holds_back = client.run_on_scheduler(dask.config.get, _SATURATION) == 1.0

    def _next(self) -> Task | None:
        if self._again:
            return self._again.popleft()
        task = next(self._waiting, None)
        if task is None and self._suspects and not self.flying:
            # One that may have killed two workers works alone, so that no other is blamed for it.
            task = self._suspects.popleft()
        return task

    def _most(self) -> int:
        """Tasks to be under way: one a core, and as many again where the scheduler keeps these.

        A core then goes on with the next one without waiting for us, and none that is only kept is
        blamed for a death. It keeps them where any worker will do and it has seen two a core.
        """
        cores = self.workers.cores
        keeps = self._holds_back and self.workers.only is None and self._sent > 2 * cores
        return max(1, cores) * (2 if keeps else 1)

    def send(self) -> None:
        """Have as many under way as can be."""
        while len(self.flying) < self._most() and (task := self._next()) is not None:
            self._sent += 1
            number = self._failures[task.key]
            future = self._client.submit(
                _on_worker,
                program_version(),
                self._function,
                # As bytes: dask would look through it for what it cannot import, at length.
                pickle.dumps(task, pickle.HIGHEST_PROTOCOL),
                key=f"sweep-{self._id}-{task.key}-{number}",
                pure=False,
                workers=self.workers.only,
            )
            self.flying[future.key] = future, task
            future.add_done_callback(self.arrived.put)

    def has_landed(self, future: Future[Any]) -> bool:
        """Whether a task is done, so that its core is free; its result is still there."""
        if future.key not in self.flying or future.status != "finished":
            return False
        self._landed[future.key] = self.flying.pop(future.key)[1]
        return True

    def take(self, future: Future[Any]) -> Ended | None:
        """See how a task ended; None if it has to be tried again."""
        from distributed.scheduler import KilledWorker

        if (task := self._landed.pop(future.key, None)) is not None:
            try:
                value, seconds, worker = future.result(timeout=CONNECT_S)
            except TimeoutError:
                # The worker died before it was asked: the scheduler has it made again.
                self.flying[future.key] = future, task
                future.add_done_callback(self.arrived.put)
                return None
            return Ended(task, value, seconds, worker)
        if future.key not in self.flying:
            return None
        _, task = self.flying.pop(future.key)
        self._failures[task.key] += 1
        if future.status != "error":
            raise ClusterLost("the scheduler went away")
        error = future.exception()
        if isinstance(error, KilledWorker):
            return self._died(task, error.allowed_failures + 1)
        if isinstance(error, ImportError | AttributeError | WrongVersion):
            self.workers.refuse()
            if self._failures[task.key] <= MOST_DEATHS:
                self._again.append(task)
                return None
        raise error

    def _died(self, task: Task, deaths: int) -> Ended | None:
        self._deaths[task.key] += deaths
        count = self._deaths[task.key]
        if count >= MOST_DEATHS:
            return Ended(task, None, deaths=count)
        (self._suspects if count == MOST_DEATHS - 1 else self._again).append(task)
        self.workers.count()
        return None

    def cancel(self) -> None:
        """Leave nothing under way."""
        with contextlib.suppress(Exception):
            self._client.cancel([future for future, _ in self.flying.values()], force=True)
        self.flying.clear()


def _on_worker(asked: str, function: str, packed: bytes) -> tuple[Any, float, str]:
    """Work on a task: what came of it, seconds, and where."""
    from distributed import get_worker

    must_be(asked)
    work, task = pkgutil.resolve_name(function), pickle.loads(packed)
    begun = time.perf_counter()
    value = work(task)
    return value, time.perf_counter() - begun, str(get_worker().name)
