"""Change orders by hand, and against the cut lists of both layouts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.pages.beside import against_section
from partitioner.pages.change_order import SHELF, order_section
from partitioner.replan.beside import lay_beside
from partitioner.replan.compare import compare
from partitioner.replan.order import SLIGHT_UM, ChangeOrder, Work, change_order
from tests.bench.planted import planted
from tests.replan.test_compare import BEFORE, PROBLEM, layout, line


def ordered(after: Layout, problem: Problem = PROBLEM, before: Layout = BEFORE) -> ChangeOrder:
    return change_order(problem, before, after, compare(problem, before, after))


def works(order: ChangeOrder) -> list[tuple[Work, str, str]]:
    return [
        (
            p.work,
            p.before.name if p.before else "",
            p.after.name if p.after else "",
        )
        for p in order.pieces
    ]


def test_the_same_layout_is_no_work():
    order = ordered(BEFORE)
    assert (order.pieces, order.terminators, order.settings) == ((), (), ())
    assert "Nothing is cut" in order_section(order).paragraphs[0]


def test_a_device_that_moves():
    # d2 leaves the tail of a (sw0 d0 d1 d2) for the head of b (sw0 d3 d4).
    after = layout(line("a", 1, "d0", "d1"), line("b", 2, "d2", "d3", "d4", ids=(3, 1, 2)))
    order = ordered(after)
    assert works(order) == [
        (Work.TAKEN_OUT, "d1:d2", ""),
        (Work.NEW, "", "d2:sw0"),
        (Work.NEW, "", "d2:d3"),
        # The piece from d3 to d4 stays, name and all, though it is the third on its line now.
        (Work.TAKEN_OUT, "d3:sw0", ""),
    ]
    assert [(t.segment, t.before, t.after) for t in order.terminators] == [("a", "d2", "d1")]
    a, b = order.lines()
    # d1 to d2 was 1 m; switch to d2 is 3 m and d2 to d3 1 m; switch to d3 was 4 m.
    assert (a.segment, a.new_um, a.taken_out_um) == ("a", 0, 1_000_000)
    assert (b.segment, b.new_um, b.taken_out_um) == ("b", 4_000_000, 4_000_000)
    assert (a.terminators, b.terminators) == (1, 0)


def test_lengths_that_a_shop_would_not_notice_are_told_apart():
    slack = replace(PROBLEM, line=replace(PROBLEM.line, drop_slack_um=SLIGHT_UM))
    comparison = compare(slack, BEFORE, BEFORE, problem_before=PROBLEM)
    order = change_order(slack, BEFORE, BEFORE, comparison, PROBLEM)
    assert {p.work for p in order.pieces} == {Work.SLIGHT}
    more = replace(PROBLEM, line=replace(PROBLEM.line, drop_slack_um=SLIGHT_UM + 1))
    comparison = compare(more, BEFORE, BEFORE, problem_before=PROBLEM)
    order = change_order(more, BEFORE, BEFORE, comparison, PROBLEM)
    assert {p.work for p in order.pieces} == {Work.LONGER}
    assert {p.difference_um for p in order.pieces} == {SLIGHT_UM + 1}


def test_a_line_that_goes_and_one_that_comes():
    gone = replace(PROBLEM, devices={k: d for k, d in PROBLEM.devices.items() if k != "d4"})
    after = layout(line("a", 1, "d0", "d1", "d2"), line("c", 3, "d3"))
    order = ordered(after, gone)
    assert [(t.segment, t.before, t.after) for t in order.terminators] == [("c", "d4", "d3")]
    taken = [p for p in order.pieces if p.work is Work.TAKEN_OUT]
    # Where d4 was is not known any more; without the earlier problem neither is the length.
    assert [(p.before.name, p.before.length_um) for p in taken if p.before] == [("d3:d4", None)]
    assert [one.unknown for one in order.lines() if one.segment == "b"] == [1]
    exact = change_order(
        gone, BEFORE, after, compare(gone, BEFORE, after, problem_before=PROBLEM), PROBLEM
    )
    taken = [p for p in exact.pieces if p.work is Work.TAKEN_OUT]
    assert [p.difference_um for p in taken] == [-1_000_000]


def test_ids_and_ports_are_among_the_settings():
    after = layout(line("a", 3, "d0", "d1", "d2", ids=(1, 3, 2)), line("b", 2, "d3", "d4"))
    order = ordered(after)
    assert order.pieces == ()
    (a,) = order.lines()
    assert (a.settings, a.reprogrammed) == (3, 2)


@pytest.fixture(scope="module")
def moved() -> tuple[Problem, Layout, Layout]:
    """A machine, and its layout with the devices of two lines exchanged and one line turned."""
    machine = planted(20, 0)
    segments = list(machine.hidden.segments)
    lines = [k for k, s in enumerate(segments) if len(s.devices) > 2]
    i, j = lines[0], lines[1]
    one, two = segments[i], segments[j]
    swapped = (two.devices[0], *one.devices[1:]), (one.devices[0], *two.devices[1:])
    segments[i] = replace(one, devices=swapped[0])
    segments[j] = replace(two, devices=swapped[1])
    return machine.problem, machine.hidden, replace(machine.hidden, segments=tuple(segments))


def test_an_order_makes_one_cut_list_into_the_other(
    moved: tuple[Problem, Layout, Layout],
) -> None:
    problem, before, after = moved
    lists = [
        {w.id: w.length_um for w in assess(problem, x).wires if not w.only_without}
        for x in (before, after)
    ]
    order = ordered(after, problem, before)
    assert {p.work for p in order.pieces} >= {Work.NEW, Work.TAKEN_OUT}
    made = dict(lists[0])
    for piece in order.pieces:
        if piece.before is not None:
            assert made.pop(piece.before.name) == piece.before.length_um
    for piece in order.pieces:
        if piece.after is not None:
            assert piece.after.name not in made
            made[piece.after.name] = piece.after.length_um
    assert made == lists[1]


def test_sections_hold_the_sums_of_their_rows(moved: tuple[Problem, Layout, Layout]) -> None:
    problem, before, after = moved
    pair = lay_beside(problem, before, after, assess(problem, after))
    section = against_section(pair, "other.yaml")
    tables = {t.id: t for s in section.walk() for t in s.tables}
    *lines, total = tables["order-lines"].records()
    pieces = tables["order-pieces"].records()
    assert total["segment"] == "all"
    for key, work in (("new_pieces", Work.NEW), ("taken_out", Work.TAKEN_OUT)):
        assert total[key] == sum(p["work"] == work for p in pieces) == sum(x[key] for x in lines)
    new_m = sum(p["length_after_m"] for p in pieces if p["work"] == Work.NEW)
    assert total["new_m"] == pytest.approx(new_m)
    fittings = tables["order-fittings"].records()
    ends = [f for f in fittings if f["work"] == "terminator"]
    assert len(ends) == total["terminators"]
    assert all(f["before"] != SHELF or f["after"] != SHELF for f in ends)
    # Both layouts are drawn, and streams told whose delays are not the same.
    figures = [f.id for s in section.walk() for f in s.figures]
    assert any(f.startswith("against-before") for f in figures)
    assert any(f.startswith("against-after") for f in figures)
    # The page that they stand on has the legend.
    assert not any("legend" in f for f in figures)
    now = {(f.stream, f.destination): f.response_ns for f in pair.after_assessment.streams}
    was = {(f.stream, f.destination): f.response_ns for f in pair.before_assessment.streams}
    unlike = {(r["stream"], r["destination"]) for r in tables["differing-streams"].records()}
    assert unlike == {key for key in now if now[key] != was.get(key)} != set()
    cable = [r["difference"] for r in tables["differing-parts"].records() if r["unit"] == "m"]
    cable_m = [row["cable_m"] for row in tables["beside"].records()]
    assert sum(cable) == pytest.approx(cable_m[1] - cable_m[0])
    order = pair.order
    shown = {r["segment_after"]: r["differs"] for r in tables["differing-segments"].records()}
    # No segment with work on it is left out, and of two lines the devices are not the same.
    assert {line.segment for line in order.lines()} <= {*shown}
    assert sum("devices" in words for words in shown.values()) == 2
    first, second = tables["beside"].records()
    assert second["priced_total"] == pair.after_assessment.cost.objective_money / 10_000
    assert first["layout"] == "other.yaml"


def test_a_piece_that_joins_other_nodes_at_the_same_places_gets_another_label():
    """Two devices at one place change places on the line: only labels and one ID's order do."""
    at = PROBLEM.devices["d1"].position_um
    twins = replace(
        PROBLEM,
        devices={k: replace(d, position_um=at) if k == "d2" else d
                 for k, d in PROBLEM.devices.items()},
    )  # fmt: skip
    before = layout(line("a", 1, "d0", "d1", "d2", "d3"), line("b", 2, "d4"))
    after = layout(line("a", 1, "d0", "d2", "d1", "d3"), line("b", 2, "d4"))
    order = ordered(after, twins, before)
    # The piece between the two keeps its name.
    assert works(order) == [
        (Work.RELABELLED, "d0:d1", "d0:d2"),
        (Work.RELABELLED, "d2:d3", "d1:d3"),
    ]
    assert order.total().new_um == order.total().taken_out_um == 0
    rows = order_section(order).tables[1].records()
    told = [(r["label_before"], r["piece"]) for r in rows]
    assert told == [("d0:d1", "d0:d2"), ("d2:d3", "d1:d3")]
    # On another line it is another piece: the line there is built anew.
    moved = layout(line("a", 1, "d0", "d1"), line("b", 2, "d4", "d2", "d3"))
    assert {w for w, _, _ in works(ordered(moved, twins, before))} == {Work.NEW, Work.TAKEN_OUT}


def test_a_device_that_is_called_otherwise_leaves_its_cable_where_it_is():
    devices = {k: replace(d, stub_um=50_000) for k, d in PROBLEM.devices.items()}
    earlier = replace(PROBLEM, devices=devices)
    renamed = {"e1" if k == "d1" else k: d for k, d in devices.items()}
    renamed["e1"] = replace(renamed["e1"], id="e1")
    now = replace(PROBLEM, devices=renamed)
    after = layout(line("a", 1, "d0", "e1", "d2"), line("b", 2, "d3", "d4"))
    comparison = compare(now, BEFORE, after, problem_before=earlier)
    assert works(change_order(now, BEFORE, after, comparison, earlier)) == [
        (Work.RELABELLED, "d0:d1", "d0:e1"),
        (Work.RELABELLED, "d1:d2", "d2:e1"),
        (Work.RELABELLED, "d1/stub", "e1/stub"),
    ]


def test_devices_of_one_layout_alone_are_counted(moved: tuple[Problem, Layout, Layout]) -> None:
    problem, before, after = moved
    gone = next(s for s in before.segments if len(s.devices) > 1)
    fewer = replace(before, segments=tuple(s for s in before.segments if s is not gone))
    section = against_section(lay_beside(problem, fewer, after, assess(problem, after)), "other")
    told = section.paragraphs[1].replace("\xa0", " ")
    assert told.endswith(f"{len(gone.devices)} devices added.")
