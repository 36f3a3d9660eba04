"""The parts of the lower bound, each on figures small enough to follow by hand."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from partitioner.solve.bound.column_generation import repair_rate
from partitioner.solve.bound.cuts import violated_triples
from partitioner.solve.bound.line_model import LineModel
from partitioner.solve.bound.lower_bound import lower_bound
from partitioner.solve.bound.regions import RegionalBound
from partitioner.solve.bound.relaxed_master import MasterColumn
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.split import split
from partitioner.units import MONEY_STEPS
from tests.bench.instances import (
    OPEN_VRP,
    geometry_problem,
    large_problem,
    open_vrp_constant_money,
    open_vrp_problem,
    open_vrp_rows,
    read_vrp,
)


def line_of(*devices: int) -> MasterColumn:
    return MasterColumn(tuple((d, 1) for d in devices), 0, 10, 0, True)


def test_three_half_lines_over_three_devices_break_a_cut() -> None:
    columns = [line_of(0, 1), line_of(1, 2), line_of(0, 2), line_of(3)]
    values = np.array([0.5, 0.5, 0.5, 1.0])
    assert violated_triples(columns, values, set(), most=5, per_device=5, look=int) == [(0, 1, 2)]
    assert violated_triples(columns, values, {(0, 1, 2)}, most=5, per_device=5, look=int) == []


def test_whole_lines_break_no_cut() -> None:
    columns, values = [line_of(0, 1, 2), line_of(3, 4)], np.array([1.0, 1.0])
    assert violated_triples(columns, values, set(), most=5, per_device=5, look=int) == []


def test_a_line_over_all_three_counts_once() -> None:
    columns = [line_of(0, 1, 2), line_of(0, 1), line_of(2)]
    values = np.array([0.5, 0.5, 0.5])
    assert violated_triples(columns, values, set(), most=5, per_device=5, look=int) == []


def test_repair_lifts_the_worst_lack_per_weight() -> None:
    missing = [(-10.0, 4), (-7.0, 2), (5.0, 1)]
    rate = repair_rate(missing)
    assert rate == 4
    assert all(reduced + rate * weight >= 0 for reduced, weight in missing)
    assert repair_rate([]) == 0


def test_split_keeps_every_point_once() -> None:
    points = np.random.default_rng(3).uniform(0, 1, (57, 3))
    parts = split(points, 10)
    assert max(len(p) for p in parts) <= 10
    assert sorted(np.concatenate(parts).tolist()) == list(range(57))


def test_bound_of_a_published_open_vrp() -> None:
    row = next(r for r in open_vrp_rows() if r.instance == "A-n32-k5")
    assert row.proven_optimal
    problem = open_vrp_problem(row)
    builder = ColumnBuilder(Instance(problem))
    result = lower_bound(builder, remaining=lambda: 1.0)
    optimum = row.best_known * MONEY_STEPS + open_vrp_constant_money(row, problem)
    # Each of the 31 ways is rounded up by less than one money step.
    assert 0.995 * optimum < result.value < optimum + 31


def test_bound_is_told_as_it_rises_and_ends_at_the_target() -> None:
    builder = ColumnBuilder(Instance(geometry_problem(20, 1)))
    told: list[int] = []
    full = lower_bound(
        builder, remaining=lambda: 1.0, on_bound=lambda value, _: told.append(value)
    )
    assert told == sorted(set(told))
    assert told[-1] == full.value
    goal = full.value // 2
    sooner: list[int] = []
    early = lower_bound(
        builder, remaining=lambda: 1.0, target=lambda: goal,
        on_bound=lambda value, _: sooner.append(value),
    )  # fmt: skip
    assert goal <= early.value <= full.value
    # No round follows the one that meets the goal.
    assert sooner == told[: len(sooner)]
    assert [value >= goal for value in sooner] == [False] * (len(sooner) - 1) + [True]


def test_bound_without_time_claims_little() -> None:
    builder = ColumnBuilder(Instance(geometry_problem(20, 1)))
    result = lower_bound(builder, remaining=lambda: 0.0)
    assert result.value == 0
    assert result.source == "nothing"


def test_regions_come_close_to_the_whole() -> None:
    """The same problem by regions of 20 devices and at once."""

    builder = ColumnBuilder(Instance(geometry_problem(60, 2)))
    whole = lower_bound(builder, remaining=lambda: 1.0)
    run = RegionalBound(builder, [], lambda: 1.0, core=20, halo=30)
    run.sweep(first=True)
    _, value = run.prove()
    assert 0.96 * whole.value < value <= whole.value


def test_unit_loads_that_bind_first_become_layers() -> None:
    row = next(r for r in open_vrp_rows() if r.instance == "E-n22-k4")
    builder = ColumnBuilder(Instance(open_vrp_problem(row)))
    model = LineModel(builder, 0, [0], range(builder.instance.n))
    assert not model.counts_devices
    # Demands are whole hundreds, the limit is 6000.
    assert model.capacity == 60
    assert model.weight.min() >= 1


@pytest.mark.parametrize("make", [geometry_problem, large_problem])
def test_generators_repeat_themselves(make) -> None:
    assert make(80, 4) == make(80, 4)
    assert make(80, 4) != make(80, 5)


def test_instance_files_match_their_table() -> None:
    for row in open_vrp_rows():
        problem = open_vrp_problem(row)
        assert len(problem.devices) == int(row.file.split("-n")[1].split("-")[0]) - 1
        _, demands = read_vrp(OPEN_VRP / row.file)
        assert max(demands) <= row.capacity
        assert sum(demands) <= row.capacity * row.max_routes






class Beside:
    """Prices regions two at a time, each sent to and fro as to another process."""

    def __init__(self, bound: RegionalBound, loses: int = -1):
        self.bound, self.loses = bound, loses
        self.waiting: list[tuple] = []
        self.at_work: list[tuple] = []
        self.together = 0

    def hand_out(self, make, take, end) -> None:
        self.waiting.append((make, take, end))

    def remaining(self) -> float:
        while self.waiting and len(self.at_work) < 2:
            make, take, end = self.waiting.pop(0)
            self.at_work.append((pickle.loads(pickle.dumps(make())), take, end))
        if len(self.at_work) == 2:
            self.together += 1
            one, other = (set(task.core.tolist()) for task, _, _ in self.at_work)
            around = [set(self.bound.around(t.core).tolist()) for t, _, _ in self.at_work]
            assert one.isdisjoint(around[1])
            assert other.isdisjoint(around[0])
        if self.at_work:
            task, take, end = self.at_work.pop(0)
            found: list = []
            task.run(found.append)
            self.loses -= 1
            if self.loses != -1:
                take(found[-1])
            end()
        return 1_000.0


def test_regions_that_do_not_touch_are_priced_beside_at_the_same_time() -> None:
    builder = ColumnBuilder(Instance(large_problem(180)))
    run = RegionalBound(builder, [], lambda: 1.0, core=20, halo=20)
    run.sweep(first=True)
    _, value = run.prove()
    again = RegionalBound(builder, [], lambda: 0.0, core=20, halo=20)
    beside = Beside(again)
    again.remaining = beside.remaining
    assert again.sweep(first=True, hand_out=beside.hand_out)
    assert beside.together > 3
    assert again.priced.all()
    assert again.prove()[1] == pytest.approx(value, rel=0.01)


def test_a_region_that_is_lost_beside_leaves_a_bound_all_the_same() -> None:
    builder = ColumnBuilder(Instance(large_problem(180)))
    run = RegionalBound(builder, [], lambda: 0.0, core=60, halo=20)
    beside = Beside(run, loses=1)
    run.remaining = beside.remaining
    assert not run.sweep(first=True, hand_out=beside.hand_out)
    assert 0 < (~run.priced).sum() < 100
    assert run.prove(run.guess_the_rest())[1] > 0
