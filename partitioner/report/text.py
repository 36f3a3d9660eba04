"""Short plain tables for a terminal: the answer of a run, without any colour."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.report.amounts import MINUS, NBSP, THIN, rounded_amounts
from partitioner.report.key_figures import key_figures
from partitioner.report.sections import Table
from partitioner.report.tables import baseline_table, segments_table, streams_table
from partitioner.report.verdict import verdict
from partitioner.visible import visible

TERMINAL = 80
"""Columns of a terminal."""
LEAST_WIDTH = 8
"""A column keeps this width however many there are."""
WORST_STREAMS = 5
SEGMENT_KEYS = ("segment", "grade", "nodes", "length_m", "load_share", "device_count")
STREAM_KEYS = ("stream", "destination", "worst_delay_us", "deadline_us", "margin_us",
               "margin_share", "state")  # fmt: skip
COST_KEYS = ("quantity", "unit", "layout", "star")


def verdict_text(
    problem: Problem, assessment: Assessment, outcome: Outcome | None = None
) -> str:
    """The verdict and the key figures with segments, tightest streams and cost, for stdout.

    Without an ``outcome``, as of a check, nothing is said on optimality. No line is longer than a
    terminal is wide, and there is no final line end.
    """
    blocks = [head_text(problem, assessment, outcome)]
    if assessment.broken:
        told = [rounded_amounts(visible(f.line)) for f in assessment.broken]
        blocks.append("\n".join(wrapped(line, "  ") for line in told))
    blocks += [
        table_text(segments_table(problem, assessment), SEGMENT_KEYS),
        table_text(streams_table(problem, assessment), STREAM_KEYS, WORST_STREAMS),
        table_text(baseline_table(problem, assessment), COST_KEYS),
    ]
    return plain("\n\n".join(b for b in blocks if b))


def head_text(problem: Problem, assessment: Assessment, outcome: Outcome | None) -> str:
    """The verdict and the six figures."""
    judged = verdict(problem, assessment, outcome)
    head = wrapped(f"{visible(problem.name)}: {judged.word}. {judged.sentence}")
    return plain(f"{head}\n\n{key_figures_text(problem, assessment)}")


def key_figures_text(problem: Problem, assessment: Assessment) -> str:
    """The figures of the first sheet, one below the other."""
    figures = key_figures(problem, assessment)
    names = max(len(f.name) for f in figures) + 2
    return "\n".join(
        wrapped(f"{f.name:{names}}{f.value}; {f.remark}", " " * names) for f in figures
    )


def wrapped(text: str, indent: str = "") -> str:
    """Text in lines that fit a terminal; a number stays with its unit."""
    return textwrap.fill(
        plain(text.replace(NBSP, "\0").replace(THIN, "\0")), TERMINAL, subsequent_indent=indent,
        break_long_words=False, break_on_hyphens=False,
    ).replace("\0", " ")  # fmt: skip


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

    Headings are broken at spaces and hyphens where they are longer than what stands below them,
    and the widest cells at spaces where the table were else wider than a terminal, at hyphens
    where that is not enough.

    Examples
    --------
    >>> print(aligned(("a", "b"), [("x", "10"), ("yy", "9")], right=(1,)))
    a    b
    x   10
    yy   9
    >>> print(aligned(("name", "worst-case"), [("x", "10")], right=(1,)))
          worst-
    name    case
    x         10
    >>> print(aligned(("name", "delay at most"), [("x", "10")], right=(1,)))
          delay
             at
    name   most
    x        10
    """
    heads, *cells = [[plain(visible(c)) for c in row] for row in (header, *rows)]
    widths = [
        max(len(word) for word in (*head.replace("-", "- ").split(), *(r[i] for r in cells), ""))
        for i, head in enumerate(heads)
    ]
    # Sentences give way before names, which are broken only where nothing else is left.
    titles = [max(map(len, head.replace("-", "- ").split()), default=0) for head in heads]
    names = [
        max((len(word) for row in cells for word in row[i].split()), default=0)
        for i in range(len(widths))
    ]
    low = [max(LEAST_WIDTH, title) for title in titles]
    for least in ([max(*pair) for pair in zip(low, names, strict=True)], low):
        while sum(widths) + 2 * len(widths) - 2 > TERMINAL:
            wide = [i for i, most in enumerate(least) if widths[i] > most]
            if not wide:
                break
            widths[max(wide, key=widths.__getitem__)] -= 1
    lines = []
    for number, row in enumerate((heads, *cells)):
        broken = [
            textwrap.wrap(
                c, w, break_on_hyphens=number == 0 or any(len(word) > w for word in c.split())
            )
            for c, w in zip(row, widths, strict=True)
        ]
        tall = max((len(b) for b in broken), default=0)
        for line in range(tall):
            parts = []
            for i, (words, width) in enumerate(zip(broken, widths, strict=True)):
                # Headings stand on what is below them, cells hang from their first line.
                at = line + len(words) - tall if number == 0 else line
                text = words[at] if 0 <= at < len(words) else ""
                parts.append(text.rjust(width) if i in right else text.ljust(width))
            lines.append("  ".join(parts).rstrip())
    return "\n".join(lines)


def plain(text: str) -> str:
    """Ordinary spaces and signs, so that the text can be searched and cut into columns."""
    return text.replace(NBSP, " ").replace(THIN, " ").replace(MINUS, "-")
