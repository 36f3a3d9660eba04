"""The round of a line as a diagram: BEACON, then a turn for every PLCA ID, and again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from partitioner.report.amounts import time_text
from partitioner.report.sections import Figure
from partitioner.report.svg import WHOLE_WIDTH, Canvas, num, text_width

LEFT = 150.0
RIGHT = 90.0
TALL = 20.0
SIZE = 10.0
LEAST_PART = 3
"""The silent round is drawn at least about so many times shorter than the longest one."""


@dataclass(frozen=True, slots=True)
class Turn:
    """The turn of one ID; ``longest_ns`` is ``silent_ns`` where nobody ever sends in it."""

    plca_id: int
    node: str
    """Empty for an ID that no node has."""
    silent_ns: int
    longest_ns: int
    frame_bytes: int
    """Longest frame of the node; 0 where it never sends."""


@dataclass(frozen=True, slots=True)
class Round:
    """One round of a line; ``start_ns`` is the BEACON with its way along the line."""

    start_ns: int
    turns: tuple[Turn, ...]

    @property
    def silent_ns(self) -> int:
        """How long it takes when nobody sends."""
        return self.start_ns + sum(t.silent_ns for t in self.turns)

    @property
    def longest_ns(self) -> int:
        """How long it takes when every node sends its longest frame."""
        return self.start_ns + sum(t.longest_ns for t in self.turns)


ROUND_CAPTION = (
    "One round: BEACON (B), then a turn for every ID. It is repeated for ever; a turn that is "
    "not used is given up after the transmit opportunity timer. ×: drawn so many times as long."
)


def round_figure(id: str, segment: str, found: Round, hue: str) -> Figure:
    """Draw a round twice: nobody sends, and everybody sends the longest frame.

    The first is drawn larger by a whole number, which stands beside it, where it is much shorter.
    ``hue`` is the class of the line's colour.
    """
    canvas = Canvas(
        id,
        f"Round of {segment}",
        f"A round is {time_text(found.silent_ns)} long when nobody sends and at most "
        f"{time_text(found.longest_ns)}. The table of PLCA settings holds the IDs.",
        WHOLE_WIDTH,
    )
    per_ns = (WHOLE_WIDTH - LEFT - RIGHT) / max(found.longest_ns, 1)
    larger = max(1, found.longest_ns // (LEAST_PART * found.silent_ns))
    silent = [(t, t.silent_ns) for t in found.turns]
    longest = [(t, t.longest_ns) for t in found.turns]
    name = "nobody sends" if larger == 1 else f"nobody sends, × {larger}"
    _row(canvas, name, found.start_ns, silent, per_ns * larger, 8.0, hue)
    y = 8.0 + TALL + 22
    _row(canvas, "everybody sends", found.start_ns, longest, per_ns, y, hue)
    y += TALL + 22
    return Figure(id, ROUND_CAPTION, canvas.finish(y - 6), wide=True)


def _row(
    canvas: Canvas,
    name: str,
    start_ns: int,
    turns: Sequence[tuple[Turn, int]],
    per_ns: float,
    y: float,
    hue: str,
) -> None:
    total = start_ns + sum(ns for _, ns in turns)
    middle = y + TALL / 2 + 3.5
    # Where nobody sends the turns are alike, and the row says so.
    is_told = any(ns > turn.silent_ns for turn, ns in turns)
    canvas.text(LEFT - 12, middle, name, size=SIZE, anchor="end")
    x = LEFT
    wide = start_ns * per_ns
    canvas.rect((x, y, wide, TALL), cls="inkfill", title="BEACON")
    if wide > 12:
        canvas.text(x + wide / 2, middle, "B", size=SIZE, anchor="middle", cls="onswitch")
    x += wide
    for turn, ns in turns:
        wide = ns * per_ns
        is_used = ns > turn.silent_ns
        who = turn.node or "no node"
        what = f"frame of {turn.frame_bytes} bytes" if is_used else "silent"
        # The port of the switch has the first turn.
        kind = "data_device" if turn.plca_id else "data_switch"
        own = canvas.group(None, **{kind: turn.node}) if is_told else None
        canvas.rect(
            (x, y, wide, TALL), own, cls=f"page {hue}" if is_used else "closed",
            stroke_width=1.6 if is_used else 1, stroke_dasharray="" if turn.node else "2 2",
            title=f"ID {turn.plca_id}, {who}: {what}, {time_text(ns)}" if is_told else "",
        )  # fmt: skip
        words = f"{turn.plca_id} {who}"
        if (is_used and text_width(words, SIZE) > wide - 6) or not is_used:
            words = str(turn.plca_id)
        if text_width(words, SIZE) < wide - 1:
            canvas.text(x + wide / 2, middle, words, own, size=SIZE, anchor="middle")
        x += wide
    canvas.text(x + 8, middle, time_text(total), size=SIZE, weight="600")
    # The way back to the BEACON.
    path = f"M{num(x)} {num(y + TALL + 3)}v6H{num(LEFT)}v-6m-3 4l3 -4l3 4"
    canvas.add("path", d=path, cls="axis", stroke_width=0.9)


