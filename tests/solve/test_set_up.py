"""Set-up obeys the limit: no long step without a look at the clock and at the wish to stop.

Seconds are counted in calls of functions, so that the tests say the same on every machine.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.errors import NoAnswer
from partitioner.model.problem import Pathway, Place, Problem
from partitioner.network.cable import CableNetwork
from partitioner.solve.bound.pricing_problem import PricingProblem
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.instance import Instance
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.precheck.hopeless import hopeless
from tests.brute.random_problems import random_problem
from tests.work import WorkClock, calls_in


def crowded(streams: int) -> Problem:
    """Many streams, all of them different, among 14 devices with shared lines and links."""
    problem = random_problem(3, 14, switches=3, links=True, backbone=None)
    some = list(problem.streams.values())
    made = {}
    for k in range(streams):
        like = some[k % len(some)]
        period = streams * (40_000 + 37 * k)
        made[f"s{k}"] = replace(
            like, id=f"s{k}", payload_bytes=8 + k % 300, period_ns=period, deadline_ns=period,
            jitter_ns=0, pcp=k % 8,
        )  # fmt: skip
    return replace(problem, streams=made)


def comb(problem: Problem, teeth: int) -> Problem:
    """The same problem with pathways like a comb and everything at the ends of its teeth."""
    places, ways = {}, []
    for k in range(teeth):
        places[f"b{k}"] = Place(f"b{k}", (k * 10_000, 0, 0))
        places[f"t{k}"] = Place(f"t{k}", (k * 10_000, 50_000, 0))
        ways.append(Pathway(f"tooth-{k}", (f"b{k}", f"t{k}"), 50_000))
        if k:
            ways.append(Pathway(f"back-{k}", (f"b{k - 1}", f"b{k}"), 10_000))
    device_at = {d: f"t{7 * k % teeth}" for k, d in enumerate(problem.devices)}
    switch_at = {s: f"t{5 * k % teeth}" for k, s in enumerate(problem.switches)}
    return replace(
        problem,
        places=places,
        pathways=tuple(ways),
        devices={
            d.id: replace(d, place=device_at[d.id], position_um=None)
            for d in problem.devices.values()
        },
        switches={
            s.id: replace(s, place=switch_at[s.id], position_um=None)
            for s in problem.switches.values()
        },
    )


def wide(devices: int, switches: int) -> Problem:
    """Many devices and many candidate switches."""
    return random_problem(4, devices, switches=switches, links=True, candidates=True)


def prepare(problem: Problem) -> None:
    """All that is done before a search begins."""
    builder = ColumnBuilder(Instance(problem))
    PricingProblem(builder)
    hopeless(builder)


def test_work_grows_with_the_streams():
    few, many = (calls_in(lambda n=n: prepare(crowded(n))) for n in (131, 524))
    assert many < 6 * few


def test_ways_are_sought_only_from_places_in_use():
    def work(teeth: int) -> int:
        problem = comb(crowded(10), teeth)
        ids = [*problem.devices, *problem.switches]
        return calls_in(lambda: CableNetwork(problem).matrix_um(ids, ids))

    assert work(400) < 6 * work(100)


PROBLEMS = {
    "524 streams": lambda: crowded(524),
    "2 000 pathways": lambda: comb(wide(60, 4), 1_000),
    "40 candidates": lambda: wide(60, 40),
    "280 devices": lambda: wide(280, 10),
}


@pytest.mark.parametrize("name", PROBLEMS)
def test_the_limit_holds_while_the_problem_is_prepared(name):
    problem = PROBLEMS[name]()
    with WorkClock() as clock, pytest.raises(NoAnswer, match="still being prepared") as caught:
        plan_layout(problem, PlanSettings(time_limit_s=0.02), clock=clock)
    assert 0.02 <= caught.value.seconds < 1
    assert clock.longest_s < 0.5


@pytest.mark.parametrize("name", PROBLEMS)
def test_no_step_of_the_preparation_is_long(name):
    problem = PROBLEMS[name]()
    with WorkClock() as clock:
        run = DirectRun(problem, PlanSettings(time_limit_s=1e6), clock)
        hopeless(run.builder)
        clock()
    assert clock.longest_s < 0.2


def test_a_wish_to_stop_is_heard_while_the_problem_is_prepared():
    with pytest.raises(NoAnswer, match="still being prepared"):
        plan_layout(crowded(20), PlanSettings(work_limit=1), should_stop=lambda: True)
