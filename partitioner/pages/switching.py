"""The section for software: frames, queues, addresses, VLAN and forwarding tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from partitioner.facts.switching import Attachment, Switching
from partitioner.model.problem import Problem, QueueOrder, Stream
from partitioner.network.transfers import PREFIX
from partitioner.report.sections import Chapter, Column, Kind, Section, Table
from partitioner.timing.constants import IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.frames import client_data_bytes, stream_frame_bytes
from partitioner.units import NS_PER_US, PPM

VID = 1
"""The one VLAN of a layout; 1 is where bridges put untagged frames unless told otherwise."""
NO_PLACE = (
    "PLCA: no published YANG module has its settings; they are in plca.csv and as ethtool lines in "
    "plca-ethtool.sh.",
    "The urgency of untagged frames: a bridge port gives all of them one priority. Where streams "
    "of several priorities enter a port untagged, it is the highest of them, and the others are "
    "served sooner than their bounds assume: tag them, or classify them by their address.",
    "A port that sends tagged and untagged streams sends all of them tagged: untagged ones may be "
    "4 bytes longer then than their bounds count.",
    "How devices queue, and the pace of transfers: no business of a bridge; see "
    "devices-network.csv and frames.csv.",
    "Forwarding delay, PHY delays, cable lengths: figures that the bounds rest on, not settings.",
    "What happens when a link fails: forwarding is static, one way for each address.",
)
"""What the modules for bridges and interfaces have no place for, or only in part."""


def switching_section(problem: Problem, switching: Switching) -> Section:
    """The section of a report on what software sets up."""
    intro = [
        "The bounds hold when every frame goes the way of its stream and nowhere else, each switch "
        "port serves the most urgent queue first, and devices queue as stated. Addresses are "
        "proposals (locally administered, made of the names); replace them by the real ones. Each "
        "switch has a file bridge-SWITCH.json with the same as configuration data of the "
        "published YANG modules for interfaces and bridges (RFC 8343, IEEE Std 802.1Q), in JSON by "
        "RFC 7951. What these have no place for:",
    ]
    return Section(
        "Frames, queues and forwarding",
        intro,
        (
            _frames_table(switching),
            _devices_table(problem, switching),
            _ports_table(switching),
            _queues_table(switching),
            _vlans_table(switching),
            _forwarding_table(switching),
        ),
        id="software",
        points=NO_PLACE,
        chapter=Chapter.SETTINGS,
    )


def _streams(switching: Switching, ids: Iterable[str]) -> list[Stream]:
    return [switching.carried[id_] for id_ in ids]


def _frames_table(switching: Switching) -> Table:
    number = Kind.NUMBER
    return Table(
        "frames",
        "Frames of every stream and transfer",
        [
            Column("stream", "Stream", Kind.ID, heads_row=True),
            Column("kind", "Kind"),
            Column("source", "From", Kind.ID),
            Column("destinations", "To", Kind.NAMES),
            Column("source_address"),
            Column("address", "Destination address", Kind.ID),
            Column("tag", "Tag"),
            Column("vid", "VID", number),
            Column("pcp", "PCP", number),
            Column("encapsulation", "Encapsulation"),
            Column("payload_bytes", "Payload", number, "bytes"),
            Column("encapsulated_bytes"),
            Column("frame_bytes", "Frame", number, "bytes"),
            Column("wire_bytes"),
            Column("period_us", "Period or pace", number, "µs", 1),
            Column("rate_kbps", "Rate", number, "kbit/s", 1),
        ],
        [_frame_row(switching, s) for s in switching.carried.values()],
        note="Frame: from destination address to FCS; wire_bytes counts preamble and gap as well, "
        "and so does the rate. A transfer sends a frame each pace.",
        folded=True,
    )


def _frame_row(switching: Switching, stream: Stream) -> tuple[Any, ...]:
    frame = stream_frame_bytes(stream)
    wire = frame + (PREAMBLE_SFD_BT + IPG_BT) // 8
    is_transfer = stream.id.startswith(PREFIX)
    group = switching.address_of.get(stream.id)
    return (
        stream.id,
        "transfer" if is_transfer else stream.kind.value,
        stream.source,
        " ".join(stream.destinations),
        switching.address_of[stream.source],
        group or switching.address_of[stream.destinations[0]],
        "802.1Q" if stream.tagged else "none",
        VID,
        stream.pcp,
        stream.encapsulation.value,
        stream.payload_bytes,
        client_data_bytes(stream.payload_bytes, stream.encapsulation),
        frame,
        wire,
        stream.period_ns / NS_PER_US,
        round(wire * 8 * 1e6 / stream.period_ns, 3),
    )


_LOADS = (
    Column("load_out_share", "Load out", Kind.PERCENT, "", 2),
    Column("load_in_share", "Load in", Kind.PERCENT, "", 2),
    Column("streams_out", "Streams out", Kind.NUMBER),
    Column("streams_in", "Streams in", Kind.NUMBER),
)


def _loads(switching: Switching, at: Attachment) -> tuple[Any, ...]:
    return (
        switching.load_ppm(at.sends, at.grade) / PPM,
        switching.load_ppm(at.hears, at.grade) / PPM,
        len(at.sends),
        len(at.hears),
    )


def _urgencies(switching: Switching, at: Attachment) -> str:
    return " ".join(map(str, sorted({s.pcp for s in _streams(switching, at.sends)}, reverse=True)))


def _devices_table(problem: Problem, switching: Switching) -> Table:
    words = {
        QueueOrder.PCP: "highest PCP first",
        QueueOrder.FIFO: "first in, first out",
    }
    return Table(
        "devices-network",
        "Devices: address, queueing order, load",
        [
            Column("device", "Device", Kind.ID, heads_row=True),
            Column("segment", "Segment", Kind.ID),
            Column("grade", "Grade", Kind.ID),
            Column("address", "Address, proposed", Kind.ID),
            Column("queue_order", "Sends"),
            Column("pcps", "PCPs sent", Kind.NAMES),
            *_LOADS,
        ],
        [
            (
                at.node, at.leads_to, at.grade.id, switching.address_of[at.node],
                words[problem.devices[at.node].queue], _urgencies(switching, at),
                *_loads(switching, at),
            )
            for at in switching.attachments
            if not at.port
        ],
        note="Loads are shares of the rate of the line or of one direction of the link; what a "
        "device hears on a shared line is all that the others send there.",
        folded=True,
    )  # fmt: skip


def default_priority(streams: Sequence[Stream]) -> tuple[int, bool]:
    """Priority for untagged frames that enter a port, and whether it is that of all of them."""
    untagged = {s.pcp for s in streams if not s.tagged}
    return max(untagged, default=0), len(untagged) < 2


def _ports_table(switching: Switching) -> Table:
    rows: list[tuple[Any, ...]] = []
    for at in sorted(
        (a for a in switching.attachments if a.port), key=lambda a: (a.node, a.port)
    ):
        priority, is_one = default_priority(_streams(switching, at.hears))
        tags = {s.tagged for s in _streams(switching, at.sends)}
        rows.append(
            (
                at.node, at.port, at.leads_to, "backbone" if at.is_backbone else "segment",
                at.grade.id, VID, priority, "untagged" if tags == {False} else "tagged",
                "highest queue first", _urgencies(switching, at), *_loads(switching, at),
                "; ".join(
                    words
                    for words, is_so in (
                        ("untagged streams of several priorities enter here", not is_one),
                        ("tagged and untagged streams leave here", len(tags) > 1),
                    )
                    if is_so
                ),
            )
        )  # fmt: skip
    number = Kind.NUMBER
    return Table(
        "switch-ports",
        "Switch ports: VLAN, priorities, load",
        [
            Column("switch", "Switch", Kind.ID),
            Column("port", "Port", number, heads_row=True),
            Column("leads_to", "Leads to", Kind.ID),
            Column("kind"),
            Column("grade", "Grade", Kind.ID),
            Column("pvid", "PVID", number),
            Column("default_priority", "Default priority", number),
            Column("frames_out", "Frames out"),
            Column("queue_order", "Sends"),
            Column("pcps", "PCPs sent", Kind.NAMES),
            *_LOADS,
            Column("notice", "Not as planned"),
        ],
        rows,
        folded=True,
    )


def _queues_table(switching: Switching) -> Table:
    queues = switching.queue_of()
    used = [s.pcp for s in switching.carried.values()]
    return Table(
        "pcp-queues",
        "Queue of each PCP, at every switch port",
        [
            Column("pcp", "PCP", Kind.NUMBER, heads_row=True),
            Column("queue", "Queue", Kind.NUMBER),
            Column("streams", "Streams", Kind.NUMBER),
        ],
        [(pcp, queues[pcp], used.count(pcp)) for pcp in range(8)],
        note=f"A switch needs {max(queues.values()) + 1} queues a port, the highest served first. "
        "PCPs rank by number here; bridges that are told nothing may serve PCP 1 after PCP 0 (the "
        "recommended mapping of IEEE Std 802.1Q, from memory), so the mapping has to be set.",
    )


def _vlans_table(switching: Switching) -> Table:
    tags: dict[str, dict[bool, list[int]]] = {}
    for at in switching.attachments:
        if at.port:
            is_bare = {s.tagged for s in _streams(switching, at.sends)} == {False}
            tags.setdefault(at.node, {True: [], False: []})[not is_bare].append(at.port)
    return Table(
        "vlans",
        "VLAN of each switch",
        [
            Column("switch", "Switch", Kind.ID, heads_row=True),
            Column("address", "Address, proposed", Kind.ID),
            Column("vid", "VID", Kind.NUMBER),
            Column("tagged_ports", "Tagged at ports", Kind.NAMES),
            Column("untagged_ports", "Untagged at ports", Kind.NAMES),
        ],
        [
            (
                switch, switching.address_of[switch], VID,
                *(" ".join(map(str, sorted(ports[is_tagged]))) for is_tagged in (True, False)),
            )
            for switch, ports in sorted(tags.items())
        ],
        note="One VLAN for all: what keeps devices apart is the forwarding table.",
    )  # fmt: skip


def _forwarding_table(switching: Switching) -> Table:
    return Table(
        "forwarding",
        "Static forwarding entries",
        [
            Column("switch", "Switch", Kind.ID),
            Column("vid", "VID", Kind.NUMBER),
            Column("address", "Address", Kind.ID, heads_row=True),
            Column("serves", "Of", Kind.ID),
            Column("kind", "Kind"),
            Column("ports", "Out at ports", Kind.NAMES),
        ],
        [
            (
                e.switch, VID, e.address, e.serves,
                "multicast group" if e.address.startswith("03") else "individual",
                " ".join(map(str, e.ports)),
            )
            for e in switching.entries
        ],
        note="No port: the frames are for the switch itself, or everybody has heard them on their "
        "own line. Without these entries a switch floods what it has not learned, and no bound "
        "counts that.",
        folded=True,
        most_rows=500,
    )  # fmt: skip
