"""Bills worked out by hand, to the money step; the arithmetic stands in the comments."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.bill import BillItem, parts_list
from partitioner.check.cut_list import STUB
from partitioner.check.judge import assess
from partitioner.model.assessment import PartLine
from partitioner.model.catalogue import Cable, Part, Trust
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import Device, GradeChoice, Objective, Option, Problem
from tests.brute.parts import LINE, LINK100, LINK1000, small_catalogue
from tests.check.ground import M, ground_layout, ground_problem, with_device, with_segment

# Prices in money steps, masses in mg. Per metre of line cable 6000 and 14 g.
LINE_CABLE = 6_000


def priced(problem: Problem) -> Problem:
    """The problem with round prices for the line's parts, so that a person can follow."""
    rows = small_catalogue()
    cables = {
        **rows.cables,
        "cable-line": Cable("cable-line", LINE_CABLE, 14_000, 5.0, "here", Trust.USER),
        "cable-link100": Cable("cable-link100", 9_000, 17_000, 5.0, "here", Trust.USER),
        "cable-link1000": Cable("cable-link1000", 15_000, 23_000, 5.0, "here", Trust.USER),
    }
    prices = {
        "phy-line": (12_000, 1_000),
        "port-phy-line": (14_000, 1_500),
        "connector-line": (4_000, 3_000),
        "terminator": (1_500, 500),
        "junction": (0, 0),
        "phy-link100": (23_000, 1_200),
        "port-phy-link100": (27_000, 1_500),
        "connector-link100": (6_000, 3_000),
        "port-phy-link1000": (57_000, 1_500),
        "connector-link1000": (9_000, 3_000),
    }
    parts = {
        **rows.parts,
        **{k: Part(k, price, mass, "here", Trust.USER) for k, (price, mass) in prices.items()},
    }
    return replace(problem, catalogue=replace(rows, cables=cables, parts=parts), streams={})


def kind_money(problem: Problem, layout: Layout) -> dict[str, int]:
    return dict(assess(problem, layout).cost.by_kind_money)


def only(*segments: Segment) -> Layout:
    return Layout("ground", "ground", (), (), segments)


LINE_FRONT = Segment("line", "front", 1, LINE, ("lamp-1", "lamp-2", "heater"), 0, (1, 2, 3), 5)


def test_line_with_the_switch_at_its_end_and_an_option_at_its_tail():
    # front -1.0- lamp-1 -1.5- lamp-2 -2.0- heater; drop slack 0.1 m, end slack 0.2 m; stub of
    # lamp-1 0.05 m; heater belongs to an option that 30 % of the units have.
    bill = kind_money(priced(ground_problem()), only(LINE_FRONT))
    # Ways: 6000 + 9000 + 12000 x 0.3 = 18600. Drops: 600 + 600 + 180 = 1380.
    # Ends: the arm is there whenever anything of it is: 1200 + 1200. Stub: 300.
    assert bill["cable"] == 18_600 + 1_380 + 2_400 + 300
    # 12000 + 12000 + 3600
    assert bill["device PHY"] == 27_600
    # 4000 + 4000 + 1200, and the port's 4000
    assert bill["connector"] == 13_200
    assert bill["terminator"] == 3_000
    assert bill["port PHY"] == 14_000
    assert bill["port"] == 7_000


def test_line_with_the_switch_along_it():
    # Arms: front -1.0- lamp-1, and front -2.5- lamp-2 -2.0- heater.
    segment = replace(LINE_FRONT, devices=("heater", "lamp-2", "lamp-1"), switch_index=2)
    bill = kind_money(priced(ground_problem()), only(segment))
    # Ways: 6000 + 15000 + 3600 = 24600. Drops 600 + 600 + 180. Ends one per arm: 1200 + 1200.
    assert bill["cable"] == 24_600 + 1_380 + 2_400 + 300
    figures = assess(priced(ground_problem()), only(segment)).segments[0]
    # 1 + 2.5 + 2 m, three drops, two ends: 6.2 m. The first end is at heater: pieces of
    # 2 + 0.1 + 0.2 = 2.3 m, 2.5 + 0.1 = 2.6 m, switch, 1 + 0.1 + 0.2 = 1.3 m.
    assert figures.length_um == 6_200_000
    assert figures.positions_um == (0, 2_300_000, 6_200_000)
    assert figures.switch_position_um == 4_900_000
    assert figures.route == ("p3", "p2", "p1", "p0", "p1")


def test_line_of_option_devices_only_is_carried_by_the_units_with_any_of_them():
    problem = replace(
        priced(ground_problem()),
        options={"winter": Option("winter", 300_000), "night": Option("night", 500_000)},
    )
    problem = with_device(problem, "lamp-2", option="night", stub_um=0)
    segment = replace(LINE_FRONT, devices=("lamp-2", "heater"), plca_ids=(1, 2), node_count=4)
    bill = kind_money(problem, only(segment))
    # Any of the two: 1 - 0.7 x 0.5 = 0.65. Way of lamp-2 2.5 m: 15000 x 0.65 = 9750; its drop
    # 600 x 0.65 = 390; heater: 12000 x 0.3 + 600 x 0.3 = 3780; ends 2 x 1200 x 0.65 = 1560.
    assert bill["cable"] == 9_750 + 390 + 3_780 + 1_560
    # 12000 x 0.5 + 12000 x 0.3
    assert bill["device PHY"] == 9_600
    # 4000 x (0.5 + 0.3) + port connector 4000 x 0.65
    assert bill["connector"] == 5_800
    # 2 x 1500 x 0.65
    assert bill["terminator"] == 1_950
    # The switch has its port in every unit.
    assert bill["port PHY"] == 14_000
    assert bill["port"] == 7_000


def test_every_item_is_rounded_up_on_its_own():
    # At a price of 1 step a metre every item of the line costs at least 1 step.
    problem = priced(ground_problem())
    cables = {
        **problem.catalogue.cables,
        "cable-line": Cable("cable-line", 1, 0, 5.0, "here", Trust.USER),
    }
    problem = replace(problem, catalogue=replace(problem.catalogue, cables=cables))
    bill = kind_money(problem, only(LINE_FRONT))
    # Ways: 1, then 1.5 up to 2, then 2 x 0.3 = 0.6 up to 1. Drops 0.1 up to 1 each (the third
    # 1 x 0.3 up to 1). Ends 0.2 up to 1 each. Stub 0.05 up to 1; no stub costs nothing.
    assert bill["cable"] == (1 + 2 + 1) + 3 + 2 + 1


def test_link():
    segment = Segment("link", "rear", 3, LINK100, ("camera",))
    bill = kind_money(priced(ground_problem()), only(segment))
    # rear to camera 2 m, a drop of 0.1 m, two ends of 0.2 m each: 18000 + 900 + 3600.
    assert bill["cable"] == 22_500
    assert bill["device PHY"] == 23_000
    assert bill["connector"] == 12_000
    assert bill["port PHY"] == 27_000
    assert bill["port"] == 5_000
    assert "terminator" not in bill


def test_link_to_an_option_device_and_stated_phy_price():
    problem = with_device(
        priced(ground_problem()),
        "camera",
        option="winter",
        grades=(GradeChoice(LINK100, 30_000),),
    )
    found = assess(problem, only(Segment("link", "rear", 3, LINK100, ("camera",))))
    bill = dict(found.cost.by_kind_money)
    # All but the port with the 30 % that have the option.
    assert bill["cable"] == 6_750
    assert bill["device PHY"] == 9_000
    assert bill["connector"] == 3_600
    assert bill["port PHY"] == 27_000
    phy = next(p for p in found.parts if p.kind == "device PHY")
    assert (phy.source, phy.trust, phy.unit_price_money) == ("problem file", "user", 30_000)


def test_switches_and_backbone():
    layout = Layout(
        "ground", "ground", ("front", "rear"), (BuiltLink(("front", "rear"), LINK1000),), ()
    )
    found = assess(priced(ground_problem()), layout)
    bill = dict(found.cost.by_kind_money)
    assert bill["switch"] == 800_000
    # Stated length 6 m, no slack; two connectors, two port PHYs.
    assert bill["cable"] == 90_000
    assert bill["connector"] == 18_000
    assert bill["port PHY"] == 114_000
    assert found.cost.money == 800_000 + 90_000 + 18_000 + 114_000
    # 2 x 250 g, 6 m x 23 g, 2 x 3 g, 2 x 1.5 g
    assert found.cost.mass_mg == 500_000 + 138_000 + 6_000 + 3_000


def test_backbone_without_a_stated_length_takes_the_cable_way():
    layout = Layout(
        "ground", "ground", ("front", "spare"), (BuiltLink(("front", "spare"), LINK1000),), ()
    )
    # 1 + 1.5 + 2 m
    assert kind_money(priced(ground_problem()), layout)["cable"] == 67_500


def test_mass_counts_item_by_item():
    # A kilogram worth 10 steps: every item of some mass counts at least one step.
    problem = replace(
        priced(ground_problem()), objective=Objective(mass_price_per_kg_money=10)
    )
    found = assess(problem, only(Segment("link", "rear", 3, LINK100, ("camera",))))
    # Cable: way 34 g, drop 1.7 g, ends 3.4 g twice; PHYs 1.2 and 1.5 g; connectors 3 g twice.
    assert found.cost.mass_mg == 34_000 + 1_700 + 6_800 + 1_200 + 1_500 + 6_000
    # All eight are below 100 g: one step each.
    assert found.cost.objective_money == found.cost.money + 8


def test_latency_counts_each_leg_on_a_segment_once():
    # 1000 steps a millisecond on the ground layout; light goes to two lamps on one line and is
    # sent there once.
    problem = replace(ground_problem(), objective=Objective(latency_price_per_ms_money=1_000))
    found = assess(problem, ground_layout())
    legs = {
        (s.stream, leg.kind, leg.where): (leg.priced_ns, leg.linear_ns)
        for s in found.streams
        for leg in s.legs
        if leg.kind.value.startswith(("line", "link"))
    }
    # light: link, line down; drive: link, line down; heat: line, link down; picture: link, link
    # down; speed: line.
    assert len(legs) == 9
    # One frame of each stream waits here, so the price counts what the linear bound counts, less
    # the propagation along the longest cable allowed.
    assert all(0 < priced < linear for priced, linear in legs.values())
    assert found.cost.latency_ns == sum(priced for priced, _ in legs.values())
    steps = sum(-(-priced * 1_000 // 1_000_000) for priced, _ in legs.values())
    assert found.cost.objective_money == found.cost.money + steps
    assert steps > 0


def test_parts_list_and_bill_have_the_same_totals():
    found = assess(ground_problem(), ground_layout())
    assert sum(p.price_money for p in found.parts) == found.cost.money
    assert sum(p.mass_mg for p in found.parts) == found.cost.mass_mg
    assert sum(money for _, money in found.cost.by_kind_money) == found.cost.money


def test_parts_list_gathers_alike_things():
    item = BillItem("phy", "device PHY", 1, 10, 300_000, 3, 1, "here", "user", "line-1")
    lines = parts_list([item, replace(item, where="line-2"), replace(item, unit_price_money=11)])
    assert lines == (
        PartLine("phy", "device PHY", 2, 10, 6, 2, "here", "user"),
        PartLine("phy", "device PHY", 1, 11, 3, 1, "here", "user"),
    )


def test_cut_list_adds_up_to_the_lines_and_stubs():
    found = assess(ground_problem(), ground_layout())
    for figures in found.segments:
        pieces = [w for w in found.wires if w.segment == figures.segment.id]
        along = [w for w in pieces if not w.id.endswith(STUB) and w.is_in({"winter"})]
        assert sum(w.length_um for w in along) == figures.length_um
        assert len(along) == len(figures.segment.devices)
    stubs = [w for w in found.wires if w.id.endswith(STUB)]
    assert [(w.to_node, w.length_um) for w in stubs] == [("lamp-1", 50_000)]
    assert len({w.id for w in found.wires}) == len(found.wires)
    without = [w for w in found.wires if w.segment == "line-front" and w.is_in(())]
    # The line ends at lamp-2 then, with the slack of an end there.
    assert [(w.id, w.length_um) for w in without if not w.id.endswith(STUB)] == [
        ("front:lamp-1", 1_300_000),
        ("lamp-1:lamp-2/end", 1_800_000),
    ]
    # The terminator moves with the end; with the heater it sits there.
    assert [w.to_parts[1:] for w in without if not w.id.endswith(STUB)] == [(), ("terminator",)]
    assert {w.from_parts[1:] for w in without if w.from_node == "front"} == {("terminator",)}
    heater = next(w for w in found.wires if w.to_node == "heater")
    assert (heater.from_node, heater.length_um, heater.share_ppm) == ("lamp-2", 2_300_000, 300_000)
    assert heater.to_parts[1:] == ("terminator",)
    assert heater.pathways == ("w23",)
    assert {w.pathways for w in stubs} == {()}


def test_pieces_keep_their_names_when_a_device_comes_between_others():
    problem = ground_problem()
    fan = replace(problem.devices["lamp-2"], id="fan")
    grown = replace(problem, devices={**problem.devices, "fan": fan})
    layout = with_segment(
        ground_layout(), "line-front", devices=("lamp-1", "fan", "lamp-2", "heater"),
        plca_ids=(1, 4, 2, 3),
    )  # fmt: skip
    before = {w.id: w.length_um for w in assess(problem, ground_layout()).wires}
    after = {w.id: w.length_um for w in assess(grown, layout).wires}
    gone = {"lamp-1:lamp-2", "lamp-1:lamp-2/end"}
    assert before.keys() - after.keys() == gone
    assert after.keys() - before.keys() == {"fan:lamp-1", "fan:lamp-2", "fan:lamp-2/end"}
    assert all(after[name] == um for name, um in before.items() if name not in gone)


def test_turning_a_line_round_changes_no_figure():
    # The same cable described from its other end.
    found = assess(ground_problem(), ground_layout())
    turned = with_segment(
        ground_layout(),
        "line-front",
        devices=("heater", "lamp-2", "lamp-1"),
        switch_index=3,
        plca_ids=(3, 2, 1),
    )
    other = assess(ground_problem(), turned)
    assert other.findings == ()
    assert other.cost == found.cost
    assert other.segments[0].length_um == found.segments[0].length_um
    assert [s.bound_ns for s in other.streams] == [s.bound_ns for s in found.streams]


@pytest.mark.parametrize("rate", [0, 250_000, 700_000, 1_000_000])
def test_a_higher_take_rate_never_costs_less(rate):
    problem = replace(ground_problem(), options={"winter": Option("winter", rate)})
    more = replace(ground_problem(), options={"winter": Option("winter", min(rate + 1, M))})
    layout = ground_layout()
    assert assess(problem, layout).cost.money <= assess(more, layout).cost.money


def test_devices_at_coordinates_reach_the_pathways():
    # 0.5 m off p1: the way from front is 1 m along the pathway and 0.5 m to the device.
    device = Device("lamp-1", None, (M, 500_000, 0), (GradeChoice(LINE),), stub_um=50_000)
    problem = priced(ground_problem())
    problem = replace(problem, devices={**problem.devices, "lamp-1": device})
    found = assess(problem, only(replace(LINE_FRONT, devices=("lamp-1",), plca_ids=(1,))))
    assert found.segments[0].length_um == 1_500_000 + 100_000 + 400_000
    assert found.segments[0].route == ("p0", "p1", "lamp-1")
