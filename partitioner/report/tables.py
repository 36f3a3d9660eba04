"""What there is to know of a layout as tables: one for each CSV file, units in the column names.

Names in cells are ids of the problem file. Shares are fractions of 1. In a file the rows are those
that people see, with the columns that have no title as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR
from functools import partial
from typing import Any

from partitioner.model.assessment import Assessment, Leg, SegmentFigures, StreamFigures, worst_first
from partitioner.model.plca import plca_ids, plca_node_count, plca_nodes
from partitioner.model.problem import Pathway, Problem
from partitioner.report import columns as col
from partitioner.report.delays import delay_parts_ns
from partitioner.report.key_figures import key_figures_table
from partitioner.report.sections import Column, Kind, State, Table
from partitioner.units import MG_PER_KG, MONEY_STEPS, MUL_PER_UNIT_LOAD, PPM, UM_PER_M, in_units

WORST_SPARE = 0.1
"""A deadline with less than this share left is marked as tight."""
MOST_LEGS = 500
"""Legs on the page, those of the tightest deliveries."""
MOST_PATHWAYS = 100
"""Pathways on the page, the fullest; large halls have thousands, and most hold one cable."""
MANY_STREAMS = 40
"""The table of more deliveries is shown closed."""


def all_tables(problem: Problem, assessment: Assessment) -> dict[str, Table]:
    """Every table of a layout, by the name of its file without ``.csv``."""
    made = (
        key_figures_table(problem, assessment),
        segments_table(problem, assessment),
        drops_table(problem, assessment),
        ports_table(problem, assessment),
        backbone_table(problem, assessment),
        pathways_table(problem, assessment),
        streams_table(problem, assessment),
        legs_table(assessment),
        margins_table(assessment),
        parts_table(problem, assessment),
        wires_table(problem, assessment),
        plca_table(problem, assessment),
        baseline_table(problem, assessment),
        cost_by_kind_table(problem, assessment),
        options_table(problem, assessment),
        builds_table(problem),
        device_numbers_table(assessment),
    )
    return {table.name: table for table in made}


def pathways_table(problem: Problem, assessment: Assessment) -> Table:
    """Pathways that hold cables or only so many, fullest first: what runs through each."""
    through: dict[str, dict[str, None]] = {p.id: {} for p in problem.pathways}
    for wire in assessment.wires:
        for pathway in wire.pathways:
            through[pathway][wire.belongs_to] = None

    def filling(pathway: Pathway) -> float | None:
        return len(through[pathway.id]) / pathway.max_cables if pathway.max_cables else None

    shown = [p for p in problem.pathways if through[p.id] or p.max_cables is not None]
    return Table.of(
        "pathways",
        "Pathways and their filling",
        sorted(shown, key=lambda p: (-(filling(p) or 0.0), -len(through[p.id]))),
        [
            col.name("pathway", "Pathway", lambda p: p.id, heads_row=True),
            col.name("start", "", lambda p: p.ends[0]),
            col.name("end", "", lambda p: p.ends[1]),
            col.metres("length_m", "Length", lambda p: p.length_um),
            col.number("cable_count", "Cables", lambda p: len(through[p.id])),
            col.number("max_cables", "Hold at most", lambda p: p.max_cables),
            col.bar("filling_share", "Filling", filling),
            col.names("cables", "Which", lambda p: through[p.id]),
        ],
        note="A cable that runs there and back counts once, as in the rule on them.",
        folded=True,
        most_rows=MOST_PATHWAYS,
    )  # fmt: skip


def segments_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per segment with its figures beside its limits (limits before reserve)."""
    grades = problem.catalogue.grades

    def basis(figures: SegmentFigures) -> str:
        limits = problem.limits.get(figures.segment.grade)
        return limits.basis.value if limits is not None else ""

    return Table.of(
        "segments",
        "Segments",
        assessment.segments,
        [
            col.name("segment", "Segment", lambda f: f.segment.id, heads_row=True),
            col.name("switch", "Switch", lambda f: f.segment.switch),
            col.number("port", "Port", lambda f: f.segment.port),
            col.name("grade", "Grade", lambda f: f.segment.grade),
            col.text("medium", "", lambda f: grades[f.segment.grade].medium.value),
            col.number("device_count", "Devices", lambda f: len(f.segment.devices)),
            col.names("devices", "Devices in order", lambda f: f.segment.devices),
            col.number("nodes", "Nodes", lambda f: f.nodes, limit="nodes_limit"),
            col.text("nodes_limit", "", lambda f: f.nodes_limit),
            col.metres("length_m", "Length", lambda f: f.length_um, limit="length_limit_m"),
            col.metres("length_limit_m", "", lambda f: f.length_limit_um),
            col.metres("longest_stub_m", "Stub", lambda f: f.longest_stub_um,
                       limit="stub_limit_m"),
            col.metres("stub_limit_m", "", lambda f: f.stub_limit_um),
            col.load("load_share", "Load", lambda f: f.load_share_ppm, limit="load_limit_share"),
            col.share("load_limit_share", "", lambda f: f.load_limit_ppm),
            col.text("unit_loads", "", lambda f: f.unit_load_mul / MUL_PER_UNIT_LOAD),
            col.text("unit_loads_limit", "",
                     lambda f: in_units(f.unit_load_limit_mul, MUL_PER_UNIT_LOAD)),
            col.micros("longest_cycle_us", "Cycle", lambda f: f.cycle_ns or None),
            col.text("plca_node_count", "",
                     lambda f: plca_node_count(f.segment, grades[f.segment.grade]) or None),
            col.text("basis", "", basis),
        ],
        note="Each figure stands before its limit, the limit before reserve. The switch port "
        "counts as a node. Stub and cycle are the longest ones.",
        shown=("segment", "switch", "port", "grade", "nodes", "length_m", "longest_stub_m",
               "load_share", "longest_cycle_us", "devices"),
    )  # fmt: skip


def drops_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per drop in the order of the cable, the switch port among them."""
    rows: list[tuple[Any, ...]] = []
    for f in assessment.segments:
        s = f.segment
        ids = plca_ids(s, problem.catalogue.grades[s.grade])
        shown: Sequence[int | None] = ids or (None,) * len(s.devices)
        drops: list[tuple[Any, ...]] = [
            (
                device,
                "device",
                shown[i],
                f.positions_um[i] / UM_PER_M if f.positions_um else None,
                problem.devices[device].stub_um / UM_PER_M,
                problem.devices[device].option or "",
                problem.fitted_share_ppm((device,)) / PPM,
            )
            for i, device in enumerate(s.devices)
        ]
        port = (s.switch, "switch port", 0 if ids else None,
                f.switch_position_um / UM_PER_M, 0.0, "", 1.0)  # fmt: skip
        drops.insert(s.switch_index, port)
        rows += [(s.id, order, *drop) for order, drop in enumerate(drops, 1)]
    return Table(
        "drops",
        "Drops in order along each segment",
        [
            Column("segment", "Segment", Kind.ID),
            Column("order", "Order", Kind.NUMBER),
            Column("node", "Node", Kind.ID, heads_row=True),
            Column("role", "Role"),
            Column("plca_id", "PLCA ID", Kind.NUMBER),
            Column("position_m", "From first end", Kind.NUMBER, "m", 2, rounding=ROUND_CEILING),
            Column("stub_m", "Stub", Kind.NUMBER, "m", 2, rounding=ROUND_CEILING),
            Column("option", "Option", Kind.ID),
            Column("fitted_share", "Fitted in", Kind.PERCENT, "", 0),
        ],
        rows,
        folded=True,
    )


def ports_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per port of every open switch, free ones too."""
    used = {(s.switch, s.port): s for s in assessment.layout.segments}
    opened = (problem.switches[s] for s in problem.switches if s in assessment.layout.open_switches)
    return Table.of(
        "ports",
        "Ports of the switches",
        [
            (switch.id, port, group, used.get((switch.id, port)))
            for switch in opened
            for port, group in switch.ports.items()
        ],
        [
            col.name("switch", "Switch", lambda row: row[0]),
            col.number("port", "Port", lambda row: row[1], heads_row=True),
            col.names("grades", "Serves", lambda row: row[2].grades),
            col.name("segment", "Segment", lambda row: row[3].id if row[3] else ""),
            col.name("grade", "Grade in use", lambda row: row[3].grade if row[3] else ""),
            col.number("device_count", "Devices",
                       lambda row: len(row[3].devices) if row[3] else None),
            col.text("price", "", lambda row: row[2].price_money / MONEY_STEPS),
        ],
        note="A port without a segment is free.",
        folded=True,
    )  # fmt: skip


def backbone_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per backbone link that is built."""
    rates = {g.id: g.rate_bps / 1e6 for g in problem.catalogue.grades.values()}
    port = problem.backbone_port
    cut_um = {frozenset((w.from_node, w.to_node)): w.length_um for w in assessment.wires}
    return Table.of(
        "backbone",
        "Backbone links",
        assessment.layout.backbone,
        [
            col.name("from_switch", "From", lambda link: link.ends[0], heads_row=True),
            col.number("from_port", "Port", lambda link: port(*link.ends)),
            col.name("to_switch", "To", lambda link: link.ends[1]),
            col.number("to_port", "Port there", lambda link: port(*reversed(link.ends))),
            col.name("grade", "Grade", lambda link: link.grade),
            col.number("rate_mbps", "Rate", lambda link: rates.get(link.grade), "Mbit/s", 0),
            col.metres("length_m", "Length", lambda link: cut_um.get(frozenset(link.ends))),
        ],
        note="Backbone ports are numbered on from the last port for devices, one for each link "
        "that the problem lists at the switch, so that none is renumbered when others are built. "
        "A length that is stated has its slack in it; one along pathways has none.",
    )


def stream_state(figures: StreamFigures) -> State:
    """Late or overloaded: bad; less than a tenth of the deadline left: tight."""
    if figures.margin_ns is None or figures.margin_ns < 0:
        return State.BAD
    return State.WARN if figures.margin_ns < WORST_SPARE * figures.deadline_ns else State.OK


_CAUSES = {
    "queue": "Own queue", "access": "Access", "wire": "Wire", "collision": "Collision",
}  # fmt: skip
"""Parts of a delay on a segment, in the order of :func:`delay_parts_ns`."""


def _cause(place: int) -> Callable[[StreamFigures], int | None]:
    """Give one part of the delay of a delivery; None where it has no bound."""
    return lambda f: None if f.response_ns is None else delay_parts_ns(f.legs)[place]


def streams_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per stream and destination, the least margin first."""
    streams = problem.streams
    causes = {**_CAUSES, "network": "Switches"}
    return Table.of(
        "streams",
        "Streams, least of the deadline left first",
        worst_first(assessment.streams),
        [
            col.name("stream", "Stream", lambda f: f.stream, heads_row=True),
            col.name("source", "From", lambda f: streams[f.stream].source),
            col.name("destination", "To", lambda f: f.destination),
            col.number("pcp", "PCP", lambda f: streams[f.stream].pcp),
            col.text("payload_bytes", "", lambda f: streams[f.stream].payload_bytes),
            col.text("kind", "", lambda f: streams[f.stream].kind.value),
            col.micros("period_us", "", lambda f: streams[f.stream].period_ns),
            col.micros("jitter_us", "", lambda f: streams[f.stream].jitter_ns),
            *(col.micros(f"{part}_us", title, _cause(place))
              for place, (part, title) in enumerate(causes.items())),
            col.micros("worst_delay_us", "Worst-case delay", lambda f: f.response_ns),
            col.micros("linear_delay_us", "", lambda f: f.linear_ns),
            col.micros("deadline_us", "Deadline", lambda f: f.deadline_ns, 0,
                       rounding=ROUND_FLOOR),
            col.micros("margin_us", "Left", lambda f: f.margin_ns, rounding=ROUND_FLOOR),
            col.percent("margin_share", "Left of deadline",
                        lambda f: None if f.margin_ns is None
                        else round(f.margin_ns / f.deadline_ns, 6), rounding=ROUND_FLOOR),
            col.state("state", "State", stream_state, ("kept", "tight", "late")),
            col.text("way", "", lambda f: " > ".join(leg.where for leg in f.legs)),
        ],
        folded=len(assessment.streams) > MANY_STREAMS,
    )  # fmt: skip


def legs_table(assessment: Assessment) -> Table:
    """One row per leg of every stream and destination, in the order the frame travels."""
    return Table.of(
        "legs",
        "Legs of every stream",
        [
            (f, number, leg)
            for f in worst_first(assessment.streams)
            for number, leg in enumerate(f.legs, 1)
        ],
        [
            col.name("stream", "Stream", lambda row: row[0].stream, heads_row=True),
            col.name("destination", "To", lambda row: row[0].destination),
            col.number("leg", "Leg", lambda row: row[1]),
            col.text("kind", "Kind", lambda row: row[2].kind.value),
            col.name("where", "Where", lambda row: row[2].where),
            *(col.micros(f"{part}_us", title, partial(_part_of_leg, f"{part}_ns"))
              for part, title in _CAUSES.items()),
            col.micros("worst_delay_us", "Worst-case delay", lambda row: row[2].response_ns),
            col.micros("linear_delay_us", "Linear delay", lambda row: row[2].linear_ns),
            col.micros("priced_us", "", lambda row: row[2].priced_ns),
            col.text("begins_share", "", lambda row: _share_of_deadline(row[0], row[1] - 1)),
            col.bar("ends_share", "Of the deadline, so far",
                    lambda row: _share_of_deadline(row[0], row[1]), start="begins_share"),
        ],
        note="The bar of each leg begins where that of the one before it ends.",
        folded=True,
        most_rows=MOST_LEGS,
        shown=("stream", "destination", "leg", "kind", "where", "ends_share", "worst_delay_us",
               *(f"{part}_us" for part in _CAUSES), "linear_delay_us"),
    )  # fmt: skip


def _share_of_deadline(figures: StreamFigures, legs: int) -> float | None:
    """Share of the deadline that is gone after so many legs; None on overload."""
    done = [leg.response_ns for leg in figures.legs[:legs]]
    if any(ns is None for ns in done):
        return None
    return round(sum(ns or 0 for ns in done) / figures.deadline_ns, 6)


def _part_of_leg(part: str, row: tuple[StreamFigures, int, Leg]) -> int:
    return int(getattr(row[2], part))


def margin_state(used: float) -> State:
    """Beyond the limit: bad; at most a twentieth left: tight."""
    if used > 1:
        return State.BAD
    return State.WARN if used >= 0.95 else State.OK


def margins_table(assessment: Assessment) -> Table:
    """How near each rule is to breaking at its tightest place, nearest first."""
    return Table.of(
        "margins",
        "Margin of every rule",
        sorted(assessment.margins, key=lambda m: (-m.used, m.rule)),
        [
            col.name("rule", "Rule", lambda m: m.rule, heads_row=True),
            col.state("state", "State", lambda m: margin_state(m.used),
                      ("kept", "tight", "broken")),
            col.bar("used_share", "Of the limit", lambda m: m.used, digits=0),
            col.name("where", "Where", lambda m: m.where),
            col.text("figures", "Figures", lambda m: m.text, kind=Kind.AMOUNTS),
            col.source(lambda m: m.source, "Source of the limit"),
            col.trust(lambda m: m.trust),
        ],
        shown=("rule", "state", "used_share", "figures", "where", "source", "trust"),
    )  # fmt: skip


def parts_table(problem: Problem, assessment: Assessment) -> Table:
    """The parts list, like parts summed; price and mass weighted by the units that carry them."""
    # Loading pandas is a good part of what a check takes, which lists no parts.
    import pandas as pd

    alike = ["part", "kind", "unit_price_money", "source", "trust"]
    summed = ["quantity", "price_money", "mass_mg"]
    lines = pd.DataFrame(
        [[getattr(line, name) for name in (*alike, *summed)] for line in assessment.parts],
        columns=[*alike, *summed],
    )
    sums = lines.groupby(alike, sort=False, dropna=False, as_index=False).sum()
    sums = sums.sort_values(
        ["price_money", "part", "kind"], ascending=[False, True, True], kind="stable"
    )

    currency = problem.currency
    return Table.of(
        "parts",
        "Parts",
        sums.itertuples(),
        [
            col.name("part", "Part", lambda line: line.part, heads_row=True),
            col.text("kind", "Kind", lambda line: line.kind),
            col.number("quantity", "Quantity",
                       lambda line: col.part_amount(line.kind, line.quantity), digits=2),
            col.text("unit", "Unit", lambda line: col.part_unit(line.kind)),
            col.money("unit_price", "Unit price", lambda line: line.unit_price_money, currency),
            col.money("price", "Price", lambda line: line.price_money, currency),
            col.grams("mass_g", "Mass", lambda line: line.mass_mg),
            col.source(lambda line: line.source),
            col.trust(lambda line: line.trust),
        ],
        note="Quantities count a unit with every option; price and mass are weighted with "
        "the share of units that carry the part.",
    )  # fmt: skip


def wires_table(problem: Problem, assessment: Assessment) -> Table:
    """The wire list: one row per piece of cable and length that units need it in, slack included.

    ``cut_m`` is the length as a shop cuts it, in whole steps, never below ``length_m``.
    """
    return Table.of(
        "wires",
        "Wire list",
        assessment.wires,
        [
            col.name("piece", "Piece", lambda w: w.id, heads_row=True),
            col.text("segment", "", lambda w: w.segment),
            col.name("cable", "Cable", lambda w: w.cable),
            col.name("from", "From", lambda w: w.from_node),
            col.name("to", "To", lambda w: w.to_node),
            col.metres("length_m", "Needed", lambda w: w.length_um),
            col.metres("cut_m", "Cut length", lambda w: problem.shop.cut_um(w.length_um), 3),
            col.share("fitted_share", "Fitted in", lambda w: w.share_ppm, digits=0),
            col.names("only_with", "Only with", lambda w: w.only_with),
            col.names("only_without", "Only without", lambda w: w.only_without),
            col.names("from_parts", "At its start", lambda w: w.from_parts),
            col.names("to_parts", "At its end", lambda w: w.to_parts),
            col.names("pathways", "Pathways", lambda w: w.pathways),
            col.text("label", "", lambda w: f"{problem.name} {w.id}"),
        ],
        note="Slack of drops and ends is in the lengths. A row holds for units that have at "
        "least one of the options it is only with, and none of those it is only without. Where "
        "a line ends sooner without an option, the last piece there is a row of its own, with "
        "the slack of an end and the terminator. A junction or connector stands at every end that "
        "meets it; how many there are is in the order list. Local codes and responsible engineers "
        "decide what may be built.",
        folded=True,
    )


def plca_table(problem: Problem, assessment: Assessment) -> Table:
    """PLCA settings of every node on a shared line, and on a link that is half duplex.

    Such a link is a line of two nodes: its delays hold with PLCA only, the switch port being the
    coordinator.

    Notes
    -----
    The node count matters at node 0 only; the timer must be equal on all nodes of a segment.
    Source: ethtool(8) manual, ``--set-plca-cfg``.
    """
    plca = problem.plca
    rows: list[tuple[Any, ...]] = []
    for segment in assessment.layout.segments:
        grade = problem.catalogue.grades[segment.grade]
        bursts = dict(segment.burst_counts)
        for node, id_ in plca_nodes(segment, grade):
            is_port = id_ == 0
            role = f"switch port {segment.port}" if is_port else "device"
            count = plca_node_count(segment, grade) if is_port else None
            burst = bursts.get(node, plca.burst_count)
            timers = (plca.to_timer_bt, burst, plca.burst_timer_bt)
            rows.append((segment.id, node, role, "on", id_, count, *timers))
    return Table(
        "plca",
        "PLCA settings",
        [
            Column("segment", "Segment", Kind.ID),
            Column("node", "Node", Kind.ID, heads_row=True),
            Column("role", "Role"),
            Column("enable"),
            Column("node_id", "Node ID", Kind.NUMBER),
            Column("node_cnt", "Node count", Kind.NUMBER),
            Column("to_tmr", "TO timer", Kind.NUMBER, "BT"),
            Column("burst_cnt", "Burst count", Kind.NUMBER),
            Column("burst_tmr", "Burst timer", Kind.NUMBER, "BT"),
        ],
        rows,
        note="The node count is set at node 0, the coordinator. plca-ethtool.sh holds the "
        "same as commands, to be adapted.",
        folded=True,
    )


def baseline_table(problem: Problem, assessment: Assessment) -> Table:
    """The layout beside the switched star it replaces, one row per quantity."""
    star, cost = assessment.baseline, assessment.cost
    counted = layout_counts(problem, assessment)
    pairs: list[tuple[str, str, float, float]] = [
        ("PHYs", "pieces", counted["phys"], star.phys),
        ("ports", "pieces", counted["ports"], star.ports),
        ("connectors", "pieces", counted["connectors"], star.connectors),
        ("cable", "m", counted["cable_um"] / UM_PER_M, star.cable_um / UM_PER_M),
        ("mass", "kg", cost.mass_mg / MG_PER_KG, star.mass_mg / MG_PER_KG),
        ("money", problem.currency, cost.money / MONEY_STEPS, star.money / MONEY_STEPS),
    ]
    return Table(
        "baseline",
        "This layout beside the switched star",
        [
            Column("quantity", "Quantity", heads_row=True),
            Column("unit", "Unit"),
            Column("layout", "This layout", Kind.NUMBER, "", 2),
            Column("star", "Switched star", Kind.NUMBER, "", 2),
            Column("difference", "Difference", Kind.NUMBER, "", 2),
            Column("difference_share", "In per cent", Kind.PERCENT, "", 0),
        ],
        [
            (name, unit, own, per, own - per, round((own - per) / per, 6) if per else None)
            for name, unit, own, per in pairs
        ],
        note=star.note,
    )


def cost_by_kind_table(problem: Problem, assessment: Assessment) -> Table:
    """Money by kind of part, dearest first."""
    whole = assessment.cost.money
    return Table.of(
        "cost-by-kind",
        "Cost by kind",
        sorted(assessment.cost.by_kind_money, key=lambda k: (-k[1], k[0])),
        [
            col.text("kind", "Kind", lambda k: k[0], heads_row=True),
            col.money("money", "Money", lambda k: k[1], problem.currency),
            col.bar("share", "Share", lambda k: round(k[1] / whole, 6) if whole else 0.0, digits=0),
        ],
    )


def options_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per equipment option with its devices and where they hang."""
    home = assessment.layout.segment_of()
    own: dict[str, list[str]] = {}
    for device in problem.devices.values():
        own.setdefault(device.option or "", []).append(device.id)
    return Table.of(
        "options",
        "Equipment options",
        [(option, own.get(option.id, [])) for option in problem.options.values()],
        [
            col.name("option", "Option", lambda row: row[0].id, heads_row=True),
            col.text("name", "Name", lambda row: row[0].name),
            col.share("take_rate", "Take rate", lambda row: row[0].take_rate_ppm, digits=0),
            col.number("device_count", "Devices", lambda row: len(row[1])),
            col.names("devices", "Which", lambda row: row[1]),
            col.names("segments", "On segments",
                      lambda row: sorted({home[d].id for d in row[1] if d in home})),
        ],
    )  # fmt: skip


def builds_table(problem: Problem) -> Table:
    """One row per stated build."""
    return Table.of(
        "builds",
        "Builds",
        problem.builds,
        [
            col.name("build", "Build", lambda b: b.id, heads_row=True),
            col.names("options", "Options", lambda b: sorted(b.options)),
            col.share("share", "Share of units", lambda b: b.share_ppm, digits=0),
        ],
    )


def device_numbers_table(assessment: Assessment) -> Table:
    """Numbers of the devices, along the segments in their order, for crowded drawings."""
    devices = [(d, s.id) for s in assessment.layout.segments for d in s.devices]
    return Table(
        "device-numbers",
        "Device numbers in the drawings",
        [
            Column("number", "Number", Kind.NUMBER),
            Column("device", "Device", Kind.ID, heads_row=True),
            Column("segment", "Segment", Kind.ID),
        ],
        [(number, device, segment) for number, (device, segment) in enumerate(devices, 1)],
        folded=True,
    )


def layout_counts(problem: Problem, assessment: Assessment) -> dict[str, int]:
    """What the layout needs in pieces and µm of cable, as the baseline counts it."""
    grades = problem.catalogue.grades.values()
    phys = {g.device_phy for g in grades} | {g.port_phy for g in grades}
    connectors = {g.connector for g in grades}
    found = {"phys": 0, "connectors": 0, "cable_um": 0}
    for line in assessment.parts:
        if line.kind == "cable":
            found["cable_um"] += line.quantity
        elif line.part in phys:
            found["phys"] += line.quantity
        elif line.part in connectors:
            found["connectors"] += line.quantity
    found["ports"] = len(assessment.layout.segments) + 2 * len(assessment.layout.backbone)
    return found
