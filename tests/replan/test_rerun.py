"""Reruns of a small problem: what is kept, what is held, what is found by the wider search."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import (
    ChangePrices,
    Device,
    Encapsulation,
    GradeChoice,
    Group,
    GroupKind,
    ReleaseKind,
    Reserve,
    Stream,
)
from partitioner.pages.replan import proof_sentence, rerun_text, summary_text
from partitioner.replan import search
from partitioner.replan.compare import Kind
from partitioner.replan.rerun import CannotHold, held_by, rerun
from partitioner.replan.searched import RerunSettings
from partitioner.solve.change import Held, plca_ids
from tests.brute.parts import LINE
from tests.brute.test_brute import plain_problem

MONEY = 10_000
PRICES = ChangePrices(3 * MONEY, MONEY, 2 * MONEY, MONEY // 2, 10 * MONEY, MONEY // 5)
QUICK = RerunSettings(time_limit_s=20)
WITH_FRONT = RerunSettings(time_limit_s=20, points=6)

PROBLEM = replace(plain_problem([1, 2, 3, 6, 7]), change_prices=PRICES)
"""Devices at 1, 2, 3, 6 and 7 m on a straight line from the switch; three on a line at most."""
BEFORE = Layout(
    PROBLEM.name,
    "",
    ("sw0",),
    (),
    (
        Segment("far", "sw0", 4, LINE, ("d3", "d4"), 0, (2, 1), 3),
        Segment("near", "sw0", 2, LINE, ("d0", "d1", "d2"), 0, (1, 2, 3), 4),
    ),
)


def with_device(problem, name: str, metre: int):
    device = Device(name, None, (metre * 1_000_000, 0, 0), (GradeChoice(LINE),))
    return replace(problem, devices={**problem.devices, name: device})


@pytest.fixture(params=["all", "near"])
def searched(request, monkeypatch):
    """The rerun over all segments, and the one that large problems get."""
    if request.param == "near":
        monkeypatch.setattr(search, "ALL_UP_TO", 0)
    return request.param


def test_nothing_changed_nothing_changes(searched):
    result = rerun(PROBLEM, BEFORE, WITH_FRONT)
    assert result.best.layout.segments[::-1] == BEFORE.segments
    assert result.best.comparison.changes == ()
    assert result.best.found.change_money == 0


def test_a_search_that_proved_nothing_uses_its_time(monkeypatch):
    now, shares = 0.0, []

    def plan_afresh(problem, settings, *_, **__):
        nonlocal now
        now += settings.time_limit_s
        shares.append(settings.time_limit_s)
        raise NoAnswer("no layout found")

    monkeypatch.setattr(search, "ALL_UP_TO", 0)
    monkeypatch.setattr(search, "plan_layout", plan_afresh)
    # A new device, so that the change is not proved to be least by being none.
    problem = with_device(PROBLEM, "new", 8)
    result = rerun(problem, BEFORE, QUICK, clock=lambda: now)
    assert result.searched.outcome.stopped_by == "time limit"
    assert sum(shares) > 0.95 * QUICK.time_limit_s
    assert len(shares) > 2


def test_a_new_device_takes_the_free_place(searched):
    problem = with_device(PROBLEM, "new", 8)
    result = rerun(problem, BEFORE, QUICK)
    far = next(s for s in result.best.layout.segments if s.id == "far")
    # Names, ports and IDs stay; the new device gets the least free ID.
    assert (far.devices, far.port, far.plca_ids) == (("d3", "d4", "new"), 4, (2, 1, 3))
    assert next(s for s in result.best.layout.segments if s.id == "near") == BEFORE.segments[1]
    # Without end slack nothing else is cut anew.
    assert result.best.found.change_money == 0
    assert [c.kind for c in result.best.comparison.changes] == [
        Kind.ADDED, Kind.NEW_PIECE, Kind.NEW_ID, Kind.NODE_COUNT,
    ]
    assert result.searched.least_change_money == 0
    assert assess(problem, result.best.layout).findings == ()


def test_a_full_line_is_left_alone_when_moving_is_dearer(searched):
    # d5 sits among the near ones, whose line is full: a new line, or the tail of the far one.
    problem = with_device(PROBLEM, "new", 2)
    result = rerun(problem, BEFORE, WITH_FRONT)
    assert result.best.comparison.count(Kind.SEGMENT) == 0
    costs = [(p.found.change_money, p.found.plan_money) for p in result.front]
    assert costs == sorted(costs)
    assert [plan for _, plan in costs] == sorted((p for _, p in costs), reverse=True)
    for point in result.front:
        assert assess(problem, point.layout).cost.objective_money == point.found.plan_money
        assert point.comparison.total_money == point.found.change_money


def test_a_device_that_goes_leaves_its_neighbours_where_they_are(searched):
    problem = replace(PROBLEM, devices={d: r for d, r in PROBLEM.devices.items() if d != "d1"})
    result = rerun(problem, BEFORE, QUICK)
    near = next(s for s in result.best.layout.segments if s.id == "near")
    assert (near.devices, near.port, near.plca_ids) == (("d0", "d2"), 2, (1, 3))
    # The node count stays at 4: d2 still has ID 3.
    assert near.node_count == 4
    assert result.best.found.change_money == PRICES.cut_length_money


def test_frozen_segment_and_switch_stay(searched):
    # Under these prices the plan alone would put all in other lines; frozen ones may not move.
    cheap = replace(
        with_device(PROBLEM, "new", 2), change_prices=ChangePrices(1, 1, 1, 1, 1, 1)
    )
    free = rerun(cheap, BEFORE, QUICK)
    near = next((s for s in free.best.layout.segments if s.id == "near"), None)
    held = held_by(cheap, BEFORE, ["near"])
    result = rerun(cheap, BEFORE, QUICK, held=held)
    assert next(s for s in result.best.layout.segments if s.id == "near") == BEFORE.segments[1]
    assert near != BEFORE.segments[1]
    with pytest.raises(NoLayout if searched == "all" else NoAnswer):
        rerun(cheap, BEFORE, QUICK, held=held_by(cheap, BEFORE, ["sw0"]))


def test_frozen_device_keeps_its_neighbour():
    cheap = replace(
        with_device(PROBLEM, "new", 5), change_prices=ChangePrices(1, 1, 1, 1, 1, 1)
    )
    free = rerun(cheap, BEFORE, QUICK)
    assert inner(free.best.layout, "d3") != "sw0"
    result = rerun(cheap, BEFORE, QUICK, held=held_by(cheap, BEFORE, ["d3"]))
    assert inner(result.best.layout, "d3") == "sw0"
    home = result.best.layout.segment_of()["d3"]
    assert (home.id, home.port) == ("far", 4)
    assert dict(zip(home.devices, home.plca_ids, strict=True))["d3"] == 2


def inner(layout: Layout, device: str) -> str:
    home = layout.segment_of()[device]
    at = home.devices.index(device)
    return home.devices[at - 1] if at > home.switch_index else home.switch


def test_a_layout_begun_by_hand_is_completed(searched):
    begun = replace(BEFORE, segments=(replace(BEFORE.segments[0], devices=("d4",), plca_ids=(1,)),))
    result = rerun(PROBLEM, begun, QUICK, held=held_by(PROBLEM, begun, complete=True))
    assert set(result.best.layout.segment_of()) == set(PROBLEM.devices)
    home = result.best.layout.segment_of()["d4"]
    assert (home.id, home.port) == ("far", 4)
    assert dict(zip(home.devices, home.plca_ids, strict=True))["d4"] == 1
    assert result.best.comparison.count(Kind.ADDED) == 4


def test_without_an_answer_what_is_held_is_the_nearest(monkeypatch) -> None:
    """It lacks the new devices; planning afresh holds nothing and would show another layout."""

    def plan_afresh(*_, **__):
        raise NoAnswer("no layout found; 4 of 5 have a place")

    monkeypatch.setattr(search, "ALL_UP_TO", 0)
    monkeypatch.setattr(search, "plan_layout", plan_afresh)
    monkeypatch.setattr(search.Chooser, "best_among", lambda *_: None)
    problem = with_device(PROBLEM, "new", 8)
    with pytest.raises(NoAnswer, match="without a place: new") as told:
        rerun(problem, BEFORE, replace(QUICK, work_limit=5),
              held=held_by(problem, BEFORE, complete=True))  # fmt: skip
    assert told.value.nearest == BEFORE


def test_reserve_is_used_only_when_released():
    limits = replace(PROBLEM.limits[LINE], reserve=Reserve(nodes=1))
    tight = replace(with_device(PROBLEM, "new", 8), limits={LINE: limits})
    before = replace(BEFORE, segments=(BEFORE.segments[0], *split(BEFORE.segments[1])))
    kept = rerun(tight, before, QUICK)
    assert all(len(s.devices) < 3 for s in kept.best.layout.segments)
    used = rerun(tight.without_reserve(), before, QUICK)
    far = next(s for s in used.best.layout.segments if s.id == "far")
    assert far.devices == ("d3", "d4", "new")


def split(segment: Segment) -> tuple[Segment, Segment]:
    return (
        replace(segment, devices=segment.devices[:2], plca_ids=(1, 2)),
        replace(segment, id="third", port=3, devices=segment.devices[2:], plca_ids=(1,)),
    )


@pytest.mark.parametrize("name", ["nobody", "far"])
def test_what_is_gone_cannot_be_held(name):
    problem = replace(PROBLEM, devices={d: r for d, r in PROBLEM.devices.items() if d != "d4"})
    with pytest.raises(CannotHold, match=name):
        held_by(problem, BEFORE, [name])


def test_new_device_cannot_be_held():
    with pytest.raises(CannotHold, match="new is on no segment"):
        held_by(with_device(PROBLEM, "new", 8), BEFORE, ["new"])


def test_prices_of_zero_still_keep_names_and_ports():
    free = replace(with_device(PROBLEM, "new", 8), change_prices=ChangePrices())
    result = rerun(free, BEFORE, QUICK)
    ports = {s.id: s.port for s in result.best.layout.segments}
    assert ports.items() >= {"far": 4, "near": 2}.items()


def test_wishes_for_ids_are_heard_in_turn():
    assert plca_ids(("a", "b"), [{"a": 5, "b": 1}]) == {"a": 5, "b": 1}
    assert plca_ids(("a", "b"), [{"a": 5, "b": 1}], 2) == {"a": 2, "b": 1}
    assert plca_ids(("a", "b"), [{"b": 3}, {"a": 3, "b": 1}]) == {"a": 1, "b": 3}


def high(latency_price: int = 0, id_price: int = 5, deadline_us: int | None = None):
    """Two devices on a line, one with PLCA ID 9, and a stream from the other to the switch."""
    stream = Stream(
        "talk", "d0", ("sw0",), 46, Encapsulation.RAW, False, ReleaseKind.PERIODIC,
        20_000_000, 0, 20_000_000 if deadline_us is None else deadline_us * 1_000, 0,
    )
    problem = plain_problem([1, 2])
    problem = replace(
        problem,
        streams={"talk": stream},
        change_prices=ChangePrices(MONEY, MONEY, MONEY, id_price, MONEY, MONEY),
        objective=replace(problem.objective, latency_price_per_ms_money=latency_price),
    )
    line = Segment("line", "sw0", 2, LINE, ("d0", "d1"), 0, (1, 9), 10)
    return problem, Layout(problem.name, "", ("sw0",), (), (line,))


def with_ids(layout: Layout, ids: tuple[int, ...]) -> Layout:
    line = replace(layout.segments[0], plca_ids=ids, node_count=max(ids) + 1)
    return replace(layout, segments=(line,))


def plan_money(problem, layout: Layout) -> int:
    assessment = assess(problem, layout)
    assert assessment.findings == ()
    return assessment.cost.objective_money


@pytest.mark.parametrize("dearer_by", [-1, 1])
def test_an_id_is_kept_or_paid_for_whichever_costs_less(searched, dearer_by):
    problem, before = high(latency_price=100_000)
    longer = plan_money(problem, before) - plan_money(problem, with_ids(before, (1, 2)))
    assert longer > 1
    problem, before = high(latency_price=100_000, id_price=longer + dearer_by)
    result = rerun(problem, before, WITH_FRONT)
    (line,) = result.best.layout.segments
    assert line.plca_ids == ((1, 2) if dearer_by < 0 else (1, 9))
    assert line.node_count == max(line.plca_ids) + 1
    paid = longer + min(dearer_by, 0)
    assert result.best.found.total_money == plan_money(problem, with_ids(before, (1, 2))) + paid
    assert result.best.found.is_proved or searched == "near"
    # Both are on the front: one costs less, the other changes less.
    assert [p.layout.segments[0].plca_ids for p in result.front] == [(1, 9), (1, 2)]


def test_ids_make_way_where_only_a_shorter_cycle_is_in_time(searched):
    problem, before = high()
    (slow,) = assess(problem, before).streams
    (fast,) = assess(problem, with_ids(before, (1, 2))).streams
    assert fast.bound_ns < slow.bound_ns
    problem, before = high(deadline_us=-(-fast.bound_ns // 1_000))
    result = rerun(problem, before, QUICK)
    assert result.best.layout.segments[0].plca_ids == (1, 2)
    assert result.best.found.change_money == 5
    assert result.best.found.is_proved or searched == "near"
    # Held, the ID cannot make way.
    with pytest.raises(NoLayout if searched == "all" else NoAnswer):
        rerun(problem, before, QUICK, held=held_by(problem, before, ["d1"]))


@pytest.mark.parametrize("name", ["d1", "line", "sw0"])
def test_a_held_id_beyond_the_devices_makes_the_cycle_longer(searched, name):
    problem, before = high(latency_price=100_000, id_price=0)
    result = rerun(problem, before, QUICK, held=held_by(problem, before, [name]))
    assert result.best.layout.segments == before.segments
    assert result.best.found.plan_money == plan_money(problem, before)


def plca(segment: Segment):
    return zip(segment.devices, segment.plca_ids, strict=True)


def test_a_device_that_moves_keeps_its_id_where_it_is_free(searched):
    problem, before = high(id_price=3 * MONEY)
    apart = Group("apart", GroupKind.APART_SEGMENT, ("d0", "d1"))
    problem = replace(problem, groups=(apart,))
    result = rerun(problem, before, QUICK, held=held_by(problem, before, ["d0"]))
    ids = {d: i for s in result.best.layout.segments for d, i in plca(s)}
    assert ids == {"d0": 1, "d1": 9}
    assert result.best.comparison.count(Kind.PLCA_ID) == 0
    assert result.best.found.change_money == 3 * MONEY  # one device moves to a new line, cut anew


def test_ids_without_a_price_stay_where_nothing_speaks_against_it(searched):
    problem, before = high(id_price=0)
    assert rerun(problem, before, QUICK).best.layout.segments == before.segments
    problem, before = high(id_price=0, latency_price=100_000)
    assert rerun(problem, before, QUICK).best.layout.segments[0].plca_ids == (1, 2)


def test_nothing_held_is_nothing_forbidden():
    assert held_by(PROBLEM, BEFORE) == Held()


def test_stopped_at_once_nothing_is_claimed(searched):
    with pytest.raises(NoAnswer):
        rerun(PROBLEM, BEFORE, QUICK, should_stop=lambda: True)


def test_stopped_later_the_best_so_far_is_kept():
    asked = iter(range(10**9))
    result = rerun(PROBLEM, BEFORE, QUICK, should_stop=lambda: next(asked) > 60)
    assert set(result.best.layout.segment_of()) == set(PROBLEM.devices)
    assert result.searched.outcome.stopped_by in ("user", "proof")


def test_what_cannot_be_is_told_as_the_planner_tells_it():
    far = with_device(PROBLEM, "far-off", 30)
    with pytest.raises(NoLayout) as told:
        rerun(far, BEFORE, QUICK)
    assert any("far-off" in c.subjects for c in told.value.conflicts)


def test_an_outcome_is_claimed_only_where_nothing_is_held():
    free = rerun(PROBLEM, BEFORE, QUICK)
    outcome = free.outcome
    assert outcome is not None
    assert outcome.bound_money <= outcome.cost_money
    held = rerun(PROBLEM, BEFORE, QUICK, held=held_by(PROBLEM, BEFORE, ["near"]))
    assert held.outcome is None


def test_what_is_not_proved_is_not_told_as_a_bound() -> None:
    result = rerun(with_device(PROBLEM, "new", 8), BEFORE, QUICK)
    assert summary_text(result).endswith(" 1\u00a0device added.")
    unknown = replace(
        result,
        best=replace(result.best, found=replace(result.best.found, is_proved=False)),
        searched=replace(
            result.searched,
            total_bound_money=1,
            least_change_money=1,
            outcome=replace(result.searched.outcome, bound_money=0),
        ),
    )
    said = proof_sentence(unknown)
    assert said.endswith("There was no time to prove how much less another could cost.")
    assert "0.00" not in said
    same = summary_text(rerun(PROBLEM, BEFORE, QUICK))
    assert same.endswith("Changed: nothing that is there already.")


def test_a_piece_is_named_once_in_a_terminal() -> None:
    """By its two nodes, which have columns of their own; the table needs the room."""
    gone = replace(PROBLEM, devices={k: d for k, d in PROBLEM.devices.items() if k != "d3"})
    said = rerun_text(rerun(gone, BEFORE, QUICK))
    caption = "Pieces of cable to cut anew:"
    assert caption in said
    below = said.partition(caption)[2]
    assert "Came" in below
    assert "Piece" not in below
    assert "piece cut to another length" not in below, "the caption says so of all"


def test_without_a_layout_the_whole_time_is_for_one(monkeypatch) -> None:
    """Planning afresh had its share of the time once; after that the search gave up."""
    now, tried, asked, asked_before = 0.0, [], 0, []

    def plan_afresh(problem, settings, *_, **__):
        nonlocal now
        now += settings.time_limit_s
        tried.append((settings.seed, settings.enough_gap))
        asked_before.append(asked)
        raise NoAnswer("no layout found; 4 of 5 have a place", nearest=BEFORE)

    def none_near(chooser, aim, columns, starts, seconds):
        nonlocal now, asked
        now, asked = now + min(1.0, seconds), asked + 1

    monkeypatch.setattr(search, "ALL_UP_TO", 0)
    monkeypatch.setattr(search, "plan_layout", plan_afresh)
    monkeypatch.setattr(search.Chooser, "best_among", none_near)
    problem = with_device(PROBLEM, "new", 8)
    with pytest.raises(NoAnswer) as told:
        rerun(problem, BEFORE, QUICK, clock=lambda: now)
    assert now > 0.95 * QUICK.time_limit_s
    assert told.value.ended_by == "time limit"
    assert (str(told.value), told.value.nearest) == (
        "no layout found; 4 of 5 have a place", BEFORE
    ), "what planning afresh came nearest to"
    assert tried[0] == (0, 1.0), "any layout will do"
    assert asked_before[0] == 1, "the segments near the old ones were asked about once, in vain"
    assert asked == 1, "nothing is begun when time is up"
    assert len({seed for seed, _ in tried}) > 1, "tried again by another seed"
    tried.clear()
    with pytest.raises(NoAnswer):
        rerun(problem, BEFORE, replace(QUICK, work_limit=5), clock=lambda: now)
    assert tried == [(0, 0.0)], "where work is counted nothing is done again for want of time"
