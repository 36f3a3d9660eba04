"""The workers of a cluster: who may be used, how many cores they are, and if they are there still.

Used are those that have this very program.
"""

from __future__ import annotations

import pydoc
import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from partitioner.cluster.connection import ClusterLost, program_version
from partitioner.errors import MachineFault

if TYPE_CHECKING:
    from distributed import Client

_COUNT_EVERY_S = 2.0
_GONE = "the scheduler went away"


class Workers:
    """The workers of a cluster that have the program; without any for ``most_empty_s`` it is lost.

    ``on_refused`` is told, in a sentence, each worker that is not used, and why.

    Raises
    ------
    ClusterLost
        The scheduler went away, or for too long no worker was there; by every method.
    MachineFault
        The scheduler, or every worker, has another program or none.
    TypeError
        If the client is an asynchronous one.
    """

    def __init__(self, client: Client, on_refused: Callable[[str], None], most_empty_s: float):
        if getattr(client, "asynchronous", False):
            raise TypeError("a client that is not asynchronous is needed")
        self._client, self._on_refused, self._most_empty_s = client, on_refused, most_empty_s
        self._refused: dict[str, str] = {}
        self._usable: list[str] = []
        self.cores = 0
        """Of all that are used."""
        self._counted_at = self._seen_at = time.monotonic()
        self.refuse()
        if not self.cores and self._refused:
            raise MachineFault("no worker of the cluster has the program in this version")

    @property
    def only(self) -> list[str] | None:
        """Those that a task may go to; None: all that are there."""
        return self._usable if self._refused else None

    def refuse(self) -> None:
        """Look at each worker's program, and tell those that are not used from here on."""
        try:
            found = _refused_workers(self._client)
        except OSError as error:
            raise ClusterLost(_GONE) from error
        for address, why in found.items():
            if address not in self._refused:
                self._on_refused(f"worker {address} is not used: it {why}")
                self._refused[address] = why
        self.count()

    def look(self) -> None:
        """See whether the cluster is there, and every two seconds how large it is."""
        if self._client.status != "running":
            raise ClusterLost(_GONE)
        if time.monotonic() - self._counted_at > _COUNT_EVERY_S:
            self.count()
            if self._counted_at - self._seen_at > self._most_empty_s:
                raise ClusterLost("no worker is left")

    def count(self) -> None:
        """See how large the cluster is."""
        self._counted_at = time.monotonic()
        try:
            cores = self._client.nthreads()
        except (OSError, RuntimeError) as error:
            raise ClusterLost(_GONE) from error
        self._usable = [a for a in cores if a not in self._refused]
        self.cores = sum(cores[a] for a in self._usable)
        if self.cores:
            self._seen_at = self._counted_at


def _refused_workers(client: Client) -> dict[str, str]:
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
