"""Several searches for a first layout at once: what comes first is begun with, and all end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from partitioner.check.judge import assess
from partitioner.model.layout import Layout
from partitioner.solve import planner
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.layout_in import read_start
from partitioner.solve.layout_out import to_layout
from partitioner.solve.plan_task import MOST_BESIDE, PlanTask
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.racing_run import RacingRun
from partitioner.solve.search import Study
from tests.bench.planted import Planted, planted


@pytest.fixture(scope="module")
def machine() -> Planted:
    return planted(20, 3)


class _Beside:
    """In place of a process: emits what it is told to, once."""

    def __init__(self, *messages: Layout):
        self.messages = list(messages)
        self.given: Any = None
        self.is_closed = False

    def poll(self, wait_s: float = 0.0) -> list[Layout]:
        found, self.messages = self.messages, []
        return found

    def give(self, task: object) -> None:
        self.given = task

    def close(self) -> None:
        self.is_closed = True


@pytest.fixture
def begun(monkeypatch: pytest.MonkeyPatch) -> list[_Beside]:
    """What a run begins beside itself, in place of processes."""
    made: list[_Beside] = []

    def begin(task: object, should_stop: object) -> _Beside:
        made.append(_Beside())
        made[-1].give(task)
        return made[-1]

    monkeypatch.setattr("partitioner.solve.race.SideProcess", begin)
    monkeypatch.setattr("partitioner.solve.racing_run.SideProcess", begin)
    return made


def _racing(machine: Planted, workers: int = 2) -> RacingRun:
    return RacingRun(machine.problem, PlanSettings(time_limit_s=60.0, workers=workers))


@pytest.mark.parametrize("helps", [False, True])
def test_a_search_beside_gives_any_layout(machine: Planted, *, helps: bool) -> None:
    found: list[Layout] = []
    settings = PlanSettings(work_limit=40, seed=3)
    PlanTask(machine.problem, settings, Study(first_only=True, helps=helps)).run(found.append)
    (layout,) = found
    assert not assess(machine.problem, layout).findings


def test_one_that_helps_does_not_do_again_what_was_in_vain(
    machine: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    def again(*args: object, **kwargs: object) -> None:
        raise AssertionError

    monkeypatch.setattr("partitioner.solve.run.hopeless", again)
    monkeypatch.setattr(DirectRun, "start_seeds", again)
    settings = PlanSettings(work_limit=40, seed=3)
    study = Study(first_only=True, helps=True)
    assert DirectRun(machine.problem, settings, study=study).go().layout is not None


def test_without_a_layout_it_gives_nothing(machine: Planted) -> None:
    found: list[Layout] = []
    settings = PlanSettings(time_limit_s=1e-6)
    PlanTask(machine.problem, settings, Study(first_only=True)).run(found.append)
    assert found == []


def test_what_was_found_beside_is_begun_with_at_once(
    machine: Planted, begun: list[_Beside]
) -> None:
    run = _racing(machine, workers=3)
    run._begin_race()
    first, second = begun
    second.messages = [machine.hidden]
    assert run._at(60.0)(), "a walk ends as soon as something has come in"
    run._find_layout(60.0)
    assert run.cost is not None
    assert run.cost <= machine.hidden_money
    assert first.is_closed
    assert second.is_closed
    assert run.limits.workers == 3
    run.close()


def test_the_heuristic_has_its_process_again_when_the_bound_begins(
    machine: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = DirectRun(machine.problem, PlanSettings(time_limit_s=60.0, workers=2))
    seen: list[tuple[str, bool]] = []
    monkeypatch.setattr(
        run, "_cheaper_ports", lambda seconds: seen.append(("ports", run.seeds_running))
    )
    monkeypatch.setattr(
        run, "prove_bound", lambda seconds: seen.append(("bound", run.seeds_running))
    )
    monkeypatch.setattr(run, "prove_by_enumeration", lambda: None)
    monkeypatch.setattr(run, "improve", lambda: None)
    run.plan()
    run.close()
    assert run.compact is not None, "lines by geometry have led to a layout"
    assert seen == [("ports", False), ("bound", True)]


def test_searches_end_with_a_layout_wherever_it_comes_from(
    machine: Planted, begun: list[_Beside]
) -> None:
    run = _racing(machine)
    run._begin_race()
    (beside,) = begun
    start = read_start(run.builder, run.backbone, machine.hidden)
    assert start.selection is not None
    assert run.search.begin_with(start.selection) is None
    assert beside.is_closed
    assert run.limits.workers == 2
    run.close()


def test_others_join_in_while_the_first_search_goes_on(
    machine: Planted, begun: list[_Beside], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("partitioner.solve.racing_run.ALONE_S", 0.0)
    run = _racing(machine)
    looks: list[int] = []

    def search(compact: CompactSearch, over: Callable[[], bool]) -> bool:
        for _ in range(3):
            looks.append(len(begun))
            assert not over()
        begun[0].messages = [machine.hidden]
        assert over()
        return False

    monkeypatch.setattr(CompactSearch, "chooses_for_all", search)
    run._choose_ports(60.0)
    assert looks == [0, 1, 1], "they are set to it once"
    assert run.cost is not None
    run.close()


@pytest.mark.parametrize(("workers", "beside"), [(2, 1), (4, 3), (20, MOST_BESIDE)])
def test_every_other_worker_searches_from_a_seed_of_its_own(
    machine: Planted, begun: list[_Beside], workers: int, beside: int
) -> None:
    run = _racing(machine, workers)
    run._begin_race()
    assert len(begun) == beside
    tasks = [process.given for process in begun]
    assert len({task.settings.seed for task in tasks} | {run.settings.seed}) == beside + 1
    assert {task.settings.workers for task in tasks} == {1}
    assert run.limits.workers == 1, "the cores are theirs meanwhile"
    run.close()


def test_a_run_that_counts_work_does_not_race() -> None:
    assert RacingRun.has_workers_beside(60, PlanSettings(workers=2))
    assert not RacingRun.has_workers_beside(60, PlanSettings(workers=1))
    assert not RacingRun.has_workers_beside(60, PlanSettings(workers=2, work_limit=40))


def _first_layout(machine: Planted) -> Layout:
    run = DirectRun(machine.problem, PlanSettings(work_limit=20))
    assert CompactSearch(run.search).run(lambda: False)
    assert run.search.incumbent is not None
    return to_layout(run.instance, run.backbone, run.search.incumbent)


def _cheaper(machine: Planted, layout: Layout) -> PlanTask:
    study = Study(only_cheaper=True)
    return PlanTask(machine.problem, PlanSettings(work_limit=20), study, layout, as_found=True)


def test_a_layout_is_made_cheaper_beside_step_by_step(machine: Planted) -> None:
    layout = _first_layout(machine)
    found: list[Layout] = []
    _cheaper(machine, layout).run(found.append)
    prices = [assess(machine.problem, each).cost.objective_money for each in found]
    assert prices[0] == assess(machine.problem, layout).cost.objective_money
    assert len(prices) > 1
    assert prices == sorted(set(prices), reverse=True)
    assert not assess(machine.problem, found[-1]).findings


def test_a_large_layout_is_made_cheaper_as_a_whole(
    machine: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(planner, "MANY_DEVICES", 10)
    steps: set[str] = set()
    plan_layout(
        machine.problem, PlanSettings(work_limit=20),
        on_progress=lambda _, step: steps.add(step), study=Study(only_cheaper=True),
        start=_first_layout(machine),
    )  # fmt: skip
    assert steps == {"starting", "choosing ports anew for less"}


def test_what_cannot_be_begun_with_is_not_made_cheaper(machine: Planted) -> None:
    layout = _first_layout(machine)
    broken = replace(layout, segments=layout.segments[1:])
    found: list[Layout] = []
    _cheaper(machine, broken).run(found.append)
    assert found == []


def test_what_is_cheaper_beside_is_taken_in_and_the_best_is_told(
    machine: Planted, begun: list[_Beside], monkeypatch: pytest.MonkeyPatch
) -> None:
    layout = _first_layout(machine)
    better: list[Layout] = []
    _cheaper(machine, layout).run(better.append)
    monkeypatch.setattr("partitioner.solve.racing_run.NEWS_S", 0.0)
    run = _racing(machine, workers=3)
    run._begin_with(layout)
    before = run.cost
    assert before is not None
    run._go_on_from_ports()
    first, second = begun
    assert first.given.settings.seed != second.given.settings.seed
    assert run.limits.workers == 1, "the cores are theirs meanwhile"
    first.messages = better
    assert run.take_in()
    assert run.cost is not None
    assert run.cost < before
    assert not first.is_closed, "it has the best one itself"
    assert second.is_closed
    told = assess(machine.problem, begun[2].given.start).cost.objective_money
    assert told == run.cost
    assert run.limits.workers == 1
    run.close()
    assert first.is_closed
    assert begun[2].is_closed
