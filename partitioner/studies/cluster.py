"""Tasks on dask: a local cluster of processes, one that the user runs, or a client's own.

Scheduling, restarts of workers and the way back of results are dask's. Here is what a sweep adds:
at most one task a core is under way, so that a worker that dies tells which task killed it; one
that does so three times is set aside; workers that have another program are not used.
"""

from __future__ import annotations

import contextlib
import ipaddress
import logging
import os
import pydoc
import queue
import time
import uuid
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import urlsplit

from partitioner.errors import MachineFault
from partitioner.import_path import settled_path
from partitioner.studies.keys import program_version

if TYPE_CHECKING:
    from distributed import Client as Client
    from distributed import Future

MOST_DEATHS = 3
"""Workers that a task may kill before it is set aside."""
_LOOK_EVERY_S = 0.25
_CONNECT_S = 20.0
_WORKERS_EVERY_S = 2.0
_NO_WORKERS_S = 60.0
"""How long a cluster may be without a worker before the run ends."""

Cluster = Callable[[], AbstractContextManager["Client"]]
"""Opens a client for as long as it is entered."""


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


class WrongVersion(Exception):
    """Raised on a worker that has another version of the program than the task asks for."""


class ClusterLost(MachineFault):
    """The scheduler, or every worker, went away."""


def require_distributed() -> None:
    """Make sure that dask is there.

    Raises
    ------
    MachineFault
        If it is not installed.
    """
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        raise MachineFault(
            "this needs dask.distributed: pip install 'partitioner[cluster]'"
        ) from error


def is_exposed(address: str) -> bool:
    """Whether an address takes anybody who reaches it: plain, and not of this machine alone.

    Examples
    --------
    >>> [is_exposed(f"{a}:8786") for a in ("tcp://10.0.0.7", "tcp://127.0.0.1", "tls://10.0.0.7")]
    [True, False, False]
    """
    parts = urlsplit(address if "://" in address else f"tcp://{address}")
    if parts.scheme not in ("tcp", "ws"):
        return False
    host = parts.hostname or ""
    if host == "localhost":
        return False
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return True


def local_cluster(workers: int, memory: str | float = "auto") -> Cluster:
    """Processes of this machine, each with one core; they end with it.

    They talk over TLS with certificates made for this run, kept in memory alone: other users of
    the machine cannot reach them.

    Parameters
    ----------
    workers
        How many processes.
    memory
        Most that each may have: bytes, or as dask takes it; a process beyond it is ended.
    """

    @contextlib.contextmanager
    def opened() -> Iterator[Client]:
        require_distributed()
        import dask
        from distributed import LocalCluster

        # A worker begins nothing but what it works on, and its death is told at once.
        settings = {
            "distributed.scheduler.worker-saturation": 1.0,
            "distributed.scheduler.allowed-failures": 0,
            "distributed.scheduler.work-stealing": False,
            "distributed.worker.profile.enabled": False,
            # What a solver holds cannot be moved to the disk; the limit alone counts.
            "distributed.worker.memory.target": False,
            "distributed.worker.memory.spill": False,
            "distributed.worker.memory.pause": False,
            # No worker imports anything from the folder somebody happens to stand in.
            "distributed.nanny.pre-spawn-environ.PYTHONPATH": os.pathsep.join(settled_path()),
            "distributed.nanny.pre-spawn-environ.PYTHONSAFEPATH": "1",
        }
        with (
            _kept_environment(),
            dask.config.set(settings),
            LocalCluster(
                n_workers=workers, threads_per_worker=1, memory_limit=memory, security=True,
                dashboard_address=None, silence_logs=logging.CRITICAL, host="127.0.0.1",
            ) as cluster,
            cluster.get_client() as client,
        ):  # fmt: skip
            yield client

    return opened


@contextlib.contextmanager
def _kept_environment() -> Iterator[None]:
    """Have this process's environment afterwards as it was: dask sets in it what workers get."""
    before = dict(os.environ)
    try:
        yield
    finally:
        for name in os.environ.keys() - before.keys():
            del os.environ[name]
        os.environ.update(before)


def remote_cluster(
    address: str,
    *,
    ca_file: Path | None = None,
    cert_file: Path | None = None,
    key_file: Path | None = None,
) -> Cluster:
    """A cluster that runs already.

    Parameters
    ----------
    address
        Of its scheduler, such as ``tls://HOST:8786``.
    ca_file, cert_file, key_file
        PEM files: who is trusted, who we are, and the key for that.
    """

    @contextlib.contextmanager
    def opened() -> Iterator[Client]:
        for file in (ca_file, cert_file, key_file):
            if file is not None and not file.is_file():
                raise MachineFault(f"{file}: no such file")
        require_distributed()
        from distributed import Client
        from distributed.security import Security

        security = Security(
            tls_ca_file=None if ca_file is None else str(ca_file),
            tls_client_cert=None if cert_file is None else str(cert_file),
            tls_client_key=None if key_file is None else str(key_file),
            require_encryption=address.startswith("tls://"),
        )
        for name in ("distributed.client", "distributed.core", "distributed.comm"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            client = Client(address, security=security, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError, RuntimeError) as error:
            why = str(error.__cause__ or error)
            raise MachineFault(f"no scheduler answers at {address}: {why}") from error
        with client:
            yield client

    return opened


def given_cluster(client: Client) -> Cluster:
    """The cluster of a client that the caller has, and keeps."""
    return lambda: contextlib.nullcontext(client)


def refused_workers(client: Client) -> dict[str, str]:
    """Why each worker is not used that lacks the program or has another version, by its name.

    Raises
    ------
    MachineFault
        If the scheduler itself has another program: it reads what it hands on.
    """
    told = client.run_on_scheduler(pydoc.locate, "partitioner.__version__")
    ours = program_version()
    if told is None or str(told) != ours.split()[0]:
        has = "lacks the program" if told is None else f"has partitioner {told}"
        raise MachineFault(f"the scheduler {has}; partitioner {ours} is needed there too")
    programs = client.run(pydoc.locate, "partitioner.__version__", on_error="return")
    solvers = client.run(version, "ortools", on_error="return")
    refused = {}
    for address, program in programs.items():
        solver = solvers.get(address)
        if program is None or isinstance(program, BaseException):
            refused[address] = "lacks the program"
        elif isinstance(solver, PackageNotFoundError):
            refused[address] = f"has partitioner {program} without ortools"
        elif (found := f"{program} (ortools {solver})") != ours:
            refused[address] = f"has partitioner {found}, not {ours}"
    return refused


def run_tasks(
    client: Client,
    function: Callable[[Any], Any],
    tasks: Iterable[Task],
    *,
    should_stop: Callable[[], bool] = lambda: False,
    on_refused: Callable[[str, str], None] = lambda address, why: None,
) -> Iterator[Ended]:
    """Have tasks worked on, and give each when it ends, in no order.

    Parameters
    ----------
    client
        Of the cluster; not an asynchronous one.
    function
        Importable on the workers; gets a task and raises nothing on purpose.
    tasks
        Taken one by one, as workers become free.
    should_stop
        Asked several times a second; true ends the run, and what is under way is lost.
    on_refused
        Told each worker that is not used, and why.

    Raises
    ------
    ClusterLost
        The scheduler went away, or no worker was there for a minute.
    MachineFault
        No worker has the program.
    """
    run = _Run(client, function, tasks, on_refused)
    try:
        while not should_stop():
            run.send()
            if not run.flying:
                return
            try:
                future = run.arrived.get(timeout=_LOOK_EVERY_S)
            except queue.Empty:
                run.look()
                continue
            ended = run.take(future)
            if ended is not None:
                # The next ones are on their way while the caller writes this one down.
                run.send()
                yield ended
    finally:
        run.cancel()


class _Run:
    """What is under way of one run."""

    def __init__(
        self,
        client: Client,
        function: Callable[[Any], Any],
        tasks: Iterable[Task],
        on_refused: Callable[[str, str], None],
    ):
        self._client = client
        self._function = function
        self._waiting = iter(tasks)
        self._again: deque[Task] = deque()
        self._suspects: deque[Task] = deque()
        self._deaths: Counter[str] = Counter()
        self._failures: Counter[str] = Counter()
        self._on_refused = on_refused
        self._refused: dict[str, str] = {}
        self._slots = 0
        self._looked_at = self._seen_at = time.monotonic()
        self._id = uuid.uuid4().hex
        self.arrived: queue.SimpleQueue[Future[Any]] = queue.SimpleQueue()
        self.flying: dict[Any, tuple[Future[Any], Task]] = {}
        if getattr(client, "asynchronous", False):
            raise TypeError("a sweep needs a client that is not asynchronous")
        self._count_slots()
        self._refuse()

    def _refuse(self) -> None:
        for address, why in refused_workers(self._client).items():
            if address not in self._refused:
                self._on_refused(address, why)
                self._refused[address] = why
        self._count_slots()
        if not self._slots and self._refused:
            raise MachineFault("no worker of the cluster has the program in this version")

    def _count_slots(self) -> None:
        self._looked_at = time.monotonic()
        try:
            cores = self._client.nthreads()
        except (OSError, RuntimeError) as error:
            raise self._lost() from error
        self._usable = [a for a in cores if a not in self._refused]
        self._slots = sum(cores[a] for a in self._usable)
        if self._slots:
            self._seen_at = self._looked_at

    def look(self) -> None:
        """See now and then whether the cluster is still there, and how large it is."""
        if self._client.status not in ("running",):
            raise self._lost()
        now = time.monotonic()
        if now - self._looked_at > _WORKERS_EVERY_S:
            self._count_slots()
            if now - self._seen_at > _NO_WORKERS_S:
                raise ClusterLost(
                    f"no worker was there for {_NO_WORKERS_S:.0f} s; what has ended is kept, run "
                    "it again to go on"
                )

    def _lost(self) -> ClusterLost:
        return ClusterLost("the scheduler went away; what has ended is kept, run it again to go on")

    def _next(self) -> Task | None:
        if self._again:
            return self._again.popleft()
        task = next(self._waiting, None)
        if task is None and self._suspects and not self.flying:
            # One that may have killed two workers works alone, so that no other is blamed for it.
            task = self._suspects.popleft()
        return task

    def send(self) -> None:
        """Have as many under way as there are cores."""
        while len(self.flying) < max(1, self._slots) and (task := self._next()) is not None:
            number = self._failures[task.key]
            future = self._client.submit(
                _on_worker,
                self._function,
                task,
                key=f"sweep-{self._id}-{task.key}-{number}",
                pure=False,
                workers=self._usable if self._refused else None,
            )
            self.flying[future.key] = future, task
            future.add_done_callback(self.arrived.put)

    def take(self, future: Future[Any]) -> Ended | None:
        """See how a task ended; None if it has to be tried again."""
        from distributed.scheduler import KilledWorker

        if future.key not in self.flying:
            return None
        _, task = self.flying[future.key]
        if future.status == "finished":
            try:
                value, seconds, worker = future.result(timeout=_CONNECT_S)
            except TimeoutError:
                # The worker died before it was asked: the scheduler has it made again.
                future.add_done_callback(self.arrived.put)
                return None
            del self.flying[future.key]
            return Ended(task, value, seconds, worker)
        del self.flying[future.key]
        self._failures[task.key] += 1
        if future.status != "error":
            raise self._lost()
        error = future.exception()
        if isinstance(error, KilledWorker):
            return self._died(task, error.allowed_failures + 1)
        if isinstance(error, ImportError | AttributeError | WrongVersion):
            self._refuse()
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
        self._count_slots()
        return None

    def cancel(self) -> None:
        """Leave nothing under way."""
        with contextlib.suppress(Exception):
            self._client.cancel([future for future, _ in self.flying.values()], force=True)
        self.flying.clear()


def _on_worker(function: Callable[[Any], Any], task: Any) -> tuple[Any, float, str]:
    """Work on a task: what came of it, seconds, and where."""
    from distributed import get_worker

    if task.version != program_version():
        raise WrongVersion(f"{program_version()} is here, not {task.version}")
    begun = time.perf_counter()
    value = function(task)
    return value, time.perf_counter() - begun, str(get_worker().name)
