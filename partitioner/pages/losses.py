"""The section on failures: every single one in a table, the worst ones drawn."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.check.facts import Facts
from partitioner.check.failures import FailureKind
from partitioner.facts.losses import Loss, every_loss, lost_functions, lost_hardware, to_draw
from partitioner.model.assessment import Assessment
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, listed
from partitioner.report.drawing_input import drawing_input
from partitioner.report.panels import LARGEST_DRAWN, Panel, panels_figure
from partitioner.report.sections import Chapter, Column, Figure, Kind, Section, State, Table

MOST_DRAWN = 6
MOST_OPEN = 100
"""Failures up to which their table stands open: what a switch takes is asked before all else."""
MOST_ROWS = 1_000
"""Rows on the page; the files have all."""
MOST_KEPT = 20_000
"""Rows of the file of losses; on a large backbone every failure loses thousands."""
SEVERE_SHARE = 0.5
SERIOUS_SHARE = 0.1
"""Of the devices or the deliveries; bounds of this program's own for its two words."""


def losses_section(facts: Facts, assessment: Assessment) -> Section | None:
    """The section of a report on single failures; None for a layout without segments."""
    found = every_loss(facts)
    if not facts.sound.segments:
        return None
    return Section(
        "",
        _intro(facts, found),
        [_table(facts, found), *_functions(facts, found), _details(found)],
        _drawings(facts, assessment, found),
        id="failures",
        chapter=Chapter.FAILURES,
        points=[
            f"{loss.failure.sentence} breaks rule {listed(loss.broken_rules)}."
            for loss in found
            if loss.broken_rules
        ],
        urgent=_urgent(facts, found),
        figures_last=True,
    )


def _intro(facts: Facts, found: Sequence[Loss]) -> list[str]:
    lines = [
        f"{count_text(len(found), 'single failure')}, one at a time: every segment (its cable cut "
        "or shorted, or its port down), every switch, every backbone link. A cut line is lost as "
        "a whole, since it has lost a terminator. Streams then take the shortest way that is left."
    ]
    apart = [g.id for g in facts.problem.groups if g.kind.value.startswith("apart")]
    gone = _lost_with(found)
    if apart and not gone:
        lines.append(
            f"No single failure takes down a whole group; {len(apart)} "
            f"{'is' if len(apart) == 1 else 'are'} kept apart."
        )
    lines += [f"All of group {group} is lost with {listed(by)}." for group, by in gone.items()]
    most = max(found, key=lambda loss: loss.delivery_share, default=None)
    if most is not None and most.failure.lost_streams:
        lines.append(
            f"Most deliveries are lost with {most.label}: {len(most.failure.lost_streams)} of "
            f"{len(facts.ways)}."
        )
    if found:
        worst = max(found, key=lambda loss: len(loss.failure.lost_devices))
        lines.append(
            f"Most devices are lost with {worst.label}: "
            f"{len(worst.failure.lost_devices)} of {len(facts.problem.devices)}."
        )
    return lines


def _lost_with(found: Sequence[Loss]) -> dict[str, list[str]]:
    """Groups kept apart of which a failure leaves none, with all that do."""
    gone: dict[str, list[str]] = {}
    for loss in found:
        for group in loss.lost_groups:
            gone.setdefault(group, []).append(loss.label)
    return gone


def _urgent(facts: Facts, found: Sequence[Loss]) -> list[str]:
    """The worst failure, and every one that takes all of a group kept apart."""
    gone = _lost_with(found)
    told = [f"All of {group} is lost with {listed(by, 3)}." for group, by in gone.items()]
    if found:
        worst = max(found, key=lambda s: (s.takes_share, s.device_share))
        told.append(
            f"Worst single failure: {worst.label}, which takes "
            f"{len(worst.failure.lost_devices)} of {len(facts.problem.devices)} devices and "
            f"{count_text(len(worst.failure.lost_streams), 'delivery', 'deliveries')}."
        )
    return told


def _state(loss: Loss) -> State:
    if loss.broken_rules or loss.lost_groups or loss.takes_share >= SEVERE_SHARE:
        return State.BAD
    is_serious = loss.weakened_groups or loss.takes_share >= SERIOUS_SHARE
    return State.WARN if is_serious else State.OK


def _table(facts: Facts, found: Sequence[Loss]) -> Table:
    is_line = facts.problem.catalogue.is_line
    lines = {s.id for s in facts.sound.segments if is_line(s.grade)}

    def kind(loss: Loss) -> str:
        failure = loss.failure
        if failure.kind is not FailureKind.SEGMENT:
            return failure.kind.value
        return "line" if failure.where[0] in lines else "link"

    return Table.of(
        "failures",
        "Every single failure, worst first",
        found,
        [
            col.name("failure", "Fails", lambda loss: loss.name, heads_row=True),
            col.text("kind", "Kind", kind),
            col.state("state", "State", _state, ("minor", "serious", "severe")),
            col.bar("takes_share", "Takes", lambda loss: round(loss.takes_share, 6)),
            col.number("down_count", "Devices down", lambda loss: len(loss.failure.down_devices)),
            col.number("cut_off_count", "Cut off", lambda loss: len(loss.failure.cut_off_devices)),
            col.number("stream_count", "Streams hit",
                       lambda loss: len({stream for stream, _ in loss.failure.lost_streams})),
            col.number("delivery_count", "Deliveries lost",
                       lambda loss: len(loss.failure.lost_streams)),
            col.names("lost_groups", "Groups lost", lambda loss: loss.lost_groups),
            col.names("weakened_groups", "Groups weakened", lambda loss: loss.weakened_groups),
        ],
        note="Cut off: the device runs, but no stream of its own gets through although the other "
        "end runs too. A delivery is one stream to one destination. Takes: the larger of the share "
        "of devices and the share of deliveries. Severe: breaks a failure rule, loses a whole "
        "group kept apart, or takes half; serious: weakens such a group, or takes a tenth. First "
        "what breaks rules, then what loses whole groups, then by what it takes.",
        folded=len(found) > MOST_OPEN,
        most_rows=MOST_ROWS,
    )  # fmt: skip


def _functions(facts: Facts, found: Sequence[Loss]) -> list[Table]:
    rows = lost_functions(facts, found)
    if not rows:
        return []
    return [
        Table(
            "failure-functions",
            "What each failure takes of each function",
            [
                Column("failure", "Fails", Kind.ID, heads_row=True),
                Column("function", "Function", Kind.ID),
                Column("lost_count", "Devices lost", Kind.NUMBER),
                Column("device_count", "Of", Kind.NUMBER),
                Column("lost_share", "Share", Kind.BAR),
            ],
            [(*row, round(row[2] / row[3], 6)) for row in rows],
            note="Functions as the problem names them; whether what is left of one will do, the "
            "failure rules say.",
            folded=len(rows) > 30,
            most_rows=MOST_ROWS,
        )
    ]


def _details(found: Sequence[Loss]) -> Table:
    rows: list[tuple[str, str, str, str]] = []
    for loss in found:
        if len(rows) > MOST_KEPT:
            break
        failure = loss.failure
        rows += [(loss.name, "device down", d, "") for d in failure.down_devices]
        rows += [(loss.name, "device cut off", d, "") for d in failure.cut_off_devices]
        rows += [(loss.name, "delivery", s, d) for s, d in failure.lost_streams]
    is_cut = len(rows) > MOST_KEPT
    return Table(
        "failure-losses",
        "What is lost with each failure",
        [
            Column("failure", "Fails", Kind.ID, heads_row=True),
            Column("kind", "Lost"),
            Column("name", "Device or stream", Kind.ID),
            Column("destination", "To", Kind.ID),
        ],
        rows[:MOST_KEPT],
        note=f"No more than {MOST_KEPT} losses are listed, those of the worst failures."
        if is_cut
        else "",
        folded=True,
        most_rows=MOST_ROWS,
    )


def _drawings(
    facts: Facts, assessment: Assessment, found: Sequence[Loss]
) -> tuple[Figure, ...]:
    drawn = to_draw(found, MOST_DRAWN)
    if not drawn or len(facts.problem.devices) > LARGEST_DRAWN:
        return ()
    panels = []
    for loss in drawn:
        failure = loss.failure
        segments, switches, links = lost_hardware(facts, failure)
        note = (
            f"{count_text(len(failure.lost_devices), 'device')} and "
            f"{count_text(len(failure.lost_streams), 'delivery', 'deliveries')} lost"
        )
        if loss.lost_groups:
            note += f", all of {listed(list(loss.lost_groups), 3)}"
        panels.append(
            Panel(
                f"{loss.label} fails",
                note,
                lost_devices=failure.lost_devices,
                lost_segments=segments,
                lost_switches=switches,
                lost_links=links,
            )
        )
    return (
        panels_figure(
            drawing_input(facts.problem, assessment),
            "failures-drawn",
            "What the worst single failures take down",
            f"{len(panels)} small drawings of the layout, one a failure, with what is lost crossed "
            "out. The table of failures holds the same facts.",
            panels,
            "The worst failures, among them the worst of each kind; what is lost is crossed out.",
        ),
    )
