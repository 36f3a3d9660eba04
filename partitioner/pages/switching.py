"""The section for software: frames, queues, addresses, VLAN and forwarding tables."""

from __future__ import annotations

from partitioner.facts.switching import Attachment, Switching, load_ppm
from partitioner.model.frames import client_data_bytes, stream_frame_bytes
from partitioner.model.problem import Problem, QueueOrder, Stream
from partitioner.network.transfers import PREFIX
from partitioner.report import columns as col
from partitioner.report.sections import Chapter, Column, Kind, Section, Table
from partitioner.timing.constants import IPG_BT, PCPS, PREAMBLE_SFD_BT
from partitioner.units import NS_PER_US

VID = 1
"""The one VLAN of a layout; 1 is where bridges put untagged frames unless told otherwise."""
NO_PLACE = (
    "PLCA: no published YANG module has its settings; they are in plca.csv and as ethtool lines in "
    "plca-ethtool.sh.",
    "The urgency of untagged frames: a bridge port gives all of them one priority. Where streams "
    "of several priorities enter a port untagged, it is the highest of them, and the others are "
    "served sooner than their worst-case delays assume: tag them, or classify them by their "
    "address.",
    "A port that sends tagged and untagged streams sends all of them tagged: untagged ones may be "
    "4 bytes longer then than their worst-case delays count.",
    "How devices queue, and the pace of transfers: no business of a bridge; see "
    "devices-network.csv and frames.csv.",
    "Forwarding delay, PHY delays, cable lengths: figures that worst-case delays rest on, not "
    "settings.",
    "What happens when a link fails: forwarding is static, one way for each address.",
)
"""What the modules for bridges and interfaces have no place for, or only in part."""


def switching_section(problem: Problem, switching: Switching) -> Section:
    """The section of a report on what software sets up."""
    intro = [
        "The worst-case delays hold when every frame goes the way of its stream and nowhere else, "
        "each switch port serves the most urgent queue first, and devices queue as stated. "
        "Addresses are proposals (locally administered, made of the names); replace them by the "
        "real ones. Each switch has a file bridge-SWITCH.json with the same as configuration "
        "data of the published YANG modules for interfaces and bridges (RFC 8343, IEEE Std "
        "802.1Q), in JSON by RFC 7951. What these have no place for:",
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


def _frames_table(switching: Switching) -> Table:
    address_of = switching.address_of
    return Table.of(
        "frames",
        "Frames of every stream and transfer",
        switching.carried.values(),
        [
            col.name("stream", "Stream", lambda s: s.id, heads_row=True),
            col.text("kind", "Kind",
                     lambda s: "transfer" if s.id.startswith(PREFIX) else s.kind.value),
            col.name("source", "From", lambda s: s.source),
            col.names("destinations", "To", lambda s: s.destinations),
            col.text("source_address", "", lambda s: address_of[s.source]),
            col.name("address", "Destination address",
                     lambda s: address_of.get(s.id) or address_of[s.destinations[0]]),
            col.text("tag", "Tag", lambda s: "802.1Q" if s.tagged else "none"),
            col.number("vid", "VID", lambda s: VID),
            col.number("pcp", "PCP", lambda s: s.pcp),
            col.text("encapsulation", "Encapsulation", lambda s: s.encapsulation.value),
            col.number("payload_bytes", "Payload", lambda s: s.payload_bytes, "bytes"),
            col.text("encapsulated_bytes", "",
                     lambda s: client_data_bytes(s.payload_bytes, s.encapsulation)),
            col.number("frame_bytes", "Frame", stream_frame_bytes, "bytes"),
            col.text("wire_bytes", "", _wire_bytes),
            col.number("period_us", "Period or pace", lambda s: col.exact(s.period_ns / NS_PER_US),
                       "µs", 1),
            col.number("rate_kbps", "Rate",
                       lambda s: round(_wire_bytes(s) * 8 * 1e6 / s.period_ns, 3), "kbit/s", 1),
        ],
        note="Frame: from destination address to FCS; wire_bytes counts preamble and gap as well, "
        "and so does the rate. A transfer sends a frame each pace.",
        folded=True,
    )  # fmt: skip


def _wire_bytes(stream: Stream) -> int:
    return stream_frame_bytes(stream) + (PREAMBLE_SFD_BT + IPG_BT) // 8


_TRAFFIC: tuple[col.Held[Attachment], ...] = (
    col.names("pcps", "PCPs sent", lambda at: sorted({s.pcp for s in at.sends}, reverse=True)),
    col.load("load_out_share", "Load out", lambda at: load_ppm(at.sends, at.grade)),
    col.load("load_in_share", "Load in", lambda at: load_ppm(at.hears, at.grade)),
    col.number("streams_out", "Streams out", lambda at: len(at.sends)),
    col.number("streams_in", "Streams in", lambda at: len(at.hears)),
)


def _devices_table(problem: Problem, switching: Switching) -> Table:
    words = {
        QueueOrder.PCP: "highest PCP first",
        QueueOrder.FIFO: "first in, first out",
    }
    return Table.of(
        "devices-network",
        "Devices: address, queueing order, load",
        [at for at in switching.attachments if not at.port],
        [
            col.name("device", "Device", lambda at: at.node, heads_row=True),
            col.name("segment", "Segment", lambda at: at.leads_to),
            col.name("grade", "Grade", lambda at: at.grade.id),
            col.name("address", "Address, proposed", lambda at: switching.address_of[at.node]),
            col.text("queue_order", "Sends", lambda at: words[problem.devices[at.node].queue]),
            *_TRAFFIC,
        ],
        note="Loads are shares of the rate of the line or of one direction of the link; what a "
        "device hears on a shared line is all that the others send there.",
        folded=True,
    )  # fmt: skip


def _ports_table(switching: Switching) -> Table:
    def tags(at: Attachment) -> set[bool]:
        return {s.tagged for s in at.sends}

    def untagged(at: Attachment) -> set[int]:
        """Priorities of the untagged streams that enter a port."""
        return {s.pcp for s in at.hears if not s.tagged}

    def notice(at: Attachment) -> str:
        is_mixed = len(untagged(at)) > 1
        mixed = "untagged streams of several priorities enter here" if is_mixed else ""
        both = "tagged and untagged streams leave here" if len(tags(at)) > 1 else ""
        return "; ".join(words for words in (mixed, both) if words)

    return Table.of(
        "switch-ports",
        "Switch ports: VLAN, priorities, load",
        sorted((a for a in switching.attachments if a.port), key=lambda a: (a.node, a.port)),
        [
            col.name("switch", "Switch", lambda at: at.node),
            col.number("port", "Port", lambda at: at.port, heads_row=True),
            col.name("leads_to", "Leads to", lambda at: at.leads_to),
            col.text("kind", "", lambda at: "backbone" if at.is_backbone else "segment"),
            col.name("grade", "Grade", lambda at: at.grade.id),
            col.number("pvid", "PVID", lambda at: VID),
            col.number("default_priority", "Default priority",
                       lambda at: max(untagged(at), default=0)),
            col.text("frames_out", "Frames out",
                     lambda at: "untagged" if tags(at) == {False} else "tagged"),
            col.text("queue_order", "Sends", lambda at: "highest queue first"),
            *_TRAFFIC,
            col.text("notice", "Not as planned", notice),
        ],
        folded=True,
    )  # fmt: skip


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
        [(pcp, queues[pcp], used.count(pcp)) for pcp in range(PCPS)],
        note=f"A switch needs {max(queues.values()) + 1} queues a port, the highest served first. "
        "PCPs rank by number here; bridges that are told nothing may serve PCP 1 after PCP 0 (the "
        "recommended mapping of IEEE Std 802.1Q, from memory), so the mapping has to be set.",
    )


def _vlans_table(switching: Switching) -> Table:
    tags: dict[str, dict[bool, list[int]]] = {}
    for at in switching.attachments:
        if at.port:
            is_bare = {s.tagged for s in at.sends} == {False}
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
    return Table.of(
        "forwarding",
        "Static forwarding entries",
        switching.entries,
        [
            col.name("switch", "Switch", lambda e: e.switch),
            col.number("vid", "VID", lambda e: VID),
            col.name("address", "Address", lambda e: e.address, heads_row=True),
            col.name("serves", "Of", lambda e: e.serves),
            col.text("kind", "Kind",
                     lambda e: "multicast group" if e.address.startswith("03") else "individual"),
            col.names("ports", "Out at ports", lambda e: e.ports),
        ],
        note="No port: the frames are for the switch itself, or everybody has heard them on their "
        "own line. Without these entries a switch floods what it has not learned, and no "
        "worst-case delay counts that.",
        folded=True,
        most_rows=500,
    )  # fmt: skip
