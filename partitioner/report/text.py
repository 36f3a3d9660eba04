"""Short plain tables for a terminal: the answer of a run, without any colour."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.report.amounts import (
    NBSP,
    THIN,
    length_text,
    margin_time_text,
    mass_text,
    money_text,
    ratio_text,
    share_text,
    time_text,
)
from partitioner.report.tables import plan_counts, stream_state, worst_first
from partitioner.report.verdict import verdict
from partitioner.visible import visible

WORST_STREAMS = 5


def verdict_text(problem: Problem, assessment: Assessment, outcome: Outcome | None) -> str:
    """The verdict with segments, tightest streams and cost, for stdout. No final line end."""
    judged = verdict(problem, assessment, outcome)
    blocks = [f"{visible(problem.name)}: {judged.word}. {judged.sentence}"]
    blocks[0] += "".join(f"\n{s}" for s in (judged.proof, judged.tightest) if s)
    if assessment.findings:
        blocks.append("\n".join(f"[{f.rule}] {visible(f.sentence)}" for f in assessment.findings))
    blocks += [_segments(problem, assessment), _streams(assessment), _cost(problem, assessment)]
    return plain("\n\n".join(b for b in blocks if b))


def assessment_text(problem: Problem, assessment: Assessment) -> str:
    """What a check found, for stdout: as :func:`verdict_text` with nothing on optimality."""
    return verdict_text(problem, assessment, None)


def _segments(problem: Problem, assessment: Assessment) -> str:
    rows = []
    for f in assessment.segments:
        s = f.segment
        rows.append(
            (
                s.id,
                s.grade,
                f"{f.nodes}/{f.nodes_limit}",
                f"{length_text(f.length_um)} of {length_text(f.length_limit_um, 0)}",
                share_text(f.load_share_ppm),
                s.devices[0] if len(s.devices) == 1 else f"{len(s.devices)} devices",
            )
        )
    return table(("segment", "grade", "nodes", "length", "load", "devices"), rows, right=(2, 3, 4))


def _streams(assessment: Assessment) -> str:
    rows = []
    for f in worst_first(assessment.streams)[:WORST_STREAMS]:
        bound = "overload" if f.response_ns is None else time_text(f.response_ns)
        left = (
            "none"
            if f.margin_ns is None
            else f"{margin_time_text(f.margin_ns)} ({ratio_text(f.margin_ns / f.deadline_ns, 0)})"
        )
        rows.append(
            (f.stream, f.destination, bound, time_text(f.deadline_ns), left, stream_state(f).value)
        )
    if not rows:
        return ""
    header = ("tightest stream", "to", "bound", "deadline", "left", "state")
    return table(header, rows, right=(2, 3, 4))


def _cost(problem: Problem, assessment: Assessment) -> str:
    cost, star = assessment.cost, assessment.baseline
    counts = plan_counts(problem, assessment)
    rows = [
        ("PHYs", str(counts["phys"]), str(star.phys)),
        ("ports", str(counts["ports"]), str(star.ports)),
        ("cable", length_text(counts["cable_um"], 1), length_text(star.cable_um, 1)),
        ("mass", mass_text(cost.mass_mg), mass_text(star.mass_mg)),
        (
            "money",
            money_text(cost.money, problem.currency),
            money_text(star.money, problem.currency),
        ),
    ]
    return table(("cost", "this layout", "switched star"), rows, right=(1, 2))


def table(header: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Columns set apart by two spaces; those in ``right`` are right-aligned.

    Examples
    --------
    >>> print(table(("a", "b"), [("x", "10"), ("yy", "9")], right=(1,)))
    a    b
    x   10
    yy   9
    """
    cells = [[plain(visible(c)) for c in row] for row in (header, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(header))]
    lines = []
    for row in cells:
        parts = [c.rjust(w) if i in right else c.ljust(w) for i, (c, w) in
                 enumerate(zip(row, widths, strict=True))]  # fmt: skip
        lines.append("  ".join(parts).rstrip())
    return "\n".join(lines)


def plain(text: str) -> str:
    """Ordinary spaces and signs, so that the text can be searched and cut into columns."""
    return text.replace(NBSP, " ").replace(THIN, " ").replace("\u2212", "-")
