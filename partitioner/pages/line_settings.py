"""The section on shared lines one by one."""

from __future__ import annotations

from partitioner.facts.line_settings import (
    BurstProposal,
    TimerFit,
    burst_proposals,
    line_margins,
    timer_fits,
)
from partitioner.model.assessment import Assessment, RuleMargin
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text, time_text
from partitioner.report.sections import Column, Kind, Section, State, Table


def _state(fit: TimerFit) -> State:
    return State.OK if fit.is_sound else State.BAD


def line_section(problem: Problem, assessment: Assessment) -> Section | None:
    """The section of the report; None where no segment runs PLCA."""
    fits = timer_fits(problem, assessment)
    if not fits:
        return None
    margins = line_margins(problem, assessment)
    proposals = burst_proposals(problem, assessment)
    intro = [
        "An estimate from length, nodes, stubs and catalogue figures: it can show that a line is "
        "implausible, not that it works. Reflections, connectors and temperature are left out; a "
        "line beyond the guaranteed 8 nodes or 25 m has to be measured.",
    ]
    wrong = [f for f in fits if not f.is_sound]
    intro.append(
        f"The PLCA settings of {count_text(len(wrong), 'segment')} need another look."
        if wrong
        else "On every line and half-duplex link the transmit opportunity timer is long enough for "
        "its PHYs and length."
    )
    tables = [_margin_table(margins)] if margins else []
    tables.append(_timer_table(fits))
    if proposals:
        intro.append(
            "Bursts are off unless stated. Where the tightest streams wait behind frames of their "
            "own node, a burst could help; what each would cost the others is in the table. "
            "Nothing is changed by itself: set the count in the layout file and check it."
        )
        tables.append(_burst_table(proposals))
    return Section(title="Shared lines: electrical estimate and PLCA", intro=intro, tables=tables,
                   id="line-quality")  # fmt: skip


def _margin_table(margins: list[RuleMargin]) -> Table:
    return Table(
        id="electrical",
        caption="Electrical estimate, tightest first",
        columns=[
            Column("segment", "Line", Kind.ID, heads_row=True),
            Column("figure", "Figure"),
            Column("used", "Of the limit", Kind.BAR),
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
        note=f"Sources: {'; '.join(_sources(margins))}.",
        folded=len(margins) > 20,
    )


def _sources(margins: list[RuleMargin]) -> list[str]:
    """The pieces that the sources of the margins name, each once."""
    return list(dict.fromkeys(piece for m in margins for piece in m.source.split("; ")))


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
            (f.segment, f.node_count, f.timer_bt, f.least_bt, _state(f).value, "; ".join(f.faults))
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
            Column("bound", "Bound now"),
            Column("bound_then", "Bound then"),
            Column("loser", "Most delayed other", Kind.ID),
            Column("loss", "By"),
        ],
        rows=[
            (
                p.segment,
                p.node,
                p.burst_count,
                f"{p.stream} to {p.destination}",
                time_text(p.before_ns),
                time_text(p.after_ns),
                p.loser,
                time_text(p.worst_loss_ns),
            )
            for p in proposals
        ],
    )
