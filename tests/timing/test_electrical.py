"""Electrical margins of a line by hand, and what they say about their inputs."""

from __future__ import annotations

from dataclasses import replace
from math import log10, pi

import pytest

from partitioner.model.catalogue import Cable, LimitCurve, Trust
from partitioner.reading.catalogue import shipped_catalogue
from partitioner.timing.electrical import (
    cable_capacitance_pf,
    capacitance_margin,
    electrical_margins,
    interpolated,
    loss_margin,
    node_capacitances_pf,
    shunt_loss_db,
    weakest,
)
from tests.check.ground import ground_problem

CABLE = Cable("c", 0, 0, 5.0, "made up", Trust.USER, ((1, 0.02), (10, 0.06), (40, 0.13)))
POINTS = ((1, 1.0), (10, 2.6), (40, 5.4))
CURVE = LimitCurve(POINTS, 15.0, 180.0, "clause 147", Trust.MEMORY)


def test_interpolation():
    assert interpolated(CURVE.points_mhz_db, 5.5) == pytest.approx(1.8)
    assert interpolated(CURVE.points_mhz_db, 0.1) == 1.0
    assert interpolated(CURVE.points_mhz_db, 100) == 5.4


def test_loss_of_bare_cable_by_hand():
    """25 m: 0.5 of 1.0, 1.5 of 2.6, 3.25 of 5.4 dB: 3.25 / 5.4 is the tightest."""
    margin = loss_margin(CABLE, CURVE, 25_000_000, (), "line 1")
    assert margin.used == pytest.approx(3.25 / 5.4)
    assert margin.text == "3.25 of 5.40 dB at 40 MHz"
    assert margin.where == "line 1"


def test_nodes_add_loss():
    """15 pF at 40 MHz across 50 ohm: w C R = 0.1885, 0.152 dB; eight of them 1.21 dB."""
    one = 10 * log10(1 + (2 * pi * 40e6 * 15e-12 * 50) ** 2)
    assert shunt_loss_db(15, 40) == pytest.approx(one)
    assert one == pytest.approx(0.152, abs=0.001)
    margin = loss_margin(CABLE, CURVE, 25_000_000, (15.0,) * 8, "line 1")
    assert margin.used == pytest.approx((3.25 + 8 * one) / 5.4)


def test_capacitance_by_hand():
    """A stub of 0.1 m at 5 ns/m on 100 ohm is 5 pF."""
    assert cable_capacitance_pf(CABLE, 100_000) == pytest.approx(5.0)
    margin = capacitance_margin(CURVE, (15, 20, 20, 35), "line 1")
    assert margin.used == pytest.approx(90 / 180)
    assert margin.text == "90 of 180 pF"


def test_margins_carry_the_weakest_trust():
    margin = loss_margin(CABLE, CURVE, 1_000_000, (), "x")
    assert margin.trust is Trust.MEMORY
    assert "clause 147" in margin.source
    assert "made up" in margin.source
    stated = replace(CURVE, trust=Trust.USER, source="our measurement")
    assert capacitance_margin(stated, (15,), "x").trust is Trust.DERIVED
    assert weakest((Trust.CLAUSE, Trust.INVENTED, Trust.MEMORY)) is Trust.INVENTED


def test_without_figures_there_is_no_margin():
    assert loss_margin(replace(CABLE, attenuation_db_per_m=()), CURVE, 1, (), "x") is None
    assert loss_margin(CABLE, replace(CURVE, points_mhz_db=()), 1, (), "x") is None


def test_longer_lines_and_more_nodes_use_more():
    used = [
        loss_margin(CABLE, CURVE, length, (15.0,) * nodes, "x").used
        for length, nodes in ((10_000_000, 4), (20_000_000, 4), (20_000_000, 8))
    ]
    assert used == sorted(used)
    assert len(set(used)) == 3


def test_shipped_limits_are_marked_as_remembered():
    """The limits of Clause 147 were not read, so the shipped ones must say so."""
    for curve in shipped_catalogue().limit_curves.values():
        assert curve.trust is Trust.MEMORY


def test_margins_of_a_line_of_a_problem():
    """Two devices with stubs of 0 and 0.1 m, one with its own capacitance; 12 m of line."""
    catalogue = shipped_catalogue()
    problem = replace(ground_problem(), catalogue=catalogue)
    first, second = list(problem.devices)[:2]
    devices = {
        **problem.devices,
        first: replace(problem.devices[first], stub_um=0, capacitance_pf=9.0),
        second: replace(problem.devices[second], stub_um=100_000, capacitance_pf=None),
    }
    problem = replace(problem, devices=devices)
    grade = "10BASE-T1S-multidrop"
    curve = catalogue.limit_curves[grade]
    own = curve.node_capacitance_pf
    stub = cable_capacitance_pf(catalogue.cables[catalogue.grades[grade].cable], 100_000)
    loads = node_capacitances_pf(problem, grade, (first, second))
    assert loads == (own, 9.0, own + stub)
    loss, total = electrical_margins(problem, grade, (first, second), 12_000_000, "line 1")
    assert (loss.rule, total.rule) == ("insertion-loss", "node-capacitance")
    assert total.used == pytest.approx(sum(loads) / curve.total_capacitance_pf)
    assert 0 < loss.used < 1
    assert electrical_margins(problem, "100BASE-T1", (), 1, "link") == ()
