"""What whoever signs has to be told: what no worst-case delay counts, and what figures rest on."""

from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.application.reading import read_layout
from partitioner.application.report import report
from partitioner.report.sections import Page

CASE = Path(__file__).parent.parent / "gold" / "small-sprayer"


@pytest.fixture(scope="module")
def page() -> Page:
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    return report(read.problem, read.layout).page()


@pytest.mark.parametrize(
    "words",
    [
        "Traffic that the file does not list is in no worst-case delay",
        "A frame that is lost, to noise or to a full buffer, is lost",
        "If it dies, nodes fall back to plain collisions",
        "What software takes before and after comes on top",
        "switch ports by PCP with strict priority",
    ],
)
def test_what_no_worst_case_delay_counts_is_said(page: Page, words: str) -> None:
    (assumptions,) = [s for s in page.walk() if s.anchor == "assumptions"]
    assert sum(words in point for point in assumptions.points) == 1


@pytest.mark.parametrize(
    ("entry", "figure", "value"),
    [
        ("10BASE-T1S-multidrop", "capacitance of a node, at most", 15),
        ("10BASE-T1S-multidrop", "capacitance of all nodes, at most", 180),
        ("10BASE-T1S-multidrop", "insertion loss at 10 MHz, at most", 2.6),
        ("pair-10", "attenuation at 10 MHz", 0.06),
        ("100BASE-T1", "delay of the sending PHY", 360),
        ("100BASE-T1", "delay of the receiving PHY", 960),
    ],
)
def test_figures_without_a_text_are_called_assumed(
    page: Page, entry: str, figure: str, value: float
) -> None:
    (sources,) = [t for s in page.walk() for t in s.tables if t.id == "sources"]
    rows = {(row["entry"], row["figure"]): row for row in sources.records()}
    row = rows[entry, figure]
    assert (row["value"], row["basis"]) == (value, "assumed")
    assert row["source"]
