"""Streams and transfers: who talks to whom, and that a frame can carry what is asked."""

from __future__ import annotations

from typing import Any

from partitioner.model.frames import (
    CAN_DATA_MOST_BYTES,
    CLIENT_DATA_MOST_BYTES,
    client_data_bytes,
)
from partitioner.model.problem import Encapsulation
from partitioner.reading.origin import Findings, Steps
from partitioner.reading.parts import Parts
from partitioner.reading.tables import Item

_ACF = (Encapsulation.IEEE1722_NTSCF, Encapsulation.IEEE1722_TSCF)


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
        most = CAN_DATA_MOST_BYTES
        if stream.encapsulation not in _ACF:
            most = CLIENT_DATA_MOST_BYTES - client_data_bytes(0, stream.encapsulation)
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
