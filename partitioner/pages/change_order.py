"""The change order as a section: what the shop cuts, adds, takes out and programs."""

from __future__ import annotations

from decimal import ROUND_CEILING
from functools import partial

from partitioner.replan.order import SLIGHT_UM, ChangeOrder, LineWork, Work
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, length_text
from partitioner.report.sections import Column, Kind, Section, Table

SHELF = "shelf"
"""Where a terminator comes from, or goes, that is at no end of a line."""
_KEYS = {work: work.name.lower() for work in Work} | {Work.NEW: "new_pieces"}


def order_section(order: ChangeOrder) -> Section:
    """The work of the shop, summed by segment, then piece by piece and end by end."""
    return Section(
        "Change order for the shop",
        _intro(order),
        (_lines_table(order), _pieces_table(order), _fittings_table(order)),
        id="change-order",
    )


def _intro(order: ChangeOrder) -> list[str]:
    if not order.lines():
        return ["Nothing is cut, plugged or programmed: both layouts are built the same."]
    total = order.total()
    counts = total.pieces
    changed = counts[Work.LONGER] + counts[Work.SHORTER]
    lines = [
        f"{count_text(counts[Work.NEW], 'new piece')} of "
        f"{length_text(total.new_um, 2, ROUND_CEILING)} together, "
        f"{changed} cut to another length, {counts[Work.TAKEN_OUT]} taken out, "
        f"{counts[Work.RELABELLED]} only with another label. "
        f"{count_text(total.terminators, 'terminator')} moved, fitted or taken off, "
        f"{count_text(total.reprogrammed, 'PLCA ID')} to program.",
        "A piece is named by the two nodes that it joins, as in wires.csv; pieces not listed stay "
        "as they are. Lengths are those of a unit with every option; where a line ends sooner "
        "without one, the cut list of this layout has the row.",
    ]
    if counts[Work.SLIGHT]:
        lines.append(
            f"{count_text(counts[Work.SLIGHT], 'piece')} would differ by at most "
            f"{SLIGHT_UM // 1000} mm, which is listed by itself and counts as no change of length. "
            "That limit is an assumption of this program."
        )
    return lines


def _lines_table(order: ChangeOrder) -> Table:
    lines = order.lines()
    return Table.of(
        "order-lines",
        "Work by segment",
        (*lines, order.total()) if lines else (),
        [
            col.name("segment", "Segment", lambda one: one.segment, heads_row=True),
            *(col.number(_KEYS[work], work.value.capitalize(), partial(_pieces, work))
              for work in Work),
            col.metres("new_m", "New cable", lambda one: one.new_um),
            col.metres("taken_out_m", "Taken out", lambda one: one.taken_out_um),
            col.text("unknown_lengths", "", lambda one: one.unknown),
            col.number("terminators", "Terminators", lambda one: one.terminators),
            col.number("settings", "Ports and settings", lambda one: one.settings),
            col.number("reprogrammed", "IDs to program", lambda one: one.reprogrammed),
        ],
        note="The last row adds up all others.",
    )  # fmt: skip


def _pieces(work: Work, line: LineWork) -> int:
    return line.pieces[work]


def _pieces_table(order: ChangeOrder) -> Table:
    return Table.of(
        "order-pieces",
        "Pieces of cable, one by one",
        order.pieces,
        [
            col.name("segment", "Segment", lambda work: work.piece.segment),
            col.text("work", "Work", lambda work: work.work.value),
            col.name("piece", "Piece", lambda work: work.piece.name, heads_row=True),
            col.name("label_before", "Label before",
                     lambda work: work.before.name if work.before and work.after
                     and work.before.name != work.after.name else ""),
            col.name("from", "From", lambda work: work.piece.inner),
            col.name("to", "To", lambda work: work.piece.outer),
            col.name("cable", "Cable", lambda work: work.piece.cable),
            col.metres("length_before_m", "Before",
                       lambda work: work.before.length_um if work.before else None, 3),
            col.metres("length_after_m", "After",
                       lambda work: work.after.length_um if work.after else None, 3),
            col.metres("difference_m", "Difference", lambda work: work.difference_um, 3,
                       between=("length_before_m", "length_after_m")),
        ],
        note="Other label: the piece stays where it is, and joins other nodes at the same places. "
        "An empty length is not known: a node the piece touched is gone. The earlier problem, "
        "where it is given, makes it known.",
    )  # fmt: skip


def _fittings_table(order: ChangeOrder) -> Table:
    rows = [
        (t.segment, "terminator", "", t.before or SHELF, t.after or SHELF)
        for t in order.terminators
    ]
    rows += [(s.where, s.kind.value, s.subject, s.before, s.after) for s in order.settings]
    return Table(
        "order-fittings",
        "Terminators, ports and settings",
        [
            Column("segment", "Segment", Kind.ID),
            Column("work", "What"),
            Column("subject", "Node", Kind.ID, heads_row=True),
            Column("before", "Before", Kind.ID),
            Column("after", "After", Kind.ID),
        ],
        rows,
        note="A terminator moves from one end of a line to another; its node is in the columns "
        "before and after.",
    )
