"""Two layouts beside each other as sections: what differs, figures, streams, drawings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR

from partitioner.check.cut_list import piece_name
from partitioner.model.assessment import Assessment, SegmentFigures, StreamFigures, worst_first
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.pages.change_order import order_section
from partitioner.replan.beside import Beside
from partitioner.replan.compare import DEVICE_KINDS, WIRE_KINDS, Change, Comparison
from partitioner.replan.compare import Kind as ChangeKind
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, margin_time_text, money_text
from partitioner.report.drawing import Looks, layout_figures
from partitioner.report.drawing_input import DrawingInput, drawing_input
from partitioner.report.sections import Chapter, Column, Figure, Kind, Section, Table
from partitioner.report.tables import layout_counts
from partitioner.report.verdict import CENT, total_name
from partitioner.units import PPM, UM_PER_M

_DONE = {
    ChangeKind.SEGMENT: "moves to another segment",
    ChangeKind.ORDER: "moves along its line",
    ChangeKind.PORT: "moves to another port",
    ChangeKind.PLCA_ID: "gets another PLCA ID",
    ChangeKind.NEW_LINE: "is a new line",
    ChangeKind.CUT: "piece cut to another length",
    ChangeKind.ADDED: "is new",
    ChangeKind.REMOVED: "is gone",
    ChangeKind.NEW_LINK: "is a new link",
    ChangeKind.GONE: "is gone",
    ChangeKind.NEW_PIECE: "new piece",
    ChangeKind.PIECE_GONE: "piece gone",
    ChangeKind.NEW_ID: "gets a PLCA ID",
    ChangeKind.NODE_COUNT: "PLCA node count",
    ChangeKind.BURST: "PLCA burst count",
    ChangeKind.SWITCH: "switch",
    ChangeKind.BACKBONE: "backbone link",
}


def change_tables(problem: Problem, comparison: Comparison) -> tuple[Table, ...]:
    """One table each for devices, wires and settings."""
    first: Sequence[col.Held[Change]] = (
        col.text("kind", "", lambda c: c.kind.value),
        col.name("subject", "What", lambda c: c.subject, heads_row=True),
        col.text("change", "Change", lambda c: _DONE[c.kind]),
        col.name("segment", "Segment", lambda c: c.where),
    )
    price: col.Held[Change] = col.money("price", "Price", lambda c: c.price_money, problem.currency)
    words: Sequence[col.Held[Change]] = (
        *first, col.text("before", "Before", lambda c: c.before),
        col.text("after", "After", lambda c: c.after), price,
    )  # fmt: skip
    wires: Sequence[col.Held[Change]] = (
        *first,
        col.name("piece", "Piece", lambda c: piece_name(c.after or c.before, c.subject)),
        col.name("before", "Came from", lambda c: c.before),
        col.name("after", "Comes from", lambda c: c.after),
        col.metres("length_before_m", "Before", lambda c: c.um[0], 3),
        col.metres("length_after_m", "After", lambda c: c.um[1], 3),
        price,
    )
    others = tuple(k for k in ChangeKind if k not in DEVICE_KINDS and k not in WIRE_KINDS)
    devices, wired, rest = (comparison.of(kinds) for kinds in (DEVICE_KINDS, WIRE_KINDS, others))
    return (
        Table.of("changes-devices", "Devices that come, go or move", devices, words),
        Table.of(
            "changes-wires",
            "Pieces of cable to cut anew",
            wired,
            wires,
            note="Each piece runs from the neighbour towards the switch to the device, and is "
            "named by the two. An empty length before is not known: a node the piece touched is "
            "gone.",
        ),
        Table.of("changes-settings", "Segments, ports and settings", rest, words),
    )


def counted(comparison: Comparison) -> str:
    """How much of what has a price is not the same, in words."""
    words = (
        (ChangeKind.SEGMENT, "device to another segment", "devices to another segment"),
        (ChangeKind.ORDER, "device along its line", "devices along their lines"),
        (ChangeKind.PORT, "port", "ports"),
        (ChangeKind.PLCA_ID, "PLCA ID", "PLCA IDs"),
        (ChangeKind.NEW_LINE, "new line", "new lines"),
        (ChangeKind.CUT, "cut length", "cut lengths"),
    )
    parts = [
        count_text(comparison.count(kind), one, many)
        for kind, one, many in words
        if comparison.count(kind)
    ]
    return ", ".join(parts) or "nothing that is there already"


def come_and_go(comparison: Comparison) -> str:
    """How many devices are only in one of the layouts, as a sentence; empty where none is."""
    told = [
        f"{count_text(count, 'device')} {word}"
        for kind, word in ((ChangeKind.ADDED, "added"), (ChangeKind.REMOVED, "removed"))
        if (count := comparison.count(kind))
    ]
    return f"{', '.join(told)}." if told else ""


# -- figures ----------------------------------------------------------------------------------


def figures_section(
    problem: Problem, layouts: Sequence[tuple[str, Layout, Assessment]]
) -> Section:
    """Named layouts beside each other: what they hold, what they cost, what margin they leave."""
    currency, is_line = problem.currency, problem.catalogue.is_line
    table = Table.of(
        "beside",
        "Layouts beside each other",
        layouts,
        (
            col.name("layout", "Layout", lambda row: row[0], heads_row=True),
            col.number("devices", "Devices",
                       lambda row: sum(len(s.devices) for s in row[1].segments)),
            col.number("lines", "Lines",
                       lambda row: sum(is_line(s.grade) for s in row[1].segments)),
            col.number("ports", "Ports", lambda row: len(row[1].segments)),
            col.metres("cable_m", "Cable", lambda row: layout_counts(problem, row[2])["cable_um"]),
            col.metres("longest_m", "Longest segment",
                       lambda row: max((s.length_um for s in row[2].segments), default=0)),
            col.grams("mass_g", "Mass", lambda row: row[2].cost.mass_mg),
            col.money("money", "Money", lambda row: row[2].cost.money, currency),
            col.money("priced_total", "Priced total", lambda row: row[2].cost.objective_money,
                      currency),
            col.text("tightest", "Tightest stream", lambda row: _tightest(row[2])[0]),
            col.text("left", "Left", lambda row: _tightest(row[2])[1]),
            col.number("broken", "Broken rules", lambda row: len(row[2].findings)),
        ),
    )  # fmt: skip
    judged = "Each layout judged under the problem as it is now."
    return Section("Beside each other", judged, (table,), id="beside")


def _tightest(assessment: Assessment) -> tuple[str, str]:
    """The delivery with the least of its deadline left, and how much that is."""
    if not assessment.streams:
        return "", ""
    worst = worst_first(assessment.streams)[0]
    left = "overload"
    if worst.margin_ns is not None:
        left = f"{margin_time_text(worst.margin_ns)} of {margin_time_text(worst.deadline_ns)}"
    return f"{worst.stream} to {worst.destination}", left


def differences_section(pair: Beside, names: tuple[str, str]) -> Section:
    """Segments, streams and parts whose figures are not the same in two layouts."""
    tables = (_segments_table(pair, names), _streams_table(pair, names), _parts_table(pair, names))
    unlike = sum(len(t.rows) for t in tables)
    intro = (
        "What is left out is the same in both."
        if unlike
        else "No segment, no stream and no part has other figures."
    )
    return Section("Segments, streams and parts that differ", intro, tables, id="differences")


def _segments_table(pair: Beside, names: tuple[str, str]) -> Table:
    """Figures of each segment beside those of the one that it carries on."""
    old = {f.segment.id: f for f in pair.before_assessment.segments}
    new = {f.segment.id: f for f in pair.after_assessment.segments}
    carried = pair.comparison.carried_on
    pairs: list[tuple[str, str]] = [(carried.get(name, ""), name) for name in new]
    pairs += [(name, "") for name in old if name not in set(carried.values())]
    rows = []
    for was, now in pairs:
        both = old.get(was), new.get(now)
        unlike = _unlike(*both)
        if unlike:
            figures = [
                (None,) * 3 if f is None
                else (f.nodes, f.length_um / UM_PER_M, f.load_share_ppm / PPM)
                for f in both
            ]  # fmt: skip
            beside = (x for two in zip(*figures, strict=True) for x in two)
            rows.append((was, now, ", ".join(unlike), *beside))
    number, up = Kind.NUMBER, ROUND_CEILING
    first, second = names
    return Table(
        "differing-segments",
        "Segments that differ",
        (
            Column("segment_before", f"In {first}", Kind.ID),
            Column("segment_after", f"In {second}", Kind.ID, heads_row=True),
            Column("differs", "What differs"),
            Column("nodes_before", f"Nodes, {first}", number),
            Column("nodes_after", f"Nodes, {second}", number),
            Column("length_before_m", f"Length, {first}", number, "m", 2, rounding=up),
            Column("length_after_m", f"Length, {second}", number, "m", 2, rounding=up),
            Column("load_before_share", f"Load, {first}", Kind.PERCENT, rounding=up),
            Column("load_after_share", f"Load, {second}", Kind.PERCENT, rounding=up),
        ),
        rows,
    )


def _unlike(was: SegmentFigures | None, now: SegmentFigures | None) -> list[str]:
    """What is not the same of a segment and the one that it carries on, in words."""
    if was is None or now is None:
        return ["only there" if now is None else "only here"]
    a, b = was.segment, now.segment
    is_turned = a.arms[::-1] == b.arms
    found = [("name", a.id != b.id), ("port", (a.switch, a.port) != (b.switch, b.port))]
    if set(a.devices) != set(b.devices):
        found.append(("devices", True))
    else:
        found.append(("order", a.arms != b.arms and not is_turned))
    found += [
        ("length", was.length_um != now.length_um),
        ("load", was.load_share_ppm != now.load_share_ppm),
        ("PLCA settings", a.plca_id_of() != b.plca_id_of() or a.node_count != b.node_count
         or set(a.burst_counts) != set(b.burst_counts)),
    ]
    return [words for words, is_so in found if is_so]


def _streams_table(pair: Beside, names: tuple[str, str]) -> Table:
    """Worst-case delays that are not the same, what has got worse most first."""
    old = {(f.stream, f.destination): f for f in pair.before_assessment.streams}
    rows: list[tuple[StreamFigures, int | None, int | None]] = []
    for f in pair.after_assessment.streams:
        was = old.get((f.stream, f.destination))
        before_ns = None if was is None else was.response_ns
        if was is not None and before_ns == f.response_ns:
            continue
        is_known = before_ns is not None and f.response_ns is not None
        more_ns = (f.response_ns or 0) - (before_ns or 0) if is_known else None
        rows.append((f, before_ns, more_ns))
    rows.sort(key=lambda row: (row[2] is not None, -(row[2] or 0)))
    first, second = names
    return Table.of(
        "differing-streams",
        "Streams that differ",
        rows,
        (
            col.name("stream", "Stream", lambda row: row[0].stream, heads_row=True),
            col.name("destination", "To", lambda row: row[0].destination),
            col.micros("delay_before_us", f"Worst-case delay, {first}", lambda row: row[1]),
            col.micros("delay_after_us", f"Worst-case delay, {second}",
                       lambda row: row[0].response_ns),
            col.micros("more_us", "Longer by", lambda row: row[2]),
            col.micros("deadline_us", "Deadline", lambda row: row[0].deadline_ns, 0,
                       rounding=ROUND_FLOOR),
            col.micros("margin_after_us", f"Left, {second}", lambda row: row[0].margin_ns,
                       rounding=ROUND_FLOOR),
        ),
        folded=len(rows) > 40,
    )  # fmt: skip


def _parts_table(pair: Beside, names: tuple[str, str]) -> Table:
    """Parts of which a unit with every option has more or less than before."""
    sums: dict[tuple[str, str], list[int]] = {}
    for place, assessment in enumerate((pair.before_assessment, pair.after_assessment)):
        for line in assessment.parts:
            sums.setdefault((line.kind, line.part), [0, 0])[place] += line.quantity
    rows = [
        (part, kind, [col.part_amount(kind, n) for n in (was, now, now - was)])
        for (kind, part), (was, now) in sorted(sums.items())
        if was != now
    ]
    first, second = names
    return Table.of(
        "differing-parts",
        "Parts that differ",
        rows,
        (
            col.name("part", "Part", lambda row: row[0], heads_row=True),
            col.text("kind", "Kind", lambda row: row[1]),
            col.text("unit", "Unit", lambda row: col.part_unit(row[1])),
            col.number("quantity_before", f"In {first}", lambda row: row[2][0], digits=2),
            col.number("quantity_after", f"In {second}", lambda row: row[2][1], digits=2),
            col.number("difference", "Difference", lambda row: row[2][2], digits=2,
                       between=("quantity_before", "quantity_after")),
        ),
        note="Of a unit with every option, stubs counted with the cable. Devices that the problem "
        "no longer has are not counted before.",
    )  # fmt: skip


# -- drawings ---------------------------------------------------------------------------------


def drawing_section(
    pair: Beside, names: tuple[str, str], prefix: str, *, is_of_later: bool = True
) -> Section:
    """Both layouts drawn, those segments only that are not the same in both.

    A line looks as in the other drawings of the page, which is of the later layout or of the
    earlier one.
    """
    before, after = (
        drawing_input(pair.problem, a) for a in (pair.before_assessment, pair.after_assessment)
    )
    carried = pair.comparison.carried_on
    if is_of_later:
        later = Looks.of(after)
        earlier = later.of_another(before, {was: now for now, was in carried.items()})
    else:
        earlier = Looks.of(before)
        later = earlier.of_another(after, carried)
    figures: list[Figure] = []
    for key, word, data, ids, looks in (
        ("before", names[0], before, pair.differing[0], earlier),
        ("after", names[1], after, pair.differing[1], later),
    ):
        part = _only(data, ids, f"{pair.problem.name}, {word}")
        figures += [
            replace(f, caption=f"{word.capitalize()}. {f.caption}")
            for f in layout_figures(part, f"{prefix}-{key}", looks)
        ]
    intro = (
        "Only segments that are not the same in both are drawn; a line that goes on has one look "
        f"in both. The legend stands at the end of: {Chapter.VIEWS.title}."
    )
    if not figures:
        intro = "No segment is other than before."
    return Section(title="Before and after", id="before-after", intro=intro, figures=figures)


def _only(data: DrawingInput, ids: set[str], name: str) -> DrawingInput:
    """A drawing of some segments and their devices."""
    return replace(
        data,
        name=name,
        devices=tuple(d for d in data.devices if d.segment in ids),
        segments=tuple(s for s in data.segments if s.id in ids),
    )


# -- a layout against another -----------------------------------------------------------------


def against_section(pair: Beside, name: str) -> Section:
    """A layout beside another one of the same problem, all in one section of its report.

    The other layout is the earlier one of the pair; ``name`` is what it is called, its file.
    """
    problem = pair.problem
    names = ("the other layout", "this layout")
    layouts = [
        (name, pair.before, pair.before_assessment),
        ("this layout", pair.after, pair.after_assessment),
    ]
    costs = [a.cost.objective_money for _, _, a in layouts]
    less = money_text(abs(costs[0] - costs[1]), problem.currency)
    word = "less" if costs[1] < costs[0] else "more"
    is_same = 2 * abs(costs[0] - costs[1]) < CENT
    told = "as much as" if is_same else f"{less} {word} than"
    figures = figures_section(problem, layouts)
    return Section(
        f"Against {name}",
        [
            f"{total_name(problem).capitalize()}: {told} {name}.",
            f"From there to this layout: {counted(pair.comparison)}. "
            f"{come_and_go(pair.comparison)}".rstrip(),
            *figures.paragraphs,
        ],
        figures.tables,
        id="against",
        parts=(
            drawing_section(pair, names, "against"),
            differences_section(pair, names),
            Section("What changes", tables=change_tables(problem, pair.comparison), id="changes"),
            order_section(pair.order),
        ),
    )
