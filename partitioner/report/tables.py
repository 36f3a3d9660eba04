"""The plan as tables: one pandas DataFrame per CSV file, units in the column names.

The page shows the same frames, so a number on the page and its twin in a file cannot differ.
Names in cells are ids of the problem file. Shares are fractions of 1.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from partitioner.model.assessment import Assessment, Leg, LegKind, StreamFigures
from partitioner.model.plca import plca_ids, plca_node_count, plca_nodes
from partitioner.model.problem import Problem
from partitioner.reading.csv_text import csv_text
from partitioner.report.sections import State
from partitioner.units import MG_PER_G, MONEY_STEPS, MUL_PER_UNIT_LOAD, NS_PER_US, PPM, UM_PER_M
from partitioner.visible import visible

if TYPE_CHECKING:
    import pandas as pd

WORST_SPARE = 0.1
"""A deadline with less than this share left is marked as tight."""


def all_frames(problem: Problem, assessment: Assessment) -> dict[str, pd.DataFrame]:
    """Every table of a plan, by the name of its file without ``.csv``."""
    return {
        "segments": segments_frame(problem, assessment),
        "drops": drops_frame(problem, assessment),
        "ports": ports_frame(problem, assessment),
        "backbone": backbone_frame(problem, assessment),
        "streams": streams_frame(problem, assessment),
        "legs": legs_frame(assessment),
        "margins": margins_frame(assessment),
        "parts": parts_frame(problem, assessment),
        "wires": wires_frame(assessment),
        "plca": plca_frame(problem, assessment),
        "baseline": baseline_frame(problem, assessment),
        "cost-by-kind": cost_by_kind_frame(assessment),
        "options": options_frame(problem, assessment),
        "builds": builds_frame(problem),
        "device-numbers": device_numbers_frame(assessment),
    }


def frames_csv(frames: Mapping[str, pd.DataFrame]) -> dict[str, str]:
    """CSV text of each frame, by file name."""
    return {f"{name}.csv": csv_text(list(f.columns), rows_of(f)) for name, f in frames.items()}


def rows_of(frame: pd.DataFrame) -> list[list[Any]]:
    """Rows of a frame as plain lists."""
    return [list(row) for row in frame.itertuples(index=False, name=None)]


def _frame(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> pd.DataFrame:
    # Object columns keep whole numbers whole where some cells are empty.
    # Loading pandas is a good part of what a check takes, which makes no tables.
    import pandas as pd

    return pd.DataFrame([list(r) for r in rows], columns=list(columns), dtype=object)


def segments_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
    """One row per segment with its figures beside its limits (limits before reserve)."""
    rows = []
    for f in assessment.segments:
        s = f.segment
        limits = problem.limits.get(s.grade)
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
                None
                if f.unit_load_limit_mul is None
                else f.unit_load_limit_mul / MUL_PER_UNIT_LOAD,
                f.cycle_ns / NS_PER_US if f.cycle_ns else None,
                plca_node_count(s, problem.catalogue.grades[s.grade]) or None,
                limits.basis.value if limits is not None else "",
            )
        )
    return _frame(
        (
            "segment", "switch", "port", "grade", "medium", "device_count", "devices", "nodes",
            "nodes_limit", "length_m", "length_limit_m", "longest_stub_m", "stub_limit_m",
            "load_share", "load_limit_share", "unit_loads", "unit_loads_limit",
            "longest_cycle_us", "plca_node_count", "basis",
        ),
        rows,
    )  # fmt: skip


def drops_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
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
    return _frame(
        ("segment", "order", "node", "role", "plca_id", "position_m", "stub_m", "option",
         "fitted_share"),
        rows,
    )  # fmt: skip


def ports_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
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
    return _frame(("switch", "port", "grades", "segment", "grade", "device_count", "price"), rows)


def backbone_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
    """One row per backbone link that is built."""
    rates = {g.id: g.rate_bps / 1e6 for g in problem.catalogue.grades.values()}
    rows = [(*b.ends, b.grade, rates.get(b.grade)) for b in assessment.layout.backbone]
    return _frame(("from_switch", "to_switch", "grade", "rate_mbps"), rows)


def worst_first(streams: Sequence[StreamFigures]) -> list[StreamFigures]:
    """Streams with the smallest share of their deadline left first; overload before all."""

    def share_left(s: StreamFigures) -> float:
        margin = s.margin_ns
        return float("-inf") if margin is None else margin / s.deadline_ns

    return sorted(streams, key=lambda s: (share_left(s), s.stream, s.destination))


def stream_state(figures: StreamFigures) -> State:
    """Late or without a bound: bad; less than a tenth of the deadline left: tight."""
    if figures.margin_ns is None or figures.margin_ns < 0:
        return State.BAD
    return State.WARN if figures.margin_ns < WORST_SPARE * figures.deadline_ns else State.OK


PARTS_OF_DELAY = ("own queue", "access to the line", "wire", "collision", "switches and backbone")


def delay_parts_ns(legs: Sequence[Leg]) -> tuple[int, int, int, int, int]:
    """Delay of a stream split by cause, in the order of :data:`PARTS_OF_DELAY`.

    What a leg's bound has beyond its parts counts as queueing, so the parts sum to the bound.
    """
    queue = access = wire = collision = network = 0
    for leg in legs:
        if leg.kind in (LegKind.SWITCH, LegKind.BACKBONE):
            network += leg.response_ns
            continue
        rest = leg.response_ns - leg.queue_ns - leg.access_ns - leg.wire_ns - leg.collision_ns
        queue += leg.queue_ns + rest
        access += leg.access_ns
        wire += leg.wire_ns
        collision += leg.collision_ns
    return queue, access, wire, collision, network


def streams_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
    """One row per stream and destination, the least margin first."""
    rows: list[tuple[Any, ...]] = []
    for f in worst_first(assessment.streams):
        stream = problem.streams[f.stream]
        parts: list[float | None] = [p / NS_PER_US for p in delay_parts_ns(f.legs)]
        if f.response_ns is None:
            parts = [None] * len(parts)
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
                None if f.margin_ns is None else f.margin_ns / NS_PER_US,
                None if f.margin_ns is None else round(f.margin_ns / f.deadline_ns, 6),
                stream_state(f).value,
                " > ".join(leg.where for leg in f.legs),
            )
        )
    return _frame(
        (
            "stream", "source", "destination", "pcp", "payload_bytes", "kind", "period_us",
            "jitter_us", "queue_us", "access_us", "wire_us", "collision_us", "network_us",
            "bound_us", "linear_bound_us", "deadline_us", "margin_us", "margin_share", "state",
            "way",
        ),
        rows,
    )  # fmt: skip


def legs_frame(assessment: Assessment) -> pd.DataFrame:
    """One row per leg of every stream and destination, in the order the frame travels."""
    rows = [
        (
            f.stream,
            f.destination,
            number,
            leg.kind.value,
            leg.where,
            leg.queue_ns / NS_PER_US,
            leg.access_ns / NS_PER_US,
            leg.wire_ns / NS_PER_US,
            leg.collision_ns / NS_PER_US,
            leg.response_ns / NS_PER_US,
            leg.linear_ns / NS_PER_US,
            leg.priced_ns / NS_PER_US,
        )
        for f in worst_first(assessment.streams)
        for number, leg in enumerate(f.legs, 1)
    ]
    return _frame(
        ("stream", "destination", "leg", "kind", "where", "queue_us", "access_us", "wire_us",
         "collision_us", "bound_us", "linear_bound_us", "priced_us"),
        rows,
    )  # fmt: skip


def margin_state(used: float) -> State:
    """Beyond the limit: bad; at most a twentieth left: nothing to spare."""
    if used > 1:
        return State.BAD
    return State.WARN if used >= 0.95 else State.OK


def margins_frame(assessment: Assessment) -> pd.DataFrame:
    """How near each rule is to breaking at its tightest place, nearest first."""
    ordered = sorted(assessment.margins, key=lambda m: (-m.used, m.rule))
    rows = [
        (m.rule, margin_state(m.used).value, m.used, m.where, m.text, m.source, m.trust)
        for m in ordered
    ]
    return _frame(("rule", "state", "used_share", "where", "figures", "source", "trust"), rows)


def parts_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
    """The parts list, like parts summed; price and mass weighted by the units that carry them."""
    sums: dict[tuple[Any, ...], list[int]] = {}
    for line in assessment.parts:
        key = (line.part, line.kind, line.unit_price_money, line.source, line.trust)
        total = sums.setdefault(key, [0, 0, 0])
        total[0] += line.quantity
        total[1] += line.price_money
        total[2] += line.mass_mg
    rows = []
    for (part, kind, unit_price, source, trust), (quantity, price, mass) in sums.items():
        is_cable = part in problem.catalogue.cables and kind == "cable"
        rows.append(
            (
                part,
                kind,
                quantity / UM_PER_M if is_cable else quantity,
                "m" if is_cable else "pieces",
                unit_price / MONEY_STEPS,
                price / MONEY_STEPS,
                mass / MG_PER_G,
                source,
                trust,
            )
        )
    rows.sort(key=lambda r: (-r[5], r[0], r[1]))
    return _frame(
        ("part", "kind", "quantity", "unit", "unit_price", "price", "mass_g", "source", "trust"),
        rows,
    )


def wires_frame(assessment: Assessment) -> pd.DataFrame:
    """The cut list: one row per piece of cable and length that units need it in, slack included."""
    rows = [
        (w.id, w.segment, w.cable, w.from_node, w.to_node, w.length_um / UM_PER_M,
         w.share_ppm / PPM, " ".join(w.only_with), " ".join(w.only_without))
        for w in assessment.wires
    ]
    return _frame(
        ("piece", "segment", "cable", "from", "to", "length_m", "fitted_share", "only_with",
         "only_without"),
        rows,
    )  # fmt: skip


def plca_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
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
    return _frame(
        ("segment", "node", "role", "enable", "node_id", "node_cnt", "to_tmr", "burst_cnt",
         "burst_tmr"),
        rows,
    )  # fmt: skip


def baseline_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
    """The plan beside the switched star it replaces, one row per quantity."""
    star = assessment.baseline
    counted = plan_counts(problem, assessment)
    cost = assessment.cost
    rows: list[tuple[Any, ...]] = [
        ("PHYs", "pieces", counted["phys"], star.phys),
        ("ports", "pieces", counted["ports"], star.ports),
        ("connectors", "pieces", counted["connectors"], star.connectors),
        ("cable", "m", counted["cable_um"] / UM_PER_M, star.cable_um / UM_PER_M),
        ("mass", "g", cost.mass_mg / MG_PER_G, star.mass_mg / MG_PER_G),
        ("money", problem.currency, cost.money / MONEY_STEPS, star.money / MONEY_STEPS),
    ]
    rows = [
        (*row, row[2] - row[3], round((row[2] - row[3]) / row[3], 6) if row[3] else None)
        for row in rows
    ]
    return _frame(("quantity", "unit", "plan", "star", "difference", "difference_share"), rows)


def cost_by_kind_frame(assessment: Assessment) -> pd.DataFrame:
    """Money by kind of part, dearest first."""
    cost = assessment.cost
    kinds = sorted(cost.by_kind_money, key=lambda k: (-k[1], k[0]))
    rows = [
        (kind, money / MONEY_STEPS, round(money / cost.money, 6) if cost.money else 0.0)
        for kind, money in kinds
    ]
    return _frame(("kind", "money", "share"), rows)


def options_frame(problem: Problem, assessment: Assessment) -> pd.DataFrame:
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
    return _frame(("option", "name", "take_rate", "device_count", "devices", "segments"), rows)


def builds_frame(problem: Problem) -> pd.DataFrame:
    """One row per stated build."""
    rows = [(b.id, " ".join(sorted(b.options)), b.share_ppm / PPM) for b in problem.builds]
    return _frame(("build", "options", "share"), rows)


def device_numbers_frame(assessment: Assessment) -> pd.DataFrame:
    """Numbers of the devices, along the segments in their order, for crowded drawings."""
    devices = [(d, s.id) for s in assessment.layout.segments for d in s.devices]
    rows = [(number, device, segment) for number, (device, segment) in enumerate(devices, 1)]
    return _frame(("number", "device", "segment"), rows)


def plan_counts(problem: Problem, assessment: Assessment) -> dict[str, int]:
    """What the plan needs in pieces and µm of cable, as the baseline counts it."""
    parts = problem.catalogue
    phys = {g.device_phy for g in parts.grades.values()} | {
        g.port_phy for g in parts.grades.values()
    }
    connectors = {g.connector for g in parts.grades.values()}
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


def plca_commands(frame: pd.DataFrame) -> str:
    """PLCA settings as Linux commands, one per node, with a placeholder for each interface.

    Notes
    -----
    Option names and order: ethtool(8) manual, ``--set-plca-cfg``.
    """
    lines = [
        "# PLCA settings as ethtool(8) commands for Linux. To be adapted: run each line on its",
        "# own node and put the name of its network interface in place of IFACE_...",
    ]
    segment = None
    for row in frame.itertuples(index=False):
        if row.segment != segment:
            segment = row.segment
            lines += ["", _remark(f"segment {segment}")]
        role = f" {row.role}" if row.role != "device" else ""
        interface = "IFACE_" + "".join(
            c if c.isalnum() else "_" for c in f"{row.node}{role.replace('switch', '')}"
        ).replace("__", "_")
        words: list[Any] = ["ethtool", "--set-plca-cfg", interface, "enable", row.enable]
        words += ["node-id", row.node_id]
        words += ["node-cnt", row.node_cnt] if row.node_id == 0 else []
        words += ["to-tmr", row.to_tmr, "burst-cnt", row.burst_cnt, "burst-tmr", row.burst_tmr]
        # Quoted wherever a word comes from: a name must never be able to become a command.
        lines.append(shlex.join(str(word) for word in words) + _remark(f"{row.node}{role}", 2))
    return "\n".join(lines) + "\n"


def _remark(text: str, indent: int = 0) -> str:
    """A comment of a shell script that nothing in ``text`` can end."""
    return " " * indent + f"# {visible(text)}"
