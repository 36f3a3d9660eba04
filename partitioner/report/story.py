"""The chapters of a report: what the layout itself has to say, and the order of all the rest."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

from partitioner.model.assessment import Assessment, worst_first
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Basis, Problem
from partitioner.report.amounts import (
    count_text,
    gap_text,
    length_limit_text,
    listed,
    margin_time_text,
    money_text,
    number_text,
    ratio_text,
    rounded_amounts,
    time_text,
)
from partitioner.report.charts import Bar, Series, stacked_figure, xy_figure
from partitioner.report.delays import PARTS_OF_DELAY, delay_parts_ns
from partitioner.report.drawing import device_numbers, layout_figures
from partitioner.report.key_figures import invented_parts
from partitioner.report.legend import legends_of
from partitioner.report.sections import Chapter, Column, Figure, Paper, Section, State, Table
from partitioner.report.tables import margin_state
from partitioner.report.told import Told
from partitioner.report.verdict import priced_total_text
from partitioner.report.zone_plan import zone_plan
from partitioner.units import MONEY_STEPS, duration_text

GUARANTEED_NODES = 8
GUARANTEED_LENGTH_UM = 25_000_000
"""What any compliant mixing segment carries (IEEE Std 802.3 Clause 147)."""
WORST_STREAMS = 10
"""Streams in the chart of delays."""
MOST_BINDING = 4
"""Broken rules that are told on the first sheet."""
SUMMARY_LINES = 44.0
"""Lines of print up to which the table of all segments fits on the second printed page."""
DEVICES_WIDE = 64
"""Letters of its devices that stand on one line of it there."""


def own_sections(told: Told, chapters: Collection[Chapter]) -> tuple[Section, ...]:
    """All sections of a report in the order of the page, as far as it has these chapters.

    A further section stands after what its chapter has of its own, one without a chapter first.
    """
    own = [
        make(told)
        for make in (
            _views, _lines, _ports, _deadlines, _rules, _costs, _options, _settings, _cautions,
            _run_block,
        )
    ]  # fmt: skip
    made = [s for s in (*own, *told.sections, _cut_list(told)) if s is not None]
    first = tuple(s for s in made if s.chapter is None)
    return first + tuple(
        _chapter(chapter, [s for s in made if s.chapter is chapter])
        for chapter in Chapter
        if chapter in chapters and any(s.chapter is chapter for s in made)
    )


def _chapter(chapter: Chapter, sections: Sequence[Section]) -> Section:
    """One chapter: its first section under the chapter's heading, the others below it."""
    head, *parts = sections
    return replace(head, title=chapter.title, id=chapter.anchor, parts=(*head.parts, *parts))


def _views(told: Told) -> Section:
    """The layout on its pathways."""
    intro = (
        "Cables that share a pathway are drawn side by side, one stroke for each passage. Each "
        "line has a colour and a dash of its own and carries its name; links are thin and in the "
        "colour of the text."
    )
    tables, data = told.tables, told.drawn
    listed_here = [tables["device-numbers"]] if device_numbers(data) else []
    if tables["pathways"].rows:
        listed_here.append(tables["pathways"])
    figures = layout_figures(data)
    legend = Section("Legend", figures=legends_of(figures), id="legend")
    parts = (legend,) if figures else ()
    side = zone_plan(data, "zones-side", 1)
    shown = (*figures, side) if side is not None else figures
    return Section("", intro, listed_here, shown, parts=parts, chapter=Chapter.VIEWS)


def _lines(told: Told) -> Section:
    """All segments in one table; their sheets follow."""
    layout = told.assessment.layout
    lines = [s for s in layout.segments if told.problem.catalogue.is_line(s.grade)]
    intro = (
        f"{count_text(len(lines), 'shared line')} and "
        f"{count_text(len(layout.segments) - len(lines), 'link')} at "
        f"{listed(layout.open_switches)}. Devices are listed in the order in which the "
        "cable meets them."
    )
    devices = (len(", ".join(segment.devices)) for segment in layout.segments)
    lines_tall = sum(max(1, math.ceil(letters / DEVICES_WIDE)) + 1 / 3 for letters in devices)
    paper = Paper.SUMMARY if lines_tall <= SUMMARY_LINES else Paper.SHEETS
    return Section("", intro, [told.tables["segments"]], chapter=Chapter.LINES, paper=paper)


def _cut_list(told: Told) -> Section:
    """Drops and pieces of cable of all segments together."""
    return Section(
        "Drops and pieces of all segments",
        tables=[told.tables["drops"], told.tables["wires"]],
        id="cut-list",
        chapter=Chapter.LINES,
    )


def _ports(told: Told) -> Section:
    """Ports in use and free, the backbone, switches left out."""
    opened = told.assessment.layout.open_switches
    left_out = [s for s in told.problem.switches if s not in opened]
    ports, backbone = told.tables["ports"], told.tables["backbone"]
    free = sum(not row["segment"] for row in ports.records())
    intro = [f"{count_text(len(ports.rows), 'port')} at the switches, {free} of them free."]
    if left_out:
        intro.append(f"Candidate switches left out: {listed(left_out)}.")
    shown = [backbone, ports] if backbone.rows else [ports]
    return Section("", intro, shown, chapter=Chapter.PORTS, paper=Paper.SHEETS)


def _settings(told: Told) -> Section | None:
    """PLCA settings of every node; None where nothing runs PLCA."""
    if not told.tables["plca"].rows:
        return None
    intro = "What the software of every node is set to. plca-ethtool.sh has the same as commands."
    return Section("", intro, [told.tables["plca"]], chapter=Chapter.SETTINGS)


def _rules(told: Told) -> Section:
    """Broken rules if any, then each rule's margin, worst first."""
    assessment = told.assessment
    if assessment.findings:
        intro = (
            f"{_broken_text(assessment)}. Below, how near every rule "
            "is to breaking at its tightest place, worst first."
        )
    else:
        intro = (
            "No rule is broken. How near each one is to breaking at its tightest place, worst "
            "first; a rule at 100 % is kept with nothing to spare."
        )
    broken = [f"{f.rule}: {rounded_amounts(f.sentence)}" for f in assessment.findings]
    return Section(
        "",
        intro,
        [told.tables["margins"]],
        chapter=Chapter.RULES,
        points=broken,
        urgent=[*broken[:MOST_BINDING], *_binding(assessment)],
    )


def _broken_text(assessment: Assessment) -> str:
    """How much is wrong, what is missing aside from what is broken."""
    missing, broken = len(assessment.missing), len(assessment.broken)
    said = [f"{count_text(missing, 'device')} without a place"] if missing else []
    rules = count_text(broken, "broken rule")
    return ", ".join([*said, rules if broken or not missing else "no rule broken besides"])


def _binding(assessment: Assessment) -> list[str]:
    """The limits that leave nothing, or next to nothing, in one sentence."""
    at_limit = [m for m in assessment.margins if margin_state(m.used) is State.WARN]
    named = listed([f"{m.rule} ({m.where_in_all})" for m in at_limit])
    return [f"At most 5 % to spare: {named}."] if named else []


def _deadlines(told: Told) -> Section | None:
    """Streams with their delays and margins, worst first; None without streams."""
    streams = told.assessment.streams
    if not streams:
        return None
    late = sum(s.margin_ns is None or s.margin_ns < 0 for s in streams)
    intro = [
        f"{count_text(len(streams), 'delivery', 'deliveries')} of "
        f"{count_text(len(told.problem.streams), 'stream')}; "
        + ("every deadline is kept." if not late else f"{late} late or overloaded."),
        "Worst-case delays come from the response-time analysis. The linear delay is a simpler and "
        "larger one.",
    ]
    shown = [told.tables["streams"], told.tables["legs"]]
    figures = [_waterfall(told.assessment)]
    return Section("", intro, shown, figures, chapter=Chapter.DEADLINES)


def _waterfall(assessment: Assessment) -> Figure:
    """Every leg of the tightest deliveries where the one before it ended."""
    bars = []
    worst = worst_first(assessment.streams)[:WORST_STREAMS]
    tightest = "tightest delivery" if len(worst) == 1 else f"{len(worst)} tightest deliveries"
    for f in worst:
        name = f"{f.stream} to {f.destination}"
        about = {"data_stream": f.stream}
        if f.response_ns is None or f.margin_ns is None:
            bars.append(Bar(name, (), "■ overload", True, about, is_heading=True))
            continue
        is_late = f.margin_ns < 0
        said = f"{time_text(f.response_ns)} of {margin_time_text(f.deadline_ns)}"
        note = f"■ late: {said}" if is_late else said
        bars.append(Bar(name, (), note, is_late, about, is_heading=True))
        start = 0.0
        for leg in f.legs:
            parts = [p / f.deadline_ns for p in delay_parts_ns([leg])]
            where = f"{leg.kind.value}, {leg.where}"
            bars.append(Bar(where, parts, time_text(leg.response_ns), False, about, start))
            start += sum(parts)
    return stacked_figure(
        "delays",
        "Where the time goes",
        f"The legs of the {tightest} one after the other, as shares of "
        "deadlines, split into own queue, access to the line, wire, collision, and switches with "
        "backbone. The table of legs holds the same figures.",
        PARTS_OF_DELAY,
        bars,
        limit_name="deadline",
        caption=f"The {tightest}, leg by leg: each bar begins where the leg "
        "before it ended, and the upright line is the deadline.",
    )


def _costs(told: Told) -> Section:
    """Layout beside star, cost by kind, parts list."""
    cost, star = told.assessment.cost, told.assessment.baseline
    currency = told.problem.currency
    intro = [
        f"Money {money_text(cost.money, currency)}, mass {number_text(cost.mass_mg / 1000, 0)} g. "
        "Whatever only some units carry counts with the share of units that carry it."
    ]
    if star.money > cost.money:
        less = ratio_text((star.money - cost.money) / star.money, 0)
        intro.append(
            f"{money_text(star.money - cost.money, currency)} ({less}) less than a switched star."
        )
    if cost.objective_money != cost.money:
        total = priced_total_text(told.problem, told.assessment)
        intro.append(f"{total[0].upper()}{total[1:]}.")
    shown = [told.tables[n] for n in ("baseline", "cost-by-kind", "parts")]
    return Section("", intro, shown, chapter=Chapter.COSTS)


def _timeline(problem: Problem, outcome: Outcome | None) -> tuple[Figure, ...]:
    if outcome is None or len(outcome.timeline) < 2:
        return ()
    curves = {
        "cost": [(s.seconds, s.cost_money) for s in outcome.timeline],
        "bound": [(s.seconds, s.bound_money) for s in outcome.timeline],
    }
    series = []
    for name, points in curves.items():
        known = [(at, money / MONEY_STEPS) for at, money in points if money is not None]
        if known:
            series.append(Series(name, known, is_stepped=True))
    if not series:
        return ()
    return (
        xy_figure(
            "timeline",
            "Cost and bound over time",
            f"Cost of the best layout and proven bound against seconds; at the end the gap is "
            f"{gap_text(outcome.gap)}. The run data in outcome.json hold the same points.",
            series,
            "seconds",
            problem.currency,
            caption="Cost of the best layout found and the bound below which no layout can be, "
            "while the search ran.",
        ),
    )


def _options(told: Told) -> Section | None:
    """Equipment options and builds; None when the problem has none."""
    problem, tables = told.problem, told.tables
    if not problem.options:
        return None
    intro = [
        "Switch hardware is the same in every unit. A line is built up to the last drop that a "
        "unit carries, so cable, PHYs and connectors count with the share of units that carry "
        "them.",
        "Shares follow from the builds stated."
        if problem.builds
        else "Options are taken independently of each other.",
    ]
    shown = [tables["options"], *([tables["builds"]] if problem.builds else [])]
    return Section("", intro, shown, chapter=Chapter.OPTIONS)


def _cautions(told: Told) -> Section:
    """Assumptions, flags and what this report is not."""
    problem, assessment = told.problem, told.assessment
    used = {s.grade for s in assessment.layout.segments}
    qualify = [
        f"The limits of {grade} are engineered ones ({limits.nodes} nodes, "
        f"{length_limit_text(limits.length_um)}): they hold for the parts and the environment they "
        "were qualified with and for no others."
        for grade, limits in problem.limits.items()
        if limits.basis is Basis.ENGINEERED and grade in used
    ]
    beyond = [
        f.segment.id
        for f in assessment.segments
        if problem.catalogue.is_line(f.segment.grade)
        and (f.nodes > GUARANTEED_NODES or f.length_um > GUARANTEED_LENGTH_UM)
    ]
    if beyond:
        lines = sum(problem.catalogue.is_line(s.grade) for s in assessment.layout.segments)
        named = f"all {lines} lines" if 3 < len(beyond) == lines else listed(beyond)
        qualify.append(
            f"Beyond {GUARANTEED_NODES} nodes or {length_limit_text(GUARANTEED_LENGTH_UM)}, all "
            "that IEEE Std 802.3 Clause 147 promises, and so to be qualified electrically: "
            f"{named}."
        )
    cautions = list(problem.warnings)
    parts = told.tables["parts"].records()
    invented, money = invented_parts(assessment)
    if invented:
        whole = assessment.cost.money
        share = f" ({ratio_text(money / whole, 0)} of the cost)" if whole else ""
        cautions.append(
            f"Invented prices and masses: {count_text(invented, 'part')} worth "
            f"{money_text(money, problem.currency)}{share}. Replace them in the problem file "
            "before any money is decided by them."
        )
    memory = sorted(
        {f"limit of {m.rule}" for m in assessment.margins if m.trust == "memory"}
        | {r["part"] for r in parts if r["trust"] == "memory"}
        | {g for g in used if problem.catalogue.grades[g].trust.value == "memory"}
    )
    if memory:
        cautions.append(
            "Figures from memory, for which no text was read; look them up before relying on "
            f"them: {listed(memory, 12)}."
        )
    collision = "counted" if problem.plca.logical_collision else "left out, as the problem asks"
    cautions += [
        "Worst-case delays hold for the model and the inputs stated here, not for a harness nobody "
        "has measured. Every node is taken to keep to its periods, jitters and frame sizes.",
        "Nothing here is a functional-safety case, an EMC assessment or a wiring approval. Local "
        "codes and the engineers responsible decide.",
    ]
    assumed = [
        f"The one logical collision a plain half-duplex MAC can suffer is {collision}; that term "
        "is this program's own reading of the state diagrams of IEEE Std 802.3 Clause 148.",
        "Traffic that the file does not list is in no worst-case delay: management, time "
        "synchronisation, diagnosis, address resolution, frames of a node that babbles. List "
        "what will run.",
        "A frame that is lost, to noise or to a full buffer, is lost: nothing is sent again below "
        "the application, and no delay is promised for it. Queues are taken to hold what waits.",
        "Node 0 of each line gives the turns. If it dies, nodes fall back to plain collisions "
        "(CSMA/CD) and no delay on that line is promised; a dead switch port counts as a failure "
        "of the whole segment.",
        "Delays count from a frame's arrival in the queue of its network interface to its last bit "
        "at the receiver. What software takes before and after comes on top.",
        "Devices queue as the problem says (FIFO or by PCP), switch ports by PCP with strict "
        "priority, without preemption and without shaping; hardware that queues otherwise has "
        "other delays.",
        f"Transmit opportunity timer {problem.plca.to_timer_bt} BT, burst count "
        f"{problem.plca.burst_count}, on every node unless the PLCA table says otherwise.",
    ]
    return Section(
        "",
        points=[*qualify, *cautions, *assumed],
        chapter=Chapter.ASSUMPTIONS,
        urgent=qualify,
        cautions=cautions,
    )


def _on_start(outcome: Outcome) -> str:
    """What became of the layout that the run began from."""
    if not outcome.start_unusable:
        return "All of it was used."
    return " ".join(["Used but for this:", *(f"{s}." for s in outcome.start_unusable)])


def _run_block(told: Told) -> Section:
    """How the run went, for whoever wants to repeat it."""
    problem, outcome = told.problem, told.outcome
    rows: list[tuple[str, str]] = [
        ("problem", problem.name),
        ("digest of its files", problem.digest),
        ("devices", str(len(problem.devices))),
        ("streams", str(len(problem.streams))),
    ]
    if outcome is not None:
        rows += [
            ("status", outcome.status.value),
            ("cost", money_text(outcome.cost_money, problem.currency)),
            ("bound", money_text(outcome.bound_money, problem.currency)),
            ("gap", gap_text(outcome.gap)),
            ("stopped by", outcome.stopped_by),
            ("searched for", duration_text(outcome.seconds)),
            ("best layout after", duration_text(outcome.seconds_to_best)),
            ("seed", str(outcome.seed)),
            ("workers", str(outcome.workers)),
            ("candidate segments built", str(outcome.columns)),
            *((f"version of {name}", version) for name, version in outcome.versions),
        ]
        if outcome.has_start:
            rows.append(("begun from a layout", _on_start(outcome)))
    rows += told.facts
    table = Table(
        "run",
        "Run",
        [Column("fact", "Fact", heads_row=True), Column("value", "Value")],
        rows,
        has_csv=False,
    )
    figures = _timeline(problem, outcome)
    return Section("", "", (table,), figures, chapter=Chapter.RUN, figures_last=True)
