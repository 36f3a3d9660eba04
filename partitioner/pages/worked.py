"""The section that works one bound out, from its inputs to the figure."""

from __future__ import annotations

from partitioner.check.facts import Facts
from partitioner.facts.worked import Worked, worked_delivery
from partitioner.model.assessment import Assessment, bounded_worst_first
from partitioner.model.frames import FRAME_LEAST_BYTES
from partitioner.report.amounts import margin_time_text, time_text
from partitioner.report.sections import Chapter, Column, Kind, Section, Table
from partitioner.units import NS_PER_US


def worked_section(facts: Facts, assessment: Assessment) -> Section | None:
    """The delivery with the least of its deadline left, worked out; None if none has a bound."""
    bounded = bounded_worst_first(assessment.streams)
    if not bounded:
        return None
    worked = worked_delivery(facts, bounded[0])
    return Section(
        f"One worst-case delay worked out: {worked.figures.stream} to {worked.figures.destination}",
        _intro(worked),
        (_table(worked),),
        id="worked",
        chapter=Chapter.DEADLINES,
    )


def _intro(worked: Worked) -> list[str]:
    figures = worked.figures
    padded = (
        f"padded to the shortest frame there is, {FRAME_LEAST_BYTES} bytes"
        if worked.frame_bytes == FRAME_LEAST_BYTES
        else "so no padding"
    )
    bound_ns, margin_ns = figures.response_ns or 0, figures.margin_ns or 0
    return [
        f"The delivery with the least of its deadline left. {worked.payload_bytes} bytes of "
        f"payload are {worked.client_bytes} bytes with their encapsulation; with addresses, type, "
        f"tag and check sequence the frame has {worked.frame_bytes} bytes, {padded} (IEEE Std "
        "802.3 Clause 4.4.2). BT: bit time, 100 ns at 10 Mb/s; L: the length of a frame in bytes.",
        f"The terms add up to {time_text(bound_ns)}; of the deadline of "
        f"{margin_time_text(figures.deadline_ns)} {margin_time_text(margin_ns)} are left. How many "
        "frames of others can come meanwhile follows from their periods, jitters and lives; how, "
        "and why no frame takes longer, is in docs/explanation/timing.md.",
    ]


def _table(worked: Worked) -> Table:
    rows: list[tuple[object, ...]] = [
        (number, leg.where, leg.kind.value, term.name, term.formula, term.ns / NS_PER_US,
         term.source)
        for number, (leg, terms) in enumerate(worked.legs, 1)
        for term in terms
    ]  # fmt: skip
    rows.append(
        (None, "", "", "worst-case delay", "sum of all terms",
         (worked.figures.response_ns or 0) / NS_PER_US, "")
    )  # fmt: skip
    return Table(
        "worked",
        "Every term of that delay",
        [
            Column("leg", "Leg", Kind.NUMBER),
            Column("where", "Where", Kind.ID),
            Column("kind"),
            Column("term", "Term", heads_row=True),
            Column("formula", "Formula"),
            Column("time_us", "Time", Kind.NUMBER, "µs", 3),
            Column("source", "Clause or source", Kind.SOURCE),
        ],
        rows,
    )
