"""The sections every report has: what to build, drawings, rules, costs, cautions, run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from partitioner.model.assessment import Assessment
from partitioner.model.catalogue import Medium
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Basis, Problem
from partitioner.report.amounts import (
    count_text,
    length_text,
    listed,
    money_text,
    number_text,
    ratio_text,
    share_text,
)
from partitioner.report.charts import Bar, Series, stacked_figure, xy_figure
from partitioner.report.drawing import device_numbers, layout_figures
from partitioner.report.drawing_input import DrawingInput
from partitioner.report.sections import Column, Figure, Kind, Section, Table
from partitioner.report.strips import strip_figures
from partitioner.report.tables import (
    PARTS_OF_DELAY,
    delay_parts_ns,
    rows_of,
    worst_first,
)
from partitioner.units import MONEY_STEPS, PPM

if TYPE_CHECKING:
    import pandas as pd

GUARANTEED_NODES = 8
GUARANTEED_LENGTH_UM = 25_000_000
"""What any compliant mixing segment carries (IEEE Std 802.3 Clause 147)."""
MOST_ROWS = 2000
"""Rows of a table on the page; its CSV file has all."""
SHORT_SOURCE = 36
"""Letters up to which a source stands in the table itself."""
WORST_STREAMS = 24
"""Streams in the chart of delays."""


def shown(
    frame: pd.DataFrame,
    id: str,
    caption: str,
    columns: Sequence[Column],
    *,
    note: str = "",
    notes: Sequence[str] = (),
    folded: bool = False,
) -> Table:
    """Show some columns of a frame; the CSV file of the same name holds all of them."""
    rows = rows_of(frame[[c.key for c in columns]])
    if len(rows) > MOST_ROWS:
        cut = f"The first {MOST_ROWS} of {len(rows)} rows; {id}.csv has all of them."
        note = f"{cut} {note}".strip()
        rows = rows[:MOST_ROWS]
    return Table(id, caption, columns, rows, note=note, notes=notes, folded=folded)


def _with_source_notes(
    frame: pd.DataFrame, sources: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    """Replace long source texts by the number of a note below the table."""
    notes = [s for s in dict.fromkeys(sources) if len(s) > SHORT_SOURCE]
    shown_frame = frame.copy()
    shown_frame["source"] = [f"note {notes.index(s) + 1}" if s in notes else s for s in sources]
    return shown_frame, notes


def _segments_table(frame: pd.DataFrame) -> Table:
    """Segments with each figure and its limit in one cell, so that the order has room."""
    shown_frame = frame.copy()

    def of(key: str, limit: str, digits: int, per: int = 1) -> list[str | None]:
        return [
            None
            if most == 0
            else f"{number_text(used * per, digits if isinstance(used, float) else 0)} / "
            f"{number_text(most * per, 0 if most * per == int(most * per) else 2)}"
            for used, most in zip(frame[key], frame[limit], strict=True)
        ]

    shown_frame["nodes"] = of("nodes", "nodes_limit", 0)
    shown_frame["length_m"] = of("length_m", "length_limit_m", 2)
    shown_frame["longest_stub_m"] = of("longest_stub_m", "stub_limit_m", 2)
    shown_frame["load_share"] = of("load_share", "load_limit_share", 1, 100)
    pair = Kind.PAIR
    return shown(
        shown_frame,
        "segments",
        "Segments",
        [
            Column("segment", "Segment", Kind.ID, heads_row=True),
            Column("switch", "Switch", Kind.ID),
            Column("port", "Port", Kind.NUMBER),
            Column("grade", "Grade", Kind.ID),
            Column("nodes", "Nodes", pair),
            Column("length_m", "Length", pair, "m"),
            Column("longest_stub_m", "Stub", pair, "m"),
            Column("load_share", "Load", pair, "%"),
            Column("longest_cycle_us", "Cycle", Kind.NUMBER, "µs", 1),
            Column("devices", "Devices in order", Kind.NAMES),
        ],
        note="Each figure stands before its limit, the limit before reserve. The switch port "
        "counts as a node. Stub and cycle are the longest ones.",
    )


def what_to_build(
    problem: Problem,
    assessment: Assessment,
    frames: Mapping[str, pd.DataFrame],
    data: DrawingInput,
) -> Section:
    """Segments, drops, ports, cut list and PLCA settings."""
    layout = assessment.layout
    left_out = [s for s in problem.switches if s not in layout.open_switches]
    lines = [
        s for s in layout.segments if problem.catalogue.grades[s.grade].medium is Medium.MIXING
    ]
    intro = [
        f"{count_text(len(lines), 'shared line')} and "
        f"{count_text(len(layout.segments) - len(lines), 'link')} at "
        f"{listed(list(layout.open_switches))}. Devices are listed in the order in which the "
        "cable meets them."
    ]
    if left_out:
        intro.append(f"Candidate switches left out: {listed(left_out)}.")
    id_ = Kind.ID
    number = Kind.NUMBER
    tables = [
        _segments_table(frames["segments"]),
        shown(
            frames["drops"],
            "drops",
            "Drops in order along each segment",
            [
                Column("segment", "Segment", id_),
                Column("order", "Order", number),
                Column("node", "Node", id_, heads_row=True),
                Column("role", "Role"),
                Column("plca_id", "PLCA ID", number),
                Column("position_m", "From first end", number, "m", 2),
                Column("stub_m", "Stub", number, "m", 2),
                Column("option", "Option", id_),
                Column("fitted_share", "Fitted in", Kind.PERCENT, "", 0),
            ],
            folded=True,
        ),
        shown(
            frames["ports"],
            "ports",
            "Ports of the switches",
            [
                Column("switch", "Switch", id_),
                Column("port", "Port", number, heads_row=True),
                Column("grades", "Serves", Kind.NAMES),
                Column("segment", "Segment", id_),
                Column("grade", "Grade in use", id_),
                Column("device_count", "Devices", number),
            ],
            folded=True,
            note="A port without a segment is free.",
        ),
        shown(
            frames["wires"],
            "wires",
            "Cut list",
            [
                Column("piece", "Piece", id_, heads_row=True),
                Column("cable", "Cable", id_),
                Column("from", "From", id_),
                Column("to", "To", id_),
                Column("length_m", "Cut length", number, "m", 3),
                Column("fitted_share", "Fitted in", Kind.PERCENT, "", 0),
                Column("only_with", "Only with", Kind.NAMES),
                Column("only_without", "Only without", Kind.NAMES),
            ],
            folded=True,
            note="Slack of drops and ends is in the lengths. A row holds for units that have at "
            "least one of the options it is only with, and none of those it is only without. Where "
            "a line ends sooner without an option, the last piece there is a row of its own, "
            "longer by the slack of an end.",
        ),
        shown(
            frames["plca"],
            "plca",
            "PLCA settings",
            [
                Column("segment", "Segment", id_),
                Column("node", "Node", id_, heads_row=True),
                Column("role", "Role"),
                Column("node_id", "Node ID", number),
                Column("node_cnt", "Node count", number),
                Column("to_tmr", "TO timer", number, "BT"),
                Column("burst_cnt", "Burst count", number),
                Column("burst_tmr", "Burst timer", number, "BT"),
            ],
            folded=True,
            note="The node count is set at node 0, the coordinator. plca-ethtool.sh holds the "
            "same as commands, to be adapted.",
        ),
    ]
    if len(frames["backbone"]):
        tables.insert(
            2,
            shown(
                frames["backbone"],
                "backbone",
                "Backbone links",
                [
                    Column("from_switch", "From", id_, heads_row=True),
                    Column("to_switch", "To", id_),
                    Column("grade", "Grade", id_),
                    Column("rate_mbps", "Rate", number, "Mbit/s", 0),
                ],
            ),
        )
    return Section("What to build", intro, tables, strip_figures(data), id="build")


def drawings(frames: Mapping[str, pd.DataFrame], data: DrawingInput) -> Section:
    """The layout on its pathways."""
    intro = (
        "Cables that share a pathway are drawn side by side, one stroke for each passage. Each "
        "line has a colour and a dash of its own and carries its name; links are thin and in the "
        "colour of the text."
    )
    tables: tuple[Table, ...] = ()
    if device_numbers(data):
        tables = (
            shown(
                frames["device-numbers"],
                "device-numbers",
                "Device numbers in the drawings",
                [
                    Column("number", "Number", Kind.NUMBER),
                    Column("device", "Device", Kind.ID, heads_row=True),
                    Column("segment", "Segment", Kind.ID),
                ],
                folded=True,
            ),
        )
    return Section("Drawings", intro, tables, layout_figures(data), id="drawings")


def good_enough(
    problem: Problem, assessment: Assessment, frames: Mapping[str, pd.DataFrame]
) -> Section:
    """Broken rules if any, then each rule's margin, worst first."""
    if assessment.findings:
        intro = (
            f"{count_text(len(assessment.findings), 'broken rule')}. Below, how near every rule "
            "is to breaking at its tightest place, worst first."
        )
    else:
        intro = (
            "No rule is broken. How near each one is to breaking at its tightest place, worst "
            "first; a rule at 100 % is kept with nothing to spare."
        )
    margins, notes = _with_source_notes(
        frames["margins"], [str(s) for s in frames["margins"]["source"]]
    )
    columns = [
        Column("rule", "Rule", Kind.ID, heads_row=True),
        Column("state", "State", Kind.STATE, state_words=("kept", "at its limit", "broken")),
        Column("used_share", "Of the limit", Kind.BAR, "", 0),
        Column("figures", "Figures"),
        Column("where", "Where", Kind.ID),
        Column("source", "Source of the limit"),
        Column("trust", "Trust", Kind.TRUST),
    ]
    return Section(
        "Is it good enough",
        intro,
        (shown(margins, "margins", "Margin of every rule", columns, notes=notes),),
        id="margins",
        points=[f"{f.rule}: {f.sentence}" for f in assessment.findings],
    )


def deadlines(
    problem: Problem, assessment: Assessment, frames: Mapping[str, pd.DataFrame]
) -> Section | None:
    """Streams with their delays and margins, worst first; None without streams."""
    if not assessment.streams:
        return None
    late = sum(s.margin_ns is None or s.margin_ns < 0 for s in assessment.streams)
    intro = [
        f"{count_text(len(assessment.streams), 'delivery', 'deliveries')} of "
        f"{count_text(len(problem.streams), 'stream')}; "
        + ("every deadline is kept." if not late else f"{late} late or without a bound."),
        "The bound comes from the response-time analysis. The linear bound is a simpler and "
        "larger one.",
    ]
    number = Kind.NUMBER
    columns = [
        Column("stream", "Stream", Kind.ID, heads_row=True),
        Column("source", "From", Kind.ID),
        Column("destination", "To", Kind.ID),
        Column("pcp", "PCP", number),
        Column("queue_us", "Own queue", number, "µs", 1),
        Column("access_us", "Access", number, "µs", 1),
        Column("wire_us", "Wire", number, "µs", 1),
        Column("collision_us", "Collision", number, "µs", 1),
        Column("network_us", "Switches", number, "µs", 1),
        Column("bound_us", "Bound", number, "µs", 1),
        Column("deadline_us", "Deadline", number, "µs", 0),
        Column("margin_us", "Left", number, "µs", 1),
        Column("margin_share", "Left of deadline", Kind.PERCENT, "", 0),
        Column("state", "State", Kind.STATE, state_words=("kept", "tight", "late")),
    ]
    legs = [
        Column("stream", "Stream", Kind.ID, heads_row=True),
        Column("destination", "To", Kind.ID),
        Column("leg", "Leg", number),
        Column("kind", "Kind"),
        Column("where", "Where", Kind.ID),
        Column("queue_us", "Own queue", number, "µs", 1),
        Column("access_us", "Access", number, "µs", 1),
        Column("wire_us", "Wire", number, "µs", 1),
        Column("collision_us", "Collision", number, "µs", 1),
        Column("bound_us", "Bound", number, "µs", 1),
        Column("linear_bound_us", "Linear bound", number, "µs", 1),
    ]
    tables = (
        shown(
            frames["streams"],
            "streams",
            "Streams, least of the deadline left first",
            columns,
            folded=len(assessment.streams) > 40,
        ),
        shown(frames["legs"], "legs", "Legs of every stream", legs, folded=True),
    )
    figures = (_delay_figure(assessment),)
    return Section("Deadlines", intro, tables, figures, id="deadlines")


def _delay_figure(assessment: Assessment) -> Figure:
    bars = []
    for f in worst_first(assessment.streams)[:WORST_STREAMS]:
        name = f"{f.stream} to {f.destination}"
        if f.response_ns is None or f.margin_ns is None:
            bars.append(Bar(name, (), "■ overload", is_bad=True))
            continue
        parts = [p / f.deadline_ns for p in delay_parts_ns(f.legs)]
        left = f"{ratio_text(f.margin_ns / f.deadline_ns, 0)} left"
        is_late = f.margin_ns < 0
        bars.append(Bar(name, parts, f"■ {left}" if is_late else left, is_bad=is_late))
    count = len(bars)
    return stacked_figure(
        "delays",
        "Where the time goes",
        f"Worst-case delay of the {count} tightest deliveries as shares of their deadlines, split "
        "into own queue, access to the line, wire, collision, and switches with backbone. The "
        "table of streams holds the same figures.",
        PARTS_OF_DELAY,
        bars,
        limit=1.0,
        limit_name="deadline",
        caption=f"Where the time of the {count} tightest deliveries goes, as a share of the "
        "deadline.",
    )


def costs(
    problem: Problem,
    assessment: Assessment,
    frames: Mapping[str, pd.DataFrame],
    outcome: Outcome | None,
) -> Section:
    """Plan beside star, parts list, cost and bound over time."""
    cost, star = assessment.cost, assessment.baseline
    currency = problem.currency
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
        intro.append(
            f"With mass and latency weighed as the problem asks, the cost is "
            f"{money_text(cost.objective_money, currency)}."
        )
    number = Kind.NUMBER
    parts, notes = _with_source_notes(frames["parts"], [str(s) for s in frames["parts"]["source"]])
    by_kind = shown(
        frames["cost-by-kind"],
        "cost-by-kind",
        "Cost by kind",
        [
            Column("kind", "Kind", heads_row=True),
            Column("money", "Money", number, currency, 2),
            Column("share", "Share", Kind.BAR, "", 0),
        ],
    )
    tables = (
        shown(
            frames["baseline"],
            "baseline",
            "This layout beside the switched star",
            [
                Column("quantity", "Quantity", heads_row=True),
                Column("unit", "Unit"),
                Column("plan", "This layout", number, "", 2),
                Column("star", "Switched star", number, "", 2),
                Column("difference", "Difference", number, "", 2),
                Column("difference_share", "In per cent", Kind.PERCENT, "", 0),
            ],
            note=star.note,
        ),
        by_kind,
        shown(
            parts,
            "parts",
            "Parts",
            [
                Column("part", "Part", Kind.ID, heads_row=True),
                Column("kind", "Kind"),
                Column("quantity", "Quantity", number, "", 2),
                Column("unit", "Unit"),
                Column("unit_price", "Unit price", number, currency, 2),
                Column("price", "Price", number, currency, 2),
                Column("mass_g", "Mass", number, "g", 0),
                Column("source", "Source"),
                Column("trust", "Trust", Kind.TRUST),
            ],
            note="Quantities count a unit with every option; price and mass are weighted with "
            "the share of units that carry the part.",
            notes=notes,
        ),
    )
    figures = _timeline(problem, outcome)
    return Section("Costs", intro, tables, figures, id="costs", figures_last=True)


def _timeline(problem: Problem, outcome: Outcome | None) -> tuple[Figure, ...]:
    if outcome is None or len(outcome.timeline) < 2:
        return ()
    cost = [(s.seconds, s.cost_money / MONEY_STEPS) for s in outcome.timeline
            if s.cost_money is not None]  # fmt: skip
    bound = [(s.seconds, s.bound_money / MONEY_STEPS) for s in outcome.timeline
             if s.bound_money is not None]  # fmt: skip
    series = [Series("cost", cost, is_stepped=True)] if cost else []
    series += [Series("bound", bound, is_stepped=True)] if bound else []
    if not series:
        return ()
    return (
        xy_figure(
            "timeline",
            "Cost and bound over time",
            f"Cost of the best layout and proven bound against seconds; at the end the gap is "
            f"{ratio_text(outcome.gap, 2)}. The run data in outcome.json hold the same points.",
            series,
            "seconds",
            problem.currency,
            caption="Cost of the best layout found and the bound below which no layout can be, "
            "while the search ran.",
        ),
    )


def options(problem: Problem, frames: Mapping[str, pd.DataFrame]) -> Section | None:
    """Equipment options and builds; None when the problem has none."""
    if not problem.options:
        return None
    tables = [
        shown(
            frames["options"],
            "options",
            "Equipment options",
            [
                Column("option", "Option", Kind.ID, heads_row=True),
                Column("name", "Name"),
                Column("take_rate", "Take rate", Kind.PERCENT, "", 0),
                Column("device_count", "Devices", Kind.NUMBER),
                Column("devices", "Which", Kind.NAMES),
                Column("segments", "On segments", Kind.NAMES),
            ],
        )
    ]
    if problem.builds:
        tables.append(
            shown(
                frames["builds"],
                "builds",
                "Builds",
                [
                    Column("build", "Build", Kind.ID, heads_row=True),
                    Column("options", "Options", Kind.NAMES),
                    Column("share", "Share of units", Kind.PERCENT, "", 0),
                ],
            )
        )
    intro = [
        "Switch hardware is the same in every unit. A line is built up to the last drop that a "
        "unit carries, so cable, PHYs and connectors count with the share of units that carry "
        "them.",
        "Shares follow from the builds stated."
        if problem.builds
        else "Options are taken independently of each other.",
    ]
    return Section("Options and builds", intro, tables, id="options")


def cautions(
    problem: Problem, assessment: Assessment, frames: Mapping[str, pd.DataFrame]
) -> Section:
    """Assumptions, flags and what this report is not."""
    points = list(problem.warnings)
    used = {s.grade for s in assessment.layout.segments}
    for grade, limits in problem.limits.items():
        if limits.basis is Basis.ENGINEERED and grade in used:
            points.append(
                f"The limits of {grade} are engineered ones ({limits.nodes} nodes, "
                f"{length_text(limits.length_um)}): they hold for the parts and the environment "
                "they were qualified with and for no others."
            )
    beyond = [
        f.segment.id
        for f in assessment.segments
        if problem.catalogue.grades[f.segment.grade].medium is Medium.MIXING
        and (f.nodes > GUARANTEED_NODES or f.length_um > GUARANTEED_LENGTH_UM)
    ]
    if beyond:
        points.append(
            f"Beyond {GUARANTEED_NODES} nodes or {length_text(GUARANTEED_LENGTH_UM, 0)}, the most "
            "that every compliant part promises (IEEE Std 802.3 Clause 147), and so to be "
            f"qualified electrically: {listed(beyond)}."
        )
    invented = [r for r in frames["parts"].itertuples() if r.trust == "invented"]
    if invented:
        money = sum(r.price for r in invented)
        whole = assessment.cost.money / MONEY_STEPS
        share = f" ({ratio_text(money / whole, 0)} of the cost)" if whole else ""
        points.append(
            f"Invented prices and masses: {count_text(len(invented), 'part')} worth "
            f"{number_text(money, 2)} {problem.currency}{share}. Replace them in the problem file "
            "before any money is decided by them."
        )
    memory = sorted(
        {f"limit of {m.rule}" for m in assessment.margins if m.trust == "memory"}
        | {str(r.part) for r in frames["parts"].itertuples() if r.trust == "memory"}
        | {g for g in used if problem.catalogue.grades[g].trust.value == "memory"}
    )
    if memory:
        points.append(
            "Figures from memory, for which no text was read; look them up before relying on "
            f"them: {listed(memory, 12)}."
        )
    collision = "counted" if problem.plca.logical_collision else "left out, as the problem asks"
    points += [
        "Delay bounds hold for the model and the inputs stated here, not for a harness nobody "
        "has measured. Every node is taken to keep to its periods, jitters and frame sizes.",
        f"The one logical collision a plain half-duplex MAC can suffer is {collision}; that term "
        "is this program's own reading of the state diagrams of IEEE Std 802.3 Clause 148.",
        f"Transmit opportunity timer {problem.plca.to_timer_bt} BT, burst count "
        f"{problem.plca.burst_count}, on every node unless the PLCA table says otherwise.",
        "Nothing here is a functional-safety case, an EMC assessment or a wiring approval. Local "
        "codes and the engineers responsible decide.",
    ]
    return Section("Assumptions and cautions", "", points=points, id="cautions")


def run_block(
    problem: Problem, outcome: Outcome | None, facts: Sequence[tuple[str, str]]
) -> Section:
    """How the run went, for whoever wants to repeat it."""
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
            ("gap", share_text(round(outcome.gap * PPM), 2)),
            ("bound proved by", outcome.bound_source),
            ("stopped by", outcome.stopped_by),
            ("seconds", number_text(outcome.seconds, 1)),
            ("seconds to the best layout", number_text(outcome.seconds_to_best, 1)),
            ("seed", str(outcome.seed)),
            ("workers", str(outcome.workers)),
            ("candidate segments built", str(outcome.columns)),
            *((f"version of {name}", version) for name, version in outcome.versions),
        ]
    rows += list(facts)
    table = Table(
        "run",
        "Run",
        [Column("fact", "Fact", heads_row=True), Column("value", "Value")],
        rows,
        has_csv=False,
    )
    return Section("Run", "", (table,), id="run")
