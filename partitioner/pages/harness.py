"""The section for the harness shop: cut lists and orders of every build, ends of the lines."""

from __future__ import annotations

from decimal import ROUND_CEILING

from partitioner.facts.harness import Harness, UnitBuild, cut_sums_um
from partitioner.model.assessment import WirePiece
from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.amounts import count_text
from partitioner.report.sections import Chapter, Column, Kind, Section, Table

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
    urgent = []
    if harness.unlisted:
        builds = count_text(harness.unlisted, "build")
        urgent = [f"There was no time for the lists of {builds}; `partitioner report` makes them."]
    tables = [_cut_sums_table(problem, harness), _orders_table(problem, harness)]
    if harness.ends:
        tables.append(_ends_table(harness))
    return Section(
        "For the harness shop",
        [*intro, *urgent],
        (*tables, _cuts_table(problem, harness)),
        id="harness-shop",
        chapter=Chapter.LINES,
        urgent=urgent,
    )


def _cut_sums_table(problem: Problem, harness: Harness) -> Table:
    return Table.of(
        "cut-sums",
        "Cable of one unit, build by build",
        [(build, *cut_sums_um(problem.shop, build)) for build in harness.builds],
        [
            col.name("build", "Build", lambda row: row[0].combination.name, heads_row=True),
            col.number("units", "Units in the batch", lambda row: row[0].units),
            col.number("pieces", "Pieces", lambda row: len(row[0].pieces)),
            col.metres("cable_m", "Cable needed", lambda row: row[1]),
            col.metres("cut_m", "Cable cut", lambda row: row[2]),
        ],
        note="All cable of a unit: lines and links with their slack, stubs, backbone.",
    )


def _orders_table(problem: Problem, harness: Harness) -> Table:
    currency = problem.currency
    rows = [(BATCH, harness.batch, *line) for line in harness.order if harness.batch is not None]
    rows += [(b.combination.name, 1, *line) for b in harness.builds for line in b.order]

    return Table.of(
        "orders",
        "Parts to order",
        rows,
        [
            col.name("build", "Build", lambda row: row[0]),
            col.number("units", "Units", lambda row: row[1]),
            col.name("part", "Part", lambda row: row[2].part, heads_row=True),
            col.text("kind", "Kind", lambda row: row[2].kind),
            col.number("quantity", "Needed",
                       lambda row: col.part_amount(row[2].kind, row[2].quantity), digits=2,
                       rounding=ROUND_CEILING),
            col.number("order_quantity", "To order",
                       lambda row: col.part_amount(row[2].kind, row[3]), digits=2,
                       rounding=ROUND_CEILING),
            col.text("unit", "Unit", lambda row: col.part_unit(row[2].kind)),
            col.money("unit_price", "Unit price", lambda row: row[2].unit_price_money, currency),
            col.money("price", "Price", lambda row: row[2].price_money, currency),
            col.grams("mass_g", "Mass", lambda row: row[2].mass_mg),
            col.text("source", "", lambda row: row[2].source),
            col.trust(lambda row: row[2].trust),
        ],
        note=f"Rows of a build hold for one unit of it, those of the {BATCH} for all its units. "
        "Cable to order is the sum of what is cut; price and mass are those of what is needed.",
        folded=True,
    )  # fmt: skip


def _ends_table(harness: Harness) -> Table:
    every = len(harness.builds)
    return Table.of(
        "terminators",
        "Where each terminator sits",
        harness.ends,
        [
            col.name("segment", "Line", lambda end: end.segment, heads_row=True),
            col.name("node", "At", lambda end: end.node),
            col.name("part", "Part", lambda end: end.part),
            col.percent("share", "Units",
                        lambda end: round(float(sum(row.share for row in end.builds)), 9)),
            col.text("moves", "Moves", lambda end: "with the build" if end.moves else "no"),
            (Column("builds", "In builds", Kind.NAMES),
             lambda end: "all" if len(end.builds) == every
             else " ".join(row.name for row in end.builds)),
        ],
        note="A line is built up to its last fitted device, so its terminator moves with the "
        "options of a unit.",
    )  # fmt: skip


def _cuts_table(problem: Problem, harness: Harness) -> Table:
    rows: list[tuple[UnitBuild, WirePiece]] = []
    left_out = 0
    for build in harness.builds:
        if len(rows) + len(build.pieces) > MOST_CUTS:
            left_out += 1
        else:
            rows += [(build, piece) for piece in build.pieces]
    note = "One unit of each build, every piece once; they add up to the cable of the build."
    if left_out:
        note += f" {count_text(left_out, 'build')} left out: the list has {MOST_CUTS} rows at most."
    return Table.of(
        "cuts",
        "Cut list of every build",
        rows,
        [
            col.name("build", "Build", lambda row: row[0].combination.name),
            col.number("units", "Units in the batch", lambda row: row[0].units),
            col.name("piece", "Piece", lambda row: row[1].id, heads_row=True),
            col.text("segment", "", lambda row: row[1].segment),
            col.name("cable", "Cable", lambda row: row[1].cable),
            col.name("from", "From", lambda row: row[1].from_node),
            col.name("to", "To", lambda row: row[1].to_node),
            col.metres("length_m", "Needed", lambda row: row[1].length_um),
            col.metres("cut_m", "Cut length", lambda row: problem.shop.cut_um(row[1].length_um), 3),
        ],
        note=note,
        folded=True,
        most_rows=500,
    )
