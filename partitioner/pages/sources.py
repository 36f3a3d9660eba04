"""The section on what the figures rest on: each figure of physics or of a standard, its source."""

from __future__ import annotations

from partitioner.model.assessment import Assessment
from partitioner.model.catalogue import Trust
from partitioner.model.problem import Problem
from partitioner.report.sections import Chapter, Column, Kind, Section, Table

ASSUMED = frozenset({Trust.PRACTICE, Trust.MEMORY, Trust.INVENTED})
"""Trust of figures for which no text was read."""


def sources_section(problem: Problem, assessment: Assessment) -> Section:
    """Figures of grades, cables and limit curves in use, read or assumed."""
    layout = assessment.layout
    used = dict.fromkeys([*(s.grade for s in layout.segments), *(b.grade for b in layout.backbone)])
    rows: list[tuple[object, ...]] = []
    catalogue = problem.catalogue
    for grade in (catalogue.grades[g] for g in used if g in catalogue.grades):
        of_grade = (grade.source, grade.trust)
        rows += [
            _row(grade.id, "longest cable promised", grade.guaranteed_length_um / 1e6, "m",
                 *of_grade),
            _row(grade.id, "delay of the sending PHY", grade.phy_tx_ns, "ns", *of_grade),
            _row(grade.id, "delay of the receiving PHY", grade.phy_rx_ns, "ns", *of_grade),
        ]  # fmt: skip
        if grade.loop_delay_max_ns:
            rows.append(
                _row(grade.id, "loop delay, at most", grade.loop_delay_max_ns, "ns", *of_grade)
            )
        curve = catalogue.limit_curves.get(grade.id)
        if curve is not None:
            of_curve = (curve.source, curve.trust)
            rows += [
                _row(grade.id, "capacitance of a node, at most", curve.node_capacitance_pf, "pF",
                     *of_curve),
                _row(grade.id, "capacitance of all nodes, at most", curve.total_capacitance_pf,
                     "pF", *of_curve),
            ]  # fmt: skip
            rows += [
                _row(grade.id, f"insertion loss at {mhz:g} MHz, at most", db, "dB", *of_curve)
                for mhz, db in curve.points_mhz_db
            ]
    cables = dict.fromkeys(catalogue.grades[g].cable for g in used if g in catalogue.grades)
    for cable in (catalogue.cables[c] for c in cables):
        of_cable = (cable.source, cable.trust)
        rows.append(
            _row(cable.id, "propagation", cable.propagation_ns_per_m, "ns/m", *of_cable)
        )
        rows += [
            _row(cable.id, f"attenuation at {mhz:g} MHz", db, "dB/m", *of_cable)
            for mhz, db in cable.attenuation_db_per_m
        ]
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


def _row(
    entry: str, figure: str, value: float, unit: str, source: str, trust: Trust
) -> tuple[object, ...]:
    basis = "assumed" if trust in ASSUMED else "given" if trust is Trust.USER else "read"
    return entry, figure, value, unit, basis, source, trust.value
