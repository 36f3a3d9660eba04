"""The sections on the electrical estimate of lines and on PLCA timers and bursts."""

from __future__ import annotations

from partitioner.check.facts import Facts
from partitioner.facts.line_settings import (
    BurstProposal,
    TimerFit,
    burst_proposals,
    timer_fits,
)
from partitioner.model.assessment import Assessment, RuleMargin
from partitioner.report.amounts import count_text
from partitioner.report.sections import Chapter, Column, Kind, Section, State, Table
from partitioner.units import NS_PER_US


def electrical_section(margins: list[RuleMargin]) -> Section | None:
    """The estimate of every line against what receivers need; None without lines."""
    if not margins:
        return None
    return Section(
        "Electrical estimate",
        "An estimate from length, nodes, stubs and catalogue figures: it can show that a line is "
        "implausible, not that it works. Reflections, connectors and temperature are left out; a "
        "line beyond the guaranteed 8 nodes or 25 m has to be measured.",
        [_margin_table(margins)],
        id="line-quality",
        chapter=Chapter.LINES,
    )


def settings_section(facts: Facts, assessment: Assessment) -> Section | None:
    """Timers against PHYs and length, and bursts that would help; None where nothing runs PLCA."""
    fits = timer_fits(facts.problem, assessment)
    if not fits:
        return None
    proposals = burst_proposals(facts, assessment)
    wrong = [f for f in fits if not f.is_sound]
    intro = [
        f"The PLCA settings of {count_text(len(wrong), 'segment')} need another look."
        if wrong
        else "On every line and half-duplex link the transmit opportunity timer is long enough for "
        "its PHYs and length."
    ]
    tables = [_timer_table(fits)]
    if proposals:
        intro.append(
            "Bursts are off unless stated. Where the tightest streams wait behind frames of their "
            "own node, a burst could help; what each would cost the others is in the table. "
            "Nothing is changed by itself: set the count in the layout file and check it."
        )
        tables.append(_burst_table(proposals))
    return Section(
        "Timers and bursts", intro, tables, id="timers", chapter=Chapter.SETTINGS,
        urgent=[f"{f.segment}: {'; '.join(f.faults)}." for f in wrong],
    )  # fmt: skip


def _margin_table(margins: list[RuleMargin]) -> Table:
    # The pieces that the sources of the margins name, each once.
    sources = dict.fromkeys(piece for m in margins for piece in m.source.split("; "))
    return Table.of(
        "electrical",
        "Electrical estimate, tightest first",
        margins,
        [
            (Column("segment", "Line", Kind.ID, heads_row=True), lambda m: m.where),
            (Column("figure", "Figure"), lambda m: m.rule.replace("-", " ")),
            (Column("used_share", "Of the limit", Kind.BAR), lambda m: round(m.used, 4)),
            (Column("text", "Value"), lambda m: m.text),
            (Column("state", "State", Kind.STATE),
             lambda m: (State.BAD if m.used > 1 else State.WARN if m.used > 0.9 else State.OK)
             .value),
            (Column("trust", "Trust", Kind.TRUST), lambda m: m.trust),
        ],
        note=f"Sources: {'; '.join(sources)}.",
        folded=len(margins) > 20,
    )  # fmt: skip


def _timer_table(fits: list[TimerFit]) -> Table:
    return Table.of(
        "plca-timer",
        "Transmit opportunity timer against PHY delays and length",
        fits,
        [
            (Column("segment", "Segment", Kind.ID, heads_row=True), lambda f: f.segment),
            (Column("node_cnt", "Node count", Kind.NUMBER), lambda f: f.node_count),
            (Column("to_tmr", "Timer", Kind.NUMBER, "BT"), lambda f: f.timer_bt),
            (Column("least_to_tmr", "Least timer", Kind.NUMBER, "BT"), lambda f: f.least_bt),
            (Column("state", "State", Kind.STATE),
             lambda f: (State.OK if f.is_sound else State.BAD).value),
            (Column("faults", "Faults"), lambda f: "; ".join(f.faults)),
        ],
        note="Least timer: sending PHY, carrier sense and twice the propagation of the line "
        "(IEEE Std 802.3 Clause 147, delay table; the sum is own arithmetic). BT: 100 ns.",
        folded=len(fits) > 10,
    )  # fmt: skip


def _burst_table(proposals: list[BurstProposal]) -> Table:
    number = Kind.NUMBER
    return Table.of(
        "bursts",
        "Burst counts that would shorten the tightest streams",
        proposals,
        [
            (Column("segment", "Line", Kind.ID, heads_row=True), lambda p: p.segment),
            (Column("node", "Node", Kind.ID), lambda p: p.node),
            (Column("burst_cnt", "Burst count", number), lambda p: p.burst_count),
            (Column("stream", "Stream", Kind.ID), lambda p: f"{p.stream} to {p.destination}"),
            (Column("delay_us", "Worst-case delay now", number, "µs"),
             lambda p: p.before_ns / NS_PER_US),
            (Column("delay_then_us", "Then", number, "µs"), lambda p: p.after_ns / NS_PER_US),
            (Column("loser", "Most delayed other", Kind.ID), lambda p: p.loser),
            (Column("loss_us", "By", number, "µs"), lambda p: p.worst_loss_ns / NS_PER_US),
        ],
    )  # fmt: skip
