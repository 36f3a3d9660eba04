"""Short plain tables for a terminal: the answer of a run, without any colour."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.report.amounts import MINUS, NBSP, THIN
from partitioner.report.sections import Table
from partitioner.report.tables import baseline_table, segments_table, streams_table
from partitioner.report.verdict import verdict
from partitioner.visible import visible

WORST_STREAMS = 5
SEGMENT_KEYS = ("segment", "grade", "nodes", "length_m", "load_share", "device_count")
STREAM_KEYS = ("stream", "destination", "worst_delay_us", "deadline_us", "margin_us",
               "margin_share", "state")  # fmt: skip
COST_KEYS = ("quantity", "unit", "layout", "star")


def verdict_text(problem: Problem, assessment: Assessment, outcome: Outcome | None) -> str:
    """The verdict with segments, tightest streams and cost, for stdout. No final line end."""
    judged = verdict(problem, assessment, outcome)
    blocks = [f"{visible(problem.name)}: {judged.word}. {judged.sentence}"]
    blocks[0] += "".join(f"\n{s}" for s in (judged.proof, judged.tightest) if s)
    if assessment.findings:
        blocks.append("\n".join(f"[{f.rule}] {visible(f.sentence)}" for f in assessment.findings))
    blocks += [
        table_text(segments_table(problem, assessment), SEGMENT_KEYS),
        table_text(streams_table(problem, assessment), STREAM_KEYS, WORST_STREAMS),
        table_text(baseline_table(problem, assessment), COST_KEYS),
    ]
    return plain("\n\n".join(b for b in blocks if b))


def assessment_text(problem: Problem, assessment: Assessment) -> str:
    """What a check found, for stdout: as :func:`verdict_text` with nothing on optimality."""
    return verdict_text(problem, assessment, None)


def table_text(table: Table, keys: Sequence[str] = (), most: int | None = None) -> str:
    """A table for the terminal: the columns ``keys``, or all that people see; empty without rows.

    Units stand in the heading, as on the page; of a long table only the first rows are shown.
    """
    if not table.rows:
        return ""
    columns = table.shown_columns(keys)
    rows = [[cell.words for cell in row] for row in table.cells(keys, most)]
    headings = [", ".join(part for part in column.heading if part) for column in columns]
    return aligned(headings, rows, [i for i, c in enumerate(columns) if c.is_numeric])


def aligned(header: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Columns set apart by two spaces; those in ``right`` are right-aligned.

    Examples
    --------
    >>> print(aligned(("a", "b"), [("x", "10"), ("yy", "9")], right=(1,)))
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
    return text.replace(NBSP, " ").replace(THIN, " ").replace(MINUS, "-")
