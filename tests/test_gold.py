"""Whole reports compared byte by byte with ones that a person has read.

After a change that is meant, renew them with ``PARTITIONER_ACCEPT=1`` and read the difference. What
a failing run made is kept beside the gold as ``NAME.actual``.
"""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest

from partitioner.application.reading import read_layout
from partitioner.application.report import report
from partitioner.report.sections import State
from partitioner.report.writer import MANIFEST, write_set

ROOT = Path(__file__).parent.parent
GOLD = ROOT / "tests" / "gold"


def words(page: str) -> str:
    """The words and figures of the page, one piece a line. Its looks have tests of their own."""
    bare = re.sub(r"<(style|svg|script|template)\b.*?</\1>", "", page, flags=re.S)
    # The style sheet sets the shape of a judgement before its words.
    bare = re.sub(r"<td class=(ok|warn|bad)>", lambda m: f"\n{State(m[1]).glyph}\n", bare)
    pieces = (piece.strip() for piece in re.split(r"<[^>]*>|\n", bare))
    text = "\n".join(piece for piece in pieces if piece)
    # Versions of libraries differ between machines.
    return re.sub(r"(?i)\b(partitioner|ortools|python|networkx|pandas) \d[\w.]*", r"\1 X", text)


def judged(case: Path) -> dict[str, str]:
    read = read_layout(case / "problem.yaml", case / "layout-by-hand.yaml")
    files = report(read.problem, read.layout).files()
    files["report.txt"] = words(files.pop("report.html")) + "\n"
    # A workbook says nothing to a reader of differences, and drawings have tests of their own.
    return {n: c for n, c in files.items() if not n.endswith((".xlsx", ".svg"))}


@pytest.mark.parametrize(
    "case", sorted(p for p in GOLD.iterdir() if p.suffix != ".actual"), ids=lambda p: p.name
)
def test_report_is_as_it_was_read(case: Path) -> None:
    made = judged(case)
    gold = case / "report"
    if os.environ.get("PARTITIONER_ACCEPT"):
        shutil.rmtree(gold, ignore_errors=True)
        write_set(gold, made)
        # The gold is compared file by file; its own list would only repeat it.
        (gold / MANIFEST).unlink()
    known = {p.name: p.read_text(encoding="utf-8") for p in gold.iterdir()}
    if made != known:
        actual = GOLD / f"{case.name}.actual"
        write_set(actual, made, force=True)
        different = sorted(n for n in made.keys() | known.keys() if made.get(n) != known.get(n))
        pytest.fail(f"{', '.join(different)} changed: compare {gold} with {actual}")
