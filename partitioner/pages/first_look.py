"""A first look at a problem made of tables: where all stands, who talks, what looks like a slip."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from decimal import ROUND_CEILING
from typing import Any

from partitioner.errors import Finding
from partitioner.model.frames import stream_frame_bytes
from partitioner.model.problem import Problem
from partitioner.reading.draft import Draft
from partitioner.reading.messages import buses_of, crossings, forwarded
from partitioner.reading.render import format_finding
from partitioner.reading.schema import MessageTable
from partitioner.report import columns as col
from partitioner.report.amounts import count_text
from partitioner.report.drawing import site_figures
from partitioner.report.drawing_input import site_input
from partitioner.report.frame import title_block
from partitioner.report.legend import legends_of
from partitioner.report.sections import Column, Kind, Page, Section, State, Table

_PACKINGS = {
    "none": "a frame for each message (one ACF CAN message in it)",
    "acf": "several ACF CAN messages in a frame, where sender, receivers and period are equal",
    "data": "the data alone in a frame, where sender, receivers and period are equal",
}


def first_look_page(
    draft: Draft,
    problem: Problem | None,
    findings: Sequence[Finding],
    variants: Sequence[Any],
    messages: Sequence[MessageTable],
) -> Page:
    """The page beside an imported problem file.

    ``problem`` is None where the file needs mending first; ``findings`` are the warnings about it,
    and errors where there is no problem. ``variants`` are rows of the table of ways to pack bus
    messages (:class:`~partitioner.application.bus_lines.BusVariant`).
    """
    slips = [f for f in findings if f.severity == "warning"]
    errors = [f for f in findings if f.severity == "error"]
    state = State.BAD if errors else State.WARN if slips or draft.missing else State.OK
    lead = (
        f"{count_text(len(draft.devices), 'device')}, {count_text(len(draft.streams), 'stream')}"
        + f"; {count_text(len(draft.set_aside), 'more stream')} set aside" * bool(draft.set_aside)
        + "."
        + (" The file needs mending before it can be planned." if errors else ""),
        "Nothing is planned yet. What is assumed below decides the plan as much as what was read.",
    )
    sections = [
        Section("Read", points=draft.read, id="read"),
        Section("Assumed", "No table states this; each is marked in the file.",
                points=draft.assumed, id="assumed"),
    ]  # fmt: skip
    if draft.missing:
        sections.append(Section("Missing", points=draft.missing, id="missing"))
    for title, found, id in (("To mend", errors, "to-mend"), ("Likely slips", slips, "slips")):
        if found:
            told = [format_finding(f, source=False) for f in found[:50]]
            sections.append(Section(title, points=told, id=id))
    if problem is not None:
        views = site_figures(site_input(problem))
        figures = (*views, *legends_of(views))
        sections.append(Section("Where all stands", figures=figures, id="sites"))
        sections.append(_traffic(problem))
    if messages:
        sections.append(_buses(messages, variants))
    return Page(
        title=f"First look at {draft.name}",
        state=state,
        word={State.OK: "ready to plan", State.WARN: "ready, with assumptions",
              State.BAD: "needs mending"}[state],
        lead=lead,
        sections=sections,
        block=title_block("Draft", draft.name, problem, None),
    )  # fmt: skip


def _traffic(problem: Problem) -> Section:
    sends: Counter[str] = Counter()
    sent: Counter[str] = Counter()
    heard: Counter[str] = Counter()
    load: Counter[str] = Counter()
    for s in problem.streams.values():
        bits = 8e9 * stream_frame_bytes(s) / s.period_ns
        sends[s.source] += 1
        sent[s.source] += round(bits)
        for name in s.destinations:
            heard[name] += 1
            load[name] += round(bits)
    names = (*problem.devices, *(s for s in problem.switches if sends[s] + heard[s]))
    table = Table.of(
        "traffic",
        "Traffic of each device, the most first",
        sorted(names, key=lambda n: -sent[n] - load[n]),
        [
            col.name("device", "Device", lambda n: n, heads_row=True),
            col.number("sent_streams", "Streams sent", lambda n: sends[n]),
            col.number("sent_kbps", "Sent", lambda n: sent[n] / 1000, "kbit/s", 1),
            col.number("received_streams", "Streams received", lambda n: heard[n]),
            col.number("received_kbps", "Received", lambda n: load[n] / 1000, "kbit/s", 1),
        ],
        note="Whole frames, headers and padding counted.",
        most_rows=50,
    )
    return Section("Traffic", tables=(table,), id="traffic")


def _buses(messages: Sequence[MessageTable], variants: Sequence[Any]) -> Section:
    ways = Table.of(
        "bus-packing",
        "Each bus as one shared line, its messages packed three ways",
        variants,
        [
            col.name("bus", "Bus", lambda v: v.bus, heads_row=True),
            col.name("packing", "Packing", lambda v: v.packing.value),
            col.number("nodes", "Nodes", lambda v: v.nodes),
            col.number("messages", "Messages", lambda v: v.messages),
            col.number("streams", "Streams", lambda v: v.streams),
            col.number("frames_per_s", "Frames", lambda v: v.frames_per_s, "1/s", 0),
            col.percent("load_share", "Load", lambda v: v.load_share, rounding=ROUND_CEILING),
            col.number("worst_ms", "Longest worst-case delay", lambda v: float("inf")
                       if v.worst_ns is None else v.worst_ns / 1e6, "ms",
                       rounding=ROUND_CEILING),
            col.number("late", "Streams late", lambda v: v.late),
        ],
        note="; ".join(f"{k}: {t}" for k, t in _PACKINGS.items())
        + ". All nodes on one line of 10 Mb/s, whatever its limits: for comparing, not a layout.",
    )  # fmt: skip
    nodes = Table(
        "bus-nodes",
        "Who hangs on which bus",
        [Column("bus", "Bus", Kind.ID, heads_row=True), Column("node", "Node", Kind.ID),
         Column("part", "Takes part")],
        [(bus, name, part) for bus, all_ in buses_of(messages).items()
         for name, part in all_.items()],
        folded=True,
    )  # fmt: skip
    copied = forwarded(messages)
    gate = Table(
        "gateway",
        "What gateways no longer have to do",
        [Column("gateway", "Gateway", Kind.ID, heads_row=True),
         Column("message", "Message", Kind.ID), Column("from_bus", "From", Kind.ID),
         Column("to_bus", "To", Kind.ID),
         Column("per_second", "At most", Kind.NUMBER, "1/s", 1)],
        [(f.gateway, f.copy.id, f.original.bus, f.copy.bus, float(f.per_second)) for f in copied],
    )  # fmt: skip
    far = [
        (c.message.id, c.message.bus, c.message.from_, " ".join(c.receivers))
        for c in crossings(messages)
    ]
    crossing = Table(
        "bus-crossing",
        "Messages with receivers on another bus",
        [Column("message", "Message", Kind.ID, heads_row=True), Column("bus", "Bus", Kind.ID),
         Column("from", "From", Kind.ID), Column("receivers", "Receivers there", Kind.NAMES)],
        far,
    )  # fmt: skip
    rate = sum(float(f.per_second) for f in copied)
    buses = count_text(len(buses_of(messages)), "bus", "buses")
    intro = [f"{count_text(len(messages), 'message')} on {buses}."]
    if copied:
        intro.append(
            f"{count_text(len(copied), 'message')} were copied from bus to bus, "
            f"{rate:.0f} times a second at most; each is now one stream to all its receivers."
        )
    tables = [t for t in (ways, gate, crossing, nodes) if t.rows]
    return Section("Buses", intro, tables, id="buses")
