"""Writes a commented problem file from the rows of tables, with what they lack assumed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from partitioner.reading.schema import FORMAT, PROPOSE
from partitioner.reading.yaml_text import Flow, dump
from partitioner.visible import some_of
from partitioner.wording import count

CENTRAL = "central"
"""Name of the switch that assumed traffic goes to."""
ASSUMED_GRADE = "10BASE-T1S-multidrop"
FAST_GRADE = "100BASE-T1"
ASSUMED_STATE = {"payload_bytes": 16, "period_us": 20_000}
ASSUMED_COMMAND = {"payload_bytes": 16, "period_us": 50_000}
ASSUMED_PAYLOAD = 8
ASSUMED_GAP_US = 20_000
ASSUMED_TAKE_RATE = Decimal("0.5")
_BUSY_KBPS = 3_000
"""Traffic of a device above which a line of 10 Mbit/s is not assumed."""
_COMPUTERS = ("computer", "controller", "gateway", "central", "main", "plc", "host", "server")


@dataclass(slots=True)
class Draft:
    """What the tables give, by the keys of the problem file, and what is told of it."""

    name: str
    devices: list[dict[str, Any]] = field(default_factory=list)
    places: list[dict[str, Any]] = field(default_factory=list)
    pathways: list[dict[str, Any]] = field(default_factory=list)
    streams: list[dict[str, Any]] = field(default_factory=list)
    options: list[dict[str, Any]] = field(default_factory=list)
    """Those that devices name; no table lists options."""
    read: list[str] = field(default_factory=list)
    """What was read, and how."""
    assumed: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    marks: dict[int, list[str]] = field(default_factory=dict)
    """By the identity of a row: its keys that are assumed."""
    set_aside: list[tuple[dict[str, Any], str]] = field(default_factory=list)
    """Streams that can't be planned, each with the reason."""
    central: str | None = None

    def told(self) -> list[tuple[str, list[str]]]:
        """What is told of it, under a title each."""
        told = (("Read", self.read), ("Assumed", self.assumed), ("Missing", self.missing))
        return [(title, sentences) for title, sentences in told if sentences]

    def assume(self, row: dict[str, Any], key: str, value: Any) -> None:
        """Give a row a value that no table states, and mark it."""
        row[key] = value
        self.marks.setdefault(id(row), []).append(key)


def complete(draft: Draft) -> None:
    """Fill what the tables lack with what a first plan can start from, each marked as assumed."""
    _missing_devices(draft)
    _positions(draft)
    _streams(draft)
    _traffic(draft)
    _grades(draft)
    _options(draft)
    if not draft.pathways:
        draft.assumed.append(
            "cable ways: no pathways were given, so every cable runs along the axes from point to "
            "point (routing)"
        )
    bare = [f"{p.get('from')} to {p.get('to')}" for p in draft.pathways if "length_m" not in p]
    if bare:
        draft.assumed.append(
            f"length of {some_of(bare, 8)}: the way along the axes from place to place (routing)"
        )
    draft.assumed.append(
        "switches: candidates are proposed where the ways to the devices are shortest; the plan "
        "decides which are built"
    )


def _missing_devices(draft: Draft) -> None:
    known = {d["id"] for d in draft.devices if d.get("id")}
    named = (n for s in draft.streams for n in (s.get("from"), *(s.get("to") or ())))
    unknown = [n for n in dict.fromkeys(named) if n and n not in known]
    if not unknown:
        return
    if not draft.devices:
        for number, name in enumerate(unknown):
            row = {"id": name}
            draft.devices.append(row)
            draft.assume(row, "position_m", [number, 0, 0])
        draft.assumed.append(
            f"positions: no table lists devices, so the {len(unknown)} named stand a metre apart"
        )
        return
    if len(unknown) == 1:
        draft.central = unknown[0]
        draft.assumed.append(
            f"'{unknown[0]}' is the one sender or receiver that is no device: it is taken for a "
            "switch with a computer, in the middle of all devices"
        )
        return
    gone = set(unknown)
    kept = []
    for stream in draft.streams:
        away = [n for n in (stream.get("from"), *(stream.get("to") or ())) if n in gone]
        if not away:
            kept.append(stream)
        else:
            draft.set_aside.append((stream, f"no device {', '.join(away)}"))
    draft.streams[:] = kept
    aside = count(len(draft.set_aside), "stream")
    draft.missing.append(
        f"positions of {some_of(unknown, 8)}: streams name them, but no table of devices does; "
        f"until they are listed as devices or switches, {aside} of theirs "
        f"{'stands' if len(draft.set_aside) == 1 else 'stand'} at the end of the file as comments"
    )


def _positions(draft: Draft) -> None:
    places = {p["id"] for p in draft.places if p.get("id")}
    both, lost = [], []
    for row in draft.devices:
        place = row.get("place")
        if place is None:
            continue
        if "position_m" in row:
            if place not in places:
                both.append(row["id"])
                row.pop("place")
            else:
                row.pop("position_m")
        elif place not in places:
            lost.append((row["id"], place))
    if both:
        draft.read.append(
            f"{count(len(both), 'device')} with coordinates and the name of a place that no table "
            "lists: the coordinates count"
        )
    if lost:
        names = list(dict.fromkeys(place for _, place in lost))
        draft.missing.append(
            f"coordinates of the places {some_of(names, 8)}: give a table of places, or columns x "
            "and y"
        )


def _streams(draft: Draft) -> None:
    taken: Counter[str] = Counter()
    for stream in draft.streams:
        if not stream.get("id"):
            name = f"{stream.get('from', 'x')}-to-{(stream.get('to') or ['x'])[0]}"[:50]
            taken[name] += 1
            draft.assume(stream, "id", name if taken[name] == 1 else f"{name}-{taken[name]}")
        if "payload_bytes" not in stream:
            draft.assume(stream, "payload_bytes", ASSUMED_PAYLOAD)
        if "period_us" not in stream:
            draft.assume(stream, "period_us", ASSUMED_GAP_US)
            if "kind" not in stream:
                draft.assume(stream, "kind", "sporadic")
    for key, unit in (("payload_bytes", "bytes"), ("period_us", "µs")):
        rows = [s for s in draft.streams if key in draft.marks.get(id(s), ())]
        if rows:
            many = count(len(rows), "stream")
            draft.assumed.append(f"{key} of {many}: {rows[0][key]} {unit}")


def _traffic(draft: Draft) -> None:
    """Where no stream is known, each device reports to one computer and hears from it."""
    if draft.streams or draft.set_aside or not draft.devices:
        return
    ids = [d["id"] for d in draft.devices if d.get("id")]
    computer = next((n for w in _COMPUTERS for n in ids if w in n.casefold()), None)
    hub = computer or CENTRAL
    if computer is None:
        while hub in ids:
            hub += "-switch"
        draft.central = hub
    for name in ids:
        if name == hub:
            continue
        for suffix, ends, values in (
            ("state", (name, hub), ASSUMED_STATE),
            ("set", (hub, name), ASSUMED_COMMAND),
        ):
            row: dict[str, Any] = {}
            both = {"id": f"{name}-{suffix}"[:64], "from": ends[0], "to": [ends[1]], **values}
            for key, value in both.items():
                draft.assume(row, key, value)
            draft.streams.append(row)
    where = f"the device '{hub}'" if computer else f"the switch '{hub}', most central of all"
    draft.assumed.append(
        f"traffic: each device sends {ASSUMED_STATE['payload_bytes']} bytes every "
        f"{ASSUMED_STATE['period_us'] // 1000} ms to {where}, and receives as many every "
        f"{ASSUMED_COMMAND['period_us'] // 1000} ms"
    )
    draft.missing.append("who talks to whom: no table lists streams or bus messages")


def _grades(draft: Draft) -> None:
    load: Counter[str] = Counter()
    for s in draft.streams:
        kbps = int(Decimal(8_000) * s["payload_bytes"] / s["period_us"])
        for end in (s.get("from", ""), *(s.get("to") or ())):
            load[end] += kbps
    slow: list[dict[str, Any]] = []
    fast: list[dict[str, Any]] = []
    for row in draft.devices:
        if not row.get("grades"):
            busy = load[row.get("id", "")] > _BUSY_KBPS
            (fast if busy else slow).append(row)
            draft.assume(row, "grades", [FAST_GRADE if busy else ASSUMED_GRADE])
    if slow:
        many = count(len(slow), "device")
        draft.assumed.append(f"grades of {many}: {ASSUMED_GRADE}, a shared line")
    if fast:
        draft.assumed.append(
            f"grades of {count(len(fast), 'device')} sending and receiving more than "
            f"{_BUSY_KBPS} kbit/s: {FAST_GRADE}"
        )


def _options(draft: Draft) -> None:
    names = dict.fromkeys(d["option"] for d in draft.devices if d.get("option"))
    for name in names:
        row = {"id": name}
        draft.options.append(row)
        draft.assume(row, "take_rate", ASSUMED_TAKE_RATE)
    if names:
        draft.assumed.append(
            f"take rate of {some_of(list(names), 8)}: {ASSUMED_TAKE_RATE} of the units"
        )


def draft_text(draft: Draft, sources: Sequence[str]) -> str:
    """The problem file: settings, then the lists, each row on a line with what is assumed in it."""
    lines = [
        "# Made by `partitioner import` from " + ", ".join(map(_comment, sources)) + ".",
        "# Every key is explained in docs/reference/problem-file.md. What no table states is",
        "# marked `assumed`: replace it by what you know, above all switches, prices and traffic.",
        "#",
    ]
    for title, told in draft.told():
        lines += [f"# {title}:", *(f"# - {_comment(t)}" for t in told)]
    lines += ["", f"format: {FORMAT}", dump({"name": draft.name}).rstrip(), ""]
    if not draft.pathways:
        lines += [
            "# rectilinear: along the axes; straight: point to point; factor 1.2: a fifth longer.",
            "routing: {metric: rectilinear, factor: 1.0}  # assumed",
            "",
        ]
    lines += [
        "# Candidates, as many as devices ask for. State your own switches once you know them.",
        f"switches: {PROPOSE}  # assumed",
        "# number: how many candidates; price: of each (the default is invented).",
    ]
    if draft.central:
        lines.append(
            dump({"propose": Flow(central=draft.central)}).rstrip() + "  # assumed"
        )
    lines.append("")
    for section, rows in (
        ("places", draft.places),
        ("pathways", draft.pathways),
        ("options", draft.options),
        ("devices", draft.devices),
        ("streams", draft.streams),
    ):
        if rows:
            lines.append(f"{section}:")
            lines += [_line(row, draft.marks.get(id(row), ())) for row in rows]
            lines.append("")
    if draft.set_aside:
        lines.append("# Streams that can't be planned yet; put them into the list above.")
        lines += [
            f"# {_line(row, ()).strip()}  # {_comment(why)}".replace("\n", "\n# ")
            for row, why in draft.set_aside
        ]
        lines.append("")
    return "\n".join(lines)


def _line(row: Mapping[str, Any], marks: Sequence[str]) -> str:
    text = dump([Flow({k: v for k, v in row.items() if v is not None})]).rstrip()
    text = "\n".join(f"  {part}" for part in text.split("\n"))
    if not marks:
        return text
    told = "all" if set(marks) >= set(row) else ", ".join(marks)
    return f"{text}  # assumed: {told}"


def _comment(text: str) -> str:
    """A text that stays within its comment."""
    return "".join(c if c.isprintable() else " " for c in text)
