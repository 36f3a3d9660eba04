"""The sections on the electrical estimate of lines and on PLCA timers and bursts."""

from __future__ import annotations

from collections.abc import Callable

from partitioner.check.facts import Facts
from partitioner.facts.line_settings import (
    BurstProposal,
    TimerFit,
    burst_proposals,
    timer_fits,
)
from partitioner.model.assessment import Assessment, RuleMargin
from partitioner.report import columns as col
from partitioner.report.amounts import count_text
from partitioner.report.sections import Chapter, Section, State, Table


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


def settings_section(
    facts: Facts, assessment: Assessment, should_stop: Callable[[], bool] = lambda: False
) -> Section | None:
    """Timers against PHYs and length, and bursts that would help; None where nothing runs PLCA.

    Bursts are left out, and that is said, once ``should_stop`` says so.
    """
    fits = timer_fits(facts.problem, assessment)
    if not fits:
        return None
    proposals = burst_proposals(facts, assessment, should_stop)
    wrong = [f for f in fits if not f.is_sound]
    intro = [
        f"The PLCA settings of {count_text(len(wrong), 'segment')} need another look."
        if wrong
        else "On every line and half-duplex link the transmit opportunity timer is long enough for "
        "its PHYs and length."
    ]
    tables = [_timer_table(fits)]
    if proposals is None:
        intro.append(
            "There was no time to work out whether bursts would help; `partitioner report` does."
        )
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
            col.name("segment", "Line", lambda m: m.where, heads_row=True),
            col.text("figure", "Figure", lambda m: m.rule.replace("-", " ")),
            col.bar("used_share", "Of the limit", lambda m: round(m.used, 4)),
            col.text("text", "Value", lambda m: m.text),
            col.state("state", "State",
                      lambda m: State.BAD if m.used > 1
                      else State.WARN if m.used > 0.9 else State.OK),
            col.trust(lambda m: m.trust),
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
            col.name("segment", "Segment", lambda f: f.segment, heads_row=True),
            col.number("node_cnt", "Node count", lambda f: f.node_count),
            col.number("to_tmr", "Timer", lambda f: f.timer_bt, "BT"),
            col.number("least_to_tmr", "Least timer", lambda f: f.least_bt, "BT"),
            col.state("state", "State", lambda f: State.OK if f.is_sound else State.BAD),
            col.text("faults", "Faults", lambda f: "; ".join(f.faults)),
        ],
        note="Least timer: sending PHY, carrier sense and twice the propagation of the line "
        "(IEEE Std 802.3 Clause 147, delay table; the sum is own arithmetic). BT: 100 ns.",
        folded=len(fits) > 10,
    )  # fmt: skip


def _burst_table(proposals: list[BurstProposal]) -> Table:
    return Table.of(
        "bursts",
        "Burst counts that would shorten the tightest streams",
        proposals,
        [
            col.name("segment", "Line", lambda p: p.segment, heads_row=True),
            col.name("node", "Node", lambda p: p.node),
            col.number("burst_cnt", "Burst count", lambda p: p.burst_count),
            col.name("stream", "Stream", lambda p: f"{p.stream} to {p.destination}"),
            col.micros("delay_us", "Worst-case delay now", lambda p: p.before_ns),
            col.micros("delay_then_us", "Then", lambda p: p.after_ns),
            col.name("loser", "Most delayed other", lambda p: p.loser),
            col.micros("loss_us", "By", lambda p: p.worst_loss_ns),
        ],
    )  # fmt: skip
