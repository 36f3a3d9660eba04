"""What becomes of a task that dies, fails or meets another program; on a made-up cluster."""

from __future__ import annotations

import os
import pickle
import urllib.error
import urllib.request
from dataclasses import dataclass

import pytest
from distributed.scheduler import KilledWorker

from partitioner.cluster import connection
from partitioner.cluster.connection import (
    ClusterLost,
    is_exposed,
    local_cluster,
    program_version,
)
from partitioner.cluster.tasks import MOST_DEATHS, Ended, run_tasks
from partitioner.errors import MachineFault

WORK = "builtins:str"


@dataclass(frozen=True)
class Job:
    key: str


class Answered:
    """A future that has its answer when it is asked for."""

    def __init__(self, key: str, answer: object):
        self.key = key
        self._answer = answer
        is_lost = answer is ClusterLost
        self.status = "cancelled" if is_lost else "finished"
        if isinstance(answer, BaseException):
            self.status = "error"

    def add_done_callback(self, call) -> None:
        call(self)

    def result(self, timeout: float) -> object:
        return self._answer, 0.5, "w"

    def exception(self) -> object:
        return self._answer


class Made:
    """A cluster of two cores that answers by a table: for each task, try by try."""

    asynchronous = False
    status = "running"

    def __init__(self, table: dict[str, list[object]], programs: dict[str, str] | None = None):
        self._table = table
        self._programs = programs or {"a": "", "b": ""}
        self.sent: list[str] = []
        self.most = 0
        self.flying = 0

    def nthreads(self) -> dict[str, int]:
        return dict.fromkeys(self._programs, 1)

    def run_on_scheduler(self, function, name: str) -> str:
        return program_version().split()[0]

    def run(self, function, name: str, on_error: str) -> dict[str, str]:
        own = {"partitioner.__version__": program_version().split()[0]}
        real = own.get(name) or function(name)
        return {a: p or real if name in own else real for a, p in self._programs.items()}

    def submit(self, wrapped, version, function, packed, *, key, pure, workers) -> Answered:
        task = pickle.loads(packed)
        self.sent.append(task.key)
        self.workers = workers
        answers = self._table.get(task.key, ["done"])
        return Answered(key, answers.pop(0) if len(answers) > 1 else answers[0])

    def cancel(self, futures, force: bool) -> None:
        self.cancelled = len(futures)


def killed(key: str) -> KilledWorker:
    return KilledWorker(key, None, 0)


def ended(client: Made, keys: str) -> dict[str, Ended]:
    return {e.task.key: e for e in run_tasks(client, WORK, [Job(k) for k in keys])}


def test_a_task_that_kills_three_workers_is_set_aside_and_the_others_end() -> None:
    client = Made({"b": [killed("b")]})
    found = ended(client, "abcd")
    assert set(found) == set("abcd")
    assert (found["b"].value, found["b"].deaths) == (None, MOST_DEATHS)
    assert found["c"].value == "done"
    assert client.sent.count("b") == MOST_DEATHS
    # Its last try is made alone.
    assert client.sent[-1] == "b"


def test_a_task_whose_worker_was_killed_once_is_done_again() -> None:
    client = Made({"a": [killed("a"), "done"]})
    assert ended(client, "ab")["a"].value == "done"


def test_no_more_is_under_way_than_there_are_cores() -> None:
    taken: list[str] = []

    def tasks():
        for key in "abcdef":
            taken.append(key)
            yield Job(key)

    running = run_tasks(Made({}), WORK, tasks())
    next(running)
    assert len(taken) == 3  # one ended, two more are on their way
    running.close()


def test_a_worker_with_another_version_is_named_and_not_used() -> None:
    told: list[str] = []
    client = Made({}, {"good": "", "bad": "0.0.9"})
    list(run_tasks(client, WORK, [Job("a")], on_refused=told.append))
    assert told[0].startswith("worker bad is not used: it has partitioner 0.0.9 ")
    assert client.workers == ["good"]


def test_without_a_worker_of_this_version_nothing_runs() -> None:
    with pytest.raises(MachineFault, match="no worker of the cluster has the program"):
        list(run_tasks(Made({}, {"bad": "0.0.9"}), WORK, [Job("a")]))


def test_a_scheduler_that_goes_away_ends_the_run() -> None:
    with pytest.raises(ClusterLost, match="what has ended is kept"):
        ended(Made({"b": [ClusterLost]}), "abc")


def test_a_wish_to_stop_ends_it_with_what_there_is() -> None:
    client = Made({})
    stop = iter([False, False, True])
    found = list(run_tasks(client, WORK, map(Job, "abcdef"), should_stop=lambda: next(stop)))
    assert [e.task.key for e in found] == ["a", "b"]
    assert client.cancelled == 2


def test_a_cluster_that_is_slow_to_end_takes_nothing_away(monkeypatch) -> None:
    import distributed

    class Slow:
        def __init__(self, **options):
            self.asked = 0
            self.workers = {}

        def get_client(self):
            return self

        def close(self):
            self.asked += 1
            raise TimeoutError

    monkeypatch.setattr(distributed, "LocalCluster", Slow)
    with local_cluster(1)() as client:
        assert client.asked == 0
    assert client.asked == 2


def test_workers_that_do_not_start_are_told(monkeypatch) -> None:
    import distributed

    def refusing(**options):
        raise RuntimeError("no process can be made")

    monkeypatch.setattr(distributed, "LocalCluster", refusing)
    with pytest.raises(MachineFault, match="the workers did not start: no process can be made"):
        local_cluster(1)().__enter__()


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("tcp://10.1.2.3:8786", True),
        ("10.1.2.3:8786", True),
        ("tcp://planner.example:8786", True),
        ("ws://[2001:db8::1]:80", True),
        ("tcp://localhost:8786", False),
        ("tcp://[::1]:8786", False),
        ("tls://10.1.2.3:8786", False),
    ],
)
def test_plain_addresses_of_others_are_exposed(address: str, told: bool) -> None:
    assert is_exposed(address) is told


def die(job: Job) -> str:
    """Do what a crash of a library does, for one of the tasks."""
    if job.key == "killer":
        os._exit(9)
    return job.key


def swell(job: Job) -> str:
    """Take more memory than there is for one, for one of the tasks."""
    import time

    if job.key == "killer":
        held = [bytearray(1_000_000) for _ in range(900)]
        time.sleep(30)
        return str(len(held))
    return job.key


@pytest.mark.slow
@pytest.mark.parametrize("work", ["die", "swell"])
def test_a_task_that_ends_its_process_is_set_aside_for_real(work) -> None:
    with local_cluster(2, 700_000_000)() as client:
        tasks = map(Job, ["killer", *"abcdef"])
        found = {e.task.key: e for e in run_tasks(client, f"{__name__}:{work}", tasks)}
        # Nothing about them is shown to whoever asks.
        port = client.cluster.scheduler.http_server.port
        with pytest.raises(urllib.error.HTTPError, match="404"):
            urllib.request.urlopen(f"http://127.0.0.1:{port}/info/main/workers.html")
    assert {k for k, e in found.items() if e.value is None} == {"killer"}
    assert {e.value for e in found.values()} == {None, *"abcdef"}
    assert os.environ.get("PYTHONSAFEPATH") is None


def test_what_is_exposed_is_said_on_screen(tmp_path, monkeypatch, capsys) -> None:
    from contextlib import contextmanager

    from partitioner.cli.main import run
    from tests.studies.problems import write_study

    opened: list[str] = []

    def refusing(address: str, **files):
        @contextmanager
        def opens():
            opened.append(address)
            raise MachineFault(f"no scheduler answers at {address}")
            yield

        return opens

    monkeypatch.setattr(connection, "remote_cluster", refusing)
    path = write_study(tmp_path)
    words = ["sweep", str(path), "-o", str(tmp_path / "out"), "--scheduler"]
    assert run([*words, "tcp://10.1.2.3:8786"]) == 1
    said = capsys.readouterr().err
    assert "warning: tcp://10.1.2.3:8786 is not encrypted" in said
    assert "error: no scheduler answers at tcp://10.1.2.3:8786" in said
    assert run([*words, "tls://10.1.2.3:8786"]) == 1
    assert "not encrypted" not in capsys.readouterr().err
    assert opened == ["tcp://10.1.2.3:8786", "tls://10.1.2.3:8786"]
