"""What follows from a layout is worked out once per report, not once per section."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from partitioner.application.plan import plan
from partitioner.application.reading import read_layout, read_problem
from partitioner.application.report import report
from partitioner.check import traffic
from partitioner.check.combinations import combinations_of
from partitioner.check.facts import gather_facts
from partitioner.facts.builds import judge_builds
from partitioner.model.layout import Layout
from partitioner.pages import layout as studies
from partitioner.report import files, tables
from tests.judged import judge

ROOT = Path(__file__).parent.parent.parent
CASE = ROOT / "tests" / "gold" / "small-sprayer"


@pytest.fixture
def counted(monkeypatch) -> Counter[Any]:
    """Calls by name, and those about a layout by name and layout."""
    counts: Counter[Any] = Counter()

    def count(name: str, real: Any) -> None:
        def counting(*given: Any, **more: Any) -> Any:
            counts[name] += 1
            counts.update((name, one) for one in given if isinstance(one, Layout))
            return real(*given, **more)

        for module in list(sys.modules.values()):
            if module.__name__.startswith("partitioner.") and getattr(module, name, 0) is real:
                monkeypatch.setattr(module, name, counting)

    # Loaded, so that nothing imports the counting ones and keeps them.
    assert studies.study_layout
    assert files.report_files
    count("gather_facts", gather_facts)
    count("all_tables", tables.all_tables)
    count("layout_timing", traffic.layout_timing)
    return counts


def test_a_plan_gathers_the_facts_of_its_layout_once(counted) -> None:
    result = plan(read_problem(CASE / "problem.yaml"), work_limit=1)
    result.files()
    assert counted["gather_facts", result.outcome.layout] == 1
    assert counted["all_tables"] == 1


def test_each_build_is_timed_once(counted) -> None:
    result = judge(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    judge_builds(result.facts)
    builds = combinations_of(result.problem).rows
    assert len(builds) > 1
    assert counted["layout_timing"] == 1 + len(builds)


def test_a_report_with_a_simulation_gathers_the_facts_once(counted) -> None:
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    report(read.problem, read.layout, simulate_s=0.01).files()
    assert counted["gather_facts"] == 1
    assert counted["all_tables"] == 1
