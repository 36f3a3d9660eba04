"""A trade-off in words, as a chart and as a table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from decimal import ROUND_CEILING, ROUND_FLOOR

from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.pages.beside import differences_section, drawing_section, figures_section
from partitioner.replan.beside import lay_beside
from partitioner.report.amounts import (
    count_text,
    gap_text,
    margin_time_text,
    money_text,
    ratio_text,
    time_text,
)
from partitioner.report.charts import Series, xy_figure
from partitioner.report.frame import ANSWER_CHAPTERS, Head, framed, layout_framed
from partitioner.report.sections import (
    Column,
    Figure,
    Kind,
    Page,
    Paper,
    Section,
    State,
    Table,
)
from partitioner.report.text import key_figures_text, plain, table_text, wrapped
from partitioner.report.told import Told
from partitioner.report.verdict import CENT, total_name, total_text
from partitioner.tradeoff.front import Point, knees
from partitioner.tradeoff.search import Ending, TradeOff
from partitioner.tradeoff.state import STATE, named_points, point_rows
from partitioner.units import MONEY_STEPS
from partitioner.visible import visible

Assess = Callable[[Layout], Assessment]

TEXT_KEYS = ("point", "cost", "value", "gap_share", "layout")
"""Columns shown in the terminal, with the stream that decides where there is one."""
WEIGHED = "The priced total is money, with mass and delay at the prices the problem states."


def verdict_of(problem: Problem, state: TradeOff) -> tuple[State, str, list[str]]:
    """Judgement of a front for the head of the page: state, word, paragraphs."""
    front, axis = state.front, state.axis
    good = front.within(state.goal)
    what = _range_text(problem, state, good or front.points)
    if not good:
        unsure = [what, *_how_unsure(state), *_open_end(state), *_cut_off(state)]
        return State.WARN, f"not proved within {ratio_text(state.goal)}", unsure
    proviso = [axis.proviso] if axis.proviso else []
    lead = [what, *how_sure(state), *_cut_off(state), *proviso]
    if front.is_exact:
        return State.OK, "exact", lead
    if all(p.is_proved for p in good):
        return State.OK, "points proved", lead
    return State.OK, f"proved within {ratio_text(state.goal)}", lead


def _how_unsure(state: TradeOff) -> list[str]:
    """What could be saved at most where no point is within the gap asked for."""
    points = state.front.points
    if not points:
        return []
    gaps = [p.gap for p in points if p.bound_money > 0]
    if len(gaps) < len(points):
        which = "" if not gaps else f" of {len(points) - len(gaps)} of them"
        what = f"There was no time to prove how much{which} could be saved"
    elif len(gaps) == 1:
        what = f"At most {gap_text(gaps[0])} of that, its gap, could be saved"
    else:
        least, most = gap_text(min(gaps)), gap_text(max(gaps))
        what = f"At most its gap, {least} to {most}, could be saved of each"
    better = f"with the same or a better {state.axis.name}"
    return [f"{what} {better}; asked for was a gap of {ratio_text(state.goal)}."]


def _open_end(state: TradeOff) -> list[str]:
    """How far beyond the last layout known others may lie; nothing where none can."""
    front = state.front
    if not front.points or front.points[-1].is_next_proved:
        return []
    beyond = "above" if state.axis.is_shown_upward else "below"
    return [
        f"No layout can have a {state.axis.name} {beyond} {_value(state, front.floor)}; "
        "whether one lies between that and the last layout known is open."
    ]


def _range_text(problem: Problem, state: TradeOff, points: Sequence[Point]) -> str:
    """From where to where layouts reach, cheapest first."""
    if not points:
        return "No layout was found."
    first, last, name = points[0], points[-1], state.axis.name
    if len(points) == 1:
        total = total_text(problem, first.cost_money)
        return f"One layout with {total}, {name} {_value(state, first.value)}."
    return (
        f"{count_text(len(points), 'layout')} between {total_text(problem, first.cost_money)} "
        f"and one of {money_text(last.cost_money, problem.currency)}, {name} "
        f"{_value(state, first.value)} to {_value(state, last.value)}."
    )


def how_sure(state: TradeOff) -> list[str]:
    """What of a front is proved, a sentence or two for each thing."""
    front, axis = state.front, state.axis
    if front.is_exact and len(front.points) == 1:
        return ["It is proved that no other layout is better on either count."]
    if front.is_exact:
        return [
            "Proved: every point is the cheapest layout of its "
            f"{axis.name}, and no point is missing."
        ]
    good, further = front.within(state.goal), front.beyond(state.goal)
    proved = sum(p.is_proved for p in good)
    worst = max(p.gap for p in good)
    if len(good) == 1:
        sure = (
            "It is proved to be the cheapest of its value" if proved
            else f"It costs at most {gap_text(worst)} more than the cheapest of its value can"
        )
    elif proved == len(good):
        sure = "Every point is proved to be the cheapest of its value"
    elif proved:
        verb, whose = ("is", "its") if proved == 1 else ("are", "their")
        others = "other costs" if len(good) - proved == 1 else "others cost"
        sure = (
            f"{proved} of {len(good)} points {verb} proved to be the cheapest of {whose} value; "
            f"the {others} at most {gap_text(worst)} more than the cheapest can"
        )
    else:
        sure = f"No point costs more than {gap_text(worst)} above what is possible"
    holes = any(not p.is_next_proved for p in front.points[:-1])
    between = "more may lie" if holes else "none is missing"
    said = [f"{sure}; {between} between them." if len(good) > 1 else f"{sure}."]
    if further:
        last = _value(state, further[-1].value)
        where = f"with up to {last}" if axis.is_shown_upward else f"further on, down to {last},"
        said.append(
            f"{count_text(len(further), 'layout')} {where} "
            f"{'is' if len(further) == 1 else 'are'} known too, but not proved to be within "
            f"{ratio_text(state.goal)} of the cheapest."
        )
    return said + _open_end(state)


def _value(state: TradeOff, value: int) -> str:
    """An axis value in words; the margin is what is left."""
    if state.axis.is_shown_upward:
        return state.axis.text(1_000_000 - value)
    return state.axis.text(value)


def steps_text(problem: Problem, state: TradeOff) -> list[str]:
    """A sentence on each knee: what a gain costs there, and what the next one would cost.

    Without a knee the two ends are compared.
    """
    points = state.front.within(state.goal)
    if len(points) < 2:
        if len(state.front.points) < 2:
            return []
        # What was found can be had, whatever is proved of it.
        a, *_, b = state.front.points
        return [f"From the first layout found to the last, {_gain(problem, state, a, b)}."]
    first, *_, last = points
    *_, beyond = state.front.points
    further = []
    if beyond.value < last.value:
        number = len(state.front.points)
        gain = _gain(problem, state, first, beyond)
        further = [f"From the first point to layout {number}, the last one known, {gain}."]
    found = knees(points)
    if not found:
        gain = _gain(problem, state, first, last)
        return [f"From the first point to the last, {gain}.", *further]
    sentences = []
    for place in found:
        sentences.append(
            f"From point {place + 1} on it gets dearer: up to there "
            f"{_gain(problem, state, points[place - 1], points[place])}, from there "
            f"{_gain(problem, state, points[place], points[place + 1])}."
        )
    return sentences + further


def _gain(problem: Problem, state: TradeOff, a: Point, b: Point) -> str:
    text = state.axis.text
    gain = (margin_time_text if text is time_text else text)(a.value - b.value)
    price = b.cost_money - a.cost_money
    # Two points may differ by less than two decimals show.
    shown = money_text(max(price, CENT), problem.currency)
    dearer = f"{shown} more" if price >= CENT else f"less than {shown} more"
    return f"{gain} {state.axis.better} costs {dearer}"


def tradeoff_section(problem: Problem, state: TradeOff) -> Section:
    """The section of the report: chart, sentences on knees, tables of the points."""
    return Section(
        title=f"{total_name(problem).capitalize()} against {state.axis.name}",
        intro=[
            "Each point is a whole layout that keeps every rule, in a file of its own.",
            *([WEIGHED] if total_name(problem) != "cost" else []),
            _semantics(state),
        ],
        points=steps_text(problem, state),
        figures=[_chart(problem, state)] if state.front.points else [],
        tables=_tables(problem, state),
        id="trade-off",
        paper=Paper.SUMMARY,
    )


def _semantics(state: TradeOff) -> str:
    if state.axis.id in ("latency", "margin"):
        return (
            "Latency here is the worst-case delay of a stream, end to end, the largest of all "
            "streams, by the analysis that deadlines are judged by. Deadlines stay in force."
        )
    return f"What is counted: {state.axis.title}."


def _chart(problem: Problem, state: TradeOff) -> Figure:
    axis, front = state.axis, state.front
    good, further = front.within(state.goal), front.beyond(state.goal)
    series = []
    for name, points, first in (("layouts", good, 1), ("further layouts", further, len(good) + 1)):
        spots = sorted(
            (axis.shown(p.value), p.cost_money / MONEY_STEPS, str(n))
            for n, p in enumerate(points, start=first)
        )
        if spots:
            series.append(
                Series(
                    name,
                    [(x, y) for x, y, _ in spots],
                    is_stepped=not axis.is_shown_upward,
                    is_joined=first == 1,
                    shows_points=True,
                    labels=[n for _, _, n in spots],
                )
            )
    bounds = sorted(
        (axis.shown(p.value), p.bound_money / MONEY_STEPS)
        for p in front.points if p.bound_money > 0
    )  # fmt: skip
    if bounds and not all(p.is_proved for p in front.points):
        series.append(Series("proved bound", bounds, is_stepped=not axis.is_shown_upward))
    cheapest, last = front.points[0], front.points[-1]
    return xy_figure(
        "trade-off-chart",
        f"{total_name(problem).capitalize()} against {axis.name}",
        f"{len(front.points)} points from {_value(state, cheapest.value)} at "
        f"{money_text(cheapest.cost_money, problem.currency)} to {_value(state, last.value)} at "
        f"{money_text(last.cost_money, problem.currency)}; numbers are those of the tables.",
        series,
        axis.title,
        f"{total_name(problem)}, {problem.currency}",
        height=400.0,
    )


def _whose(file: str, number: int) -> str:
    """Whose the six figures are."""
    return f"Figures of point {number}, the cheapest layout, in {file}:"


def _tables(problem: Problem, state: TradeOff) -> list[Table]:
    """Points of the front, and the layouts beyond the gap asked for if there are any."""
    front = _table(problem, state, True, "front", "Points, cheapest first")
    beyond = f"ayouts not proved within {ratio_text(state.goal)} of the cheapest of their value"
    beyond = f"Further l{beyond}" if front.rows else f"L{beyond}, cheapest first"
    further = _table(problem, state, False, "further", beyond)
    return [table for table in (front, further) if table.rows] or [front]


def _table(problem: Problem, state: TradeOff, is_good: bool, id: str, caption: str) -> Table:
    axis, currency = state.axis, problem.currency
    at = _decided_by(state)
    rounding = ROUND_FLOOR if axis.is_shown_upward else ROUND_CEILING
    value_column = Column(
        "value", axis.name.capitalize(), Kind.NUMBER, axis.unit, axis.digits, rounding=rounding
    )
    shown = [axis.shown(p.value) for p in state.front.points]
    while len({value_column.text(value) for value in shown}) < len(shown):
        # Two points that look alike would leave open what the dearer one is good for.
        digits = 2 if value_column.digits is None else value_column.digits + 1
        value_column = replace(value_column, digits=digits)
    good = state.front.within(state.goal)
    own = good if is_good else state.front.beyond(state.goal)
    cheaper = [p for p in good if own and p.cost_money < own[0].cost_money]
    before = cheaper[-1] if cheaper else None
    first = ", the first row against the last point that costs less" if cheaper else ""
    rows = []
    for row, (_, _, p) in zip(point_rows(state), named_points(state), strict=True):
        if (p.gap <= state.goal) is not is_good:
            continue
        if p.bound_money <= 0:
            row |= {"bound": None, "gap_share": None}
        lines = sum(problem.catalogue.is_line(s.grade) for s in p.layout.segments)
        rows.append(
            (
                *row.values(),
                None if before is None else (p.cost_money - before.cost_money) / MONEY_STEPS,
                None if before is None else (before.value - p.value) / axis.scale,
                (State.OK if p.is_proved else State.WARN if is_good else State.BAD).value,
                lines,
                len(p.layout.segments) - lines,
                len(p.layout.open_switches),
            )
        )
        before = p
    number = Kind.NUMBER
    return Table(
        id=id,
        caption=caption,
        columns=[
            Column("point", "Point", number, heads_row=True),
            Column("cost", total_name(problem).capitalize(), number, currency, 2),
            value_column,
            Column("unit"),
            Column("bound", "Bound", number, currency, 2),
            Column("gap_share", "Gap", Kind.PERCENT, digits=1, rounding=ROUND_CEILING),
            Column("proved"),
            Column("layout", "Layout", Kind.ID),
            Column("stream", axis.at_title, Kind.ID),
            Column("more_cost", "Dearer by", number, currency, 2),
            Column("gain", axis.better.capitalize(), number, axis.unit, axis.digits,
                   rounding=ROUND_FLOOR),
            Column("state"),
            Column("lines", "Lines", number),
            Column("links", "Links", number),
            Column("switches", "Switches", number),
        ],
        rows=rows,
        note=f"“Dearer by” and the gain are against the row above{first}. Bound: no layout of this "
        "value or better costs less, proved; gap: what could be saved at most, as a share of the "
        "cost.",
        shown=("point", "cost", "value", *at, "more_cost", "gain", "bound", "gap_share",
               "lines", "links", "switches", "layout"),
    )  # fmt: skip


def front_text(problem: Problem, state: TradeOff, assess: Assess) -> str:
    """The front as a short plain table with what is proved and its knees, for stdout.

    ``assess`` judges the cheapest layout, whose six figures stand below the verdict.
    """
    _, word, lead = verdict_of(problem, state)
    first, *others = lead
    head = "\n".join(map(wrapped, (f"{visible(problem.name)}: {word}. {first}", *others)))
    keys = (*TEXT_KEYS, *_decided_by(state))
    tables = [
        f"{wrapped(f'{table.caption}:')}\n"
        + table_text(table, [key for key in table.shown if key in keys])
        for table in _tables(problem, state) if table.rows
    ]
    figures = [
        f"{_whose(file, number)}\n{key_figures_text(problem, assess(point.layout))}"
        for file, number, point in named_points(state)[:1]
    ]
    blocks = [head, *figures, *tables, "\n".join(map(wrapped, steps_text(problem, state)))]
    return plain("\n\n".join(b for b in blocks if b))


def _decided_by(state: TradeOff) -> tuple[str, ...]:
    """Key of the column of the streams that the values are of, where they are of streams."""
    return ("stream",) if any(p.stream for p in state.front.points) else ()


def _cut_off(state: TradeOff) -> list[str]:
    """What ended the search before its end, or with less than all there may be."""
    if state.ended_by is Ending.FOUND and not state.front.is_exact:
        found = count_text(len(state.front.within(state.goal)), "point")
        return [
            f"The search ended with {found}: all that were asked for, or that it could still ask "
            "about. A larger --points or a smaller --gap goes on."
        ]
    said = {Ending.USER: "Stopped by you", Ending.TIME: "The time was up"}
    if state.is_finished or state.ended_by not in said:
        return []
    return [f"{said[state.ended_by]} before all points were found."]


def seeking_text(
    problem: Problem, state: TradeOff, points: int | None, cost_money: int | None
) -> str:
    """What is found and what is sought, while the search is under way.

    ``cost_money`` is what the best layout of the run under way costs; None: it has none yet.
    """
    found = len(state.front.within(state.goal))
    layouts = len(state.front.points)
    if not layouts and cost_money is not None:
        have = f"one of {money_text(cost_money, problem.currency)} found"
    elif not layouts:
        have = "no layout yet"
    elif found:
        have = f"{found}{'' if points is None else f' of {points}'} points found"
    else:
        have = f"{count_text(layouts, 'layout')}, none proved within {ratio_text(state.goal)} yet"
    if state.sought is None:
        return plain(f"{have}; seeking the cheapest layout")
    sense = "at least" if state.axis.is_shown_upward else "at most"
    value = _value(state, state.sought)
    return plain(f"{have}; seeking the cheapest with a {state.axis.name} of {sense} {value}")


def tradeoff_page(
    problem: Problem, state: TradeOff, assess: Assess, made_on: date | None = None
) -> Page:
    """The page of a trade-off, in the frame of a report: the front, its ends, the cheapest layout.

    ``assess`` judges a layout of the front; ``made_on`` None leaves the day of the page out.
    """
    judged, word, lead = verdict_of(problem, state)
    title, points = f"Trade-off of {problem.name}", named_points(state)
    head = Head(title, judged, word, lead, STATE, chapters=ANSWER_CHAPTERS)
    sections = [tradeoff_section(problem, state)]
    if not points:
        return framed(problem, head, sections, made_on)
    first, *others = points
    shown = [first, *others[-1:]]
    layouts = [(f"point {number}", p.layout, assess(p.layout)) for _, number, p in shown]
    (name, cheapest, assessment), *_ = layouts
    if others:
        last_name, last, last_assessment = layouts[1]
        pair = lay_beside(
            problem, cheapest, last, last_assessment, before_assessment=assessment
        )
        parts = (
            drawing_section(pair, (name, last_name), "ends", is_of_later=False),
            differences_section(pair, (name, last_name)),
        )
        table = figures_section(problem, layouts)
        sections.append(replace(table, title="The two ends beside each other", parts=parts))
    head = replace(head, whose=_whose(*first[:2]))
    facts = [
        ("weighed against cost", state.axis.title),
        ("gap asked for", ratio_text(state.goal)),
        ("runs", str(len(state.steps))),
        ("ended by", state.ended_by.value if state.ended_by else "not ended yet"),
    ]
    return layout_framed(Told(problem, assessment, None, sections, facts, made_on), head)
