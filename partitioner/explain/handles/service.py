"""Handles of the rules on what a layout delivers: deadlines, transfers, failures."""

from __future__ import annotations

from partitioner.explain.handles.handle import Change, Ease, Handle, Handles, Scale, by_amount, edit
from partitioner.model.assessment import Assessment
from partitioner.model.problem import FailureRule, Problem, Stream, Transfer
from partitioner.units import NS_PER_S, from_base
from partitioner.wording import duration

TEN_US = 10_000
"""Deadlines are eased by 10 µs."""
FAR_NS = 600_000_000_000
"""A deadline as good as none: beyond any delay that the analysis gives a bound for."""


def failures(problem: Problem) -> Handles:
    """How many devices a single failure may take down."""
    for rule in problem.failure_rules:
        watched = problem.watched(rule)
        if rule.most_lost < len(watched):
            yield _losses(rule, watched)


def _losses(rule: FailureRule, watched: tuple[str, ...]) -> Handle:
    what = f"group {rule.group}" if rule.group is not None else f"function {rule.function}"
    return by_amount(
        "failure",
        (rule.id, *watched),
        f"No single failure loses more than {rule.most_lost} of {what} (rule {rule.id}).",
        ("failure_rules", rule.id, "most_lost"),
        Scale(
            rule.most_lost, len(watched), 1,
            lambda most_lost: edit("failure_rules", rule.id, most_lost=most_lost),
            lambda most_lost: f"let rule {rule.id} allow {most_lost} lost in place of "
            f"{rule.most_lost}",
        ),
    )  # fmt: skip


def deadlines(problem: Problem) -> Handles:
    """Deadlines of streams."""
    return (_deadline(stream) for stream in problem.streams.values())


def _deadline(stream: Stream) -> Handle:
    now, end = stream.deadline_ns, max(stream.deadline_ns, FAR_NS)

    def used(assessment: Assessment) -> int | None:
        bounds = [f.bound_ns for f in assessment.streams if f.stream == stream.id and f.bound_ns]
        return max(bounds, default=None)

    return by_amount(
        "deadline",
        (stream.id, stream.source, *stream.destinations),
        f"Stream {stream.id} arrives within {duration(now)}.",
        ("streams", stream.id, "deadline_us"),
        Scale(
            now, end, TEN_US,
            lambda ns: edit("streams", stream.id, deadline_ns=ns),
            lambda ns: f"relax the deadline of {stream.id} from {duration(now)} to {duration(ns)}",
            used,
        ),
    )  # fmt: skip


def transfers(problem: Problem) -> Handles:
    """Longest times of transfers."""
    for transfer in problem.transfers.values():
        if transfer.longest_ns is not None:
            yield _longest(transfer, transfer.longest_ns)


def _longest(transfer: Transfer, now: int) -> Handle:
    def to(longest_ns: int | None) -> Change:
        return edit("transfers", transfer.id, longest_ns=longest_ns)

    def seconds(time_ns: int) -> str:
        return f"{from_base(time_ns, NS_PER_S):f} s"

    return by_amount(
        "transfer",
        (transfer.id,),
        f"Transfer {transfer.id} ends within {seconds(now)}.",
        ("transfers", transfer.id, "longest_s"),
        Scale(
            now, 64 * now, max(1, now // 10), to,
            lambda time_ns: f"give transfer {transfer.id} {seconds(time_ns)}",
        ),
        off=to(None),
        eases=(Ease(f"let transfer {transfer.id} take any time (no longest_s)", to(None)),),
    )
