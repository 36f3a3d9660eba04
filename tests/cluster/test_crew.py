"""What becomes of the tasks of a big plan on a made-up cluster: each is worked on somewhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from distributed.scheduler import KilledWorker

from partitioner.cluster.connection import WrongVersion, program_version
from partitioner.cluster.crew import ClusterCrew
from partitioner.errors import MachineFault
from tests.cluster.test_tasks import Made


class Count:
    """A task that sends numbers, the last one the best."""

    def run(self, emit: Callable[[int], None]) -> None:
        for number in (1, 2, 3):
            emit(number)


class Answered:
    """A future that has ended as the table says; ``done`` works on the task when asked."""

    def __init__(self, how: object, work: Callable[[], object]):
        self._how, self._work = how, work
        self.status = how if how in ("pending", "cancelled") else "finished"
        if isinstance(how, BaseException):
            self.status = "error"

    def result(self, timeout: float) -> object:
        return self._work()

    def exception(self) -> object:
        return self._how


class Cluster(Made):
    """Two cores; tasks end one after the other as listed, the last way for all that follow."""

    def __init__(self, *ways: object, programs: dict[str, str] | None = None):
        super().__init__({}, programs)
        self.ways = list(ways)
        self.told: list[str] = []
        self.workers: list[Any] = []

    def submit(self, function, packed, needed, *, key, pure, workers) -> Answered:
        self.workers.append(workers)
        how = self.ways.pop(0) if len(self.ways) > 1 else self.ways[0]
        return Answered(how, lambda: function(packed, needed))

    def crew(self) -> ClusterCrew:
        made = ClusterCrew(
            self, cores=3, should_stop=lambda: False, on_warning=self.told.append
        )
        made._here = Here()
        return made


class Here:
    """Processes of this machine that answer 30 at once."""

    def __init__(self) -> None:
        self.is_free = True
        self.given = 0

    def give(self, task: Count) -> Here:
        self.given += 1
        self.running = True
        return self

    def poll(self) -> list[int]:
        self.running = False
        return [30]

    def close(self) -> None:
        self.is_free = False


def found(work, polls: int = 4) -> list[int]:
    told = []
    for _ in range(polls):
        if work.running:
            told += work.poll()
    assert not work.running
    return told


def test_what_a_task_emits_last_comes_back() -> None:
    crew = Cluster("done").crew()
    assert found(crew.give(Count())) == [3]


def test_no_more_is_under_way_than_there_are_cores() -> None:
    crew = Cluster("done").crew()
    assert crew.size == 2
    first = crew.give(Count())
    crew.give(Count())
    assert not crew.is_free
    found(first)
    assert crew.is_free


def test_a_task_that_ends_every_worker_is_worked_on_here() -> None:
    crew = Cluster(KilledWorker("key", None, 3), "done").crew()
    assert found(crew.give(Count())) == [30]
    assert not crew.is_lost
    assert found(crew.give(Count())) == [3]


def test_a_task_that_somebody_cancelled_is_worked_on_here() -> None:
    assert found(Cluster("cancelled").crew().give(Count())) == [30]


def test_a_task_that_breaks_by_itself_is_not_tried_again() -> None:
    crew = Cluster(ZeroDivisionError()).crew()
    assert found(crew.give(Count())) == []
    assert crew.here.given == 0


def test_when_the_scheduler_goes_away_the_work_goes_on_here() -> None:
    cluster = Cluster("pending")
    crew = cluster.crew()
    work = crew.give(Count())
    assert work.poll() == []
    cluster.status = "closed"
    assert found(work) == [30]
    assert cluster.told == [
        "the scheduler went away; the plan goes on with 3 processes of this machine"
    ]
    assert crew.size == 3
    assert crew.is_free
    assert found(crew.give(Count())) == [30]


def test_when_no_worker_is_left_the_work_goes_on_here(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr("partitioner.cluster.workers.time.monotonic", lambda: now[0])
    cluster = Cluster("pending")
    crew = cluster.crew()
    work = crew.give(Count())
    cluster._programs = {}
    for now[0] in (5.0, 9.0):
        assert work.poll() == []
        assert not crew.is_free
        assert not crew.is_lost
    now[0] = 12.0
    assert found(work) == [30]
    assert cluster.told == ["no worker is left; the plan goes on with 3 processes of this machine"]


def test_a_worker_that_comes_with_another_version_is_named_and_not_used() -> None:
    cluster = Cluster(WrongVersion(), "done")
    crew = cluster.crew()
    work = crew.give(Count())
    cluster._programs = {"a": "", "late": "0.0.9"}
    assert found(work) == [3]
    (told,) = cluster.told
    assert told.startswith("worker late is not used: it has partitioner 0.0.9 (")
    assert cluster.workers == [None, ["a"]]


def test_the_worker_itself_refuses_a_task_of_another_version() -> None:
    from partitioner.cluster.crew import _on_worker

    with pytest.raises(WrongVersion, match=r"is here, not 0\.0\.9"):
        _on_worker(b"", "0.0.9 (ortools 1)")
    assert program_version().split()[0] != "0.0.9"


def test_without_a_worker_of_this_version_no_plan_begins() -> None:
    with pytest.raises(MachineFault, match="no worker of the cluster has the program"):
        Cluster("done", programs={"bad": "0.0.9"}).crew()


def test_what_is_under_way_is_cancelled_at_the_end() -> None:
    cluster = Cluster("pending")
    crew = cluster.crew()
    crew.give(Count())
    crew.close()
    assert cluster.cancelled == 1
    assert not crew.here.is_free
