"""Rules on what the layout delivers: deadlines, transfers, and what a failure may take down."""

from __future__ import annotations

from collections.abc import Iterator

from partitioner.check.facts import Facts
from partitioner.check.failures import losses
from partitioner.check.rules.measure import Breach, Measure
from partitioner.check.rules.rule import Chapter
from partitioner.network.transfers import PREFIX, frame_count, pace_ns
from partitioner.wording import count, duration, listed

CHAPTER = Chapter("Service")


@CHAPTER.rule(
    "overload",
    "No segment and no backbone link is asked to carry more than it can.",
    note="Then no delay can be promised for the streams concerned, and their worst-case delays are "
    "left empty.",
)
def _overload(facts: Facts) -> Iterator[Breach]:
    for medium, words in facts.timing.overloads.items():
        yield (medium,), f"{medium}: {words.removesuffix('.')}."


@CHAPTER.limit(
    "deadline",
    "Every stream's worst-case delay, from release to its last destination, is within its "
    "deadline.",
    keys=("streams.*.deadline_us",),
    note="It is the sum of the legs: the segment the source sends on, every switch passed with its "
    "forwarding delay, the backbone links between them, the segment of the destination. A switch "
    "that itself sends or receives counts its forwarding delay too.",
)
def _deadlines(facts: Facts) -> Iterator[Measure]:
    for figures in facts.timing.streams:
        if figures.bound_ns is not None:
            yield Measure(
                (figures.stream, figures.destination),
                f"{figures.stream} to {figures.destination}",
                figures.bound_ns,
                figures.deadline_ns,
                duration,
                "Stream {0} may take {used} to {1}: {over} past its deadline of {limit}.",
            )


def _frames(facts: Facts) -> Iterator[Measure]:
    """The frames of transfers, each of which has to arrive within one pace."""
    for figures in facts.timing.transfers:
        if figures.bound_ns is not None:
            transfer = figures.stream.removeprefix(PREFIX)
            yield Measure(
                (transfer, figures.destination),
                f"{transfer} to {figures.destination}",
                figures.bound_ns,
                figures.deadline_ns,
                duration,
                margin="{used} for a frame, of which one is sent every {limit}",
            )


@CHAPTER.rule(
    "transfer",
    "Every bulk transfer ends within its longest time, beside all streams.",
    measures=_frames,
    keys=("transfers.*.longest_s",),
    note="A transfer sends its frames evenly spaced, one pace apart: the longest time over the "
    "number of frames. To the lines and links it is one more stream, of the lowest priority (PCP "
    "0), whose frames must each arrive within one pace. All loads and worst-case "
    "delays of other streams include these frames, so deadlines hold while every transfer runs. A "
    "transfer to several destinations is sent once.",
)
def _transfer(facts: Facts) -> Iterator[Breach]:
    late = {frame.subjects: frame.used for frame in _frames(facts) if frame.over > 0}
    for transfer in facts.problem.transfers.values():
        pace = pace_ns(transfer)
        if pace is None or transfer.longest_ns is None:
            continue
        for destination in transfer.destinations:
            bound_ns = late.get((transfer.id, destination))
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


def _losses(facts: Facts) -> Iterator[Measure]:
    for rule, failure, lost in losses(facts):
        yield Measure(
            (rule.id, *failure.where, *lost),
            f"rule {rule.id}, {failure.kind.value} {'-'.join(failure.where)}",
            len(lost),
            rule.most_lost,
            str,
            margin="{used} of {limit} devices, {left}",
        )


@CHAPTER.rule(
    "failure",
    "No single failure (segment, port, switch, backbone link) loses more devices of a watched "
    "group or function than its rule allows.",
    measures=_losses,
    keys=("failure_rules.*.most_lost",),
    note="A cut or shorted line is lost as a whole, since it is no longer terminated at both ends. "
    "A device is lost when its segment, port or switch is down, or when it still runs but none of "
    "its streams has a way left although the other end still runs. After a failure streams take "
    "the shortest way left, so a ring loses none to a single link.",
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
