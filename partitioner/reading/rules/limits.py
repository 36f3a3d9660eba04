"""Limits against what the grade guarantees, and settings that make no sense together."""

from __future__ import annotations

from decimal import Decimal

from partitioner.model.catalogue import Grade, Medium
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
            if grade.medium is Medium.LINK:
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
                item.origin,
                "applies to shared lines only, and this is a grade of links",
                key,
                hint="remove the key",
                on_key=True,
            )
    if item.table.nodes not in (None, 2):
        findings.clash(item.origin, f"a link has 2 nodes, got {item.table.nodes}", "nodes")


def _check_basis(item: Item[LimitTable], grade: Grade, findings: Findings) -> None:
    if item.table.basis is Basis.ENGINEERED:
        return
    table = item.table
    looser = [
        (key, stated, promised)
        for key, stated, promised, is_looser in (
            (
                "nodes",
                str(table.nodes),
                f"{grade.guaranteed_nodes} nodes",
                table.nodes is not None
                and grade.medium is Medium.MIXING
                and table.nodes > grade.guaranteed_nodes,
            ),
            (
                "length_m",
                f"{table.length_m} m",
                f"{_metres(grade.guaranteed_length_um)} m",
                table.length_m is not None
                and table.length_m * UM_PER_M > grade.guaranteed_length_um,
            ),
            (
                "stub_m",
                f"{table.stub_m} m",
                f"{_metres(grade.guaranteed_stub_um)} m",
                table.stub_m is not None
                and grade.medium is Medium.MIXING
                and table.stub_m * UM_PER_M > grade.guaranteed_stub_um,
            ),
        )
        if is_looser
    ]
    for key, stated, promised in looser:
        findings.clash(
            item.origin,
            f"expected at most the guaranteed {promised} without basis: engineered, got {stated}",
            key,
            hint="write basis: engineered if you have qualified your own parts for it",
        )


def _check_reserve(name: str, item: Item[LimitTable], parts: Parts, findings: Findings) -> None:
    assert parts.catalogue is not None
    limits = limits_of(name, item.table, parts.catalogue)
    if parts.catalogue.grades[name].medium is Medium.LINK:
        return
    reserve = limits.reserve
    if limits.nodes - reserve.nodes < 2:
        findings.clash(
            item.origin,
            f"a reserve of {reserve.nodes} of {limits.nodes} nodes leaves no room for a device "
            "beside the switch port",
            "reserve",
            "nodes",
        )
    if reserve.length_um >= limits.length_um:
        findings.clash(
            item.origin,
            f"a reserve of {_metres(reserve.length_um)} of {_metres(limits.length_um)} m leaves "
            "no cable",
            "reserve",
            "length_m",
        )
    if reserve.load_share_ppm >= limits.load_share_ppm:
        findings.clash(
            item.origin,
            f"a reserve of {plain_number(from_base(reserve.load_share_ppm, PPM))} of "
            f"{plain_number(from_base(limits.load_share_ppm, PPM))} leaves no load",
            "reserve",
            "load_share",
        )
    if limits.spacing_min_um > limits.length_um:
        findings.clash(
            item.origin,
            f"a spacing of {_metres(limits.spacing_min_um)} m is longer than the line",
            "spacing_m",
        )


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
            "burst_timer_bt",
            is_warning=True,
        )
