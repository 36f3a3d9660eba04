"""The section on zones: what each candidate switch is worth."""

from __future__ import annotations

from decimal import ROUND_CEILING

from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, listed, money_text
from partitioner.report.sections import Chapter, Section, State, Table
from partitioner.runs import Answer
from partitioner.zones.zones import Turned, Zones

STATES = {Answer.FOUND: State.OK, Answer.UNKNOWN: State.WARN, Answer.NONE: State.BAD}


def zones_section(problem: Problem, zones: Zones) -> Section:
    """The section of a report on candidate switches the other way round."""
    if not zones.rows and not zones.skipped:
        return Section(
            "One switch more or fewer",
            "Every switch of the problem is required, so there is none to leave out. Mark a "
            "switch with required: false to have it weighed.",
            id="zones",
            chapter=Chapter.COSTS,
        )
    lines = [
        f"The layout opens {count_text(zones.open_count, 'switch', 'switches')}. Below, each "
        "candidate the other way round, everything else planned afresh and checked; costs are "
        "those that were minimised.",
    ]
    for count, words in ((zones.open_count + 1, "more"), (zones.open_count - 1, "fewer")):
        best = zones.with_count(count)
        if best is not None:
            lines.append(f"One switch {words}: {_sentence(problem, best)}")
    better = [row for row in zones.rows if row.more_money is not None and row.more_money < 0]
    if better:
        lines.append(
            f"Cheaper than the layout with {listed([row.switch for row in better])} turned: it "
            "was not proved optimal. Plan again with more time."
        )
    if zones.skipped:
        lines.append(f"No time was left for {listed(zones.skipped)}.")
    points = [
        f"{row.switch} cannot be {'opened' if row.opened else 'closed'}: {row.reason}"
        for row in zones.rows
        if row.answer is Answer.NONE
    ]
    return Section(
        "One switch more or fewer", lines, (_table(problem, zones),), id="zones", points=points,
        chapter=Chapter.COSTS,
    )  # fmt: skip


def _sentence(problem: Problem, row: Turned) -> str:
    assert row.more_money is not None
    assert row.at_least_money is not None
    assert row.at_most_money is not None
    word = "more" if row.more_money >= 0 else "less"
    doing = "opened" if row.opened else "closed"
    text = f"{money_text(abs(row.more_money), problem.currency)} {word}, with {row.switch} {doing}"
    if row.at_least_money == row.at_most_money:
        return f"{text}; both optima are proved."
    return (
        f"{text}. Between the two optima lie at least {money_text(row.at_least_money)} and at "
        f"most {money_text(row.at_most_money, problem.currency)}."
    )


def _table(problem: Problem, zones: Zones) -> Table:
    currency = problem.currency
    return Table.of(
        "zones",
        "Each candidate switch the other way round",
        zones.rows,
        [
            col.name("switch", "Switch", lambda row: row.switch, heads_row=True),
            col.text("change", "Changed to", lambda row: "open" if row.opened else "closed"),
            col.state("state", "Layout", lambda row: STATES[row.answer],
                      ("found", "none found in time", "proved to be none")),
            col.number("open_count", "Switches then", lambda row: row.open_count),
            col.money("cost", "Cost", lambda row: row.cost_money, currency),
            col.money("more", "More than this layout", lambda row: row.more_money, currency),
            col.money("at_least", "At least", lambda row: row.at_least_money, currency),
            col.money("at_most", "At most", lambda row: row.at_most_money, currency),
            col.percent("gap", "Proven gap", lambda row: row.gap, 1, rounding=ROUND_CEILING),
            col.names("open_switches", "Open then",
                      lambda row: row.layout.open_switches if row.layout else ()),
        ],
        note="More: the layout found, less this one. At least and at most enclose the difference "
        "between the two optima.",
    )  # fmt: skip
