"""The block diagram: every open switch with what hangs on it, and the backbone between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from partitioner.model.layout import link_name
from partitioner.report.sections import Figure, State
from partitioner.report.svg import Canvas, num, text_width

SIZE = 10.5
WIDTH = 1240.0
GAP = 8.0
PADDING = 7.0
LANE = 13.0
"""Between two upright runs of backbone links."""
HEIGHT = 56.0


@dataclass(frozen=True, slots=True)
class Block:
    """What a port of a switch leads to: a line on it for each of ``words``.

    ``state`` is that of its least margin, ``load`` the share of its load limit in use; ``about``
    are the attributes that say what the block stands for.
    """

    switch: str
    name: str
    words: tuple[str, str]
    state: State
    load: float
    about: Mapping[str, str]
    is_backbone: bool = False


def block_diagram(
    id: str,
    name: str,
    switches: Sequence[tuple[str, str]],
    links: Sequence[tuple[str, str]],
    blocks: Sequence[Block],
) -> Figure:
    """Draw one row of blocks for each switch, the backbone as runs at the left.

    ``name`` is that of the problem. ``switches`` are the open ones with their words, ``links`` the
    ends of the backbone links; ``blocks`` are drawn in their order.
    """
    lanes = _lanes([s for s, _ in switches], links)
    left = 10.0 + LANE * (max(lanes.values(), default=-1) + 1)
    wide = _width([(s, words) for s, words in switches])
    boxes = _width([(b.name, *b.words) for b in blocks], glyph=True)
    first = left + wide + 2.5 * GAP
    per_row = max(1, int((WIDTH - first) // (boxes + GAP)))
    width = max(WIDTH, first + boxes + GAP)
    canvas = Canvas(
        id,
        f"Blocks of {name}",
        "Each switch with its lines, links and backbone links as blocks: load, least margin, and "
        "what a line has room for. The table of blocks holds the same figures.",
        width,
    )
    top, middles = 4.0, {}
    for switch, words in switches:
        own = [b for b in blocks if b.switch == switch]
        rows = max(1, -(-len(own) // per_row))
        tall = rows * (HEIGHT + GAP) - GAP
        middles[switch] = top + tall / 2
        _switch(canvas, (left, top, wide, tall), switch, words)
        for number, block in enumerate(own):
            row, column = divmod(number, per_row)
            at = (first + column * (boxes + GAP), top + row * (HEIGHT + GAP))
            _block(canvas, at, boxes, block)
            canvas.line(
                (at[0] - (GAP if column else 2.5 * GAP), at[1] + HEIGHT / 2),
                (at[0], at[1] + HEIGHT / 2), cls="thin",
            )  # fmt: skip
        top += tall + 2 * GAP
    _backbone(canvas, left, lanes, middles, links)
    caption = (
        "Every switch with what its ports lead to. A bar along the foot is the load as a share of "
        "its limit; what is left is that of the tightest delivery that passes."
    )
    return Figure(id, caption, canvas.finish(top), wide=True)


def _width(texts: Sequence[tuple[str, ...]], *, glyph: bool = False) -> float:
    """Room for the widest of blocks with a name in bold and lines below it."""
    widest = [
        max(text_width(name, SIZE, bold=True), *(text_width(w, SIZE) for w in words))
        for name, *words in texts
    ]
    return max(widest, default=60.0) + 2 * PADDING + (14.0 if glyph else 0.0)


def _lanes(
    order: Sequence[str], links: Sequence[tuple[str, str]]
) -> dict[tuple[str, str], int]:
    """A lane for each link, so that no two runs lie on each other; short ones stay near."""
    rows = {switch: row for row, switch in enumerate(order)}
    spans = {ends: sorted((rows[ends[0]], rows[ends[1]])) for ends in links}
    taken: list[list[list[int]]] = []
    """Spans in each lane."""
    found = {}
    for ends in sorted(spans, key=lambda e: (spans[e][1] - spans[e][0], spans[e])):
        low, high = spans[ends]
        free = (n for n, own in enumerate(taken) if all(high < a or b < low for a, b in own))
        found[ends] = next(free, len(taken))
        taken += [[]] if found[ends] == len(taken) else []
        taken[found[ends]].append([low, high])
    return found


def _switch(
    canvas: Canvas, box: tuple[float, float, float, float], switch: str, words: str
) -> None:
    x, y, wide, tall = box
    group = canvas.group(data_switch=switch)
    canvas.rect((x, y, wide, tall), group, rx=3, cls="switch")
    for offset, text, weight in ((-2.0, switch, "700"), (12.0, words, "")):
        canvas.text(
            x + PADDING, y + tall / 2 + offset, text, group, size=SIZE, cls="onswitch",
            weight=weight,
        )  # fmt: skip


def _block(canvas: Canvas, at: tuple[float, float], wide: float, block: Block) -> None:
    x, y = at
    group = canvas.group(None, **block.about)
    canvas.rect(
        (x, y, wide, HEIGHT), group, rx=2, cls="closed",
        stroke_dasharray="4 3" if block.is_backbone else "",
    )  # fmt: skip
    canvas.text(x + PADDING, y + 15, block.name, group, size=SIZE, weight="700")
    canvas.text(x + PADDING, y + 29, block.words[0], group, size=SIZE)
    canvas.text(x + PADDING, y + 43, block.state.glyph, group, size=SIZE, cls=block.state.value)
    canvas.text(x + PADDING + 14, y + 43, block.words[1], group, size=SIZE)
    inner = wide - 2.0
    canvas.rect((x + 1, y + HEIGHT - 6, inner, 5), group, cls="panel")
    full = inner * min(1.0, max(0.0, block.load))
    canvas.rect((x + 1, y + HEIGHT - 6, full, 5), group, cls="inkfill")


def _backbone(
    canvas: Canvas,
    left: float,
    lanes: Mapping[tuple[str, str], int],
    middles: Mapping[str, float],
    links: Sequence[tuple[str, str]],
) -> None:
    ends_at: dict[str, list[tuple[str, str]]] = {}
    for link in sorted(links, key=lambda e: lanes[e]):
        for end in link:
            ends_at.setdefault(end, []).append(link)

    def height(switch: str, link: tuple[str, str]) -> float:
        own = ends_at[switch]
        return middles[switch] + 7.0 * (own.index(link) - (len(own) - 1) / 2)

    for link in links:
        x = left - 8.0 - LANE * lanes[link]
        path = (
            f"M{num(left)} {num(height(link[0], link))}H{num(x)}V{num(height(link[1], link))}"
            f"H{num(left)}"
        )
        group = canvas.group(data_backbone=link_name(*link))
        canvas.add("path", group, f"backbone {link[0]} to {link[1]}", d=path, cls="back",
                   stroke_width=2)  # fmt: skip
