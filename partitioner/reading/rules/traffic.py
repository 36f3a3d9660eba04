"""Streams and transfers: who talks to whom, and that a frame can carry what is asked."""

from __future__ import annotations

from typing import Any

from partitioner.model.problem import Encapsulation
from partitioner.reading.origin import Findings, Steps
from partitioner.reading.parts import Parts
from partitioner.reading.rules.names import refer
from partitioner.reading.tables import Item

LARGEST_PAYLOAD_BYTES = {
    Encapsulation.RAW: 1_500,
    Encapsulation.UDP_IPV4: 1_472,
    Encapsulation.UDP_IPV6: 1_452,
    Encapsulation.IEEE1722_NTSCF: 64,
    Encapsulation.IEEE1722_TSCF: 64,
}
"""Most payload of one frame: 1500 bytes of client data (IEEE Std 802.3 Clause 3) less 20 + 8 or
40 + 8 bytes of IP and UDP headers (RFC 791, RFC 8200, RFC 768); an IEEE 1722 ACF CAN message
carries one CAN frame of at most 64 bytes (CAN FD)."""


def check_traffic(parts: Parts, findings: Findings) -> None:
    """Streams and transfers join different devices or required switches."""
    candidates = {s.id for s in parts.switches if s.id is not None and s.table.required is False}
    both: list[Item[Any]] = [*parts.streams, *parts.transfers]
    for each in both:
        _check_ends(each, parts, candidates, findings)
    for item in parts.streams:
        stream = item.table
        if stream.encapsulation is None or stream.payload_bytes is None:
            continue
        most = LARGEST_PAYLOAD_BYTES[stream.encapsulation]
        if stream.payload_bytes > most:
            findings.clash(
                item.origin,
                f"expected at most {most} bytes with encapsulation {stream.encapsulation.value}, "
                f"got {stream.payload_bytes}",
                "payload_bytes",
            )


def _check_ends(item: Item[Any], parts: Parts, candidates: set[str], findings: Findings) -> None:
    sections = ("devices", "switches")
    sender = item.table.from_
    ends: list[tuple[str, Steps]] = []
    if refer(parts, findings, item, sections, "device or switch", sender, ("from",)):
        ends.append((sender, ("from",)))
    for index, name in enumerate(item.table.to or ()):
        steps: Steps = ("to", index)
        if name == sender:
            findings.clash(
                item.origin,
                f"expected another device than the sender '{sender}', got itself",
                *steps,
            )
        elif refer(parts, findings, item, sections, "device or switch", name, steps):
            ends.append((name, steps))
    for end, place in ends:
        if end in candidates:
            findings.clash(
                item.origin,
                f"'{end}' is a candidate that may be left out; no stream can rely on it",
                *place,
                hint="set required: true for the switch",
            )
