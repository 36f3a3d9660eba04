"""Whatever is changed in a file, it is read or told; nothing falls over."""

from __future__ import annotations

import copy
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from partitioner.application.reading import read_problem
from partitioner.reading.layout_file import layout_from_text
from partitioner.reading.render import findings_as_data, format_findings
from partitioner.reading.yaml_text import dump, load
from tests.docs.codes import CODES
from tests.reading.whole import read_problem_with_findings

from .test_problem import FULL

JUNK: list[Any] = [
    *(None, True, 0, -1, 1, 2, 10**13, 10**40, Decimal("0.5"), Decimal("1E-30"), "", " ", "d1"),
    *("s1", "a", "none such", "10BASE-T1S-multidrop", "100BASE-T1", "winter", "x" * 99, [], [[]]),
    *([None], ["d1", "d1"], [1, 2, 3], {}, {"id": "d1"}, {"a": {"b": []}}, [{}], ["d1", "s1"]),
]
DATA = load(FULL, "f").data
LAYOUT = load(
    """\
format: 1
problem: full
open_switches: [s1]
backbone: [{between: [s1, s2], grade: 100BASE-T1}]
segments:
  - {id: one, switch: s1, port: 1, grade: 10BASE-T1S-multidrop, devices: [d1, d2], switch_index: 1,
     plca: {d1: 1, d2: 2}, node_count: 4, burst_counts: {d1: 1}}
  - {switch: s1, port: 5, grade: 100BASE-T1, devices: [d3]}
""",
    "f",
).data


def ways(data: Any, way: tuple = ()) -> list[tuple]:
    """Lead to every value inside."""
    found = [way] if way else []
    pairs = data.items() if isinstance(data, dict) else enumerate(data)
    for step, value in pairs:
        found.append((*way, step))
        if isinstance(value, (dict, list)):
            found += ways(value, (*way, step))[1:]
    return found


def changed(data: Any, way: tuple, how: str, junk: Any) -> Any:
    made = copy.deepcopy(data)
    here = made
    for step in way[:-1]:
        here = here[step]
    if isinstance(here, dict) != isinstance(way[-1], str):
        raise TypeError("an earlier change put a mapping where a list was, or a list for a mapping")
    if how == "remove":
        del here[way[-1]]
    elif how == "replace":
        here[way[-1]] = copy.deepcopy(junk)
    elif isinstance(here, dict):
        here["extra" if not isinstance(junk, str) else junk] = copy.deepcopy(junk)
    else:
        here.append(copy.deepcopy(junk))
    return made


def changes(data: Any) -> st.SearchStrategy:
    return st.lists(
        st.tuples(
            st.sampled_from(ways(data)),
            st.sampled_from(["remove", "replace", "add"]),
            st.sampled_from(JUNK),
        ),
        min_size=1,
        max_size=4,
    )


def apply(data: Any, several: list[tuple]) -> str:
    for way, how, junk in several:
        try:
            data = changed(data, way, how, junk)
        except (AttributeError, KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away
    return dump(data)


def judge(made: Any, findings: list, text: str) -> None:
    lines = text.split("\n")
    assert (made is None) == any(f.severity == "error" for f in findings)
    for finding in findings:
        assert finding.code in {code.name for code in CODES}
        assert finding.message
        assert 1 <= finding.line <= len(lines)
        assert 1 <= finding.column <= len(lines[finding.line - 1]) + 1
    format_findings(findings, most=1000)
    findings_as_data(findings)


@given(changes(DATA))
@settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_changed_problems_are_read_or_told(tmp_path: Path, several: list[tuple]) -> None:
    text = apply(DATA, several)
    path = tmp_path / "problem.yaml"
    path.write_text(text, encoding="utf-8")
    problem, findings = read_problem_with_findings(path)
    judge(problem, findings, text)


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory):
    path = tmp_path_factory.mktemp("full") / "problem.yaml"
    path.write_text(FULL, encoding="utf-8")
    return read_problem(path)


@given(changes(LAYOUT))
@settings(max_examples=100, deadline=None)
def test_changed_layouts_are_read_or_told(full, several: list[tuple]) -> None:
    text = apply(LAYOUT, several)
    layout, findings = layout_from_text(text, "layout.yaml", full)
    judge(layout, findings, text)
