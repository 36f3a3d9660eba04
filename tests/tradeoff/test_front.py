"""What follows from runs, on hand-made ones: points, bounds, holes, the next limit, knees."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from partitioner.application.reading import read_problem
from partitioner.model.layout import Layout
from partitioner.pages.tradeoff import how_sure, steps_text, tradeoff_section
from partitioner.report.text import plain
from partitioner.runs import Budget
from partitioner.tradeoff.axes import AXES
from partitioner.tradeoff.front import Step, bound_within, front_of, knees, widest_gap
from partitioner.tradeoff.search import Next, TradeOffSearch, TradeOffSettings, begin
from partitioner.units import MONEY_STEPS


def layout(name: str) -> Layout:
    return Layout(name, "", (), (), ())


def step(limit: int | None, cost: int, value: int, bound: int | None = None) -> Step:
    return Step(limit, cost if bound is None else bound, layout(f"{cost}/{value}"), cost, value)


def shape(front) -> list[tuple[int, int, int, bool]]:
    return [(p.cost_money, p.value, p.bound_money, p.is_next_proved) for p in front.points]


def test_runs_from_the_cheap_end_give_an_exact_front():
    steps = [step(None, 100, 50), step(49, 120, 30), step(29, 200, 10), Step(9, None)]
    front = front_of(steps, floor=3)
    assert shape(front) == [(100, 50, 100, True), (120, 30, 120, True), (200, 10, 200, True)]
    assert front.is_exact
    assert front.points[-1].value <= front.floor
    assert front.floor == 10


def test_an_earlier_point_of_the_same_cost_goes():
    steps = [step(None, 100, 50), step(49, 100, 40), step(39, 130, 20), Step(19, None)]
    front = front_of(steps, floor=0)
    assert [(p.cost_money, p.value) for p in front.points] == [(100, 40), (130, 20)]
    assert front.is_exact


def test_a_hole_is_no_exact_front():
    # The second run's limit was far below the first point: something may lie between.
    steps = [step(None, 100, 50), step(30, 120, 25), Step(24, None)]
    front = front_of(steps, floor=0)
    assert shape(front) == [(100, 50, 100, False), (120, 25, 120, True)]
    assert not front.is_exact


def test_a_gap_is_no_exact_front():
    steps = [step(None, 100, 50), step(49, 120, 30, bound=110), Step(29, None)]
    front = front_of(steps, floor=0)
    assert shape(front) == [(100, 50, 100, False), (120, 30, 110, True)]
    assert front.points[1].gap == 10 / 120
    assert [p.cost_money for p in front.within(0.01)] == [100]
    assert [p.cost_money for p in front.beyond(0.01)] == [120]


def test_bounds_of_loose_limits_hold_for_tight_ones_only():
    steps = [step(None, 100, 50, bound=90), step(30, 150, 30, bound=95)]
    assert bound_within(steps, None) == 90
    assert bound_within(steps, 31) == 90
    assert bound_within(steps, 30) == 95
    assert bound_within([*steps, Step(10, None)], 10) is None
    assert bound_within([*steps, Step(10, None)], 11) == 95


def test_layouts_of_tight_limits_count_under_loose_ones():
    # The run without a limit stopped early; the one below it found something cheaper.
    steps = [step(None, 130, 50, bound=90), step(49, 110, 40, bound=95)]
    assert [(p.cost_money, p.value) for p in front_of(steps, 0).points] == [(110, 40)]


def test_the_next_limit_halves_the_widest_stretch():
    steps = [step(None, 100, 90), step(40, 300, 40), step(39, 310, 30), Step(29, None)]
    front = front_of(steps, floor=0)
    assert widest_gap(front, []) == 65
    # What was tried there in vain is left out.
    assert widest_gap(front, [65]) == 77
    assert widest_gap(front, [65, 77, 83, 86, 88, 89]) is None


def test_the_open_end_is_looked_at_too():
    front = front_of([step(None, 100, 90), step(89, 110, 80)], floor=10)
    assert widest_gap(front, []) == 44
    assert widest_gap(front, [44]) == 62
    # A first step is a small one.
    assert widest_gap(front_of([step(None, 100, 90)], floor=10), []) == 73
    loose = front_of([step(None, 100, 90, bound=50)], floor=10)
    assert widest_gap(loose, [], goal=0.01) is None


def test_wide_stretches_come_before_those_between_points_close_together() -> None:
    """Two points 3 % of the range apart say the same; what the fast end costs is news."""
    problem = read_problem(Path("tests/cases/tradeoff-floor.yaml"))
    state = replace(begin(problem, AXES["latency"]), floor=106)
    state.steps = [
        step(None, 1000, 186), step(185, 1001, 185, bound=1000),
        step(180, 1030, 179, bound=1000), step(160, 1040, 155, bound=1000),
    ]  # fmt: skip
    search = TradeOffSearch(problem, state, Budget(lambda: 0.0, 1.0), TradeOffSettings(8, 0.01))
    search.again = {None}
    assert search.next_run() == Next(182), "next to what is proved"
    state.tried = [182]
    assert search.next_run() == Next(145), "towards the fast end"
    state.tried = [182, *range(106, 179)]
    assert search.next_run() == Next(183), "nothing wide is open"


def test_knees_are_where_the_next_gain_costs_twice_as_much():
    steps = [step(None, 100, 90), step(89, 110, 70), step(69, 120, 60), step(59, 180, 50)]
    # 0.5, then 1, then 6 a unit.
    assert knees(front_of(steps, 0).points) == [1, 2]
    assert knees(front_of(steps, 0).points, ratio=3.0) == [2]


def test_what_a_gain_costs_is_told_of_layouts_that_are_not_proved_too():
    problem = read_problem(Path("tests/cases/tradeoff-floor.yaml"))
    state = begin(problem, AXES["latency"])
    state.steps = [
        step(None, 100 * MONEY_STEPS, 3_000_000, 50 * MONEY_STEPS),
        step(2_900_000, 120 * MONEY_STEPS, 1_000_000, 50 * MONEY_STEPS),
    ]
    (said,) = steps_text(problem, state)
    said = plain(said)
    assert said == "From the first layout found to the last, 2.00 ms faster costs 20.00 EUR more."
    state.steps = state.steps[:1]
    assert steps_text(problem, state) == []


def test_what_the_fastest_layout_costs_is_told_beside_what_is_proved() -> None:
    problem = read_problem(Path("tests/cases/tradeoff-floor.yaml"))
    state = begin(problem, AXES["latency"])
    state.steps = [
        step(None, 100 * MONEY_STEPS, 2_538_000, 100 * MONEY_STEPS),
        step(2_537_000, 101 * MONEY_STEPS, 2_536_500, 1_005_000),
        step(2_500_000, 120 * MONEY_STEPS, 1_000_000, 1_005_000),
    ]
    assert [plain(said) for said in steps_text(problem, state)] == [
        "From the first point to the last, 1.50 µs faster costs 1.00 EUR more.",
        "From the first point to layout 3, the last one known, 1.53 ms faster costs 20.00 EUR "
        "more.",
    ]
    (sure, *_) = how_sure(state)
    assert plain(sure) == (
        "1 of 2 points is proved to be the cheapest of its value; the other costs at most 0.5 % "
        "more than the cheapest can; more may lie between them."
    )


def test_one_point_is_not_told_as_several() -> None:
    problem = read_problem(Path("tests/cases/tradeoff-floor.yaml"))
    state = begin(problem, AXES["latency"])
    state.steps = [
        step(None, 100 * MONEY_STEPS, 2_538_000, 995_000),
        step(2_000_000, 120 * MONEY_STEPS, 1_000_000, 995_000),
    ]
    sure, *_ = how_sure(state)
    assert plain(sure) == "It costs at most 0.5 % more than the cheapest of its value can."
    state.steps[0] = step(None, 100 * MONEY_STEPS, 2_538_000)
    sure, *_ = how_sure(state)
    assert sure == "It is proved to be the cheapest of its value."


def test_points_that_differ_look_different_in_the_tables() -> None:
    problem = read_problem(Path("tests/cases/tradeoff-floor.yaml"))
    state = begin(problem, AXES["latency"])
    state.steps = [
        step(None, 100 * MONEY_STEPS, 2_538_000, 100 * MONEY_STEPS),
        step(2_537_000, 101 * MONEY_STEPS, 2_536_500, 1_005_000),
    ]
    (table,) = tradeoff_section(problem, state).tables
    assert [row[0].words for row in table.cells(("value",))] == ["2.538", "2.537"]
    state.steps = state.steps[:1]
    (table,) = tradeoff_section(problem, state).tables
    assert [row[0].words for row in table.cells(("value",))] == ["2.54"]


def test_the_first_further_layout_is_told_dearer_than_the_last_point_below_it() -> None:
    problem = read_problem(Path("tests/cases/tradeoff-floor.yaml"))
    state = begin(problem, AXES["latency"])
    state.steps = [
        step(None, 100 * MONEY_STEPS, 3_000_000),
        step(2_900_000, 103 * MONEY_STEPS, 2_000_000, 60 * MONEY_STEPS),
        step(1_900_000, 110 * MONEY_STEPS, 1_000_000, 110 * MONEY_STEPS),
        step(900_000, 140 * MONEY_STEPS, 500_000, 60 * MONEY_STEPS),
    ]
    good, further = tradeoff_section(problem, state).tables
    assert [(r["more_cost"], r["gain"]) for r in good.records()] == [(None, None), (10, 2.0)]
    # Dearer than the first point, not than the last, which costs more.
    assert [(r["more_cost"], r["gain"]) for r in further.records()] == [(3, 1.0), (37, 1.5)]
    assert "the first row against the last point that costs less" in further.note
    assert "the first row" not in good.note
