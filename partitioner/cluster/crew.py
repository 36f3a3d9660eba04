"""A crew for one big plan whose tasks work on a cluster.

Who loses a worker loses time only: the scheduler begins its task again on another one. What cannot
go on there (the scheduler went away, no worker is left, a task ends every worker it comes to) is
worked on in processes of this machine.
"""

from __future__ import annotations

import contextlib
import pickle
import uuid
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from partitioner.cluster.connection import ClusterLost, WrongVersion, must_be, program_version
from partitioner.cluster.workers import Workers
from partitioner.errors import MachineFault
from partitioner.solve.crew import SideProcesses, Work
from partitioner.solve.side_process import Task

if TYPE_CHECKING:
    from distributed import Client, Future

_NO_WORKERS_S = 10.0
"""How long a cluster may be without a worker before the work goes on here."""
_RESULT_S = 5.0
"""How long a worker has to hand over a result; if it has died, the task is begun again."""
_TRIES = 3
"""Times that a task is sent to workers that turn out to have another program."""


class ClusterCrew:
    """Tasks of a plan on the workers of a cluster, one for each of their cores.

    The client is not an asynchronous one. With what the cluster loses ``cores`` processes of this
    machine go on, until ``should_stop``. ``on_warning`` is told, in a sentence, each worker that is
    not used, and why, and once why the work goes on here.

    Raises
    ------
    MachineFault
        If the scheduler, or every worker, lacks the program in this version.
    """

    prices_regions = True

    def __init__(
        self,
        client: Client,
        *,
        cores: int,
        should_stop: Callable[[], bool],
        on_warning: Callable[[str], None],
    ):
        self._client = client
        self._cores, self._should_stop = cores, should_stop
        self._on_warning = on_warning
        self._id, self._sent = uuid.uuid4().hex, 0
        self._here: SideProcesses | None = None
        self._flights: set[_Flight] = set()
        self.is_lost = False
        self._workers = Workers(client, on_warning, _NO_WORKERS_S)

    # -- what a run asks ----------------------------------------------------------------------

    @property
    def size(self) -> int:
        """How many tasks at most."""
        return self._cores if self.is_lost else max(1, self._workers.cores)

    @property
    def is_free(self) -> bool:
        """Whether another task can begin now."""
        self.look()
        if self.is_lost:
            return not self._homeless() and self.here.is_free
        return len(self._flights) < self._workers.cores

    def give(self, task: Task) -> Work:
        """Begin a task; only when free."""
        if self.is_lost:
            return self.here.give(task)
        flight = _Flight(self, task)
        self._flights.add(flight)
        return flight

    def close(self) -> None:
        """End all that is at work; what is under way on a worker ends with its time."""
        with contextlib.suppress(Exception):
            self._client.cancel([f.future for f in self._flights], force=True)
        self._flights.clear()
        if self._here is not None:
            self._here.close()

    # -- what a flight asks -------------------------------------------------------------------

    @property
    def here(self) -> SideProcesses:
        """The processes of this machine."""
        if self._here is None:
            self._here = SideProcesses(self._cores, self._should_stop)
        return self._here

    def submit(self, packed: bytes) -> Future[Any]:
        """Send a task off."""
        import dask

        self._sent += 1
        # Matrices of a thousand devices are meant to be that large.
        with dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GB"}):
            return self._client.submit(
                _on_worker,
                packed,
                program_version(),
                key=f"plan-{self._id}-{self._sent}",
                pure=False,
                workers=self._workers.only,
            )

    def look(self) -> None:
        """See now and then whether the cluster is still there, and how large it is."""
        if not self.is_lost:
            self._unless_lost(self._workers.look)

    def refuse(self) -> None:
        """Look again who has the program: somebody has come who has not."""
        with contextlib.suppress(MachineFault, RuntimeError):
            self._unless_lost(self._workers.refuse)

    def landed(self, flight: _Flight) -> None:
        """Forget a flight that has ended."""
        self._flights.discard(flight)

    def _unless_lost(self, look: Callable[[], None]) -> None:
        try:
            look()
        except ClusterLost as why:
            self.is_lost = True
            goes_on = f"the plan goes on with {self._cores} processes of this machine"
            self._on_warning(f"{why}; {goes_on}")

    def _homeless(self) -> bool:
        """Whether tasks that the cluster has lost wait for a process here."""
        return any(f.waits_here for f in self._flights)


class _Flight:
    """A task on its way."""

    def __init__(self, crew: ClusterCrew, task: Task):
        self._crew, self._task = crew, task
        self._packed = pickle.dumps(task, protocol=5)
        self._tries = 1
        self._work: Work | None = None
        self.waits_here = False
        self.running = True
        self.future = crew.submit(self._packed)

    def poll(self) -> list[Any]:
        """Give what came in since: everything at once, when the task has ended."""
        found = self._poll()
        if not self.running:
            self._crew.landed(self)
        return found

    def _poll(self) -> list[Any]:
        self._crew.look()
        if self._work is None and not self.waits_here:
            status = "lost" if self._crew.is_lost else self.future.status
            if status == "finished":
                return self._result()
            if status == "error":
                return self._failed()
            self.waits_here = status != "pending"
        if self.waits_here and self._crew.here.is_free:
            self._work = self._crew.here.give(self._task)
            self.waits_here = False
        if self._work is None:
            return []
        found = self._work.poll()
        self.running = self._work.running
        return found

    def _result(self) -> list[Any]:
        try:
            found: list[Any] = self.future.result(timeout=_RESULT_S)
        except TimeoutError:
            # The worker has died since: the scheduler notices, and begins the task again.
            return []
        except Exception:
            # Whatever became of the result or of the connection, the task is whole here.
            self.waits_here = True
            return []
        self.running = False
        return found

    def _failed(self) -> list[Any]:
        from distributed.scheduler import KilledWorker

        error = self.future.exception()
        if isinstance(error, ImportError | AttributeError | WrongVersion) and self._tries < _TRIES:
            self._tries += 1
            self._crew.refuse()
            self.future = self._crew.submit(self._packed)
        elif isinstance(error, ImportError | AttributeError | WrongVersion | KilledWorker):
            self.waits_here = True
        else:
            # It broke by itself, and would do so anywhere.
            self.running = False
        return []


def _on_worker(packed: bytes, needed: str) -> list[Any]:
    """Work on a task; gives the last that it emitted, if anything."""
    must_be(needed)
    found: list[Any] = []
    task: Task = pickle.loads(packed)
    task.run(lambda message: found.__setitem__(slice(None), [message]))
    return found
