"""The demo problems are what their pages say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from partitioner.model.problem import Problem
from tests.reading.whole import read_problem_with_findings

NAMES = ("street-sweeper", "glasshouse", "city-bus", "river-ferry")
LINE = "10BASE-T1S-multidrop"


@pytest.fixture(scope="module", params=NAMES)
def demo(request: pytest.FixtureRequest, problems: Path) -> tuple[str, Problem]:
    problem, findings = read_problem_with_findings(problems / request.param / "problem.yaml")
    assert findings == []
    assert problem is not None
    return request.param, problem


def test_counts_are_those_of_the_overview(demo, problems) -> None:
    name, problem = demo
    row = re.search(
        rf"^\| \[{name}\]\([^)]*\) \| (\d+) \| (\d+) \|",
        (problems / "README.md").read_text("utf-8"),
        re.M,
    )
    assert row, "no row in the overview"
    assert (len(problem.devices), len(problem.switches)) == (int(row[1]), int(row[2]))


def test_everything_invented_is_said_to_be(demo, problems) -> None:
    name, problem = demo
    assert "nvented" in problem.note
    assert "invented" in (problems / name / "README.md").read_text("utf-8")


def test_ports_are_enough_but_not_plenty(demo) -> None:
    _, problem = demo
    ports = sum(
        group.count
        for switch in problem.switches.values()
        for group in switch.port_groups
        if LINE in group.grades and switch.required
    )
    candidates = [switch for switch in problem.switches.values() if not switch.required]
    if candidates:
        # The ring cannot close without one of them.
        ports += min(switch.port_count for switch in candidates)
    limits = problem.limits[LINE]
    room = ports * (limits.nodes - limits.reserve.nodes - 1)
    devices = sum(
        any(choice.grade == LINE for choice in device.grades) for device in problem.devices.values()
    )
    # The glasshouse is bound by length, so its lines do not fill up with nodes.
    most = 2.6 if limits.nodes > 8 else 1.4
    assert 1.15 <= room / devices <= most


def test_every_device_says_or_hears_something(demo) -> None:
    _, problem = demo
    busy = {s.source for s in problem.streams.values()}
    busy |= {d for s in problem.streams.values() for d in s.destinations}
    assert set(problem.devices) - busy == set()


def test_city_bus_is_tight_and_loose(problems) -> None:
    problem, _ = read_problem_with_findings(problems / "city-bus" / "problem.yaml")
    assert problem is not None
    deadlines_ns = sorted(s.deadline_ns for s in problem.streams.values())
    assert deadlines_ns[0] <= 2_000_000
    assert sum(d >= 100_000_000 for d in deadlines_ns) >= 50
