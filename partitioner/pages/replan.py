"""What a rerun has to show: the list of changes, the front, before and after."""

from __future__ import annotations

from dataclasses import astuple, replace
from typing import Any

from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.replan.compare import DEVICE_KINDS, WIRE_KINDS, Change, Comparison
from partitioner.replan.compare import Kind as ChangeKind
from partitioner.replan.reading import lines_of
from partitioner.replan.rerun import Rerun
from partitioner.report.amounts import (
    count_text,
    margin_time_text,
    money_text,
    ratio_text,
    time_text,
)
from partitioner.report.charts import Series, xy_figure
from partitioner.report.drawing import layout_figures
from partitioner.report.drawing_input import DrawingInput, drawing_input
from partitioner.report.sections import Column, Figure, Kind, Section, Table
from partitioner.report.tables import worst_first
from partitioner.report.text import plain, table_text
from partitioner.units import MONEY_STEPS, UM_PER_M
from partitioner.visible import visible

_DONE = {
    ChangeKind.SEGMENT: "moves to another segment",
    ChangeKind.ORDER: "moves along its line",
    ChangeKind.PORT: "moves to another port",
    ChangeKind.PLCA_ID: "gets another PLCA ID",
    ChangeKind.NEW_LINE: "is a new line",
    ChangeKind.CUT: "piece cut to another length",
    ChangeKind.ADDED: "is new",
    ChangeKind.REMOVED: "is gone",
    ChangeKind.NEW_LINK: "is a new link",
    ChangeKind.GONE: "is gone",
    ChangeKind.NEW_PIECE: "new piece",
    ChangeKind.PIECE_GONE: "piece gone",
    ChangeKind.NEW_ID: "gets a PLCA ID",
    ChangeKind.NODE_COUNT: "PLCA node count",
    ChangeKind.BURST: "PLCA burst count",
    ChangeKind.SWITCH: "switch",
    ChangeKind.BACKBONE: "backbone link",
}
_ALONG = (ChangeKind.NEW_PIECE, ChangeKind.PIECE_GONE, ChangeKind.NEW_ID)
FRONT_KEYS = ("number", "layout", "change", "total", "known")


def rerun_sections(result: Rerun) -> list[Section]:
    """Sections of the report: changes, front, before and after."""
    made = [changes_section(result)]
    if len(result.front) > 1:
        made.append(front_section(result))
    made.append(beside_section(result))
    made.append(drawing_section(result))
    return made


# -- the list of changes ----------------------------------------------------------------------


def changes_section(result: Rerun) -> Section:
    """The changes of a layout per device, wire and setting."""
    return Section(
        title="What changes",
        id="changes",
        intro=[summary_text(result), proof_sentence(result)],
        points=held_points(result),
        tables=change_tables(result.problem, result.best.comparison),
    )


def change_tables(problem: Problem, comparison: Comparison) -> tuple[Table, ...]:
    """One table each for devices, wires and settings."""
    number = Kind.NUMBER
    first = (
        Column("kind"),
        Column("subject", "What", Kind.ID, heads_row=True),
        Column("change", "Change"),
        Column("segment", "Segment", Kind.ID),
    )
    price = Column("price", "Price", number, problem.currency, 2)
    words = (*first, Column("before", "Before"), Column("after", "After"), price)
    wires = (
        *first,
        Column("before", "Came from", Kind.ID),
        Column("after", "Comes from", Kind.ID),
        Column("length_before_m", "Before", number, "m", 3),
        Column("length_after_m", "After", number, "m", 3),
        price,
    )
    others = tuple(k for k in ChangeKind if k not in DEVICE_KINDS and k not in WIRE_KINDS)
    return (
        Table(
            "changes-devices",
            "Devices that come, go or move",
            words,
            [_row(c) for c in comparison.of(DEVICE_KINDS)],
        ),
        Table(
            "changes-wires",
            "Pieces of cable to cut anew",
            wires,
            [_row(c, *_lengths_m(c)) for c in comparison.of(WIRE_KINDS)],
            note="Each piece runs from the neighbour towards the switch to the device. An empty "
            "length before is not known: a node the piece touched is gone.",
        ),
        Table(
            "changes-settings",
            "Segments, ports and settings",
            words,
            [_row(c) for c in comparison.of(others)],
        ),
    )


def _row(change: Change, *lengths_m: float | None) -> tuple[Any, ...]:
    return (
        change.kind.value, change.subject, _DONE[change.kind], change.where, change.before,
        change.after, *lengths_m, change.price_money / MONEY_STEPS,
    )  # fmt: skip


def _lengths_m(change: Change) -> tuple[float | None, ...]:
    return tuple(None if um is None else um / UM_PER_M for um in change.um)


def summary_text(result: Rerun) -> str:
    """What the rerun comes to, in a few sentences."""
    found, problem = result.best.found, result.problem
    comparison = result.best.comparison
    return (
        f"Layout {money_text(found.plan_money, problem.currency)} and changes "
        f"{money_text(found.change_money, problem.currency)} make "
        f"{money_text(found.total_money, problem.currency)}. "
        f"Changed: {_counted(comparison)}. "
        f"{count_text(comparison.count(ChangeKind.ADDED), 'device').capitalize()} added, "
        f"{count_text(comparison.count(ChangeKind.REMOVED), 'device')} removed."
    )


def _counted(comparison: Comparison) -> str:
    words = (
        (ChangeKind.SEGMENT, "device to another segment", "devices to another segment"),
        (ChangeKind.ORDER, "device along its line", "devices along their lines"),
        (ChangeKind.PORT, "port", "ports"),
        (ChangeKind.PLCA_ID, "PLCA ID", "PLCA IDs"),
        (ChangeKind.NEW_LINE, "new line", "new lines"),
        (ChangeKind.CUT, "cut length", "cut lengths"),
    )
    parts = [
        count_text(comparison.count(kind), one, many)
        for kind, one, many in words
        if comparison.count(kind)
    ]
    return ", ".join(parts) or "nothing that is there already"


def proof_sentence(result: Rerun) -> str:
    """What is proved about the sum, and over what."""
    searched, found = result.searched, result.best.found
    currency = result.problem.currency
    if found.is_proved:
        return "Proved: no layout has a lower sum of its own cost and that of changes."
    parts = []
    is_priced = any(astuple(result.problem.change_prices))
    if is_priced and found.change_money == searched.least_change_money:
        parts.append("Proved: no layout that keeps all rules gets by with less change.")
    if found.is_best_offered:
        parts.append(
            f"Proved over the {searched.columns} segments that were tried: no choice of them has "
            f"a lower sum."
        )
    gap = (found.total_money - searched.total_bound_money) / max(1, found.total_money)
    parts.append(
        f"Over all layouts the sum is proved to be at least "
        f"{money_text(searched.total_bound_money, currency)} (gap {ratio_text(gap, 2)}): the bound "
        f"of the layout"
        + (
            f" and the least change of any layout, "
            f"{money_text(searched.least_change_money, currency)}."
            if searched.least_change_money
            else "."
        )
    )
    return " ".join(parts)


def held_points(result: Rerun) -> tuple[str, ...]:
    """What was held, one point each kind."""
    held = result.held
    points = []
    for names, word in (
        (held.segments, "segment"), (held.switches, "switch"), (held.devices, "device"),
    ):
        if names:
            points.append(f"Frozen and untouched ({word}): {', '.join(sorted(names))}.")
    if held.placed:
        points.append(f"Held where the layout has them: {count_text(len(held.placed), 'device')}.")
    return tuple(points)


# -- the front --------------------------------------------------------------------------------


def front_section(result: Rerun) -> Section:
    """Layouts between touching nothing and planning afresh, as a chart and a table."""
    currency = result.problem.currency
    table = front_table(result)
    spots = [(row["change"], row["layout"]) for row in table.records()]
    labels = [str(number) for number, _ in enumerate(spots, 1)]
    figure = xy_figure(
        "rerun-front",
        "Layout cost against change cost",
        "Each point is a whole layout; to the left little is changed, at the bottom the layout is "
        "cheap.",
        [Series("layouts", spots, is_stepped=True, shows_points=True, labels=labels)],
        f"change cost, {currency}",
        f"layout cost, {currency}",
        caption="Layout cost against change cost; numbers as in the table.",
    )
    intro = [
        "From least change to cheapest layout. None shown is beaten by another in both costs.",
        "No layout between them is missing; this is proved."
        if result.searched.is_front_whole
        else "There may be further layouts between; a layout marked proved cannot be beaten.",
    ]
    return Section(
        title="From touching nothing to planning afresh",
        id="rerun-front-section",
        intro=intro,
        figures=(figure,),
        tables=(table,),
    )


def front_table(result: Rerun) -> Table:
    """The front: costs, counts of changes, what is proved, the file of each layout."""
    rows = []
    for number, point in enumerate(result.front, 1):
        found, changes = point.found, point.comparison
        known = "proved" if found.is_proved else (
            "best of the segments tried" if found.is_best_offered else "found"
        )
        if found.plan_money + found.change_money == result.best.found.total_money:
            known += ", least sum"
        rows.append(
            (
                number,
                found.plan_money / MONEY_STEPS,
                found.change_money / MONEY_STEPS,
                found.total_money / MONEY_STEPS,
                changes.count(ChangeKind.SEGMENT) + changes.count(ChangeKind.ORDER),
                changes.count(ChangeKind.CUT),
                changes.count(ChangeKind.NEW_LINE),
                known,
                front_file(number),
            )
        )
    count, currency = Kind.NUMBER, result.problem.currency
    return Table(
        "rerun-front",
        "Layouts from least change to cheapest plan",
        (
            Column("number", "No.", count, heads_row=True),
            Column("layout", "Layout", count, currency, 2),
            Column("change", "Change", count, currency, 2),
            Column("total", "Sum", count, currency, 2),
            Column("moved", "Devices moved", count),
            Column("cuts", "Cuts changed", count),
            Column("new_lines", "New lines", count),
            Column("known", "Known"),
            Column("file", "File", Kind.ID),
        ),
        rows,
        csv_name="front.csv",
    )


def front_file(number: int) -> str:
    """Name of the file that holds a layout of the front."""
    return f"layout-front-{number}.yaml"


# -- before and after -------------------------------------------------------------------------


def beside_section(result: Rerun) -> Section:
    """Layouts side by side: what they hold, what they cost, what margin they leave."""
    best = result.best
    points = [("least change", p) for p in result.front[:1] if p.layout != best.layout]
    points.append(("this rerun", best))
    points += [("cheapest layout", p) for p in result.front[-1:] if p.layout != best.layout]
    shown = [
        ("earlier layout", result.kept, result.kept_assessment),
        *((name, point.layout, point.assessment) for name, point in points),
    ]
    number = Kind.NUMBER
    return Section(
        title="Beside each other",
        id="beside",
        intro="Each layout judged under the problem as it is now.",
        tables=(
            Table(
                "beside",
                "Layouts beside each other",
                (
                    Column("layout", "Layout", heads_row=True),
                    Column("devices", "Devices", number),
                    Column("lines", "Lines", number),
                    Column("ports", "Ports", number),
                    Column("cable_m", "Cable", number, "m", 2),
                    Column("money", "Cost", number, result.problem.currency, 2),
                    Column("tightest", "Tightest stream"),
                    Column("left", "Left"),
                    Column("broken", "Broken rules", number),
                ),
                [_beside_row(result.problem, *row) for row in shown],
            ),
        ),
    )


def _beside_row(
    problem: Problem, name: str, layout: Layout, assessment: Assessment
) -> tuple[Any, ...]:
    stream, left = "", ""
    if assessment.streams:
        worst = worst_first(assessment.streams)[0]
        stream = f"{worst.stream} to {worst.destination}"
        left = "overload" if worst.margin_ns is None else (
            f"{margin_time_text(worst.margin_ns)} of {time_text(worst.deadline_ns)}"
        )
    return (
        name,
        sum(len(s.devices) for s in layout.segments),
        lines_of(problem, layout),
        len(layout.segments),
        sum(s.length_um for s in assessment.segments) / UM_PER_M,
        assessment.cost.money / MONEY_STEPS,
        stream,
        left,
        len(assessment.findings),
    )


def drawing_section(result: Rerun) -> Section:
    """The layout before and after, those segments only that are not the same in both."""
    problem, comparison = result.problem, result.best.comparison
    carried = comparison.carried_on
    after_ids, before_ids = set(), set()
    old = {s.id: s for s in result.kept.segments}
    for segment in result.best.layout.segments:
        name = carried.get(segment.id)
        was = old.get(name) if name is not None else None
        if was is None or (was.devices, was.switch, was.port, was.switch_index) != (
            segment.devices, segment.switch, segment.port, segment.switch_index
        ):
            after_ids.add(segment.id)
            if name is not None:
                before_ids.add(name)
    still = set(carried.values())
    before_ids |= {s.id for s in result.kept.segments if s.id not in still}
    figures: list[Figure] = []
    for word, assessment, ids in (
        ("before", result.kept_assessment, before_ids),
        ("after", result.best.assessment, after_ids),
    ):
        if not ids:
            continue
        data = _only(drawing_input(problem, assessment), ids, f"{problem.name}, {word}")
        figures += [
            replace(f, caption=f"{word.capitalize()}. {f.caption}")
            for f in layout_figures(data, f"rerun-{word}")
        ]
    intro = "Only segments that are not the same in both are drawn."
    if not figures:
        intro = "No segment is other than before."
    return Section(title="Before and after", id="before-after", intro=intro, figures=figures)


def _only(data: DrawingInput, ids: set[str], name: str) -> DrawingInput:
    """A drawing of some segments and their devices."""
    return replace(
        data,
        name=name,
        devices=tuple(d for d in data.devices if d.segment in ids),
        segments=tuple(s for s in data.segments if s.id in ids),
    )


# -- for the terminal and for machines --------------------------------------------------------


def rerun_text(result: Rerun) -> str:
    """The answer of a rerun for a terminal."""
    blocks = [f"{visible(result.problem.name)}: {summary_text(result)}\n{proof_sentence(result)}"]
    for table in change_tables(result.problem, result.best.comparison):
        # What comes along with a new or a removed device is in the report.
        told = replace(table, rows=[r for r in table.rows if r[0] not in _ALONG])
        blocks.append(table_text(told))
    if len(result.front) > 1:
        blocks.append(table_text(front_table(result), FRONT_KEYS))
    return plain("\n\n".join(block for block in blocks if block))


def rerun_data(result: Rerun) -> dict[str, Any]:
    """A rerun as plain data: money in currency units, lengths in m."""
    searched, found = result.searched, result.best.found
    return {
        "layout": found.plan_money / MONEY_STEPS,
        "change": found.change_money / MONEY_STEPS,
        "total": found.total_money / MONEY_STEPS,
        "total_bound": searched.total_bound_money / MONEY_STEPS,
        "layout_bound": searched.plan_bound_money / MONEY_STEPS,
        "least_change": searched.least_change_money / MONEY_STEPS,
        "is_proved": found.is_proved,
        "is_best_of_tried": found.is_best_offered,
        "segments_tried": searched.columns,
        "tried_all": searched.tried_all,
        "changes": [
            row
            for table in change_tables(result.problem, result.best.comparison)
            for row in table.records()
        ],
        "front": [
            {**row, "is_proved": point.found.is_proved}
            for row, point in zip(front_table(result).records(), result.front, strict=True)
        ],
        "is_front_whole": searched.is_front_whole,
        "seconds": round(searched.seconds, 3),
        "stopped_by": searched.stopped_by,
    }
