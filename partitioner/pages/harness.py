"""The section for the harness shop: cut lists and orders of every build, ends of the lines."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from partitioner.facts.harness import Harness, OrderLine, cut_sums_um
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text
from partitioner.report.sections import Chapter, Column, Kind, Section, Table
from partitioner.units import MG_PER_G, MONEY_STEPS, UM_PER_M

MOST_CUTS = 20_000
"""Rows of the cut lists at most; builds that don't fit are left out whole."""
BATCH = "whole batch"
"""What the rows of several units are called in the order list: no build has a space in its name."""


def harness_section(problem: Problem, harness: Harness) -> Section:
    """The section of a report on what the shop builds."""
    step_um = problem.shop.cut_step_um
    cut = f"to whole steps of {step_um / 1_000:g} mm, rounded up" if step_um else "as needed"
    intro = [
        f"Every build has its own cut list and its own order. Cable is cut {cut}. A piece is named "
        "by the two nodes that it joins, so it keeps its name while it joins them. These lists are "
        "no approval of a wiring: local codes and responsible engineers decide.",
    ]
    if harness.batch is None:
        intro.append(
            "No batch is stated (shop.batch in the problem, or --units), so none is ordered."
        )
    elif not harness.is_whole:
        intro.append(
            "Not every build is listed. The order of the batch follows from the shares of units, "
            "each item rounded up."
        )
    if harness.unlisted:
        intro.append(f"{count_text(harness.unlisted, 'build')} not listed: stopped before.")
    tables = [_cut_sums_table(problem, harness), _orders_table(problem, harness)]
    if harness.ends:
        tables.append(_ends_table(harness))
    return Section(
        "For the harness shop",
        intro,
        (*tables, _cuts_table(problem, harness)),
        id="harness-shop",
        chapter=Chapter.LINES,
    )


def _cut_sums_table(problem: Problem, harness: Harness) -> Table:
    number = Kind.NUMBER
    sums = [cut_sums_um(problem.shop, build) for build in harness.builds]
    return Table(
        "cut-sums",
        "Cable of one unit, build by build",
        [
            Column("build", "Build", Kind.ID, heads_row=True),
            Column("units", "Units in the batch", number),
            Column("pieces", "Pieces", number),
            Column("cable_m", "Cable needed", number, "m", 3),
            Column("cut_m", "Cable cut", number, "m", 3),
        ],
        [
            (b.combination.name, b.units, len(b.pieces), needed / UM_PER_M, cut / UM_PER_M)
            for b, (needed, cut) in zip(harness.builds, sums, strict=True)
        ],
        note="All cable of a unit: lines and links with their slack, stubs, backbone.",
    )


def _orders_table(problem: Problem, harness: Harness) -> Table:
    number, currency = Kind.NUMBER, problem.currency
    rows: list[tuple[Any, ...]] = []
    if harness.batch is not None:
        rows += _order_rows(BATCH, harness.batch, harness.order)
    for build in harness.builds:
        rows += _order_rows(build.combination.name, 1, build.order)
    return Table(
        "orders",
        "Parts to order",
        [
            Column("build", "Build", Kind.ID),
            Column("units", "Units", number),
            Column("part", "Part", Kind.ID, heads_row=True),
            Column("kind", "Kind"),
            Column("quantity", "Needed", number, "", 3),
            Column("order_quantity", "To order", number, "", 3),
            Column("unit", "Unit"),
            Column("unit_price", "Unit price", number, currency, 2),
            Column("price", "Price", number, currency, 2),
            Column("mass_g", "Mass", number, "g", 0),
            Column("source"),
            Column("trust", "Trust", Kind.TRUST),
        ],
        rows,
        note=f"Rows of a build hold for one unit of it, those of the {BATCH} for all its units. "
        "Cable to order is the sum of what is cut; price and mass are those of what is needed.",
        folded=True,
    )


def _order_rows(name: str, units: int, order: tuple[OrderLine, ...]) -> Iterator[tuple[Any, ...]]:
    for line in order:
        per = UM_PER_M if line.kind == "cable" else None
        quantities = [q / per if per else q for q in (line.quantity, line.ordered)]
        yield (
            name, units, line.part, line.kind, *quantities, "m" if per else "pieces",
            line.unit_price_money / MONEY_STEPS, line.money / MONEY_STEPS,
            line.mass_mg / MG_PER_G, line.source, line.trust,
        )  # fmt: skip


def _ends_table(harness: Harness) -> Table:
    every = len(harness.builds)
    return Table.of(
        "terminators",
        "Where each terminator sits",
        harness.ends,
        [
            (Column("segment", "Line", Kind.ID, heads_row=True), lambda end: end.segment),
            (Column("node", "At", Kind.ID), lambda end: end.node),
            (Column("part", "Part", Kind.ID), lambda end: end.part),
            (Column("share", "Units", Kind.PERCENT, "", 1),
             lambda end: round(float(sum(row.share for row in end.builds)), 9)),
            (Column("moves", "Moves"), lambda end: "with the build" if end.moves else "no"),
            (Column("builds", "In builds", Kind.NAMES),
             lambda end: "every build" if len(end.builds) == every
             else " ".join(row.name for row in end.builds)),
        ],
        note="A line is built up to its last fitted device, so its terminator moves with the "
        "options of a unit.",
    )  # fmt: skip


def _cuts_table(problem: Problem, harness: Harness) -> Table:
    rows: list[tuple[Any, ...]] = []
    left_out = 0
    for build in harness.builds:
        if len(rows) + len(build.pieces) > MOST_CUTS:
            left_out += 1
            continue
        rows += [
            (
                build.combination.name, build.units, w.id, w.segment, w.cable, w.from_node,
                w.to_node, w.length_um / UM_PER_M, problem.shop.cut_um(w.length_um) / UM_PER_M,
            )
            for w in build.pieces
        ]  # fmt: skip
    number = Kind.NUMBER
    note = "One unit of each build, every piece once; they add up to the cable of the build."
    if left_out:
        note += f" {count_text(left_out, 'build')} left out: the list has {MOST_CUTS} rows at most."
    return Table(
        "cuts",
        "Cut list of every build",
        [
            Column("build", "Build", Kind.ID),
            Column("units", "Units in the batch", number),
            Column("piece", "Piece", Kind.ID, heads_row=True),
            Column("segment"),
            Column("cable", "Cable", Kind.ID),
            Column("from", "From", Kind.ID),
            Column("to", "To", Kind.ID),
            Column("length_m", "Needed", number, "m", 3),
            Column("cut_m", "Cut length", number, "m", 3),
        ],
        rows,
        note=note,
        folded=True,
        most_rows=500,
    )
