"""What a rerun has to show: the list of changes, the front, before and after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, replace
from typing import Any

from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.replan.compare import DEVICE_KINDS, WIRE_KINDS, Change, Comparison
from partitioner.replan.compare import Kind as ChangeKind
from partitioner.replan.reading import lines_of
from partitioner.replan.rerun import Rerun, RerunPoint
from partitioner.report.amounts import (
    count_text,
    length_text,
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
from partitioner.report.text import table
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


def rerun_sections(result: Rerun) -> list[Section]:
    """Sections of the report: changes, front, before and after."""
    made = [changes_section(result.problem, result.best, result)]
    if len(result.front) > 1:
        made.append(front_section(result))
    made.append(beside_section(result.problem, beside(result)))
    made.append(drawing_section(result))
    return made


# -- the list of changes ----------------------------------------------------------------------


def changes_section(problem: Problem, point: RerunPoint, result: Rerun) -> Section:
    """The changes of a layout per device, wire and setting."""
    comparison = point.comparison
    return Section(
        title="What changes",
        id="changes",
        intro=[summary_text(result), proof_sentence(result)],
        points=held_points(result),
        tables=change_tables(problem, comparison),
    )


def change_tables(problem: Problem, comparison: Comparison) -> tuple[Table, ...]:
    """One table each for devices, wires and settings."""
    price = Column("price", "price", Kind.NUMBER, unit=problem.currency, digits=2)
    words = (
        Column("id", "id", Kind.ID, heads_row=True),
        Column("what", "what"),
        Column("segment", "segment", Kind.ID),
        Column("before", "before"),
        Column("after", "after"),
        price,
    )
    wires = (
        Column("device", "piece of", Kind.ID, heads_row=True),
        Column("what", "what"),
        Column("segment", "segment", Kind.ID),
        Column("from_before", "came from", Kind.ID),
        Column("from_after", "comes from", Kind.ID),
        Column("length_before_m", "before", Kind.NUMBER, unit="m", digits=3),
        Column("length_after_m", "after", Kind.NUMBER, unit="m", digits=3),
        price,
    )
    others = tuple(k for k in ChangeKind if k not in DEVICE_KINDS and k not in WIRE_KINDS)
    return (
        Table(
            "changes-devices", "Devices that come, go or move", words,
            [_row(c) for c in comparison.of(DEVICE_KINDS)],
        ),
        Table(
            "changes-wires", "Pieces of cable to cut anew", wires,
            [_wire_row(c) for c in comparison.of(WIRE_KINDS)],
            note="Each piece runs from the neighbour towards the switch to the device. An empty "
            "length before is not known: a node the piece touched is gone.",
        ),
        Table(
            "changes-settings", "Segments, ports and settings", words,
            [_row(c) for c in comparison.of(others)],
        ),
    )


def _row(change: Change) -> tuple[Any, ...]:
    return (
        change.subject, _DONE[change.kind], change.where, change.before, change.after,
        change.price_money / MONEY_STEPS,
    )


def _wire_row(change: Change) -> tuple[Any, ...]:
    before, after = change.um
    return (
        change.subject,
        _DONE[change.kind],
        change.where,
        change.before,
        change.after,
        None if before is None else before / UM_PER_M,
        None if after is None else after / UM_PER_M,
        change.price_money / MONEY_STEPS,
    )


def summary_text(result: Rerun) -> str:
    """What the rerun comes to, in a few sentences."""
    found, problem = result.best.found, result.problem
    comparison = result.best.comparison
    return (
        f"Plan {money_text(found.plan_money, problem.currency)} and changes "
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
        return "Proved: no layout has a lower sum of plan and change cost."
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
        f"of the plan"
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
    problem = result.problem
    rows = front_rows(result)
    spots = [(r[2], r[1]) for r in rows]
    labels = [str(r[0]) for r in rows]
    figure = xy_figure(
        "rerun-front",
        "Plan cost against change cost",
        "Each point is a whole layout; to the left little is changed, at the bottom the plan is "
        "cheap.",
        [Series("layouts", spots, is_stepped=True, shows_points=True, labels=labels)],
        f"change cost, {problem.currency}",
        f"plan cost, {problem.currency}",
        caption="Plan cost against change cost; numbers as in the table.",
    )
    intro = [
        "From least change to cheapest plan. No layout shown is beaten by another in both costs.",
        "This is the whole front, proved."
        if result.searched.is_front_whole
        else "There may be further layouts between; a layout marked proved cannot be beaten.",
    ]
    return Section(
        title="From touching nothing to planning afresh",
        id="rerun-front-section",
        intro=intro,
        figures=(figure,),
        tables=(
            Table(
                "rerun-front", "Layouts on the front",
                (
                    Column("number", "no.", Kind.NUMBER, heads_row=True),
                    Column("plan", "plan", Kind.NUMBER, unit=problem.currency, digits=2),
                    Column("change", "change", Kind.NUMBER, unit=problem.currency, digits=2),
                    Column("total", "sum", Kind.NUMBER, unit=problem.currency, digits=2),
                    Column("moved", "devices moved", Kind.NUMBER),
                    Column("cuts", "cuts changed", Kind.NUMBER),
                    Column("new_lines", "new lines", Kind.NUMBER),
                    Column("known", "known"),
                    Column("file", "file", Kind.ID),
                ),
                rows,
                csv_name="front.csv",
            ),
        ),
    )


def front_rows(result: Rerun) -> list[tuple[Any, ...]]:
    """Rows of the front: number, costs in currency units, counts, what is proved, file."""
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
    return rows


def front_file(number: int) -> str:
    """Name of the file that holds a layout of the front."""
    return f"layout-front-{number}.yaml"


# -- before and after -------------------------------------------------------------------------


def beside(result: Rerun) -> list[tuple[str, Layout, Assessment]]:
    """The layouts worth setting beside each other."""
    rows = [("earlier layout", result.kept, result.kept_assessment)]
    if result.front and result.front[0].layout != result.best.layout:
        rows.append(("least change", result.front[0].layout, result.front[0].assessment))
    rows.append(("this rerun", result.best.layout, result.best.assessment))
    if result.front and result.front[-1].layout != result.best.layout:
        rows.append(("cheapest plan", result.front[-1].layout, result.front[-1].assessment))
    return rows


def beside_section(problem: Problem, rows: Sequence[tuple[str, Layout, Assessment]]) -> Section:
    """Layouts side by side: what they hold, what they cost, what margin they leave."""
    return Section(
        title="Beside each other",
        id="beside",
        intro="Each layout judged under the problem as it is now.",
        tables=(
            Table(
                "beside", "Layouts beside each other",
                (
                    Column("layout", "layout", heads_row=True),
                    Column("devices", "devices", Kind.NUMBER),
                    Column("lines", "lines", Kind.NUMBER),
                    Column("ports", "ports", Kind.NUMBER),
                    Column("cable_m", "cable", Kind.NUMBER, unit="m", digits=2),
                    Column("money", "cost", Kind.NUMBER, unit=problem.currency, digits=2),
                    Column("tightest", "tightest stream"),
                    Column("left", "left"),
                    Column("broken", "broken rules", Kind.NUMBER),
                ),
                [_beside_row(problem, *row) for row in rows],
            ),
        ),
    )


def _beside_row(
    problem: Problem, name: str, layout: Layout, assessment: Assessment
) -> tuple[Any, ...]:
    cable = sum(s.length_um for s in assessment.segments)
    worst = worst_first(assessment.streams)
    stream, left = "", ""
    if worst:
        stream = f"{worst[0].stream} to {worst[0].destination}"
        left = "no bound" if worst[0].margin_ns is None else (
            f"{margin_time_text(worst[0].margin_ns)} of {time_text(worst[0].deadline_ns)}"
        )
    return (
        name,
        sum(len(s.devices) for s in layout.segments),
        lines_of(problem, layout),
        len(layout.segments),
        cable / UM_PER_M,
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
    found = result.best.found
    blocks = [f"{visible(result.problem.name)}: {summary_text(result)}\n{proof_sentence(result)}"]
    rows = []
    for change in result.best.comparison.changes:
        if change.kind in (ChangeKind.NEW_PIECE, ChangeKind.PIECE_GONE, ChangeKind.NEW_ID):
            continue
        before, after = change.before, change.after
        if change.kind is ChangeKind.CUT:
            before, after = (
                "?" if um is None else length_text(um, 3) for um in change.um
            )
        rows.append(
            (
                change.subject, _DONE[change.kind], before, after,
                money_text(change.price_money, result.problem.currency),
            )
        )
    if rows:
        blocks.append(table(("change", "what", "before", "after", "price"), rows, right=(4,)))
    if len(result.front) > 1:
        shown = [
            (
                str(n),
                money_text(p.found.plan_money, result.problem.currency),
                money_text(p.found.change_money, result.problem.currency),
                money_text(p.found.total_money, result.problem.currency),
                "least sum" if p.found.total_money == found.total_money else "",
            )
            for n, p in enumerate(result.front, 1)
        ]
        blocks.append(table(("front", "plan", "change", "sum", ""), shown, right=(1, 2, 3)))
    return "\n\n".join(blocks).replace("\u00a0", " ").replace("\u202f", " ").replace("\u2212", "-")


def rerun_data(result: Rerun) -> dict[str, Any]:
    """A rerun as plain data: money in currency units, lengths in m."""
    searched, found = result.searched, result.best.found
    return {
        "plan": found.plan_money / MONEY_STEPS,
        "change": found.change_money / MONEY_STEPS,
        "total": found.total_money / MONEY_STEPS,
        "total_bound": searched.total_bound_money / MONEY_STEPS,
        "plan_bound": searched.plan_bound_money / MONEY_STEPS,
        "least_change": searched.least_change_money / MONEY_STEPS,
        "is_proved": found.is_proved,
        "is_best_of_tried": found.is_best_offered,
        "segments_tried": searched.columns,
        "tried_all": searched.tried_all,
        "changes": [
            {
                "kind": c.kind.value,
                "subject": c.subject,
                "segment": c.where,
                "before": c.before,
                "after": c.after,
                "length_before_m": None if c.um[0] is None else c.um[0] / UM_PER_M,
                "length_after_m": None if c.um[1] is None else c.um[1] / UM_PER_M,
                "price": c.price_money / MONEY_STEPS,
            }
            for c in result.best.comparison.changes
        ],
        "front": [
            {
                "plan": p.found.plan_money / MONEY_STEPS,
                "change": p.found.change_money / MONEY_STEPS,
                "is_proved": p.found.is_proved,
                "file": front_file(n),
            }
            for n, p in enumerate(result.front, 1)
        ],
        "is_front_whole": searched.is_front_whole,
        "seconds": round(searched.seconds, 3),
        "stopped_by": searched.stopped_by,
    }
