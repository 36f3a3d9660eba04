"""The six figures that a reader looks for first: in the page, the terminal and the data alike."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.model.assessment import Assessment, SegmentFigures, worst_first
from partitioner.model.problem import Problem
from partitioner.report.amounts import (
    NBSP,
    count_text,
    kept_time_text,
    left_text,
    limited_length_text,
    limited_load_text,
    listed,
    money_text,
    ratio_text,
    stated_time_text,
    time_text,
)
from partitioner.report.sections import Chapter, Column, KeyFigure, Kind, Table
from partitioner.report.verdict import total_name
from partitioner.units import MG_PER_KG, MONEY_STEPS, NS_PER_US, PPM, UM_PER_M, ceil_div, in_units

Row = tuple[str, float | int | None, str, str]
"""Quantity, value, unit, where it is so: a row of the table behind the name of its figure."""
Found = tuple[KeyFigure, Sequence[Row]]
"""One figure in words, and the numbers in it."""


def key_figures(problem: Problem, assessment: Assessment) -> tuple[KeyFigure, ...]:
    """The figures in words; those of streams or of lines are missing where there are none."""
    return tuple(shown for shown, _ in _all(problem, assessment))


def key_figures_table(problem: Problem, assessment: Assessment) -> Table:
    """Every number of the six figures and of the cautions beside them, with its unit.

    And how many streams make the deliveries of the table of streams.
    """
    parts, money = invented_parts(assessment)
    share = money / assessment.cost.money if assessment.cost.money else None
    invented: list[Row] = [
        ("parts", parts, "pieces", ""),
        ("money", money / MONEY_STEPS, problem.currency, ""),
        ("cost_share", None if share is None else round(share, 6), "", ""),
    ]
    traffic = _counts(streams=len(problem.streams), deliveries=len(assessment.streams))
    told = [(shown.name.lower(), rows) for shown, rows in _all(problem, assessment)]
    told += [("invented prices", invented), ("traffic", traffic)]
    return Table(
        "key-figures",
        "The figures of the first sheet",
        [
            Column("figure", "Figure"),
            Column("quantity", "Quantity", heads_row=True),
            Column("value", "Value", Kind.NUMBER),
            Column("unit", "Unit"),
            Column("where", "Where", Kind.ID),
        ],
        [(name, *row) for name, rows in told for row in rows],
    )


def invented_parts(assessment: Assessment) -> tuple[int, int]:
    """How many unlike parts have an invented price, and what they cost together in money steps."""
    lines = [line for line in assessment.parts if line.trust == "invented"]
    unlike = {(line.part, line.kind, line.unit_price_money, line.source) for line in lines}
    return len(unlike), sum(line.price_money for line in lines)


def sheet_anchor(assessment: Assessment, segment: str) -> str:
    """Id of the sheet of a line on the page; names of segments may hold anything."""
    ids = [s.id for s in assessment.layout.segments]
    return f"sheet-{ids.index(segment) + 1}" if segment in ids else ""


def _counts(where: str = "", **counts: int) -> list[Row]:
    """Quantities that are counted."""
    return [(quantity, number, "pieces", where) for quantity, number in counts.items()]


def _all(problem: Problem, assessment: Assessment) -> list[Found]:
    lines = [f for f in assessment.segments if problem.catalogue.is_line(f.segment.grade)]
    made = (
        _size(problem, assessment, len(lines)),
        _tightest(assessment),
        _longest(assessment, lines),
        _fullest(assessment, lines),
        _priced(problem, assessment),
        _growth(lines),
    )
    return [found for found in made if found is not None]


def _size(problem: Problem, assessment: Assessment, lines: int) -> Found:
    layout = assessment.layout
    placed = sum(len(s.devices) for s in layout.segments)
    links = len(layout.segments) - lines
    open_ = [s for s in problem.switches.values() if s.id in layout.open_switches]
    ports = sum(s.port_count for s in open_)
    used = {(s.switch, s.port) for s in layout.segments if s.switch in layout.open_switches}
    free = max(0, ports - len(used))
    of_all = "" if placed == len(problem.devices) else f" of {len(problem.devices)}"
    return (
        KeyFigure(
            "Size",
            f"{placed}{of_all}{NBSP}{'device' if len(problem.devices) == 1 else 'devices'}",
            f"{count_text(lines, 'line')} and {count_text(links, 'link')} at "
            f"{count_text(len(layout.open_switches), 'switch', 'switches')}, {free} of "
            f"{count_text(ports, 'port')} free",
            Chapter.PORTS.anchor,
        ),
        _counts(
            devices=placed, lines=lines, links=links, switches=len(layout.open_switches),
            ports=ports, ports_free=free,
        ),
    )  # fmt: skip


def _tightest(assessment: Assessment) -> Found | None:
    if not assessment.streams:
        return None
    worst = worst_first(assessment.streams)[0]
    way = f"{worst.stream} to {worst.destination}"
    deadline = stated_time_text(worst.deadline_ns)
    if worst.response_ns is None or worst.margin_ns is None:
        value, remark = "overload", f"{way}: more arrives than a line can carry"
    elif worst.margin_ns < 0:
        value = "late"
        remark = f"{way}: at most {time_text(worst.response_ns)} against {deadline}"
    else:
        value = f"{left_text(worst.margin_ns, worst.deadline_ns)} left"
        kept = kept_time_text(worst.response_ns, worst.deadline_ns)
        remark = f"{way}: at most {kept} of {deadline}"
    share = None if worst.margin_ns is None else round(worst.margin_ns / worst.deadline_ns, 6)
    return (
        KeyFigure("Tightest deadline", value, remark, Chapter.DEADLINES.anchor),
        [
            ("worst_delay_us", in_units(worst.response_ns, NS_PER_US), "µs", way),
            ("deadline_us", worst.deadline_ns / NS_PER_US, "µs", way),
            ("margin_us", in_units(worst.margin_ns, NS_PER_US), "µs", way),
            ("margin_share", share, "", way),
        ],
    )


def _longest(assessment: Assessment, lines: Sequence[SegmentFigures]) -> Found | None:
    if not lines:
        return None
    longest = max(lines, key=lambda f: f.length_um)
    where = longest.segment.id
    value = limited_length_text(longest.length_um, longest.length_limit_um, 1)
    alike = [f.segment.id for f in lines if f.length_um == longest.length_um]
    return (
        KeyFigure("Longest line", value, listed(alike, 3), sheet_anchor(assessment, where)),
        [
            ("length_m", longest.length_um / UM_PER_M, "m", where),
            ("length_limit_m", longest.length_limit_um / UM_PER_M, "m", where),
        ],
    )


def _fullest(assessment: Assessment, lines: Sequence[SegmentFigures]) -> Found | None:
    if not lines:
        return None

    def fill(f: SegmentFigures) -> float:
        return f.nodes / max(f.nodes_limit, 1)

    fullest = max(lines, key=lambda f: (fill(f), f.load_share_ppm))
    alike = [f.segment.id for f in lines if fill(f) == fill(fullest)]
    loaded = max(lines, key=lambda f: f.load_share_ppm)
    return (
        KeyFigure(
            "Fullest line",
            f"{fullest.nodes} of {fullest.nodes_limit}{NBSP}nodes",
            f"{listed(alike, 3)}; load at most "
            f"{limited_load_text(loaded.load_share_ppm, loaded.load_limit_ppm)} "
            f"({loaded.segment.id})",
            sheet_anchor(assessment, fullest.segment.id),
        ),
        [
            *_counts(fullest.segment.id, nodes=fullest.nodes, nodes_limit=fullest.nodes_limit),
            ("load_share", loaded.load_share_ppm / PPM, "", loaded.segment.id),
            ("load_limit_share", loaded.load_limit_ppm / PPM, "", loaded.segment.id),
        ],
    )


def _priced(problem: Problem, assessment: Assessment) -> Found:
    """Priced total beside that of the star, as far as the star has one.

    Nobody times the star, so where delays have a price the two are compared by money alone.
    """
    cost, star, aim = assessment.cost, assessment.baseline, problem.objective
    currency = problem.currency
    rows: list[Row] = [
        ("priced_total", cost.objective_money / MONEY_STEPS, currency, ""),
        ("money", cost.money / MONEY_STEPS, currency, ""),
        ("beside_money", (cost.objective_money - cost.money) / MONEY_STEPS, currency, ""),
    ]
    if aim.latency_price_per_ms_money:
        own, other, of = cost.money, star.money, "money of the switched star"
        rows.append(("star_money", other / MONEY_STEPS, currency, ""))
    else:
        mass = ceil_div(star.mass_mg * aim.mass_price_per_kg_money, MG_PER_KG)
        own, other, of = cost.objective_money, star.money + mass, "switched star"
        rows.append(("star_priced_total", other / MONEY_STEPS, currency, ""))
    less = (other - own) / other if other else 0.0
    word = "less" if less >= 0 else "more"
    # "0 % less" would leave open whether it is anything.
    digits = 0 if abs(less) >= 0.005 else 1
    return (
        KeyFigure(
            total_name(problem).capitalize(),
            money_text(cost.objective_money, currency),
            f"{of} {money_text(other, currency)}: "
            # That of all devices is no measure of a layout that lacks some.
            + ("has them all" if assessment.missing else f"{ratio_text(abs(less), digits)} {word}"),
            Chapter.COSTS.anchor,
        ),
        rows,
    )


def _growth(lines: Sequence[SegmentFigures]) -> Found | None:
    if not lines:
        return None
    left = [max(0, f.nodes_limit - f.nodes) for f in lines]
    roomy = sum(n > 0 for n in left)
    return (
        KeyFigure(
            "Growth left",
            f"{count_text(sum(left), 'node')}",
            f"up to the limits, on {roomy} of {count_text(len(lines), 'line')}",
            Chapter.GROWTH.anchor,
        ),
        _counts(nodes_left=sum(left), lines_with_room=roomy),
    )
