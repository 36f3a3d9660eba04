"""What there is to know of a layout as tables: one for each CSV file, units in the column names.

Names in cells are ids of the problem file. Shares are fractions of 1. In a file the rows are those
that people see, with the columns that have no title as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN
from typing import Any

from partitioner.model.assessment import Assessment, StreamFigures
from partitioner.model.plca import plca_ids, plca_node_count, plca_nodes
from partitioner.model.problem import Problem
from partitioner.report.delays import delay_parts_ns, worst_first
from partitioner.report.key_figures import key_figures_table
from partitioner.report.sections import Column, Kind, State, Table
from partitioner.units import (
    MG_PER_G,
    MG_PER_KG,
    MONEY_STEPS,
    MUL_PER_UNIT_LOAD,
    NS_PER_US,
    PPM,
    UM_PER_M,
)

WORST_SPARE = 0.1
"""A deadline with less than this share left is marked as tight."""
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


def segments_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per segment with its figures beside its limits (limits before reserve)."""
    rows = []
    for f in assessment.segments:
        s = f.segment
        limits = problem.limits.get(s.grade)
        loads_limit = f.unit_load_limit_mul
        rows.append(
            (
                s.id,
                s.switch,
                s.port,
                s.grade,
                problem.catalogue.grades[s.grade].medium.value,
                len(s.devices),
                " ".join(s.devices),
                f.nodes,
                f.nodes_limit,
                f.length_um / UM_PER_M,
                f.length_limit_um / UM_PER_M,
                f.longest_stub_um / UM_PER_M,
                f.stub_limit_um / UM_PER_M,
                f.load_share_ppm / PPM,
                f.load_limit_ppm / PPM,
                f.unit_load_mul / MUL_PER_UNIT_LOAD,
                None if loads_limit is None else loads_limit / MUL_PER_UNIT_LOAD,
                f.cycle_ns / NS_PER_US if f.cycle_ns else None,
                plca_node_count(s, problem.catalogue.grades[s.grade]) or None,
                limits.basis.value if limits is not None else "",
            )
        )
    number = Kind.NUMBER
    return Table(
        "segments",
        "Segments",
        [
            Column("segment", "Segment", Kind.ID, heads_row=True),
            Column("switch", "Switch", Kind.ID),
            Column("port", "Port", number),
            Column("grade", "Grade", Kind.ID),
            Column("medium"),
            Column("device_count", "Devices", number),
            Column("devices", "Devices in order", Kind.NAMES),
            Column("nodes", "Nodes", number, limit="nodes_limit"),
            Column("nodes_limit"),
            Column("length_m", "Length", number, "m", 2, limit="length_limit_m"),
            Column("length_limit_m"),
            Column("longest_stub_m", "Stub", number, "m", 2, limit="stub_limit_m"),
            Column("stub_limit_m"),
            Column("load_share", "Load", Kind.PERCENT, limit="load_limit_share"),
            Column("load_limit_share"),
            Column("unit_loads"),
            Column("unit_loads_limit"),
            Column("longest_cycle_us", "Cycle", number, "µs", rounding=ROUND_CEILING),
            Column("plca_node_count"),
            Column("basis"),
        ],
        rows,
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
            Column("position_m", "From first end", Kind.NUMBER, "m", 2),
            Column("stub_m", "Stub", Kind.NUMBER, "m", 2),
            Column("option", "Option", Kind.ID),
            Column("fitted_share", "Fitted in", Kind.PERCENT, "", 0),
        ],
        rows,
        folded=True,
    )


def ports_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per port of every open switch, free ones too."""
    used = {(s.switch, s.port): s for s in assessment.layout.segments}
    rows = []
    for switch in problem.switches.values():
        if switch.id not in assessment.layout.open_switches:
            continue
        for port in range(1, switch.port_count + 1):
            group = switch.port_groups[switch.group_of_port(port)]
            segment = used.get((switch.id, port))
            rows.append(
                (
                    switch.id,
                    port,
                    " ".join(group.grades),
                    segment.id if segment else "",
                    segment.grade if segment else "",
                    len(segment.devices) if segment else None,
                    group.price_money / MONEY_STEPS,
                )
            )
    return Table(
        "ports",
        "Ports of the switches",
        [
            Column("switch", "Switch", Kind.ID),
            Column("port", "Port", Kind.NUMBER, heads_row=True),
            Column("grades", "Serves", Kind.NAMES),
            Column("segment", "Segment", Kind.ID),
            Column("grade", "Grade in use", Kind.ID),
            Column("device_count", "Devices", Kind.NUMBER),
            Column("price"),
        ],
        rows,
        note="A port without a segment is free.",
        folded=True,
    )


def backbone_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per backbone link that is built."""
    rates = {g.id: g.rate_bps / 1e6 for g in problem.catalogue.grades.values()}
    return Table(
        "backbone",
        "Backbone links",
        [
            Column("from_switch", "From", Kind.ID, heads_row=True),
            Column("from_port", "Port", Kind.NUMBER),
            Column("to_switch", "To", Kind.ID),
            Column("to_port", "Port there", Kind.NUMBER),
            Column("grade", "Grade", Kind.ID),
            Column("rate_mbps", "Rate", Kind.NUMBER, "Mbit/s", 0),
        ],
        [
            (a, problem.backbone_port(a, b), b, problem.backbone_port(b, a), link.grade,
             rates.get(link.grade))
            for link in assessment.layout.backbone
            for a, b in [link.ends]
        ],
        note="Backbone ports are numbered on from the last port for devices, one for each link "
        "that the problem lists at the switch, so that none is renumbered when others are built.",
    )  # fmt: skip


def stream_state(figures: StreamFigures) -> State:
    """Late or overloaded: bad; less than a tenth of the deadline left: tight."""
    if figures.margin_ns is None or figures.margin_ns < 0:
        return State.BAD
    return State.WARN if figures.margin_ns < WORST_SPARE * figures.deadline_ns else State.OK


def _us(
    key: str, title: str, digits: int | None = None, rounding: str = ROUND_HALF_EVEN
) -> Column:
    return Column(key, title, Kind.NUMBER, "µs", digits, rounding=rounding)


_CAUSES = (
    _us("queue_us", "Own queue"),
    _us("access_us", "Access"),
    _us("wire_us", "Wire"),
    _us("collision_us", "Collision"),
)


def streams_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per stream and destination, the least margin first."""
    rows: list[tuple[Any, ...]] = []
    for f in worst_first(assessment.streams):
        stream = problem.streams[f.stream]
        parts: list[float | None] = [p / NS_PER_US for p in delay_parts_ns(f.legs)]
        if f.response_ns is None:
            parts = [None] * len(parts)
        margin = f.margin_ns
        rows.append(
            (
                f.stream,
                stream.source,
                f.destination,
                stream.pcp,
                stream.payload_bytes,
                stream.kind.value,
                stream.period_ns / NS_PER_US,
                stream.jitter_ns / NS_PER_US,
                *parts,
                None if f.response_ns is None else f.response_ns / NS_PER_US,
                None if f.linear_ns is None else f.linear_ns / NS_PER_US,
                f.deadline_ns / NS_PER_US,
                None if margin is None else margin / NS_PER_US,
                None if margin is None else round(margin / f.deadline_ns, 6),
                stream_state(f).value,
                " > ".join(leg.where for leg in f.legs),
            )
        )
    return Table(
        "streams",
        "Streams, least of the deadline left first",
        [
            Column("stream", "Stream", Kind.ID, heads_row=True),
            Column("source", "From", Kind.ID),
            Column("destination", "To", Kind.ID),
            Column("pcp", "PCP", Kind.NUMBER),
            Column("payload_bytes"),
            Column("kind"),
            Column("period_us"),
            Column("jitter_us"),
            *_CAUSES,
            _us("network_us", "Switches"),
            _us("worst_delay_us", "Worst-case delay", rounding=ROUND_CEILING),
            Column("linear_delay_us"),
            _us("deadline_us", "Deadline", 0),
            _us("margin_us", "Left", rounding=ROUND_FLOOR),
            Column("margin_share", "Left of deadline", Kind.PERCENT, rounding=ROUND_FLOOR),
            Column("state", "State", Kind.STATE, state_words=("kept", "tight", "late")),
            Column("way"),
        ],
        rows,
        folded=len(rows) > MANY_STREAMS,
    )


def legs_table(assessment: Assessment) -> Table:
    """One row per leg of every stream and destination, in the order the frame travels."""
    rows = [
        (
            f.stream,
            f.destination,
            number,
            leg.kind.value,
            leg.where,
            *(
                time_ns / NS_PER_US
                for time_ns in (
                    leg.queue_ns, leg.access_ns, leg.wire_ns, leg.collision_ns, leg.response_ns,
                    leg.linear_ns, leg.priced_ns,
                )
            ),
        )
        for f in worst_first(assessment.streams)
        for number, leg in enumerate(f.legs, 1)
    ]  # fmt: skip
    return Table(
        "legs",
        "Legs of every stream",
        [
            Column("stream", "Stream", Kind.ID, heads_row=True),
            Column("destination", "To", Kind.ID),
            Column("leg", "Leg", Kind.NUMBER),
            Column("kind", "Kind"),
            Column("where", "Where", Kind.ID),
            *_CAUSES,
            _us("worst_delay_us", "Worst-case delay", rounding=ROUND_CEILING),
            _us("linear_delay_us", "Linear delay", rounding=ROUND_CEILING),
            Column("priced_us"),
        ],
        rows,
        folded=True,
    )


def margin_state(used: float) -> State:
    """Beyond the limit: bad; at most a twentieth left: nothing to spare."""
    if used > 1:
        return State.BAD
    return State.WARN if used >= 0.95 else State.OK


def margins_table(assessment: Assessment) -> Table:
    """How near each rule is to breaking at its tightest place, nearest first."""
    ordered = sorted(assessment.margins, key=lambda m: (-m.used, m.rule))
    return Table(
        "margins",
        "Margin of every rule",
        [
            Column("rule", "Rule", Kind.ID, heads_row=True),
            Column("state", "State", Kind.STATE, state_words=("kept", "at its limit", "broken")),
            Column("used_share", "Of the limit", Kind.BAR, "", 0),
            Column("where", "Where", Kind.ID),
            Column("figures", "Figures", Kind.AMOUNTS),
            Column("source", "Source of the limit", Kind.SOURCE),
            Column("trust", "Trust", Kind.TRUST),
        ],
        [
            (m.rule, margin_state(m.used).value, m.used, m.where, m.text, m.source, m.trust)
            for m in ordered
        ],
        shown=("rule", "state", "used_share", "figures", "where", "source", "trust"),
    )


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
    rows = []
    for line in sums.itertuples():
        is_cable = line.part in problem.catalogue.cables and line.kind == "cable"
        rows.append(
            (
                line.part,
                line.kind,
                line.quantity / UM_PER_M if is_cable else line.quantity,
                "m" if is_cable else "pieces",
                line.unit_price_money / MONEY_STEPS,
                line.price_money / MONEY_STEPS,
                line.mass_mg / MG_PER_G,
                line.source,
                line.trust,
            )
        )
    currency = problem.currency
    return Table(
        "parts",
        "Parts",
        [
            Column("part", "Part", Kind.ID, heads_row=True),
            Column("kind", "Kind"),
            Column("quantity", "Quantity", Kind.NUMBER, "", 2),
            Column("unit", "Unit"),
            Column("unit_price", "Unit price", Kind.NUMBER, currency, 2),
            Column("price", "Price", Kind.NUMBER, currency, 2),
            Column("mass_g", "Mass", Kind.NUMBER, "g", 0),
            Column("source", "Source", Kind.SOURCE),
            Column("trust", "Trust", Kind.TRUST),
        ],
        rows,
        note="Quantities count a unit with every option; price and mass are weighted with "
        "the share of units that carry the part.",
    )


def wires_table(problem: Problem, assessment: Assessment) -> Table:
    """The wire list: one row per piece of cable and length that units need it in, slack included.

    ``cut_m`` is the length as a shop cuts it, in whole steps, never below ``length_m``.
    """
    return Table(
        "wires",
        "Wire list",
        [
            Column("piece", "Piece", Kind.ID, heads_row=True),
            Column("segment"),
            Column("cable", "Cable", Kind.ID),
            Column("from", "From", Kind.ID),
            Column("to", "To", Kind.ID),
            Column("length_m", "Needed", Kind.NUMBER, "m", 2, rounding=ROUND_CEILING),
            Column("cut_m", "Cut length", Kind.NUMBER, "m", 3),
            Column("fitted_share", "Fitted in", Kind.PERCENT, "", 0),
            Column("only_with", "Only with", Kind.NAMES),
            Column("only_without", "Only without", Kind.NAMES),
            Column("from_parts", "At its start", Kind.NAMES),
            Column("to_parts", "At its end", Kind.NAMES),
            Column("pathways", "Pathways", Kind.NAMES),
            Column("label"),
        ],
        [
            (w.id, w.segment, w.cable, w.from_node, w.to_node, w.length_um / UM_PER_M,
             problem.shop.cut_um(w.length_um) / UM_PER_M, w.share_ppm / PPM,
             " ".join(w.only_with), " ".join(w.only_without), " ".join(w.from_parts),
             " ".join(w.to_parts), " ".join(w.pathways), f"{problem.name} {w.id}")
            for w in assessment.wires
        ],
        note="Slack of drops and ends is in the lengths. A row holds for units that have at "
        "least one of the options it is only with, and none of those it is only without. Where "
        "a line ends sooner without an option, the last piece there is a row of its own, with "
        "the slack of an end and the terminator. A junction or connector stands at every end that "
        "meets it; how many there are is in the order list. Local codes and responsible engineers "
        "decide what may be built.",
        folded=True,
    )  # fmt: skip


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
    cost = assessment.cost
    kinds = sorted(cost.by_kind_money, key=lambda k: (-k[1], k[0]))
    return Table(
        "cost-by-kind",
        "Cost by kind",
        [
            Column("kind", "Kind", heads_row=True),
            Column("money", "Money", Kind.NUMBER, problem.currency, 2),
            Column("share", "Share", Kind.BAR, "", 0),
        ],
        [
            (kind, money / MONEY_STEPS, round(money / cost.money, 6) if cost.money else 0.0)
            for kind, money in kinds
        ],
    )


def options_table(problem: Problem, assessment: Assessment) -> Table:
    """One row per equipment option with its devices and where they hang."""
    home = assessment.layout.segment_of()
    rows = []
    for option in problem.options.values():
        devices = [d.id for d in problem.devices.values() if d.option == option.id]
        segments = sorted({home[d].id for d in devices if d in home})
        share = option.take_rate_ppm / PPM
        rows.append(
            (option.id, option.name, share, len(devices), " ".join(devices), " ".join(segments))
        )
    return Table(
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
        rows,
    )


def builds_table(problem: Problem) -> Table:
    """One row per stated build."""
    return Table(
        "builds",
        "Builds",
        [
            Column("build", "Build", Kind.ID, heads_row=True),
            Column("options", "Options", Kind.NAMES),
            Column("share", "Share of units", Kind.PERCENT, "", 0),
        ],
        [(b.id, " ".join(sorted(b.options)), b.share_ppm / PPM) for b in problem.builds],
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
