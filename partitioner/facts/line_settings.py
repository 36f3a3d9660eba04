"""Shared lines one by one: electrical plausibility, PLCA timer, bursts worth a look, rounds.

The timer matters on half-duplex links as well, which are lines of two nodes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from partitioner.check.facts import Facts
from partitioner.model.assessment import (
    Assessment,
    LegKind,
    RuleMargin,
    SegmentFigures,
    bounded_worst_first,
)
from partitioner.model.plca import plca_node_count, plca_nodes
from partitioner.model.problem import Problem
from partitioner.report.rounds import Round, Turn
from partitioner.timing.electrical import electrical_margins
from partitioner.timing.layout_timing import NetworkTraffic, analyse
from partitioner.timing.line import propagation_ns, silent_ns, slot_ns, start_ns
from partitioner.timing.plca_settings import NodeSettings, least_to_timer_bt, line_faults

CARRIER_ON_NS = 1_040
"""From the wire to carrier sense at most (IEEE Std 802.3 Clause 147, delay table)."""
LOOKED_AT = 3
"""Tightest streams whose senders are tried with bursts."""
MOST_BURST = 2
MOST_DELIVERIES = 1_000
"""Above so many no bursts are tried: each trial works out the delays of the whole layout."""


@dataclass(frozen=True, slots=True)
class TimerFit:
    """Whether the TO timer of a line or half-duplex link is long enough. Times in bit times."""

    segment: str
    node_count: int
    timer_bt: int
    least_bt: int
    faults: tuple[str, ...]

    @property
    def is_sound(self) -> bool:
        """False if a node could give up an opportunity that is used, or settings don't agree."""
        return not self.faults and self.timer_bt >= self.least_bt


@dataclass(frozen=True, slots=True)
class BurstProposal:
    """A burst count at one node and what it does to worst-case delays end to end, in ns.

    ``gain_ns`` is what the stream gains that was looked at; ``worst_loss_ns`` the most any other
    stream loses, ``loser`` its name; ``keeps_deadlines`` says whether all are still in time.
    """

    segment: str
    node: str
    burst_count: int
    stream: str
    destination: str
    before_ns: int
    after_ns: int
    loser: str
    worst_loss_ns: int
    keeps_deadlines: bool

    @property
    def gain_ns(self) -> int:
        """How much shorter the worst-case delay of the stream gets."""
        return self.before_ns - self.after_ns


def shared_lines(problem: Problem, assessment: Assessment) -> list[SegmentFigures]:
    """The shared lines of a layout, in its order."""
    return [f for f in assessment.segments if problem.catalogue.is_line(f.segment.grade)]


def line_margins(problem: Problem, assessment: Assessment) -> list[RuleMargin]:
    """Electrical margins of every shared line, tightest first."""
    margins = [
        margin
        for f in shared_lines(problem, assessment)
        for margin in electrical_margins(
            problem, f.segment.grade, f.segment.devices, f.length_um, f.segment.id
        )
    ]
    return sorted(margins, key=lambda m: (-m.used, m.where, m.rule))


def timer_fits(problem: Problem, assessment: Assessment) -> list[TimerFit]:
    """Check the PLCA settings of every line and half-duplex link against its length and PHYs."""
    fits = []
    plca = problem.plca
    for f in assessment.segments:
        segment, grade = f.segment, problem.catalogue.grades[f.segment.grade]
        nodes = plca_nodes(segment, grade)
        if not nodes:
            continue
        bursts = dict(segment.burst_counts)
        count = plca_node_count(segment, grade)
        settings = [
            NodeSettings(
                node, id_, count, plca.to_timer_bt, bursts.get(node, plca.burst_count),
                plca.burst_timer_bt,
            )
            for node, id_ in nodes
        ]  # fmt: skip
        along_ns = propagation_ns(problem, segment.grade, f.length_um)
        least = least_to_timer_bt(grade.phy_tx_ns, CARRIER_ON_NS, along_ns)
        faults = line_faults(settings)
        fits.append(TimerFit(segment.id, count, plca.to_timer_bt, least, faults))
    return fits


def burst_proposals(
    facts: Facts, assessment: Assessment, should_stop: Callable[[], bool] = lambda: False
) -> list[BurstProposal] | None:
    """Try bursts at the senders of the tightest streams, and say what each would do.

    None if ``should_stop`` said so before that was done.

    Only proposals that shorten the stream and keep every deadline are given, the best count per
    stream. The whole layout is analysed for each, so the effect on every other stream is known.
    """
    problem, timing = facts.problem, facts.timing
    if problem.delivery_count > MOST_DELIVERIES or assessment.findings:
        return []
    traffic = timing.traffic
    before = {
        (f.stream, f.destination): f.response_ns for f in (*timing.streams, *timing.transfers)
    }
    proposals = []
    for segment, node, stream, destination in _queued(problem, assessment):
        if should_stop():
            return None
        tried = [
            _tried(traffic, before, segment, node, count, (stream, destination))
            for count in range(1, MOST_BURST + 1)
        ]
        useful = [p for p in tried if p is not None and p.keeps_deadlines and p.gain_ns > 0]
        if useful:
            proposals.append(max(useful, key=lambda p: (p.gain_ns, -p.burst_count)))
    return proposals


def _queued(problem: Problem, assessment: Assessment) -> Iterator[tuple[str, str, str, str]]:
    """Segment and sender at which the tightest streams wait behind frames of their own node."""
    lines = {f.segment.id: f.segment for f in shared_lines(problem, assessment)}
    found = 0
    for figures in bounded_worst_first(assessment.streams):
        for leg in figures.legs:
            if leg.where in lines and leg.queue_ns > 0 and found < LOOKED_AT:
                is_down = leg.kind is LegKind.LINE_DOWN
                node = (
                    lines[leg.where].switch if is_down else problem.streams[figures.stream].source
                )
                found += 1
                yield leg.where, node, figures.stream, figures.destination


def _tried(
    traffic: NetworkTraffic,
    before: dict[tuple[str, str], int | None],
    segment: str,
    node: str,
    burst_count: int,
    key: tuple[str, str],
) -> BurstProposal | None:
    lines = tuple(
        replace(
            line,
            senders=tuple(
                replace(s, burst_count=burst_count) if s.id == node else s for s in line.senders
            ),
        )
        if line.id == segment
        else line
        for line in traffic.lines
    )
    bounds = analyse(replace(traffic, lines=lines), linear=False).bounds
    after = {key: bound.response_ns for key, bound in bounds.items()}
    own_before, own_after = before[key], after[key]
    if own_before is None or own_after is None:
        return None
    deadlines = {s.id: s.deadline_ns for s in traffic.streams}
    losses = {
        other: (after[other] or 0) - (before[other] or 0) for other in after if other[0] != key[0]
    }
    loser = max(losses, key=lambda other: (losses[other], other), default=key)
    return BurstProposal(
        segment=segment,
        node=node,
        burst_count=burst_count,
        stream=key[0],
        destination=key[1],
        before_ns=own_before,
        after_ns=own_after,
        loser=loser[0],
        worst_loss_ns=losses.get(loser, 0),
        keeps_deadlines=all(b is not None and b <= deadlines[s] for (s, _), b in after.items()),
    )


def line_rounds(facts: Facts) -> dict[str, Round]:
    """The turns of the IDs of every line, silent and with the longest frames, by line.

    From the same description that the delays are worked out from.

    Notes
    -----
    The longest turn of a node is :func:`partitioner.timing.line.slot_ns` of its longest frame;
    with all of them the round is as long as ``longest_cycle_us`` of the segment.
    """
    traffic = facts.timing.traffic
    bytes_of = {s.id: s.frame_bytes for s in traffic.streams}
    largest: dict[tuple[str, str], int] = {}
    for stream in traffic.streams:
        for hop in (hop for route in stream.routes for hop in route.hops):
            sender = (hop.medium, hop.sender)
            largest[sender] = max(largest.get(sender, 0), bytes_of[stream.id])
    lines = {laid.segment.id for laid in facts.lines}
    rounds = {}
    for medium in traffic.lines:
        if medium.id not in lines:
            continue
        node_of = {sender.plca_id: sender.id for sender in medium.senders}
        bursts = {sender.id: sender.burst_count for sender in medium.senders}
        silent = silent_ns(medium.settings)
        turns = []
        for plca_id in range(medium.node_count):
            node = node_of.get(plca_id, "")
            frame = largest.get((medium.id, node), 0)
            longest = slot_ns(frame, medium.settings, bursts.get(node, 0)) if frame else silent
            turns.append(Turn(plca_id, node, silent, longest, frame))
        rounds[medium.id] = Round(start_ns(medium.settings), tuple(turns))
    return rounds
