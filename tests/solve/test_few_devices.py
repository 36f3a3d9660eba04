"""With few devices the routing heuristic gets counted rounds: no plan waits for its clock."""

from __future__ import annotations

import pytest

from partitioner.model.outcome import Status
from partitioner.solve import direct_run
from partitioner.solve.direct_run import FEW_DEVICES, ROUNDS_PER_DEVICE, DirectRun
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.seed_task import SeedTask
from partitioner.solve.seeds import LineSeeder
from tests.brute.random_problems import random_problem


@pytest.fixture
def tasks(monkeypatch: pytest.MonkeyPatch) -> list[SeedTask]:
    """What the heuristic is asked from now on."""
    asked: list[SeedTask] = []
    real = LineSeeder.task

    def task(*given, **how) -> SeedTask:
        asked.append(real(*given, **how))
        return asked[-1]

    monkeypatch.setattr(LineSeeder, "task", task)
    return asked


@pytest.mark.parametrize(
    "settings",
    [PlanSettings(workers=1), PlanSettings(workers=2), PlanSettings(work_limit=60)],
    ids=["one worker", "two workers", "counted work"],
)
def test_few_devices_are_given_few_rounds_here(settings, tasks, monkeypatch) -> None:
    def start(*_: object) -> None:
        pytest.fail("a process was started beside")

    monkeypatch.setattr(direct_run, "SideProcess", start)
    outcome = plan_layout(random_problem(1, 6, links=True), settings)
    assert outcome.status is Status.OPTIMAL
    assert tasks
    for task in tasks:
        assert task.iterations is not None
        assert 0 < task.iterations <= ROUNDS_PER_DEVICE * len(task.demand)


def test_more_devices_have_the_time_of_the_clock(tasks) -> None:
    run = DirectRun(random_problem(1, FEW_DEVICES + 1), PlanSettings(time_limit_s=4))
    run.start_seeds()
    assert tasks
    assert all(task.iterations is None and task.seconds > 0.2 for task in tasks)
