"""Warnings of what is possible but mostly a slip; each says why, and how to silence it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import product
from statistics import median
from typing import Any

import numpy as np
import numpy.typing as npt

from partitioner.reading.base_units import position_um
from partitioner.reading.build import STRAIGHT, distances
from partitioner.reading.catalogue import shipped_catalogue
from partitioner.reading.kinds import plain_number
from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts
from partitioner.reading.tables import Item
from partitioner.units import UM_PER_M, from_base, to_base

EVERYONE = "all"
"""What silences a warning for every device or stream."""
_SHOWN = 5
_FARTHER = 10
_FEWEST = 4
"""Devices below which nothing can be told from the others."""
_APART_SHARE = 0.25
"""More than this share of devices with nothing in reach is no matter of single ones."""
_LONG_WAY = 100
_SHORT_PERIOD_US = 50
_FAST_US = 1_000
_LEAST_BYTES = 84
_AROUND_BYTES = 38
"""Shortest frame with preamble and gap, and what is round a payload: IEEE Std 802.3, 3.1.1, 4.4.2.

Tags and upper headers are left out: a load is never said to be more than it is.
"""
_SHORTEST_FRAME_US = Decimal(8 * _LEAST_BYTES) / 10
_EARLY = 200
_HEAVY_KBPS = 2_000
_LONG_JUMP_M = 5
_SMALL_BYTES = 100
_LATE = 2
_FOLLOW_FROM = {
    "far_away": {"millimetres"},
    "long_stub": {"millimetres"},
    "long_jump": {"millimetres"},
    "late_deadline": {"milliseconds"},
    "short_period": {"milliseconds"},
    "heavy_stream": {"milliseconds"},
}
"""What a column in the wrong unit mostly causes: told once that is mended, or said to be meant."""


@dataclass(frozen=True, slots=True)
class Slip:
    """One likely slip: at which item and key, and why it looks like one."""

    item: Item[Any]
    steps: tuple[str | int, ...]
    why: str


def check_plausible(parts: Parts, findings: Findings) -> None:
    """Warn of what is likely a slip; of many alike the first few are told, the others counted."""
    if findings.errors() or not parts.silence.whole:
        return  # What is certain comes first.
    told: set[str] = set()
    for name, slips in (
        ("millimetres", _millimetres(parts)),
        ("milliseconds", _milliseconds(parts)),
        ("far_away", _far_away(parts)),
        ("one_point", _one_point(parts)),
        ("no_traffic", _no_traffic(parts)),
        ("late_deadline", _late_deadline(parts)),
        ("short_period", _short_period(parts)),
        ("heavy_stream", _heavy_stream(parts)),
        ("long_stub", _long_stub(parts)),
        ("long_jump", _long_jump(parts)),
        ("free_phy", _free_phy(parts)),
    ):
        silenced = set(getattr(parts.silence.table, name))
        if EVERYONE in silenced or told & _FOLLOW_FROM.get(name, set()):
            continue
        if meant := [s for s in slips if s.item.id not in silenced]:
            told.add(name)
            _tell(name, meant, findings)


def _tell(name: str, slips: list[Slip], findings: Findings) -> None:
    for number, slip in enumerate(slips[:_SHOWN]):
        more = len(slips) - _SHOWN
        is_last = number == _SHOWN - 1 and more > 0
        findings.add(
            slip.item.origin, "unlikely", slip.why + f"; and {more} more like it" * is_last,
            *slip.steps,
            hint=f"if it is meant: silence: {{{name}: [{slip.item.id}]}}, or [{EVERYONE}]",
            is_warning=True,
        )  # fmt: skip


def _positions(parts: Parts) -> tuple[list[Item[Any]], npt.NDArray[np.float64]]:
    """Devices, and where they stand in m."""
    known = {n: at for n, i in enumerate(parts.devices) if (at := parts.position_um(i)) is not None}
    points = np.array(list(known.values()), dtype=np.float64).reshape(-1, 3) / UM_PER_M
    return [parts.devices[n] for n in known], points


def _where(item: Item[Any]) -> tuple[str, ...]:
    return ("place",) if item.table.place is not None else ("position_m",)


def _millimetres(parts: Parts) -> Iterator[Slip]:
    """A whole column in millimetres: cables reach nothing, pathways go far round about.

    Of positions it is told once. Two things in the same or in neighbouring cubes may be in reach.
    """
    standing: list[Item[Any]] = [*parts.places, *parts.devices, *parts.switches]
    known = [(item, position_um(item.table.position_m)) for item in standing]
    points = [(item, at) for item, at in known if at is not None]
    reach_um = max((_reach_um(g, parts) for i in parts.devices for g, _ in i.table.grades),
                   default=0)  # fmt: skip
    if reach_um and len(parts.devices) >= _FEWEST and len(points) >= _FEWEST:
        held = Counter(tuple(c // reach_um for c in at) for _, at in points)
        alone = [
            item
            for item, at in points
            if sum(held[near] for near in _cubes_around(at, reach_um)) == 1
        ]
        if len(alone) > _APART_SHARE * len(points):
            yield Slip(
                alone[0], ("position_m",),
                f"{len(alone)} of {len(points)} positions have no other within "
                f"{plain_number(from_base(reach_um, UM_PER_M))} m, farther than any cable of these "
                "devices reaches: millimetres in place of metres?",
            )  # fmt: skip
    places = parts.points
    for item in parts.pathways:
        a, b = places.get(item.table.from_), places.get(item.table.to)
        if a is None or b is None or item.table.length_m is None:
            continue
        straight_m = from_base(STRAIGHT.distance_um(a, b), UM_PER_M)
        if 0 < straight_m * _LONG_WAY < item.table.length_m:
            yield Slip(
                item, ("length_m",),
                f"{plain_number(item.table.length_m)} m long, where its places are "
                f"{straight_m:.1f} m apart: millimetres in place of metres?",
            )  # fmt: skip


def _reach_um(grade: str, parts: Parts) -> int:
    """Longest segment of a grade, by the catalogue or the limits of the problem."""
    known = parts.catalogue.grades.get(grade) if parts.catalogue is not None else None
    limit = parts.limits.get(grade)
    stated = None if limit is None else limit.table.length_m
    if stated is not None:
        return to_base(stated, UM_PER_M)
    return 0 if known is None else known.guaranteed_length_um


def _cubes_around(at: tuple[int, int, int], edge: int) -> Iterator[tuple[int, ...]]:
    return product(*((c // edge - 1, c // edge, c // edge + 1) for c in at))


def _milliseconds(parts: Parts) -> Iterator[Slip]:
    """A whole column in milliseconds: half of all values are a thousand times too early."""
    if len(parts.streams) >= _FEWEST:
        first = min(parts.streams, key=lambda i: i.table.period_us)
        usual = median(i.table.period_us for i in parts.streams)
        if usual < _FAST_US:
            yield Slip(
                first, ("period_us",),
                f"half of all {len(parts.streams)} streams have a period of at most "
                f"{plain_number(usual)} µs, this one {plain_number(first.table.period_us)} µs: "
                "milliseconds in place of µs?",
            )  # fmt: skip
    due = [(i, i.table.deadline_us) for i in parts.streams if i.table.deadline_us is not None]
    early = [(i, d) for i, d in due if d * _EARLY < i.table.period_us]
    if len(due) >= _FEWEST and 2 * len(early) > len(due):
        item, deadline = early[0]
        yield Slip(
            item, ("deadline_us",),
            f"more than half of all deadlines are below 1/{_EARLY} of their period, this one "
            f"{plain_number(deadline)} µs of {plain_number(item.table.period_us)} µs: "
            "milliseconds in place of µs?",
        )  # fmt: skip
        return
    for item, deadline in due:
        if deadline < _SHORTEST_FRAME_US:
            yield Slip(
                item, ("deadline_us",),
                f"{plain_number(deadline)} µs is less than the shortest frame takes on a line of "
                "10 Mbit/s: milliseconds in place of µs?",
            )  # fmt: skip


def _far_away(parts: Parts) -> Iterator[Slip]:
    """Ten times farther from the middle than nine of ten devices: mostly millimetres for metres."""
    devices, points = _positions(parts)
    if len(devices) < _FEWEST:
        return
    away = np.sqrt(((points - np.median(points, axis=0)) ** 2).sum(axis=1))
    usual = float(np.quantile(away, 0.75))
    if usual <= 0:
        return
    for item, distance in zip(devices, away, strict=True):
        if distance > _FARTHER * usual:
            yield Slip(
                item, _where(item),
                f"{distance:.0f} m from the middle of all devices, where three of four are within "
                f"{usual:.1f} m: millimetres in place of metres?",
            )  # fmt: skip


def _one_point(parts: Parts) -> Iterator[Slip]:
    """The same coordinates twice, as after a row was copied; one place may hold many devices."""
    if len(parts.devices) < _FEWEST:
        return  # Of two or three, nobody copies rows.
    first: dict[tuple[int, int, int], Item[Any]] = {}
    for item in parts.devices:
        at = position_um(item.table.position_m)
        if at is None:
            continue
        if at in first:
            yield Slip(
                item, ("position_m",),
                f"at the very point of '{first[at].id}': a row copied and not changed?",
            )  # fmt: skip
        first.setdefault(at, item)


def _no_traffic(parts: Parts) -> Iterator[Slip]:
    """Where most devices have streams, one without any was forgotten or has another name."""
    if parts.unsure & {"streams"}:
        return
    traffic: list[Item[Any]] = [*parts.streams, *parts.transfers]
    busy = {n for i in traffic for n in (i.table.from_, *i.table.to)}
    without = [i for i in parts.devices if i.id not in busy]
    if 5 * len(without) > len(parts.devices):
        return  # Traffic is not worked out yet.
    for item in without:
        yield Slip(item, ("id",), "no stream starts or ends here: a name spelled in two ways?")


def _late_deadline(parts: Parts) -> Iterator[Slip]:
    """A small value is mostly out of date once the next one is sent.

    The pieces of a picture are not: there a deadline of many periods is meant.
    """
    for item in parts.streams:
        deadline, period = item.table.deadline_us, item.table.period_us
        is_small = item.table.payload_bytes <= _SMALL_BYTES
        if deadline is not None and is_small and deadline > _LATE * period:
            yield Slip(
                item, ("deadline_us",),
                f"the deadline of {plain_number(deadline)} µs is {deadline / period:.1f} times the "
                f"period of {plain_number(period)} µs: is one of them in another unit?",
            )  # fmt: skip


def _short_period(parts: Parts) -> Iterator[Slip]:
    for item in parts.streams:
        if item.table.period_us < _SHORT_PERIOD_US:
            yield Slip(
                item, ("period_us",),
                f"{plain_number(item.table.period_us)} µs is shorter than a frame on a line of "
                "10 Mbit/s takes: milliseconds in place of µs?",
            )  # fmt: skip


def _heavy_stream(parts: Parts) -> Iterator[Slip]:
    """More than any sensor on a shared line sends, at a device that has no faster grade."""
    is_line = shipped_catalogue().is_line
    slow = {i.id for i in parts.devices if all(is_line(g) for g, _ in i.table.grades)}
    for item in parts.streams:
        size = max(_LEAST_BYTES, item.table.payload_bytes + _AROUND_BYTES)
        kbps = Decimal(8_000) * size / item.table.period_us
        if kbps > _HEAVY_KBPS and item.table.from_ in slow:
            yield Slip(
                item, ("payload_bytes",),
                f"{kbps:.0f} kbit/s in whole frames from a device that has a shared line only: is "
                "the period in ms, or the payload in bits?",
            )  # fmt: skip


def _long_stub(parts: Parts) -> Iterator[Slip]:
    """A stub that reaches as far as the next device is mostly its whole cable."""
    devices, points = _positions(parts)
    for number, item in enumerate(devices):
        stub = float(item.table.stub_m)
        if not stub or len(devices) < 2:
            continue
        gaps = np.abs(points - points[number]).sum(axis=1)
        gaps[number] = np.inf
        nearest = float(gaps.min())
        if 0 < nearest < stub:
            yield Slip(
                item, ("stub_m",),
                f"its stub of {stub:g} m is longer than the way to its nearest neighbour, "
                f"{nearest:.2f} m: is it the length of its whole cable, or in mm?",
            )  # fmt: skip


def _long_jump(parts: Parts) -> Iterator[Slip]:
    """Free-standing devices meet the pathways at the nearest place, however far that is."""
    if not parts.pathways:
        return
    ends = {e for i in parts.pathways for e in (i.table.from_, i.table.to)}
    names = [n for n in parts.points if n in ends]
    if not names:
        return
    points = np.array([parts.points[n] for n in names], dtype=np.float64) / UM_PER_M
    for item, at in zip(*_positions(parts), strict=True):
        if item.table.place is not None:
            continue
        away = distances(at, points, parts.routing.table.metric)[0]
        jump = float(away.min()) * float(parts.routing.table.factor)
        if jump > _LONG_JUMP_M:
            yield Slip(
                item, ("position_m",),
                f"{jump:.1f} m from the nearest place of the pathways, "
                f"'{names[int(away.argmin())]}', which its cable crosses outside of any: is a "
                "pathway missing?",
            )  # fmt: skip


def _free_phy(parts: Parts) -> Iterator[Slip]:
    """A price of 0 beside prices is mostly one that was not known yet."""
    priced = [(i, g, p) for i in parts.devices for g, p in i.table.grades if p is not None]
    if all(p == 0 for _, _, p in priced):
        return
    told: Iterable[Slip] = (
        Slip(i, ("grades",), f"the PHY of {g} costs nothing, others have a price: not known yet?")
        for i, g, p in priced
        if p == 0
    )
    yield from told
