"""The network as blocks: load and least margin of every line, link and backbone link."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR

from partitioner.check.facts import Facts
from partitioner.model.assessment import Assessment, LegKind, SegmentFigures, StreamFigures
from partitioner.model.layout import link_name
from partitioner.report import columns as col
from partitioner.report.amounts import NBSP, count_text, left_text, length_text
from partitioner.report.block_diagram import Block, block_diagram
from partitioner.report.sections import Chapter, Column, Kind, Paper, Section, State, Table
from partitioner.report.tables import stream_state
from partitioner.units import PPM

_LOAD = Column(
    "load_share", "Load / limit", Kind.PERCENT, limit="load_limit_share", rounding=ROUND_CEILING
)


@dataclass(frozen=True, slots=True)
class _Row:
    """A segment, or one direction of a backbone link; ``worst`` is its tightest delivery."""

    where: str
    kind: str
    switch: str
    to: str
    devices: int | None
    load_ppm: int
    limit_ppm: int
    worst: StreamFigures | None
    room: str = ""

    @property
    def margin_share(self) -> float | None:
        left = None if self.worst is None else self.worst.left_share
        return None if left is None else round(left, 6)


def blocks_section(facts: Facts, assessment: Assessment) -> Section | None:
    """Diagram and table of what the ports of the switches lead to; None without a segment."""
    rows = [*_segments(facts, assessment), *_backbone(facts, assessment)]
    open_ = [s for s in facts.sound.open_switches if s in facts.problem.switches]
    if not rows:
        return None
    figure = block_diagram(
        "blocks",
        facts.problem.name,
        [(s, _ports(facts, s)) for s in open_],
        [link.ends for link in facts.sound.backbone],
        [_block(row) for row in rows],
    )
    return Section(
        "Block diagram",
        figures=[figure],
        tables=[_table(rows)],
        id="block-diagram",
        chapter=Chapter.PORTS,
        paper=Paper.SHEETS,
    )


def _segments(facts: Facts, assessment: Assessment) -> list[_Row]:
    worst = _worst(assessment, is_backbone=False)
    lines = {laid.segment.id for laid in facts.lines}
    return [
        _Row(
            f.segment.id,
            "line" if f.segment.id in lines else "link",
            f.segment.switch,
            "",
            len(f.segment.devices),
            f.load_share_ppm,
            f.load_limit_ppm,
            worst.get(f.segment.id),
            _room(f) if f.segment.id in lines else "",
        )
        for f in assessment.segments
    ]


def _backbone(facts: Facts, assessment: Assessment) -> list[_Row]:
    """Each direction of each backbone link: it has a queue of its own at the switch that sends."""
    worst = _worst(assessment, is_backbone=True)
    return [
        _Row(
            link_name(a, b), "backbone", a, b, None, load_ppm,
            facts.problem.backbone.load_share_ppm, worst.get(f"{a}-{b}"),
        )
        for (a, b), load_ppm in facts.timing.link_load_ppm.items()
    ]  # fmt: skip


def _worst(assessment: Assessment, *, is_backbone: bool) -> dict[str, StreamFigures]:
    """The tightest delivery over each segment, or each direction of a backbone link."""
    found: dict[str, StreamFigures] = {}
    for figures in assessment.streams:
        for leg in figures.legs:
            if (leg.kind is LegKind.BACKBONE) is not is_backbone:
                continue
            held = found.setdefault(leg.where, figures)
            if figures.tightness < held.tightness:
                found[leg.where] = figures
    return found


def _ports(facts: Facts, switch: str) -> str:
    used = {s.segment.port for s in facts.laid if s.segment.switch == switch}
    count = facts.problem.switches[switch].port_count
    return f"{count_text(max(0, count - len(used)), 'port')} free"


def _room(figures: SegmentFigures) -> str:
    """Nodes and metres that a line has left; of one that is beyond its limits none."""
    nodes = count_text(max(0, figures.nodes_limit - figures.nodes), "node")
    left_um = max(0, figures.length_limit_um - figures.length_um)
    return f"; room {nodes}, {length_text(left_um, rounding=ROUND_FLOOR)}"


def _block(row: _Row) -> Block:
    load = f"load {_LOAD.limited_text(row.load_ppm / PPM, row.limit_ppm / PPM)}{NBSP}%"
    devices = "" if row.devices is None else f"{count_text(row.devices, 'device')}, "
    worst = row.worst
    if worst is None:
        left = "carries no stream"
    elif worst.margin_ns is None:
        left = "overload"
    elif worst.margin_ns < 0:
        left = "late"
    else:
        left = f"{left_text(worst.margin_ns, worst.deadline_ns)} left"
    is_backbone = row.kind == "backbone"
    return Block(
        row.switch,
        f"to {row.to}" if is_backbone else row.where,
        (devices + load, left + row.room),
        State.OK if worst is None else stream_state(worst),
        row.load_ppm / row.limit_ppm if row.limit_ppm else 0.0,
        {"data_backbone" if is_backbone else "data_segment": row.where},
        is_backbone,
    )


def _table(rows: list[_Row]) -> Table:
    return Table.of(
        "blocks",
        "Load and least margin of every block",
        rows,
        [
            col.name("where", "Block", lambda r: r.where, heads_row=True),
            col.text("kind", "Kind", lambda r: r.kind),
            col.name("switch", "At", lambda r: r.switch),
            col.name("to_switch", "To", lambda r: r.to),
            col.number("device_count", "Devices", lambda r: r.devices),
            (_LOAD, lambda r: r.load_ppm / PPM),
            col.share("load_limit_share", "", lambda r: r.limit_ppm),
            col.percent("margin_share", "Least left of a deadline", lambda r: r.margin_share,
                        rounding=ROUND_FLOOR),
            col.name("tightest_stream", "Of stream",
                     lambda r: "" if r.worst is None else r.worst.stream),
            col.name("destination", "To device",
                     lambda r: "" if r.worst is None else r.worst.destination),
        ],
        note="A backbone link has a row for each direction, at the switch that sends. An empty "
        "share: no stream passes, or overload.",
        folded=True,
    )  # fmt: skip
