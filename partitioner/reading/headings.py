"""Finds the headings of a sheet and what each column holds, as stated or as guessed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache

from partitioner.reading.sheet import Row, Sheet


class Holds(StrEnum):
    """What a table lists."""

    DEVICES = "devices"
    STREAMS = "streams"
    PLACES = "places"
    PATHWAYS = "pathways"
    MESSAGES = "messages"


_AXIS = (
    "{0}|{0} pos|pos {0}|{0} position|position {0}|{0} coordinate|"
    "coordinate {0}|coord {0}|{0} coord"
)
_POSITION = {f"{a}_m": _AXIS.format(a) for a in "xyz"}
_ID = "id|name|tag|part tag|designation|identifier|label"
_TRAFFIC = {
    "from": "from|sender|source|transmitter|tx|sent by|producer|talker|origin",
    "to": "to|receiver|receivers|destination|destinations|target|targets|recipient|recipients|sink|"
    "rx|received by|consumer|consumers|listener|listeners",
    "payload_bytes": "payload|size|length|bytes|dlc|data length|payload size|data bytes|byte count",
    "period_us": "period|cycle|cycle time|interval|repetition|send period|rate time|least gap|"
    "update|update time|refresh|refresh time",
    "rate_kbps": "rate|data rate|bit rate|bandwidth|throughput",
    "deadline_us": "deadline|max latency|latency|max delay|latest arrival|max age|age",
    "jitter_us": "jitter",
    "pcp": "pcp|priority|prio",
    "kind": "kind|send type|trigger|type|transmission|mode",
}
_WORDS: dict[Holds, dict[str, str]] = {
    Holds.DEVICES: {
        "id": f"{_ID}|device|device name|device id|part|component|item|node|ecu|unit|part name",
        **_POSITION,
        "place": "place|location|mounting place|mounting point|installed at|mounted at|where",
        "grades": "grades|grade|phy|interface|connection",
        "option": "option|equipment option|fitted with|variant|accessory",
        "stub_m": "stub|stub length|spur|spur length|drop length",
        "safety_level": "safety level|safety|sil",
        "security_domain": "security domain|domain|security|security zone|it zone",
        "zone": "zone|area",
        "switch": "switch|zone controller",
        "function": "function",
        "mass_g": "mass|weight",
    },
    Holds.STREAMS: {"id": f"{_ID}|stream|signal|stream name|signal name", **_TRAFFIC,
                    "encapsulation": "encapsulation|protocol", "tagged": "tagged|vlan tag"},
    Holds.PLACES: {"id": f"{_ID}|place|location|point|place name", **_POSITION},
    Holds.PATHWAYS: {
        "id": f"{_ID}|pathway|duct|channel|way|duct name",
        "from": "from|start|begin|a|end a|a end|from place",
        "to": "to|end|b|end b|b end|to place",
        "length_m": "length|cable length|duct length|run length",
        "max_cables": "max cables|capacity|cables|most cables",
    },
    Holds.MESSAGES: {
        "id": "name|message|message name|frame|frame name|signal group",
        "identifier": "id|identifier|can id|message id|frame id|hex id|id hex|arbitration id",
        "bus": "bus|network|channel|cluster",
        **_TRAFFIC,
    },
}  # fmt: skip
_UNITS: dict[str, dict[str, Decimal]] = {
    "m": {"nm": Decimal("1e-9"), "µm": Decimal("1e-6"), "mm": Decimal("0.001"),
          "cm": Decimal("0.01"), "dm": Decimal("0.1"), "m": Decimal(1), "km": Decimal(1000),
          "in": Decimal("0.0254"), "inch": Decimal("0.0254"), "ft": Decimal("0.3048"),
          "metre": Decimal(1), "metres": Decimal(1), "meter": Decimal(1), "meters": Decimal(1)},
    "us": {"ns": Decimal("0.001"), "us": Decimal(1), "µs": Decimal(1), "μs": Decimal(1),
           "ms": Decimal(1000), "s": Decimal(1_000_000), "sec": Decimal(1_000_000),
           "min": Decimal(60_000_000)},
    "g": {"mg": Decimal("0.001"), "g": Decimal(1), "kg": Decimal(1000)},
    "bytes": {"bytes": Decimal(1), "byte": Decimal(1), "b": Decimal(1), "octets": Decimal(1),
              "bit": Decimal("0.125"), "bits": Decimal("0.125")},
    "kbps": {"bit/s": Decimal("0.001"), "bps": Decimal("0.001"), "kbit/s": Decimal(1),
             "kbps": Decimal(1), "kb/s": Decimal(1), "mbit/s": Decimal(1000),
             "mbps": Decimal(1000), "byte/s": Decimal("0.008"), "kbyte/s": Decimal(8)},
}  # fmt: skip
_FREQUENCIES = {"hz": Decimal(1), "khz": Decimal(1000), "1/s": Decimal(1)}
_BRACKETED = re.compile(r"[\[({<]\s*(?:in\s+)?([^\])}>]{1,12}?)\s*[\])}>]")
_BEHIND = re.compile(r"(?:\bin\s+|[,/_]\s*|\s)([^\s\[\](){},_]{1,9})\s*\Z")
_FURTHEST_HEADING = 40


def unit_of_key(key: str) -> str:
    """Unit that a key's name ends with: ``m``, ``us``, ``g``, ``bytes``, ``kbps`` or none."""
    end = key.rpartition("_")[2]
    return end if "_" in key and end in _UNITS else ""


def other_unit(name: str, key: str) -> str:
    """What to say behind a key in place of a name that is the same in another unit.

    Examples
    --------
    >>> other_unit("deadline_ms", "deadline_us"), other_unit("lenght_m", "length_m")
    (' 1 ms is 1000 us', '')
    """
    unit, given = unit_of_key(key), name.rpartition("_")[2]
    factor = _UNITS[unit].get(given) if unit else None
    if factor is None or factor == 1:
        return ""
    if factor < 1:
        return f" 1 {unit} is {1 / factor:f} {given}"
    return f" 1 {given} is {factor:f} {unit}"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: how its numbers become those of the key."""

    factor: Decimal
    is_frequency: bool = False

    def converted(self, number: Decimal) -> Decimal | None:
        """The number in the unit of the key; None for a frequency of 0, which has no period."""
        if not self.is_frequency:
            return number * self.factor
        # Rounded down: a shorter period is the harder case.
        return (1_000_000 / (number * self.factor)).quantize(Decimal("0.001")) if number else None


def unit_named(text: str, key: str) -> Unit | None:
    """The unit that a text names, if the key can take it."""
    own = unit_of_key(key)
    name = text.strip().rstrip(".").lower()
    if name in _UNITS.get(own, {}):
        return Unit(_UNITS[own][name])
    if own == "us" and name in _FREQUENCIES:
        return Unit(_FREQUENCIES[name], is_frequency=True)
    return None


def heading_unit(heading: str, key: str) -> Unit | None:
    """The unit that a heading names: ``X [mm]``, ``Cycle (ms)``, ``Rate, kbit/s``, ``x_mm``."""
    for pattern in (_BRACKETED, _BEHIND):
        for found in pattern.findall(heading):
            unit = unit_named(found, key)
            if unit is not None:
                return unit
    return None


def strange_unit(heading: str) -> str:
    """What stands in brackets in a heading, which may be a unit that is not known here."""
    found = _BRACKETED.findall(heading)
    return found[-1].strip() if found else ""


@lru_cache(maxsize=2_000)
def _words(heading: str) -> str:
    """A heading without units, signs and capitals."""
    text = _BRACKETED.sub(" ", heading).casefold()
    text = re.sub(r"[^\w]+|_", " ", text)
    words = text.split()
    units = {u for known in _UNITS.values() for u in known}
    while len(words) > 1 and words[-1] in units:
        words.pop()
        if words[-1] == "in" and len(words) > 1:
            words.pop()
    return " ".join(words)


def _score(heading: str, key: str, known: str) -> float:
    """How well a heading names a key: 4 the key itself, 3 one of its words, 2 with more."""
    words = _words(heading)
    if heading.casefold().strip() == key and (words in known.split("|") or "_" in key):
        return 4
    if not words:
        return 0
    best = 0.0
    for name in known.split("|"):
        if words == name:
            return 3
        inside = words.split()
        if len(name) > 1 and all(w in inside for w in name.split()):
            best = max(best, 2 + len(name) / (10 * len(words)))
    return best


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the rows of a sheet start and which column holds what.

    ``first`` is the index of the first row of the list within the rows of the sheet. ``columns``
    and ``headings`` go by key; ``unused`` are headings of columns that are not read.
    """

    holds: Holds
    first: int
    columns: Mapping[str, int]
    headings: Mapping[str, str]
    header: tuple[str, ...]
    unused: tuple[str, ...]
    heading_row: int
    score: float = 0.0
    twice: Mapping[str, tuple[int, ...]] = field(default_factory=dict)


def keys_of(holds: Holds) -> list[str]:
    """Keys that columns of such a table may hold."""
    return list(_WORDS[holds])


def _headers(sheet: Sheet, index: int) -> list[tuple[tuple[str, ...], int]]:
    """Headings that a row makes alone, and with a row of groups above it; first data row."""
    width = sheet.width

    def row(n: int) -> list[str]:
        cells = [
            " ".join(c.split()) if isinstance(c, str) else "" for c in sheet.rows[n].cells
        ]
        return cells + [""] * (width - len(cells))

    alone = row(index)
    found = [(tuple(alone), index + 1)]
    if index and sheet.rows[index - 1].number >= sheet.rows[index].number - 2:
        above = row(index - 1)
        filled, last = [], ""
        for own, over in zip(alone, above, strict=True):
            last = over or last
            filled.append(f"{last} {own}".strip() if own and last != own else own or over)
        found.append((tuple(filled), index + 1))
    return found


def find_columns(
    sheet: Sheet,
    holds: Holds,
    stated: Mapping[str, str] | None = None,
    heading_row: int | None = None,
) -> Columns | None:
    """Find the headings of a sheet and what its columns hold; None where no row can be them.

    ``stated`` are headings by key, as the user maps them; the columns of other keys are then not
    guessed. ``heading_row`` is the number of the row with the headings, where the user states it.
    """
    best: Columns | None = None
    for index, row in enumerate(sheet.rows[:_FURTHEST_HEADING]):
        if heading_row is not None and row.number != heading_row:
            continue
        for header, first in _headers(sheet, index):
            made = _mapped(header, first, holds, stated, row)
            is_same_row = best is not None and best.heading_row == made.heading_row
            # With its groups above it a heading says no less, and may say the unit.
            least = 0 if best is None else best.score - 0.1 if is_same_row else best.score + 0.5
            if made.columns and made.score > least:
                best = made
    if best is None or (not stated and best.score < 5 and len(best.columns) < 2):
        return None
    return best


def _mapped(
    header: Sequence[str], first: int, holds: Holds, stated: Mapping[str, str] | None, row: Row
) -> Columns:
    scores: list[tuple[float, int, int, str]] = []
    if stated:
        wanted = {k: " ".join(h.casefold().split()) for k, h in stated.items()}
        for column, heading in enumerate(header):
            name = heading.casefold()
            scores += [(4, -column, 0, key) for key, want in wanted.items() if name == want]
    else:
        for column, heading in enumerate(header):
            if not heading or len(heading) > 60:
                continue
            for rank, (key, known) in enumerate(_WORDS[holds].items()):
                score = _score(heading, key, known)
                if score:
                    scores.append((score, -column, -rank, key))
    columns: dict[str, int] = {}
    equal: dict[str, list[int]] = {}
    sure: dict[str, float] = {}
    for score, minus_column, _, key in sorted(scores, reverse=True):
        column = -minus_column
        taken = column in columns.values()
        if key in columns:
            if not taken and score == sure[key] and header[column] == header[columns[key]]:
                equal.setdefault(key, [columns[key]]).append(column)
        elif not taken:
            columns[key] = column
            sure[key] = score
    if holds is Holds.MESSAGES and "id" not in columns and "identifier" in columns:
        columns["id"] = columns.pop("identifier")  # No other column names them.
    if holds is Holds.STREAMS and "id" not in columns and not stated:
        # The name of a message will do, but speaks for a list of messages where there is a choice.
        names = _WORDS[Holds.MESSAGES]["id"].split("|")
        used = set(columns.values())
        free = [n for n, h in enumerate(header) if n not in used and _words(h) in names]
        columns.update(("id", n) for n in free[:1])
    columns = {key: columns[key] for key in _WORDS[holds] if key in columns}
    used = set(columns.values())
    return Columns(
        holds=holds,
        first=first,
        columns=columns,
        headings={key: header[column] for key, column in columns.items()},
        header=tuple(header),
        unused=tuple(h for n, h in enumerate(header) if h and n not in used),
        heading_row=row.number,
        score=sum(sure.values()),
        twice={key: tuple(sorted(where)) for key, where in equal.items()},
    )


_NEEDED: dict[Holds, tuple[tuple[str, ...], ...]] = {
    Holds.STREAMS: (("from",), ("to",), ("period_us", "rate_kbps")),
    Holds.MESSAGES: (("from",), ("to", "bus"), ("id",), ("period_us", "payload_bytes", "kind")),
    Holds.PATHWAYS: (("from",), ("to",)),
    Holds.PLACES: (("id",), ("x_m",), ("y_m",)),
    Holds.DEVICES: (("id",), ("x_m", "place")),
}


def _lacking(made: Columns) -> list[str]:
    """Keys without which a sheet is not taken for a list of its kind."""
    return [
        keys[0] for keys in _NEEDED[made.holds] if not any(k in made.columns for k in keys)
    ]


def headings_for(holds: Holds, key: str) -> str:
    """The headings that are best known for a key, to choose from."""
    *most, last = dict.fromkeys(_WORDS[holds][key].split("|")[:4])
    return f"{', '.join(most)} or {last}"


def nearest_list(sheet: Sheet) -> tuple[Columns, list[str]] | None:
    """The list that a sheet which is none comes nearest to, and the keys it lacks for that."""
    made = [m for holds in Holds if (m := find_columns(sheet, holds)) is not None]
    near = min(made, key=lambda m: (len(_lacking(m)), -m.score), default=None)
    return None if near is None or near.score < 5 else (near, _lacking(near))


def guess_holds(sheet: Sheet) -> Columns | None:
    """Guess what a sheet lists, by its headings and its name; None where nothing fits."""
    found: list[tuple[float, Columns]] = []
    name = f"{sheet.file.rpartition('/')[2]} {sheet.name}".casefold()
    for holds in Holds:
        made = find_columns(sheet, holds)
        if made is None or _lacking(made):
            continue
        score = made.score / max(1, len(made.header)) + made.score / 100
        hints = {
            Holds.PLACES: ("place", "point", "location"),
            Holds.DEVICES: ("device", "part", "component", "node", "ecu"),
            Holds.PATHWAYS: ("pathway", "duct", "channel", "harness", "route"),
            Holds.STREAMS: ("stream", "signal", "traffic"),
            Holds.MESSAGES: ("message", "bus", "can", "frame", "matrix"),
        }[holds]
        score += 2 * any(hint in name for hint in hints)
        score += 1 * (holds is Holds.MESSAGES and "bus" in made.columns)
        score += 0.5 * (holds is Holds.DEVICES)
        if holds is Holds.PATHWAYS:
            streams = find_columns(sheet, Holds.STREAMS)
            if streams is not None and "period_us" in streams.columns:
                continue
        found.append((score, made))
    return max(found, key=lambda f: f[0], default=(0, None))[1]
