"""Words of the optimiser are for the page that explains it, and nowhere else a user reads."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from partitioner.application.explain import explain
from partitioner.application.reading import read_problem
from partitioner.application.search import Search
from partitioner.application.tradeoff import tradeoff

ROOT = Path(__file__).parents[2]
GOLD = ROOT / "tests" / "gold" / "small-sprayer" / "report"

OURS = re.compile(
    r"(?<![-_./\w])(incumbents?|knees?|axis|axes|homes?|fronts?|column generation|columns? pool|"
    r"duals?|masters?|nogoods?|linear programs?|LP|relaxations?|reduced costs?|subset-row|"
    r"neighbou?rhoods?|epsilon)(?![-_./\w])",
    re.IGNORECASE,
)


def found_in(text: str) -> list[str]:
    """Each such word with what stands around it."""
    return [text[max(0, m.start() - 30) : m.end() + 30] for m in OURS.finditer(text)]


def page_words(page: str) -> str:
    """What one reads of a page, descriptions for the ear included."""
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    spoken = " ".join(re.findall(r'(?:aria-label|alt|title)="([^"]*)"', page))
    return html.unescape(re.sub(r"<[^>]+>", " ", page) + " " + spoken)


def headings(files: Mapping[str, str | bytes]) -> Iterator[str]:
    """Headings of all CSV files."""
    for name, text in files.items():
        if name.endswith(".csv") and isinstance(text, str):
            yield name + ": " + " ".join(next(csv.reader(io.StringIO(text)), []))


def test_the_words_are_found_where_they_stand() -> None:
    assert found_in("the new incumbent") == ["the new incumbent"]
    assert found_in("Duals of the master")
    assert not found_in("zone-front feeds cam-front; see front.csv")


def test_no_word_of_the_optimiser_in_a_report() -> None:
    assert not found_in((GOLD / "report.txt").read_text(encoding="utf-8"))
    files = {p.name: p.read_text(encoding="utf-8") for p in GOLD.glob("*.csv")}
    assert files
    assert not found_in("\n".join(headings(files)))


def test_no_word_of_the_optimiser_in_a_trade_off() -> None:
    problem = read_problem(ROOT / "tests" / "cases" / "tradeoff-floor.yaml")
    answer = tradeoff(problem, Search(time_limit_s=30), points=3)
    files = answer.files()
    assert not found_in(answer.text())
    assert not found_in(page_words(files["report.html"]))
    assert not found_in("\n".join(headings(files)))


def test_no_word_of_the_optimiser_in_an_explanation() -> None:
    problem = read_problem(ROOT / "tests" / "cases" / "explain-links.yaml")
    answer = explain(problem, Search(time_limit_s=30))
    files = answer.files()
    assert not found_in(answer.text())
    assert not found_in(page_words(files["report.html"]))
    assert not found_in("\n".join(headings(files)))


@pytest.mark.parametrize("folder", ["how-to", "tutorial"])
def test_no_word_of_the_optimiser_in_guides(folder: str) -> None:
    """Names of options and files in them aside."""
    for page in (ROOT / "docs" / folder).glob("*.md"):
        text = page.read_text(encoding="utf-8")
        text = re.sub(r"```.*?```|`[^`]*`", " ", text, flags=re.DOTALL)
        assert not found_in(text), page.name
