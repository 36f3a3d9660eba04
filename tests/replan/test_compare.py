"""Differences of two layouts, counted by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import ChangePrices
from partitioner.replan.compare import Kind, compare, reordered
from tests.brute.parts import LINE
from tests.brute.test_brute import plain_problem

PRICES = ChangePrices(
    device_segment_money=100_000,
    device_order_money=10_000,
    port_money=1_000,
    plca_id_money=100,
    new_line_money=1_000_000,
    cut_length_money=1,
)
PROBLEM = replace(plain_problem([1, 2, 3, 4, 5]), change_prices=PRICES)


def line(name: str, port: int, *devices: str, ids=None, index: int = 0) -> Segment:
    ids = tuple(range(1, len(devices) + 1)) if ids is None else ids
    return Segment(name, "sw0", port, LINE, devices, index, ids, max(ids) + 1)


def layout(*segments: Segment) -> Layout:
    return Layout(PROBLEM.name, "", ("sw0",), (), segments)


BEFORE = layout(line("a", 1, "d0", "d1", "d2"), line("b", 2, "d3", "d4"))


def counted(after: Layout) -> tuple[dict[Kind, int], int]:
    found = compare(PROBLEM, BEFORE, after)
    kinds = [c.kind for c in found.changes]
    return {k: kinds.count(k) for k in dict.fromkeys(kinds)}, found.total_money


def test_the_same_layout_has_no_changes():
    assert counted(BEFORE) == ({}, 0)


def test_a_device_that_moves_brings_its_piece_along():
    # d2 leaves the tail of a for the head of b: own piece, the piece of d3 (now from d2), PLCA ID.
    after = layout(line("a", 1, "d0", "d1"), line("b", 2, "d2", "d3", "d4", ids=(3, 1, 2)))
    kinds, total = counted(after)
    assert kinds == {Kind.SEGMENT: 1, Kind.CUT: 2, Kind.NODE_COUNT: 2}
    assert total == 100_000 + 2


def test_end_slack_moves_with_the_tail():
    # With end slack the piece of d1, now the tail, gets longer too: three cut lengths.
    slack = replace(PROBLEM, line=replace(PROBLEM.line, end_slack_um=200_000))
    after = layout(line("a", 1, "d0", "d1"), line("b", 2, "d2", "d3", "d4", ids=(3, 1, 2)))
    found = compare(slack, BEFORE, after)
    assert found.count(Kind.CUT) == 3
    cut = next(c for c in found.changes if c.kind is Kind.CUT and c.subject == "d1")
    assert cut.um == (1_000_000, 1_200_000)


def test_two_devices_that_swap_places_are_one_change_of_order():
    after = layout(line("a", 1, "d1", "d0", "d2", ids=(2, 1, 3)), line("b", 2, "d3", "d4"))
    kinds, total = counted(after)
    # Pieces: d1 1 m -> 2 m; d0 from d1 is 1 m, as it was from the switch; d2 1 m -> 2 m.
    assert kinds == {Kind.ORDER: 1, Kind.CUT: 2}
    assert total == 10_000 + 2


def test_a_place_of_the_same_number_is_told_by_its_neighbour():
    after = layout(line("a", 1, "d3", "d1", "d0"), line("b", 2, "d2", "d4"))
    changes = compare(PROBLEM, BEFORE, after).changes
    moved = [(c.subject, c.before, c.after) for c in changes if c.kind is Kind.ORDER]
    assert moved == [("d1", "behind d0", "behind d3")]


def test_port_and_plca_id():
    after = layout(line("a", 3, "d0", "d1", "d2", ids=(1, 3, 2)), line("b", 2, "d3", "d4"))
    assert counted(after) == ({Kind.PORT: 1, Kind.PLCA_ID: 2}, 1_000 + 200)


def test_names_do_not_decide_who_carries_on():
    after = layout(line("b", 1, "d0", "d1", "d2"), line("a", 2, "d3", "d4"))
    assert counted(after) == ({}, 0)
    assert compare(PROBLEM, BEFORE, after).carried_on == {"b": "a", "a": "b"}


def test_a_split_line_is_one_new_line():
    after = layout(
        line("a", 1, "d0", "d1"), line("b", 2, "d3", "d4"), line("c", 3, "d2", ids=(3,))
    )
    kinds, total = counted(after)
    assert kinds[Kind.NEW_LINE] == 1
    assert kinds[Kind.SEGMENT] == 1
    assert total == 1_000_000 + 100_000 + 1


def test_a_line_that_is_gone_tells_where_it_ended():
    found = compare(PROBLEM, BEFORE, layout(line("a", 1, "d0", "d1", "d2", "d3", "d4")))
    gone = next(c for c in found.changes if c.kind is Kind.GONE)
    port = next(s for s in BEFORE.segments if s.id == "b")
    assert (gone.subject, gone.where) == ("b", "b")
    assert (gone.before, gone.after) == (f"{port.switch} port {port.port}", "")


def test_what_comes_and_goes_has_no_price_but_its_neighbours_have():
    gone = replace(
        PROBLEM, devices={d: row for d, row in PROBLEM.devices.items() if d != "d1"}
    )
    after = layout(line("a", 1, "d0", "d2", ids=(1, 3)), line("b", 2, "d3", "d4"))
    found = compare(gone, BEFORE, after)
    assert [(c.kind, c.subject) for c in found.changes if c.price_money] == [(Kind.CUT, "d2")]
    assert found.count(Kind.REMOVED) == 1
    # The length before is not known from the changed problem, but it is from the earlier one.
    cut = next(c for c in found.changes if c.kind is Kind.CUT)
    assert cut.um == (None, 2_000_000)
    exact = compare(gone, BEFORE, after, problem_before=PROBLEM)
    cut = next(c for c in exact.changes if c.kind is Kind.CUT)
    assert cut.um == (1_000_000, 2_000_000)


@pytest.mark.parametrize(
    ("before", "after", "moved"),
    [
        (("a", "b", "c"), ("a", "b", "c"), 0),
        (("a", "b", "c"), ("c", "a", "b"), 1),
        (("a", "b", "c"), ("c", "b", "a"), 2),
        (("a", "b", "c", "d"), ("b", "a", "d", "c"), 2),
    ],
)
def test_fewest_devices_put_back(before, after, moved):
    assert len(reordered(line("x", 1, *before), line("x", 1, *after))) == moved


def test_a_line_through_its_switch_may_be_read_from_either_end():
    old = line("x", 1, "a", "b", "c", index=1)
    assert reordered(old, line("x", 1, "c", "b", "a", index=2)) == ()
    # a and b change sides, which is the other way of reading; c goes from behind b to behind a.
    assert reordered(old, line("x", 1, "b", "a", "c", index=1)) == ("c",)
