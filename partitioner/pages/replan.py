"""What a rerun has to show: the list of changes, the front, before and after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, replace
from typing import Any

from partitioner.model.outcome import Outcome
from partitioner.pages.beside import (
    change_tables,
    come_and_go,
    counted,
    differences_section,
    drawing_section,
    figures_section,
)
from partitioner.pages.change_order import order_section
from partitioner.replan.compare import Kind as ChangeKind
from partitioner.replan.rerun import Rerun, RerunPoint
from partitioner.replan.searched import Found
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, gap_text, money_text
from partitioner.report.charts import Series, xy_figure
from partitioner.report.sections import Section, Table
from partitioner.report.text import head_text, plain, table_text, wrapped
from partitioner.units import MONEY_STEPS, gap_share

_ALONG = (ChangeKind.NEW_PIECE, ChangeKind.PIECE_GONE, ChangeKind.NEW_ID)
FRONT_KEYS = ("number", "layout", "change", "total", "known")


def rerun_sections(result: Rerun) -> list[Section]:
    """Sections of the report: changes, order for the shop, front, before and after."""
    best, pair = result.best, result.beside
    made = [changes_section(result), order_section(pair.order)]
    if len(result.front) > 1:
        made.append(front_section(result))
    points = [("least change", p) for p in result.front[:1] if p.layout != best.layout]
    points.append(("this rerun", best))
    points += [("cheapest layout", p) for p in result.front[-1:] if p.layout != best.layout]
    shown = [
        ("earlier layout", result.kept, result.kept_assessment),
        *((name, point.layout, point.assessment) for name, point in points),
    ]
    made.append(figures_section(result.problem, shown))
    made.append(differences_section(pair, ("earlier layout", "this rerun")))
    made.append(drawing_section(pair, ("before", "after"), "rerun"))
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


def summary_text(result: Rerun) -> str:
    """What the rerun comes to, in a few sentences."""
    found, problem = result.best.found, result.problem
    comparison = result.best.comparison
    return (
        f"Layout {money_text(found.plan_money, problem.currency)} and changes "
        f"{money_text(found.change_money, problem.currency)} make "
        f"{money_text(found.total_money, problem.currency)}. "
        f"Changed: {counted(comparison)}. {come_and_go(comparison)}"
    ).rstrip()


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
            f"Proved over the {searched.outcome.columns} segments that were tried: no choice of "
            "them has a lower sum."
        )
    if searched.outcome.bound_money <= 0:
        return " ".join([*parts, "There was no time to prove how much less another could cost."])
    gap = gap_share(found.total_money, searched.total_bound_money)
    least = searched.least_change_money
    bound, plan_bound, change = (
        money_text(m, currency)
        for m in (searched.total_bound_money, searched.total_bound_money - least, least)
    )
    parts.append(
        f"Over all layouts the sum is proved to be at least {bound} (gap {gap_text(gap)}): no "
        "layout costs less"
        + (f" than {plan_bound}, and none takes less change than {change}." if least else ".")
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
    currency = result.problem.currency

    def known(found: Found) -> str:
        word = "best of the segments tried" if found.is_best_offered else "found"
        is_least = found.total_money == result.best.found.total_money
        return ("proved" if found.is_proved else word) + (", least sum" if is_least else "")

    def changed(point: RerunPoint, *kinds: ChangeKind) -> int:
        return sum(point.comparison.count(kind) for kind in kinds)

    return Table.of(
        "rerun-front",
        "Layouts from least change to cheapest plan",
        enumerate(result.front, 1),
        (
            col.number("number", "No.", lambda row: row[0], heads_row=True),
            col.money("layout", "Layout", lambda row: row[1].found.plan_money, currency),
            col.money("change", "Change", lambda row: row[1].found.change_money, currency),
            col.money("total", "Sum", lambda row: row[1].found.total_money, currency),
            col.number("moved", "Devices moved",
                       lambda row: changed(row[1], ChangeKind.SEGMENT, ChangeKind.ORDER)),
            col.number("cuts", "Cuts changed", lambda row: changed(row[1], ChangeKind.CUT)),
            col.number("new_lines", "New lines", lambda row: changed(row[1], ChangeKind.NEW_LINE)),
            col.text("known", "Known", lambda row: known(row[1].found)),
            col.name("file", "File", lambda row: front_file(row[0])),
        ),
        csv_name="front.csv",
    )  # fmt: skip


def front_file(number: int) -> str:
    """Name of the file that holds a layout of the front."""
    return f"layout-front-{number}.yaml"


# -- for the terminal and for machines --------------------------------------------------------


def rerun_text(result: Rerun, outcome: Outcome | None = None) -> str:
    """The answer of a rerun for a terminal, the verdict and the six figures first.

    ``outcome`` is the run as a plan tells it; see :meth:`Rerun.outcome`.
    """
    blocks = [
        head_text(result.problem, result.best.assessment, outcome),
        f"{wrapped(summary_text(result))}\n{wrapped(proof_sentence(result))}",
    ]
    for table in change_tables(result.problem, result.best.comparison):
        # What comes along with a new or a removed device is in the report.
        told = replace(table, rows=[r for r in table.rows if r[0] not in _ALONG])
        keys = [c.key for c in table.shown_columns() if c.key != "piece"]
        if {row[0] for row in told.rows} == {ChangeKind.CUT}:
            keys.remove("change")  # its caption says as much
        blocks.append(_captioned(told, keys))
    if len(result.front) > 1:
        blocks.append(_captioned(front_table(result), FRONT_KEYS))
    return plain("\n\n".join(block for block in blocks if block))


def _captioned(table: Table, keys: Sequence[str]) -> str:
    """A table for the terminal under its caption; empty without rows."""
    return f"{table.caption}:\n{table_text(table, keys)}" if table.rows else ""


def rerun_data(result: Rerun) -> dict[str, Any]:
    """A rerun as plain data: money in currency units, lengths in m."""
    searched, found = result.searched, result.best.found
    run = searched.outcome
    return {
        "layout": found.plan_money / MONEY_STEPS,
        "change": found.change_money / MONEY_STEPS,
        "total": found.total_money / MONEY_STEPS,
        "total_bound": searched.total_bound_money / MONEY_STEPS,
        "layout_bound": run.bound_money / MONEY_STEPS,
        "least_change": searched.least_change_money / MONEY_STEPS,
        "is_proved": found.is_proved,
        "is_best_of_tried": found.is_best_offered,
        "segments_tried": run.columns,
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
        "seconds": round(run.seconds, 3),
        "stopped_by": run.stopped_by,
    }
