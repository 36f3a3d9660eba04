"""What a board asks of the money: from the star to the layout, a batch, and prices that move."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_FLOOR
from itertools import accumulate

from partitioner.facts.prices import MOVED_PPM, PriceMove, Tipping
from partitioner.model.assessment import Assessment
from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.amounts import money_text
from partitioner.report.sections import Chapter, Section, Table
from partitioner.units import PPM

BATCHES = (1, 10, 100, 1_000)
_PER_CENT = round(100 * MOVED_PPM / PPM)


def money_section(
    problem: Problem, assessment: Assessment, moves: Sequence[PriceMove]
) -> Section:
    """Steps from the star's cost to the layout's, the cost of a batch, and moving prices."""
    star, cost = assessment.baseline, assessment.cost
    first = [m for m in moves if m.at_rise is not None or m.at_fall is not None]
    intro = [
        f"From {money_text(star.money, problem.currency)} of the switched star to "
        f"{money_text(cost.money, problem.currency)}, kind by kind.",
        f"Prices: if that of one kind changes by {_PER_CENT} %, all else as it is, this layout is "
        "proved to be at most so much above the cheapest as the table says; that follows from the "
        "bound of the plan alone."
        if any(m.rise_money is not None for m in moves)
        else "The layout was not planned here, so nothing is proved about other layouts when "
        "prices move.",
        "Tried: every move of one device that was judged and breaks nothing (other-places.csv), "
        "re-costed. The first one to get cheaper is told with the change of price at which it "
        "does; it says nothing on layouts that differ by more."
        if first
        else "No move of one device that was judged gets cheaper by the price of one kind alone.",
    ]
    return Section(
        "Where the money goes",
        intro,
        (_steps_table(problem, assessment), _batch_table(problem, assessment),
         _moves_table(problem, moves)),
        id="money",
        chapter=Chapter.COSTS,
    )  # fmt: skip


def _steps_table(problem: Problem, assessment: Assessment) -> Table:
    star, own = dict(assessment.baseline.by_kind_money), dict(assessment.cost.by_kind_money)
    rows = [
        (kind, star.get(kind, 0), own.get(kind, 0), own.get(kind, 0) - star.get(kind, 0))
        for kind in dict.fromkeys([*star, *own])
    ]
    rows.sort(key=lambda row: (row[3], row[0]))
    _, *left = accumulate((row[3] for row in rows), initial=assessment.baseline.money)
    currency = problem.currency
    return Table.of(
        "star-steps",
        "Steps from the switched star to this layout",
        [(*row, after) for row, after in zip(rows, left, strict=True)],
        [
            col.text("kind", "Kind", lambda row: row[0], heads_row=True),
            col.money("star", "Switched star", lambda row: row[1], currency),
            col.money("layout", "This layout", lambda row: row[2], currency),
            col.money("difference", "Step", lambda row: row[3], currency),
            col.money("left", "After the step", lambda row: row[4], currency),
        ],
        note="What is saved most comes first; after the last step stands what this layout costs.",
    )


def _batch_table(problem: Problem, assessment: Assessment) -> Table:
    cost, star = assessment.cost, assessment.baseline
    currency = problem.currency
    saved_money = cost.money - star.money
    return Table.of(
        "batch",
        "Cost of a batch",
        BATCHES,
        [
            col.number("units", "Units", lambda units: units, heads_row=True),
            col.money("money", "This layout", lambda units: units * cost.money, currency),
            col.money("star_money", "Switched star", lambda units: units * star.money, currency),
            col.money("difference", "Difference", lambda units: units * saved_money, currency),
            col.grams("mass_g", "Mass", lambda units: units * cost.mass_mg),
        ],
        note="Units times the price of one: the file has no price by quantity. What only some "
        "units carry counts with the share of units that carry it.",
    )  # fmt: skip


def _moves_table(problem: Problem, moves: Sequence[PriceMove]) -> Table:
    currency = problem.currency
    return Table.of(
        "price-moves",
        "When prices move",
        moves,
        [
            col.text("kind", "Price of", lambda m: m.kind, heads_row=True),
            col.money("money", "In this layout", lambda m: m.money, currency),
            col.money("proved_rise", f"Above the cheapest if it rises {_PER_CENT} %, at most",
                      lambda m: m.rise_money, currency),
            col.money("proved_fall", f"If it falls {_PER_CENT} %, at most", lambda m: m.fall_money,
                      currency),
            col.percent("tipping_rise_share", "First move pays after a rise of",
                        lambda m: _share(m.at_rise), rounding=ROUND_FLOOR),
            col.text("tipping_rise", "Which", lambda m: _which(m.at_rise)),
            col.percent("tipping_fall_share", "After a fall of", lambda m: _share(m.at_fall),
                        rounding=ROUND_FLOOR),
            col.text("tipping_fall", "Which", lambda m: _which(m.at_fall)),
        ],
        note="An empty share: no move that was tried saves or needs more of that kind. Where "
        "delays were not worked out for a move, deadlines may yet forbid it.",
    )  # fmt: skip


def _share(tipping: Tipping | None) -> float | None:
    return None if tipping is None else round(tipping.share, 6)


def _which(tipping: Tipping | None) -> str:
    if tipping is None:
        return ""
    allowed = "" if tipping.is_timed else ", if delays allow"
    return f"{tipping.device} to {tipping.place}{allowed}"
