"""Bus messages to streams: a frame each, or several in one; and what a gateway did between buses.

A message of a bus goes to everybody on it. On Ethernet it is a stream from its sender to its
receivers, wherever they are, so nothing has to be copied from one bus to another any more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from partitioner.model.frames import (
    CAN_DATA_MOST_BYTES,
    CLIENT_DATA_MOST_BYTES,
    NTSCF_BYTES,
    acf_can_bytes,
)
from partitioner.model.problem import Encapsulation, ReleaseKind
from partitioner.reading.schema import MessageTable, Packing


@dataclass(frozen=True, slots=True)
class MessageStream:
    """A stream made of messages, by the keys of the problem file."""

    raw: dict[str, Any]
    messages: tuple[MessageTable, ...]


def streams_of(messages: Sequence[MessageTable], packing: Packing) -> list[MessageStream]:
    """Make streams of the messages of all buses, in the order of the first message of each.

    A message that is forwarded (:func:`forwarded`) is left out: the stream of the original reaches
    its receivers too. ``packing`` says whether periodic messages of one sender with equal receivers
    and period share a frame, whose deadline is the shortest of its messages, its priority the
    highest. Sporadic ones never do: each has a gap of its own.
    """
    copies = {id(f.copy): f for f in forwarded(messages)}
    more: dict[int, list[str]] = {}
    for copy in copies.values():
        more.setdefault(id(copy.original), []).extend(copy.copy.to)
    groups: dict[Any, list[MessageTable]] = {}
    receivers: dict[int, tuple[str, ...]] = {}
    for number, message in enumerate(messages):
        if id(message) in copies:
            continue
        to = [n for n in (*message.to, *more.get(id(message), ())) if n != message.from_]
        if id(message) in more:
            # Whoever only passed it on needs it no longer.
            gates = {c.gateway for c in copies.values() if c.original is message}
            to = [n for n in to if n not in gates] or to
        receivers[id(message)] = tuple(dict.fromkeys(to))
        if not receivers[id(message)]:
            continue
        shared = packing is not Packing.NONE and message.kind is ReleaseKind.PERIODIC
        group: Any = number
        if shared:
            group = (message.from_, frozenset(receivers[id(message)]), message.period_us)
        groups.setdefault(group, []).append(message)
    made = []
    for members in groups.values():
        for part in _parts(members, packing):
            made.append(_stream(part, receivers[id(part[0])], packing))
    return made


def _size(message: MessageTable, packing: Packing) -> int:
    """Bytes that a message takes in a shared frame."""
    if packing is Packing.DATA:
        return message.payload_bytes
    return acf_can_bytes(message.payload_bytes)


def _parts(members: Sequence[MessageTable], packing: Packing) -> Iterable[list[MessageTable]]:
    """Messages that fit into one frame each."""
    part: list[MessageTable] = []
    size = NTSCF_BYTES
    for message in members:
        own = _size(message, packing)
        if part and size + own > CLIENT_DATA_MOST_BYTES:
            yield part
            part, size = [], NTSCF_BYTES
        part.append(message)
        size += own
    yield part


def _stream(part: Sequence[MessageTable], to: tuple[str, ...], packing: Packing) -> MessageStream:
    first = part[0]
    raw: dict[str, Any] = {
        "id": first.id if len(part) == 1 else f"{first.id}+{len(part) - 1}",
        "from": first.from_,
        "to": list(to),
    }
    if len(part) == 1 and first.payload_bytes <= CAN_DATA_MOST_BYTES:
        raw |= {
            "payload_bytes": first.payload_bytes,
            "encapsulation": Encapsulation.IEEE1722_NTSCF.value,
        }
    elif packing is Packing.DATA or len(part) == 1:
        raw["payload_bytes"] = sum(m.payload_bytes for m in part)
    else:
        # All that stands between the Ethernet header and the check sequence is counted here.
        raw["payload_bytes"] = NTSCF_BYTES + sum(_size(m, packing) for m in part)
    if first.kind is ReleaseKind.SPORADIC:
        raw["kind"] = first.kind.value
    raw["period_us"] = first.period_us
    jitter = max(m.jitter_us for m in part)
    if jitter:
        raw["jitter_us"] = jitter
    deadlines = [m.deadline_us for m in part if m.deadline_us is not None]
    if deadlines:
        raw["deadline_us"] = min(*deadlines, first.period_us)
        if len(deadlines) == len(part):
            raw["deadline_us"] = min(deadlines)
    if pcp := max(m.pcp for m in part):
        raw["pcp"] = pcp
    return MessageStream(raw, tuple(part))


@dataclass(frozen=True, slots=True)
class Forwarded:
    """A message that a gateway takes from one bus and sends again on another."""

    original: MessageTable
    copy: MessageTable

    @property
    def gateway(self) -> str:
        """Who did it."""
        return self.copy.from_

    @property
    def per_second(self) -> Decimal:
        """How often at most."""
        return Decimal(1_000_000) / self.copy.period_us


def buses_of(messages: Iterable[MessageTable]) -> dict[str, dict[str, str]]:
    """Who hangs on which bus: for each bus its nodes, each with ``sends`` or ``receives``.

    Who sends on a bus hangs on it. Who sends nowhere hangs on the buses of what it receives; so
    does a receiver of a message whose own buses are others, unless a gateway joins the two.
    """
    found: dict[str, dict[str, str]] = {}
    rows = list(messages)
    for m in rows:
        found.setdefault(m.bus, {})[m.from_] = "sends"
    senders = {n for nodes in found.values() for n in nodes}
    for m in rows:
        for name in m.to:
            if name not in senders:
                found[m.bus].setdefault(name, "receives")
    return found


def forwarded(messages: Sequence[MessageTable]) -> list[Forwarded]:
    """Messages that are on a second bus only because a gateway sends them there again.

    Such a copy has the name, or else the identifier and bytes, of a message of another bus, and its
    sender receives that one.
    """
    by_name: dict[str, list[MessageTable]] = {}
    for m in messages:
        by_name.setdefault(m.id.casefold(), []).append(m)
        if m.identifier:
            by_name.setdefault(f"#{m.identifier.casefold()}/{m.payload_bytes}", []).append(m)
    found: list[Forwarded] = []
    for copy in messages:
        alike = list(by_name[copy.id.casefold()])
        if copy.identifier:
            alike += by_name[f"#{copy.identifier.casefold()}/{copy.payload_bytes}"]
        original = next(
            (m for m in alike if m.bus != copy.bus and m.from_ != copy.from_ and
             copy.from_ in m.to), None,
        )  # fmt: skip
        if original is not None:
            found.append(Forwarded(original, copy))
    originals = {id(f.copy): f for f in found}
    return [
        Forwarded(_first(f.original, originals), f.copy) for f in found
    ]


def _first(message: MessageTable, copies: dict[int, Forwarded]) -> MessageTable:
    """The message that a copy of a copy comes from."""
    seen: set[int] = set()
    while id(message) in copies and id(message) not in seen:
        seen.add(id(message))
        message = copies[id(message)].original
    return message


@dataclass(frozen=True, slots=True)
class Crossing:
    """A message with receivers that hang on other buses than its own."""

    message: MessageTable
    receivers: tuple[str, ...]


def crossings(messages: Sequence[MessageTable]) -> list[Crossing]:
    """Messages that must cross from their bus to receivers on others."""
    buses = buses_of(messages)
    homes: dict[str, set[str]] = {}
    for bus, nodes in buses.items():
        for name in nodes:
            homes.setdefault(name, set()).add(bus)
    found = []
    for m in messages:
        far = tuple(n for n in m.to if m.bus not in homes.get(n, {m.bus}))
        if far:
            found.append(Crossing(m, far))
    return found
