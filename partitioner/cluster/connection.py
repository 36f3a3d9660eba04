"""Dask clusters: processes of this machine, a scheduler that runs already, or a client's own.

Who may take part is settled here: over TLS those with a certificate.
"""

from __future__ import annotations

import contextlib
import ipaddress
import logging
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from partitioner import __version__
from partitioner.cluster.fork import (
    PROCESS_METHOD,
    begin_fork_server,
    ctrl_c_stays_here,
    kept_environment,
    worker_environment,
)
from partitioner.errors import MachineFault

if TYPE_CHECKING:
    from distributed import Client as Client

CONNECT_S = 20.0
"""How long a scheduler, or a worker with a result, has to answer."""

Cluster = Callable[[], AbstractContextManager["Client"]]
"""Opens a client for as long as it is entered."""


@cache
def program_version() -> str:
    """Versions of the program and of its solver: with another one an answer may differ."""
    return f"{__version__} (ortools {version('ortools')})"


class WrongVersion(Exception):
    """Raised on a worker that has another version of the program than the task asks for."""


def must_be(needed: str) -> None:
    """Make sure, on a worker, that the program is the one that a task asks for.

    Raises
    ------
    WrongVersion
        If it is another.
    """
    if needed != program_version():
        raise WrongVersion(f"{program_version()} is here, not {needed}")


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

    They talk over TLS with certificates made for this run, kept in memory alone: other users of the
    machine cannot reach them. ``memory`` is the most that each may have, in bytes or as dask takes
    it; a process beyond it is ended.
    """

    @contextlib.contextmanager
    def opened() -> Iterator[Client]:
        require_distributed()
        import dask
        from distributed import LocalCluster, utils

        # The server has its list; dask would import whatever it may ever meet to make one.
        utils._forkserver_preload_set = True
        # A worker begins nothing but what it works on, and its death is told at once.
        settings = {
            "distributed.scheduler.worker-saturation": 1.0,
            "distributed.scheduler.allowed-failures": 0,
            "distributed.scheduler.work-stealing": False,
            # Client and scheduler share the cores with the workers: nobody looks at what dask
            # measures of itself many times a second, and results come without the scheduler.
            "distributed.worker.profile.enabled": False,
            "distributed.admin.tick.interval": "1s",
            "distributed.admin.system-monitor.interval": "60s",
            "distributed.worker.memory.monitor-interval": "500ms",
            "distributed.client.direct-to-workers": True,
            # The pages on what is under way would be open to everybody on the machine.
            "distributed.scheduler.http.routes": [],
            "distributed.worker.http.routes": [],
            # What a solver holds cannot be moved to the disk; the limit alone counts.
            "distributed.worker.memory.target": False,
            "distributed.worker.memory.spill": False,
            "distributed.worker.memory.pause": False,
            "distributed.worker.multiprocessing-method": PROCESS_METHOD,
            "distributed.nanny.pre-spawn-environ": worker_environment(),
        }
        with kept_environment(), dask.config.set(settings), contextlib.ExitStack() as stack:
            try:
                begin_fork_server()
                with ctrl_c_stays_here():
                    cluster = LocalCluster(
                        n_workers=workers, threads_per_worker=1, memory_limit=memory,
                        security=True, dashboard_address=None, silence_logs=logging.CRITICAL,
                        host="127.0.0.1", scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
                    )  # fmt: skip
                stack.callback(_close, cluster)
                stack.callback(_end_workers, cluster)
                client = cluster.get_client()
                stack.callback(_close, client)
            except (OSError, RuntimeError) as error:
                raise MachineFault(f"the workers did not start: {error}") from error
            yield client

    return opened


def _close(opened: Any) -> None:
    """Close a cluster or a client. One that takes too long ends with this process."""
    with contextlib.suppress(OSError, RuntimeError):
        opened.close()


def _end_workers(cluster: Any) -> None:
    """End the processes at once: closed one by one by their own means, they take a second."""
    for nanny in cluster.workers.values():
        nanny.close_gracefully()
        with contextlib.suppress(OSError, TypeError):
            os.kill(nanny.pid, signal.SIGTERM)


def remote_cluster(
    address: str,
    *,
    ca_file: Path | None = None,
    cert_file: Path | None = None,
    key_file: Path | None = None,
) -> Cluster:
    """A cluster that runs already, by the address of its scheduler, such as ``tls://HOST:8786``.

    The PEM files say who is trusted, who we are, and hold the key for that.
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
            client = Client(address, security=security, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError, RuntimeError) as error:
            why = str(error.__cause__ or error)
            raise MachineFault(f"no scheduler answers at {address}: {why}") from error
        with client:
            yield client

    return opened


def given_cluster(client: Client) -> Cluster:
    """The cluster of a client that the caller has, and keeps."""
    return lambda: contextlib.nullcontext(client)
