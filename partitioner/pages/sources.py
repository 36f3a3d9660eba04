"""The section on what the figures rest on: each figure of physics or of a standard, its source."""

from __future__ import annotations

from collections.abc import Iterable

from partitioner.model.assessment import Assessment
from partitioner.model.catalogue import Cable, Grade, LimitCurve, Trust
from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.sections import Chapter, Column, Kind, Section, Table
from partitioner.units import UM_PER_M

ASSUMED = frozenset({Trust.PRACTICE, Trust.MEMORY, Trust.INVENTED})
"""Trust of figures for which no text was read."""


def sources_section(problem: Problem, assessment: Assessment) -> Section:
    """Figures of grades, cables and limit curves in use, read or assumed."""
    layout = assessment.layout
    used = dict.fromkeys([*(s.grade for s in layout.segments), *(b.grade for b in layout.backbone)])
    rows: list[tuple[object, ...]] = []
    catalogue = problem.catalogue
    for grade in (catalogue.grades[g] for g in used if g in catalogue.grades):
        own = [
            ("longest cable promised", grade.guaranteed_length_um / UM_PER_M, "m"),
            ("delay of the sending PHY", grade.phy_tx_ns, "ns"),
            ("delay of the receiving PHY", grade.phy_rx_ns, "ns"),
        ]
        if grade.loop_delay_max_ns:
            own.append(("loop delay, at most", grade.loop_delay_max_ns, "ns"))
        rows += _rows(grade.id, grade, own)
        curve = catalogue.limit_curves.get(grade.id)
        if curve is not None:
            losses = (
                (f"insertion loss at {mhz:g} MHz, at most", db, "dB")
                for mhz, db in curve.points_mhz_db
            )
            node, total = curve.node_capacitance_pf, curve.total_capacitance_pf
            loads = (
                ("capacitance of a node, at most", node, "pF"),
                ("capacitance of all nodes, at most", total, "pF"),
            )
            rows += _rows(grade.id, curve, (*loads, *losses))
    cables = dict.fromkeys(catalogue.grades[g].cable for g in used if g in catalogue.grades)
    for cable in (catalogue.cables[c] for c in cables):
        attenuation = (
            (f"attenuation at {mhz:g} MHz", db, "dB/m") for mhz, db in cable.attenuation_db_per_m
        )
        propagation = ("propagation", cable.propagation_ns_per_m, "ns/m")
        rows += _rows(cable.id, cable, (propagation, *attenuation))
    assumed = sum(row[4] == "assumed" for row in rows)
    return Section(
        "What the figures rest on",
        f"{len(rows)} figures of the grades and cables in use; {assumed} are assumed: no text of a "
        "standard or a maker was read for them. An entry of the catalogue carries the mark of its "
        "weakest figure. Frames count with at least 64 bytes (IEEE Std 802.3 Clause 4.4.2).",
        (
            Table(
                "sources",
                "Figures and their sources",
                [
                    Column("entry", "Entry", Kind.ID, heads_row=True),
                    Column("figure", "Figure"),
                    Column("value", "Value", Kind.NUMBER, digits=3),
                    Column("unit", "Unit"),
                    Column("basis", "Read or assumed"),
                    Column("source", "Source", Kind.SOURCE),
                    Column("trust", "Trust", Kind.TRUST),
                ],
                rows,
                folded=True,
            ),
        ),
        id="sources",
        chapter=Chapter.ASSUMPTIONS,
    )


def _rows(
    entry: str, of: Grade | LimitCurve | Cable, figures: Iterable[tuple[str, float, str]]
) -> list[tuple[object, ...]]:
    """Figures of an entry, each with its unit, and where they come from."""
    basis = "given" if of.trust is Trust.USER else "read"
    basis = "assumed" if of.trust in ASSUMED else basis
    return [
        (entry, name, col.exact(value), unit, basis, of.source, of.trust.value)
        for name, value, unit in figures
    ]
