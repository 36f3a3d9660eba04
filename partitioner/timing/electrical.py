"""Electrical plausibility of a shared line from its own figures: an estimate, never a verdict.

Insertion loss end to end against the limit curve of the grade, and the capacitance that nodes and
stubs hang on the line. Each margin carries the source and the trust mark of its weakest input; the
shipped limits are from memory and marked so until a problem file replaces them.

Reflections, connectors and temperature are left out. A line beyond the guaranteed 8 nodes or 25 m
has to be measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import log10, pi

from partitioner.model.assessment import RuleMargin
from partitioner.model.catalogue import Cable, LimitCurve, Trust
from partitioner.model.problem import Problem
from partitioner.units import UM_PER_M

LINE_IMPEDANCE_OHM = 100.0
"""Both ends of a mixing segment are terminated with this (IEEE P802.3cg reflector, message 584)."""

WEAKEST_LAST = (
    Trust.CLAUSE,
    Trust.RESTATED,
    Trust.USER,
    Trust.DERIVED,
    Trust.PRACTICE,
    Trust.MEMORY,
    Trust.INVENTED,
)


def weakest(marks: Iterable[Trust]) -> Trust:
    """Give the trust mark of a figure that rests on several."""
    return max(marks, key=WEAKEST_LAST.index)


def interpolated(points: Sequence[tuple[float, float]], mhz: float) -> float:
    """Value of a curve of (MHz, value) points, linear between them, flat beyond its ends.

    Examples
    --------
    >>> interpolated(((1, 1.0), (11, 2.0)), 6)
    1.5
    """
    rows = sorted(points)
    if mhz <= rows[0][0]:
        return rows[0][1]
    for (low, first), (high, second) in pairwise(rows):
        if mhz <= high:
            return first + (second - first) * (mhz - low) / (high - low)
    return rows[-1][1]


def shunt_loss_db(capacitance_pf: float, mhz: float) -> float:
    """Loss that one capacitance across a matched line causes, in dB.

    Notes
    -----
    The line sees half its impedance at the node, so the loss is ``|1 + j w C Z / 2|`` squared;
    textbook two-port arithmetic, our own.
    """
    omega_c = 2 * pi * mhz * 1e6 * capacitance_pf * 1e-12
    return 10 * log10(1 + (omega_c * LINE_IMPEDANCE_OHM / 2) ** 2)


def cable_capacitance_pf(cable: Cable, length_um: int) -> float:
    """Capacitance of an open stub: its delay over the line impedance."""
    delay_ns = cable.propagation_ns_per_m * length_um / UM_PER_M
    return delay_ns * 1_000 / LINE_IMPEDANCE_OHM


def node_capacitances_pf(problem: Problem, grade: str, devices: Iterable[str]) -> tuple[float, ...]:
    """Capacitance each node hangs on the line in pF: the switch port first, then the devices.

    A device counts with its own figure or else the most the grade's curve allows a node, and with
    its stub.

    Raises
    ------
    KeyError
        If the catalogue has no limit curve for the grade.
    """
    curve = problem.catalogue.limit_curves[grade]
    cable = problem.catalogue.cables[problem.catalogue.grades[grade].cable]
    rows = [curve.node_capacitance_pf]
    for name in devices:
        device = problem.devices[name]
        own = device.capacitance_pf
        node = curve.node_capacitance_pf if own is None else own
        rows.append(node + cable_capacitance_pf(cable, device.stub_um))
    return tuple(rows)


def loss_margin(
    cable: Cable, curve: LimitCurve, length_um: int, capacitances_pf: Iterable[float], where: str
) -> RuleMargin | None:
    """Insertion loss from end to end against the curve, at its tightest frequency.

    None if the cable's attenuation or the curve is not given.
    """
    if not cable.attenuation_db_per_m or not curve.points_mhz_db:
        return None
    loads = tuple(capacitances_pf)
    losses = []
    for mhz, limit_db in curve.points_mhz_db:
        loss_db = interpolated(cable.attenuation_db_per_m, mhz) * length_um / UM_PER_M
        loss_db += sum(shunt_loss_db(c, mhz) for c in loads)
        losses.append((loss_db / limit_db, mhz, loss_db, limit_db))
    used, mhz, loss_db, limit_db = max(losses)
    return RuleMargin(
        "insertion-loss",
        where,
        used,
        f"{loss_db:.2f} of {limit_db:.2f} dB at {mhz:g} MHz",
        f"limit: {curve.source}; cable: {cable.source}; loading: own arithmetic",
        weakest((curve.trust, cable.trust, Trust.DERIVED)),
    )


def capacitance_margin(
    curve: LimitCurve, capacitances_pf: Iterable[float], where: str
) -> RuleMargin:
    """Capacitance of all nodes and stubs against the most the line may carry."""
    total_pf = sum(capacitances_pf)
    return RuleMargin(
        "node-capacitance",
        where,
        total_pf / curve.total_capacitance_pf,
        f"{total_pf:.0f} of {curve.total_capacitance_pf:.0f} pF",
        f"limit: {curve.source}; stubs: delay over impedance, own arithmetic",
        weakest((curve.trust, Trust.DERIVED)),
    )


def electrical_margins(
    problem: Problem, grade: str, devices: Sequence[str], length_um: int, where: str
) -> tuple[RuleMargin, ...]:
    """All electrical margins of a line; empty if the catalogue has no curve for its grade.

    The length is that of the line end to end; ``where`` is how the report names it.
    """
    curve = problem.catalogue.limit_curves.get(grade)
    if curve is None:
        return ()
    cable = problem.catalogue.cables[problem.catalogue.grades[grade].cable]
    loads = node_capacitances_pf(problem, grade, devices)
    loss = loss_margin(cable, curve, length_um, loads, where)
    total = capacitance_margin(curve, loads, where)
    return (total,) if loss is None else (loss, total)
