"""A dask cluster of separate processes, as somebody else would run it, over TLS."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from distributed import Client
from distributed.security import Security

from tests.cluster.certificates import make_certificates
from tests.processes import ROOT, wait_for


class Beside:
    """A scheduler and workers, each a process of its own; all end with the test."""

    def __init__(self, folder: Path):
        self._folder = folder
        self.ca, self.cert, self.key = make_certificates(folder)
        self.processes: list[subprocess.Popen] = []

    def begin(self) -> None:
        """Start the scheduler."""
        told = self._folder / "scheduler.json"
        self.scheduler = self._start(
            "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--protocol", "tls",
            "--port", "0", "--no-dashboard", "--no-jupyter", "--scheduler-file", str(told),
        )  # fmt: skip
        assert wait_for(lambda: told.is_file() and told.read_text(), 300), "no scheduler"
        self.address = json.loads(told.read_text())["address"]

    def worker(self, name: str, path: Path = ROOT) -> subprocess.Popen:
        """Start a worker of one core that finds the program in a folder."""
        return self._start(
            "distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-nanny",
            "--no-dashboard", "--name", name, "--local-directory", str(self._folder),
            path=path,
        )  # fmt: skip

    def three_workers(self) -> None:
        """Start two workers, and one that has another version of the program."""
        self.first, self.second = self.worker("first"), self.worker("second")
        other = self._folder / "other" / "partitioner"
        other.mkdir(parents=True)
        (other / "__init__.py").write_text('__version__ = "0.0.1"\n')
        self.worker("stranger", other.parent)
        with self.client() as client:
            client.wait_for_workers(3, timeout=300)

    def client(self) -> Client:
        """Connect to it."""
        security = Security(
            tls_ca_file=str(self.ca), tls_client_cert=str(self.cert),
            tls_client_key=str(self.key), require_encryption=True,
        )  # fmt: skip
        return Client(self.address, security=security, set_as_default=False)

    def options(self) -> list[str]:
        """Options of the command line that lead here."""
        return [
            "--scheduler", self.address, "--tls-ca", str(self.ca), "--tls-cert", str(self.cert),
            "--tls-key", str(self.key),
        ]  # fmt: skip

    def _start(self, module: str, *words: str, path: Path = ROOT) -> subprocess.Popen:
        files = ["--tls-ca-file", self.ca, "--tls-cert", self.cert, "--tls-key", self.key]
        started = subprocess.Popen(
            [sys.executable, "-m", module, *words, *map(str, files)],
            env={**os.environ, "PYTHONPATH": str(path), "PYTHONSAFEPATH": "1"},
            cwd=self._folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.processes.append(started)
        return started

    def end(self) -> None:
        """Leave nothing behind."""
        for process in self.processes:
            process.send_signal(signal.SIGKILL)
            process.wait()


@contextmanager
def three_workers_beside(folder: Path) -> Iterator[Beside]:
    """A cluster with all its processes for as long as it is entered; the folder is made."""
    folder.mkdir()
    beside = Beside(folder)
    try:
        beside.begin()
        beside.three_workers()
        yield beside
    finally:
        beside.end()
