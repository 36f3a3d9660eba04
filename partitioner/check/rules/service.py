"""Rules on what the layout delivers: deadlines, transfers, and what a failure may take down."""

from __future__ import annotations

from collections.abc import Iterator

from partitioner.check.facts import Facts
from partitioner.check.failures import losses
from partitioner.check.rules.rule import Breach, Rule
from partitioner.check.wording import count, duration, listed
from partitioner.network.transfers import PREFIX, frame_count, pace_ns


def _overload(facts: Facts) -> Iterator[Breach]:
    for overload in facts.timing.overloads:
        yield overload.subjects, overload.sentence


def _deadline(facts: Facts) -> Iterator[Breach]:
    for figures in facts.timing.streams:
        if figures.bound_ns is not None and figures.bound_ns > figures.deadline_ns:
            yield (
                (figures.stream, figures.destination),
                f"Stream {figures.stream} may take {duration(figures.bound_ns)} to "
                f"{figures.destination}: {duration(figures.bound_ns - figures.deadline_ns)} past "
                f"its deadline of {duration(figures.deadline_ns)}.",
            )


def _transfer(facts: Facts) -> Iterator[Breach]:
    late = {}
    for figures in facts.timing.transfers:
        if figures.bound_ns is not None and figures.bound_ns > figures.deadline_ns:
            late[figures.stream, figures.destination] = figures.bound_ns
    for transfer in facts.problem.transfers.values():
        pace = pace_ns(transfer)
        if pace is None or transfer.longest_ns is None:
            continue
        for destination in transfer.destinations:
            bound_ns = late.get((f"{PREFIX}{transfer.id}", destination))
            if bound_ns is not None:
                total_ns = (frame_count(transfer) - 1) * pace + bound_ns
                yield (
                    (transfer.id, destination),
                    f"Transfer {transfer.id} may take {duration(total_ns)} to {destination}: "
                    f"{duration(total_ns - transfer.longest_ns)} longer than the "
                    f"{duration(transfer.longest_ns)} allowed; one of its "
                    f"{count(frame_count(transfer), 'frame')}, one every {duration(pace)}, may "
                    f"take {duration(bound_ns)}.",
                )


def _failure(facts: Facts) -> Iterator[Breach]:
    for rule, failure, lost in losses(facts):
        over = len(lost) - rule.most_lost
        if over > 0:
            what = (
                f"of group {rule.group}"
                if rule.group is not None
                else f"of function {rule.function}"
            )
            yield (
                (rule.id, *failure.where, *lost),
                f"{failure.sentence} loses {count(len(lost), 'device')} {what} "
                f"({listed(lost)}): {over} more than the {rule.most_lost} that rule {rule.id} "
                f"allows.",
            )


RULES = (
    Rule(
        "overload",
        "No segment and no backbone link is asked to carry more than it can.",
        _overload,
    ),
    Rule(
        "deadline",
        "Every stream's bound from release to its last destination is within its deadline.",
        _deadline,
    ),
    Rule(
        "transfer",
        "Every bulk transfer ends within its longest time, beside all streams.",
        _transfer,
    ),
    Rule(
        "failure",
        "No single failure (segment, port, switch, backbone link) loses more devices of a watched "
        "group or function than its rule allows.",
        _failure,
    ),
)
