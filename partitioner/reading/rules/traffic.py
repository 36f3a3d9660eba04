"""Streams and transfers: who talks to whom, and that a frame can carry what is asked."""

from __future__ import annotations

from typing import Any

from partitioner.model.problem import Encapsulation
from partitioner.reading.origin import Findings, Steps
from partitioner.reading.parts import Parts
from partitioner.reading.tables import Item

_ACF = (Encapsulation.IEEE1722_NTSCF, Encapsulation.IEEE1722_TSCF)
LARGEST_PAYLOAD_BYTES = {
    Encapsulation.RAW: 1_500,
    Encapsulation.UDP_IPV4: 1_472,
    Encapsulation.UDP_IPV6: 1_452,
    **dict.fromkeys(_ACF, 64),
}
"""Most payload of one frame: 1500 bytes of client data (IEEE Std 802.3 Clause 3) less 20 + 8 or
40 + 8 bytes of IP and UDP headers (RFC 791, RFC 8200, RFC 768); an IEEE 1722 ACF CAN message
carries one CAN frame of at most 64 bytes (CAN FD)."""


def check_traffic(parts: Parts, findings: Findings) -> None:
    """Streams and transfers join different devices or required switches."""
    candidates = {s.id for s in parts.switches if s.id is not None and s.table.required is False}
    both: list[Item[Any]] = [*parts.streams, *parts.transfers]
    for each in both:
        _check_ends(each, candidates, findings)
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
                hint="it carries one ACF CAN message; longer payloads go raw or by UDP"
                if stream.encapsulation in _ACF else "",
            )  # fmt: skip


def _check_ends(item: Item[Any], candidates: set[str], findings: Findings) -> None:
    sender = item.table.from_
    receivers = enumerate(item.table.to or ())
    ends: list[tuple[str, Steps]] = [(sender, ("from",)), *((n, ("to", i)) for i, n in receivers)]
    for number, (name, steps) in enumerate(ends):
        if number and name == sender:
            findings.clash(
                item.origin, f"expected another device than the sender '{sender}', got itself",
                *steps,
            )  # fmt: skip
        elif name in candidates:
            findings.clash(
                item.origin,
                f"'{name}' is a candidate that may be left out; no stream can rely on it", *steps,
                hint="set required: true for the switch",
            )  # fmt: skip
