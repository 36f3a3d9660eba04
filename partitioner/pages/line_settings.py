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
    return Table(
        id="electrical",
        caption="Electrical estimate, tightest first",
        columns=[
            Column("segment", "Line", Kind.ID, heads_row=True),
            Column("figure", "Figure"),
            Column("used_share", "Of the limit", Kind.BAR),
            Column("text", "Value"),
            Column("state", "State", Kind.STATE),
            Column("trust", "Trust", Kind.TRUST),
        ],
        rows=[
            (
                m.where,
                m.rule.replace("-", " "),
                round(m.used, 4),
                m.text,
                (State.BAD if m.used > 1 else State.WARN if m.used > 0.9 else State.OK).value,
                m.trust,
            )
            for m in margins
        ],
        note=f"Sources: {'; '.join(sources)}.",
        folded=len(margins) > 20,
    )


def _timer_table(fits: list[TimerFit]) -> Table:
    return Table(
        id="plca-timer",
        caption="Transmit opportunity timer against PHY delays and length",
        columns=[
            Column("segment", "Segment", Kind.ID, heads_row=True),
            Column("node_cnt", "Node count", Kind.NUMBER),
            Column("to_tmr", "Timer", Kind.NUMBER, "BT"),
            Column("least_to_tmr", "Least timer", Kind.NUMBER, "BT"),
            Column("state", "State", Kind.STATE),
            Column("faults", "Faults"),
        ],
        rows=[
            (
                f.segment,
                f.node_count,
                f.timer_bt,
                f.least_bt,
                (State.OK if f.is_sound else State.BAD).value,
                "; ".join(f.faults),
            )
            for f in fits
        ],
        note="Least timer: sending PHY, carrier sense and twice the propagation of the line "
        "(IEEE Std 802.3 Clause 147, delay table; the sum is own arithmetic). BT: 100 ns.",
        folded=len(fits) > 10,
    )


def _burst_table(proposals: list[BurstProposal]) -> Table:
    return Table(
        id="bursts",
        caption="Burst counts that would shorten the tightest streams",
        columns=[
            Column("segment", "Line", Kind.ID, heads_row=True),
            Column("node", "Node", Kind.ID),
            Column("burst_cnt", "Burst count", Kind.NUMBER),
            Column("stream", "Stream", Kind.ID),
            Column("delay_us", "Worst-case delay now", Kind.NUMBER, "µs"),
            Column("delay_then_us", "Then", Kind.NUMBER, "µs"),
            Column("loser", "Most delayed other", Kind.ID),
            Column("loss_us", "By", Kind.NUMBER, "µs"),
        ],
        rows=[
            (
                p.segment,
                p.node,
                p.burst_count,
                f"{p.stream} to {p.destination}",
                p.before_ns / NS_PER_US,
                p.after_ns / NS_PER_US,
                p.loser,
                p.worst_loss_ns / NS_PER_US,
            )
            for p in proposals
        ],
    )
