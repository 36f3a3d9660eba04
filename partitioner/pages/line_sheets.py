"""One sheet for every shared line: what the shop builds it from and the reviewer judges it by."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from partitioner.check.facts import Facts
from partitioner.facts.line_settings import line_rounds
from partitioner.model.assessment import Assessment, RuleMargin, SegmentFigures, worst_first
from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.amounts import (
    count_text,
    length_text,
    limited_length_text,
    limited_load_text,
    listed,
    ratio_text,
)
from partitioner.report.drawing import Looks
from partitioner.report.drawing_input import DrawingInput, drawing_input
from partitioner.report.key_figures import sheet_anchor
from partitioner.report.rounds import Round, round_figure
from partitioner.report.sections import Chapter, Column, Figure, Kind, Paper, Section, Table
from partitioner.report.strips import read_like, strip_figures
from partitioner.report.tables import drops_table, wires_table
from partitioner.units import MUL_PER_UNIT_LOAD, PPM

DROP_KEYS = ("order", "node", "plca_id", "position_m", "stub_m", "option", "fitted_share")
WIRE_KEYS = ("piece", "cut_m", "fitted_share", "only_with", "only_without")


def line_sheets(
    facts: Facts, assessment: Assessment, electrical: Sequence[RuleMargin]
) -> tuple[Section, ...]:
    """A section for each shared line, with its electrical estimate, and one for all links."""
    problem = facts.problem
    data = drawing_input(problem, assessment)
    rounds = line_rounds(facts)
    own: dict[str, list[RuleMargin]] = {}
    for margin in electrical:
        own.setdefault(margin.where, []).append(margin)
    made = sheets(problem, assessment, data, rounds, own)
    return (*made, _rounds(rounds)) if rounds else made


def _rounds(rounds: Mapping[str, Round]) -> Section:
    """The figures of the diagrams of rounds, in one table."""
    table = Table.of(
        "rounds",
        "Rounds of the lines",
        rounds.items(),
        [
            col.name("segment", "Line", lambda row: row[0], heads_row=True),
            col.number("turns", "Turns", lambda row: len(row[1].turns)),
            col.micros("beacon_us", "BEACON", lambda row: row[1].start_ns),
            col.micros("silent_us", "Nobody sends", lambda row: row[1].silent_ns),
            col.micros("longest_us", "Everybody sends", lambda row: row[1].longest_ns),
        ],
        note="BEACON: with its way along the line. Everybody sends the longest frame it has.",
        folded=True,
    )
    return Section("Rounds", tables=(table,), id="rounds", chapter=Chapter.LINES)


def sheets(
    problem: Problem,
    assessment: Assessment,
    data: DrawingInput,
    rounds: Mapping[str, Round],
    electrical: Mapping[str, Sequence[RuleMargin]],
) -> tuple[Section, ...]:
    """The same from what is known of each line, by its id."""
    strips = strip_figures(data)
    strokes = Looks.of(data).strokes
    drops, wires = drops_table(problem, assessment), wires_table(problem, assessment)
    tightest: dict[str, str] = {}
    for stream in worst_first(assessment.streams):
        for leg in stream.legs:
            tightest.setdefault(leg.where, f"{stream.stream} to {stream.destination}")
    made: list[Section] = []
    for figures in assessment.segments:
        segment = figures.segment
        if segment.id not in strips:
            continue
        anchor = sheet_anchor(assessment, segment.id)
        drawn: list[Figure] = [strips[segment.id]]
        if segment.id in rounds:
            hue = strokes[segment.id].css_class
            figure = round_figure(f"{anchor}-round", segment.id, rounds[segment.id], hue)
            like = next((s.title for s in made if len(s.figures) > 1), "")
            own_name = f"Round of {segment.id}"
            caption = read_like(own_name, like) if like else f"{own_name}. {figure.caption}"
            drawn.append(replace(figure, caption=caption))
        made.append(
            Section(
                segment.id,
                _intro(problem, figures, tightest.get(segment.id)),
                [
                    _of_line(drops, segment.id, f"{anchor}-drops", "Drops", DROP_KEYS),
                    _of_line(wires, segment.id, f"{anchor}-wires", "To cut", WIRE_KEYS),
                    _margins(figures, electrical.get(segment.id, ()), f"{anchor}-margins"),
                ],
                drawn,
                id=anchor,
                chapter=Chapter.LINES,
                paper=Paper.SHEETS,
                is_beside=True,
            )
        )
    links = [f.segment.id for f in assessment.segments if f.segment.id not in strips]
    if links:
        made.append(_links(wires, links))
    return tuple(made)


def _intro(problem: Problem, figures: SegmentFigures, tightest: str | None) -> str:
    segment = figures.segment
    limits = problem.limits.get(segment.grade)
    words = (
        f"{segment.grade} at {segment.switch} port {segment.port}: "
        f"{figures.nodes} of {count_text(figures.nodes_limit, 'node')}, "
        f"{limited_length_text(figures.length_um, figures.length_limit_um)}."
    )
    reserve = None if limits is None else limits.reserve
    if reserve is not None:
        load = ratio_text(reserve.load_share_ppm / PPM, 0)
        kept = [
            f"{count_text(reserve.nodes, 'node')}" if reserve.nodes else "",
            length_text(reserve.length_um, 1) if reserve.length_um else "",
            f"{load} of load" if reserve.load_share_ppm else "",
        ]
        if any(kept):
            words += f" Kept in reserve: {listed([k for k in kept if k])}."
    if tightest:
        words += f" Tightest stream over it: {tightest}."
    return words


def _slice(
    whole: Table, segments: Collection[str], id: str, caption: str, keys: Sequence[str]
) -> Table:
    """The rows of some segments, with the columns that are not empty in all of them."""
    at = {c.key: i for i, c in enumerate(whole.columns)}
    rows = [row for row in whole.rows if row[at["segment"]] in segments]
    shown = [k for k in keys if any(row[at[k]] not in (None, "") for row in rows)]
    return Table(id, caption, whole.columns, rows, has_csv=False, shown=shown)


def _of_line(whole: Table, segment: str, id: str, caption: str, keys: Sequence[str]) -> Table:
    """The rows of one line; what every unit has is not told to be so."""
    own = _slice(whole, (segment,), id, caption, keys)
    is_always = all(row["fitted_share"] == 1 for row in own.records())
    return replace(own, shown=[k for k in own.shown if not (is_always and k == "fitted_share")])


def _margins(figures: SegmentFigures, electrical: Sequence[RuleMargin], id: str) -> Table:
    """How near the line is to each of its limits."""

    def row(what: str, used: float, limit: float, words: str) -> tuple[str, float, str]:
        return what, used / limit if limit else 0.0, words

    f = figures
    rows = [
        row("nodes", f.nodes, f.nodes_limit, f"{f.nodes} of {f.nodes_limit}"),
        row(
            "length", f.length_um, f.length_limit_um,
            limited_length_text(f.length_um, f.length_limit_um),
        ),
        row(
            "longest stub", f.longest_stub_um, f.stub_limit_um,
            f"{length_text(f.longest_stub_um)} of {length_text(f.stub_limit_um)}",
        ),
        row(
            "load", f.load_share_ppm, f.load_limit_ppm,
            limited_load_text(f.load_share_ppm, f.load_limit_ppm),
        ),
    ]  # fmt: skip
    if f.unit_load_limit_mul is not None:
        own, limit = (m / MUL_PER_UNIT_LOAD for m in (f.unit_load_mul, f.unit_load_limit_mul))
        rows.append(row("unit loads", own, limit, f"{own:g} of {limit:g}"))
    # As in the table of the electrical estimate, so that both show the same per cent.
    rows += [(m.rule.replace("-", " "), round(m.used, 4), m.text) for m in electrical]
    return Table(
        id,
        "Margins",
        [
            Column("figure", "Figure", heads_row=True),
            Column("used", "Of the limit", Kind.BAR),
            Column("text", "Value"),
        ],
        rows,
        has_csv=False,
    )


def _links(wires: Table, links: Sequence[str]) -> Section:
    """The pieces of all links in one table."""
    table = _slice(wires, links, "links-wires", "To cut", ("segment", *WIRE_KEYS))
    return Section(
        "Links", f"{count_text(len(links), 'link')}, one device each.", [table], id="links",
        chapter=Chapter.LINES, paper=Paper.SHEETS,
    )  # fmt: skip
