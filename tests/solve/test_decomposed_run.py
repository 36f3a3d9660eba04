"""Large problems part by part: cutting, parts as problems, the processes beside, a whole run."""

from __future__ import annotations

import pickle
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.reading import read_problem
from partitioner.check.judge import assess
from partitioner.model.layout import Layout
from partitioner.model.outcome import Sample
from partitioner.model.problem import Problem
from partitioner.solve import decomposed_run, planner
from partitioner.solve.bound import lower_bound
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.decomposed_run import DecomposedRun
from partitioner.solve.decomposition import Part, part_problem, parts_of_devices
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.instance import Instance
from partitioner.solve.layout_in import columns_of
from partitioner.solve.plan_task import PlanTask
from partitioner.solve.port_regions import PortRegions
from partitioner.solve.run import PlanSettings
from partitioner.solve.side_process import SideProcess
from tests.bench.instances import large_problem
from tests.bench.planted import planted

PROBLEMS = Path(__file__).parents[2] / "problems"


@pytest.fixture(scope="module")
def bus() -> Problem:
    return read_problem(PROBLEMS / "city-bus" / "problem.yaml")


@pytest.fixture(scope="module")
def sweeper() -> Problem:
    return read_problem(PROBLEMS / "street-sweeper" / "problem.yaml")


@pytest.fixture(scope="module")
def roomy(sweeper: Problem) -> Problem:
    """The sweeper with ports to spare, so that a hurried search finds a layout too."""
    switches = {
        k: replace(s, port_groups=tuple(replace(g, count=g.count + 2) for g in s.port_groups))
        for k, s in sweeper.switches.items()
    }
    return replace(sweeper, switches=switches)


def test_every_device_is_in_one_part_and_groups_stay_whole(bus: Problem) -> None:
    instance = Instance(bus)
    parts = parts_of_devices(instance, 12)
    assert len(parts) > 2
    assert sorted(i for part in parts for i in part.devices) == list(range(instance.n))
    for group in instance.together:
        assert sum(not set(group).isdisjoint(part.devices) for part in parts) == 1


def test_parts_of_lines_only_hold_whole_lines_but_for_the_last() -> None:
    instance = Instance(large_problem(300))
    sizes = [len(part.devices) for part in parts_of_devices(instance, 80)]
    assert sum(sizes) == 300
    assert sum(size % 7 != 0 for size in sizes) <= 1


def test_a_stream_that_leaves_a_part_ends_at_a_switch_and_has_less_time(bus: Problem) -> None:
    builder = ColumnBuilder(Instance(bus))
    part = parts_of_devices(builder.instance, 12)[0]
    small = part_problem(builder, part)
    inside = {builder.instance.device_ids[i] for i in part.devices}
    assert set(small.devices) == inside
    leaving = 0
    for id_, stream in small.streams.items():
        whole = bus.streams[id_]
        ends = {whole.source, *whole.destinations}
        outside = {e for e in ends if e in bus.devices and e not in inside}
        assert {stream.source, *stream.destinations} <= inside | set(bus.switches)
        if outside:
            leaving += 1
            assert stream.deadline_ns < whole.deadline_ns
        else:
            assert stream == whole
    assert leaving > 0
    ends = {s.source for s in bus.streams.values()}.union(
        *(s.destinations for s in bus.streams.values())
    )
    kept = {e for s in small.streams.values() for e in (s.source, *s.destinations)}
    assert inside & ends == kept & inside


def test_what_is_planned_for_a_part_holds_in_the_whole(sweeper: Problem) -> None:
    builder = ColumnBuilder(Instance(sweeper))
    part = max(parts_of_devices(builder.instance, 14), key=lambda p: len(p.devices))
    run = DirectRun(part_problem(builder, part), PlanSettings(work_limit=5))
    layout = run.go().layout
    columns = columns_of(builder, layout)
    assert len(columns) == len(layout.segments)
    assert sorted(i for c in columns for i in c.devices) == sorted(part.devices)


def test_a_part_without_enough_ports_is_told_so(sweeper: Problem) -> None:
    builder = ColumnBuilder(Instance(sweeper))
    devices = tuple(range(builder.instance.n))
    small = part_problem(builder, Part(devices, {(0, 0): 1}))
    assert sum(s.port_count for s in small.switches.values()) == 1


class Echo:
    """A task that sends back what it was given, or breaks."""

    def __init__(self, what: int, breaks: bool = False):
        self.what, self.breaks = what, breaks

    def run(self, emit) -> None:
        emit(self.what)
        if self.breaks:
            raise ValueError("meant to break")
        emit(self.what + 1)


def _until_done(beside: SideProcess) -> list[int]:
    found: list[int] = []
    while beside.running:
        found += beside.poll(5.0)
    return found


def test_one_process_serves_tasks_one_after_the_other() -> None:
    beside = SideProcess(Echo(1))
    try:
        assert _until_done(beside) == [1, 2]
        beside.give(Echo(5))
        assert _until_done(beside) == [5, 6]
    finally:
        beside.close()


def test_a_task_that_breaks_ends_without_a_hang() -> None:
    beside = SideProcess(Echo(1, breaks=True))
    try:
        assert _until_done(beside) == [1]
        beside.give(Echo(3))
        assert _until_done(beside) == []
    finally:
        beside.close()


@pytest.mark.parametrize(
    "settings", [PlanSettings(24.0, 0, 2), PlanSettings(work_limit=10)], ids=["beside", "counted"]
)
def test_a_run_in_parts_keeps_all_rules_and_its_cost(
    roomy: Problem, settings: PlanSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decomposed_run, "PART", 14)
    monkeypatch.setattr(decomposed_run, "FIELD", 20)
    monkeypatch.setattr(decomposed_run, "PART_S", 1.0)
    # Time enough for a busy machine, little of it for what comes before the parts; one round over
    # them does.
    monkeypatch.setattr(decomposed_run, "BOUND_SHARE", 0.05)
    monkeypatch.setattr(decomposed_run, "SEED_SHARE", 0.05)
    runs: list[DecomposedRun] = []
    run = DecomposedRun(roomy, settings, should_stop=lambda: any(r.rounds > 1 for r in runs))
    runs.append(run)
    try:
        outcome = run.go()
    finally:
        run.close()
    assert run.rounds > 0
    assessment = assess(roomy, outcome.layout)
    assert not assessment.findings
    assert assessment.cost.objective_money == outcome.cost_money
    assert outcome.bound_money <= outcome.cost_money


class Elsewhere:
    """A crew of two that gets pickled tasks, prices regions too, and loses one part."""

    size = 2
    prices_regions = True

    def __init__(self) -> None:
        self.kinds: Counter[str] = Counter()
        self.flying = 0
        self.is_closed = False

    @property
    def is_free(self) -> bool:
        return self.flying < self.size

    def give(self, task) -> Flight:
        self.flying += 1
        kind = type(task).__name__
        self.kinds[kind] += 1
        is_lost = kind == "PlanTask" and self.kinds[kind] == 1
        return Flight(self, b"" if is_lost else pickle.dumps(task))

    def close(self) -> None:
        self.is_closed = True


class Flight:
    """A task that is worked on when it is asked about."""

    def __init__(self, crew: Elsewhere, packed: bytes):
        self.crew, self.packed, self.running = crew, packed, True

    def poll(self) -> list:
        found: list = []
        if self.packed:
            pickle.loads(self.packed).run(found.append)
        self.running = False
        self.crew.flying -= 1
        return pickle.loads(pickle.dumps(found[-1:]))


def test_a_crew_elsewhere_prices_regions_and_plans_parts(
    roomy: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decomposed_run, "MANY_DEVICES", 10)
    monkeypatch.setattr(planner, "MANY_DEVICES", 10)
    monkeypatch.setattr(lower_bound, "LARGE", 10)
    monkeypatch.setattr(decomposed_run, "PART", 14)
    monkeypatch.setattr(decomposed_run, "FIELD", 20)
    monkeypatch.setattr(decomposed_run, "PART_S", 1.0)
    monkeypatch.setattr(decomposed_run, "FIRST_S", 0.5)
    monkeypatch.setattr(decomposed_run, "SEED_SHARE", 0.002)
    # Where it is first to find a layout, no parts are planned.
    monkeypatch.setattr(decomposed_run.CompactSearch, "has_time", lambda search: False)
    crew = Elsewhere()
    outcome = planner.plan_layout(
        # Ended by its parts; the limit is for a busy machine.
        roomy, PlanSettings(240.0, 0, 2), should_stop=lambda: crew.kinds["PlanTask"] > 3, crew=crew
    )
    assert crew.is_closed
    assert min(crew.kinds[k] for k in ("SeedTask", "RegionTask", "PlanTask")) > 0
    assessment = assess(roomy, outcome.layout)
    assert not assessment.findings
    assert assessment.cost.objective_money == outcome.cost_money
    assert 0 < outcome.bound_money <= outcome.cost_money


def test_lines_are_kept_only_as_far_as_groups_allow(roomy: Problem) -> None:
    run = DecomposedRun(roomy, PlanSettings(work_limit=1))
    inst = run.instance
    group = next(g for g in inst.apart_switch if len(g) > 1)
    lines = [
        line
        for i in group[:2]
        for (s, g) in inst.ports_of
        if inst.grades[g].is_line and (line := run.builder.line(s, g, (i,))) is not None
    ]
    first, second = next(
        (a, b) for a in lines for b in lines if a.switch == b.switch and a.devices != b.devices
    )
    run.latest = {((), 0): [first, second]}
    assert [c.column for c in run._lines_on_ports()] == [first]


def test_where_only_ports_lead_to_a_layout_they_are_chosen_anew_for_less() -> None:
    machine = planted(20, 3)
    run = DecomposedRun(machine.problem, PlanSettings(work_limit=20))
    first: list[int] = []

    def told(sample: Sample, _: str) -> None:
        if sample.cost_money is not None:
            first.append(sample.cost_money)

    run.on_progress = told
    outcome = run.go()
    run.close()
    assert run.hangs_on_ports, "lines by geometry have led to a layout"
    assert run.rounds == 0, "parts of it were planned by themselves"
    assert outcome.cost_money < first[0]
    assert not assess(machine.problem, outcome.layout).findings


def test_what_is_cheaper_of_two_layouts_comes_together() -> None:
    """Two layouts that are each better than a third, in other places."""
    machine = planted(40, 2)
    run = DirectRun(machine.problem, PlanSettings(work_limit=20))
    assert CompactSearch(run.search).run(lambda: False)
    begun, value = run.search.incumbent, run.search.incumbent_value
    found = []
    for seed in (0, 1):
        run.search.incumbent, run.search.incumbent_value = begun, value
        run.search.limits.seed = seed
        calls = iter(range(2**30))
        PortRegions(run.search).run(lambda calls=calls: next(calls) > 40)
        found.append(run.search.incumbent)
    one, other = found
    assert one is not None
    assert other is not None
    assert one.choices != other.choices
    least = min(one.cost, other.cost)
    run.search.incumbent, run.search.incumbent_value = one, one.cost
    run.search.take_layout(other)
    assert run.search.incumbent_value <= least
    assert not run.search.take_layout(run.search.incumbent), "nothing of it is new"
    run.search.incumbent, run.search.incumbent_value = begun, value
    judge = run.search.judge
    with_cuts = []
    run.search.judge = lambda *a, **options: with_cuts.append(options) or judge(*a, **options)
    assert run.search.take_layout(one)
    assert with_cuts == [{"with_cuts": False}], "what holds near the last one is not asked twice"


def test_a_layout_found_beside_ends_the_search_for_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = planted(20, 1)
    run = DecomposedRun(machine.problem, PlanSettings(time_limit_s=60.0, workers=2))
    seeds: list[int] = []
    closed: list[int] = []

    class Beside:
        """A process that has the hidden layout at once."""

        def __init__(self, task: PlanTask, should_stop: object):
            seeds.append(task.settings.seed)

        def poll(self) -> list[Layout]:
            return [machine.hidden]

        def close(self) -> None:
            closed.append(1)

    monkeypatch.setattr("partitioner.solve.race.SideProcess", Beside)
    monkeypatch.setattr(CompactSearch, "run", lambda self, over: over() or over())
    run._hire(busy=1)
    assert run.side == 1
    run.is_put_together = True
    run._choose_ports()
    assert seeds == closed == [1]
    assert run.cost == machine.hidden_money
    assert run.hangs_on_ports
    run.close()


def test_phase_one_begins_with_a_part_where_ports_lead_nowhere(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = planted(20, 1)
    run = DecomposedRun(machine.problem, PlanSettings(work_limit=10))
    monkeypatch.setattr(CompactSearch, "run", lambda self, over: False)
    run.plan()
    best = run.search.incumbent
    assert best is not None
    assert not run.hangs_on_ports
