"""Limits against what the grade guarantees, and settings that make no sense together."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from partitioner.model.catalogue import Grade
from partitioner.model.problem import Basis
from partitioner.reading.build import limits_of
from partitioner.reading.kinds import plain_number
from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts
from partitioner.reading.rules.grades import grades_of, offered_grades
from partitioner.reading.schema import LimitTable
from partitioner.reading.tables import Item
from partitioner.units import PPM, UM_PER_M, from_base

_LINE_ONLY = ("stub_m", "unit_loads", "spacing_m", "reserve")
IPG_BT = 96
"""Gap between two frames in bit times (IEEE Std 802.3 Clause 4)."""


def check_limits(parts: Parts, findings: Findings) -> None:
    """Limits are those of known grades, backed by their basis, with room left for devices."""
    catalogue = parts.catalogue
    for name, item in parts.limits.items():
        if name not in parts.catalogue_grades:
            findings.unknown(
                item.origin, f"no such grade '{name}'", name, parts.catalogue_grades, on_key=True
            )
        elif catalogue is not None and item.whole:
            grade = catalogue.grades[name]
            if not grade.is_line:
                _check_link_keys(item, findings)
            _check_basis(item, grade, findings)
            _check_reserve(name, item, parts, findings)
    _check_used(parts, findings)


def _metres(value_um: int) -> str:
    return plain_number(from_base(value_um, UM_PER_M))


def _check_link_keys(item: Item[LimitTable], findings: Findings) -> None:
    for key in _LINE_ONLY:
        if key in item.given and getattr(item.table, key) not in (None, Decimal(0)):
            findings.clash(
                item.origin, "applies to shared lines only, and this is a grade of links", key,
                hint="remove the key", on_key=True,
            )  # fmt: skip
    if item.table.nodes not in (None, 2):
        findings.clash(item.origin, f"a link has 2 nodes, got {item.table.nodes}", "nodes")


def _check_basis(item: Item[LimitTable], grade: Grade, findings: Findings) -> None:
    if item.table.basis is Basis.ENGINEERED:
        return
    table = item.table
    promised: list[tuple[str, Any, int, int, str]] = [
        ("length_m", table.length_m, grade.guaranteed_length_um, UM_PER_M, "m")
    ]
    if grade.is_line:
        promised.insert(0, ("nodes", table.nodes, grade.guaranteed_nodes, 1, "nodes"))
        promised.append(("stub_m", table.stub_m, grade.guaranteed_stub_um, UM_PER_M, "m"))
    for key, stated, most, steps, unit in promised:
        if stated is not None and stated * steps > most:
            got = f"{stated} m" if unit == "m" else str(stated)
            findings.clash(
                item.origin,
                f"expected at most the guaranteed {plain_number(from_base(most, steps))} {unit} "
                f"without basis: engineered, got {got}",
                key, hint="write basis: engineered if you have qualified your own parts for it",
            )  # fmt: skip


def _check_reserve(name: str, item: Item[LimitTable], parts: Parts, findings: Findings) -> None:
    assert parts.catalogue is not None
    if not parts.catalogue.is_line(name):
        return
    limits = limits_of(name, item.table, parts.catalogue)
    reserve = limits.reserve
    kept, all_of = reserve.load_share_ppm, limits.load_share_ppm
    for is_too_much, told, steps in (
        (
            limits.nodes - reserve.nodes < 2,
            f"a reserve of {reserve.nodes} of {limits.nodes} nodes leaves no room for a device "
            "beside the switch port",
            ("reserve", "nodes"),
        ),
        (
            reserve.length_um >= limits.length_um,
            f"a reserve of {_metres(reserve.length_um)} of {_metres(limits.length_um)} m leaves "
            "no cable",
            ("reserve", "length_m"),
        ),
        (
            kept >= all_of,
            f"a reserve of {plain_number(from_base(kept, PPM))} of "
            f"{plain_number(from_base(all_of, PPM))} leaves no load",
            ("reserve", "load_share"),
        ),
        (
            limits.spacing_min_um > limits.length_um,
            f"a spacing of {_metres(limits.spacing_min_um)} m is longer than the line",
            ("spacing_m",),
        ),
    ):
        if is_too_much:
            findings.clash(item.origin, told, *steps)


def _check_used(parts: Parts, findings: Findings) -> None:
    """Limits of a grade that nothing can use have no effect."""
    offered = offered_grades(parts)
    everyone = parts.everyone()
    if offered is None or not all(d.table.grades for d in everyone) or not parts.backbone.whole:
        return
    ports: set[str] = set().union(*offered.values())
    used = {g for d in everyone for g in grades_of(d)} & ports
    used |= {g for link in parts.backbone.table.links for g in link.grades}
    for name, item in parts.limits.items():
        if name in parts.catalogue_grades and name not in used and everyone:
            findings.no_effect(
                item.origin, "no device and port, and no backbone link, can have this grade"
            )


def check_plca(parts: Parts, findings: Findings) -> None:
    """A burst timer at or below the gap between frames ends every burst at once."""
    plca = parts.plca.table
    if plca.burst_count is None or plca.burst_timer_bt is None:
        return
    if plca.burst_count > 0 and plca.burst_timer_bt <= IPG_BT:
        findings.clash(
            parts.plca.origin,
            f"bursts need a burst timer above the gap of {IPG_BT} BT between frames, "
            f"got {plca.burst_timer_bt}",
            "burst_timer_bt", is_warning=True,
        )  # fmt: skip
