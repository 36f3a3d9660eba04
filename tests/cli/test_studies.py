"""What studies add to the commands: builds in ``check``, candidate switches in ``plan --zones``."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from partitioner.cli.main import run
from partitioner.errors import ExitCode

PROBLEM = """\
format: 1
name: two-zones
currency: EUR
note: Invented for a test.
switches:
  - {id: front, position_m: [0, 0, 0], price: 30, forwarding_delay_us: 5,
     ports: [{grades: [10BASE-T1S-multidrop], count: 2}, {grades: [100BASE-T1], count: 1}]}
  - {id: rear, position_m: [4, 0, 0], price: 30, forwarding_delay_us: 5,
     ports: [{grades: [10BASE-T1S-multidrop], count: 2}]}
  - {id: side, position_m: [2, 1, 0], price: 5, required: false, forwarding_delay_us: 5,
     ports: [{grades: [10BASE-T1S-multidrop], count: 1}]}
backbone:
  shape: tree
  links:
    - {between: [front, rear], grades: [100BASE-T1]}
    - {between: [front, side], grades: [100BASE-T1]}
    - {between: [side, rear], grades: [100BASE-T1]}
devices:
  - {id: brain, position_m: [0, 0.5, 0], grades: [100BASE-T1], function: drive}
  - {id: motor, position_m: [4, 1, 0], grades: [10BASE-T1S-multidrop], switch: rear,
     function: drive}
  - {id: fan, position_m: [4, 2, 0], grades: [10BASE-T1S-multidrop], switch: rear, option: cool}
options: [{id: cool, take_rate: 0.5}]
streams:
  - {id: go, from: brain, to: [motor], payload_bytes: 8, period_us: 20000, deadline_us: 20000,
     pcp: 3}
  - {id: air, from: motor, to: [fan], payload_bytes: 8, period_us: 20000, deadline_us: 20000,
     pcp: 3}
"""
RULE = "failure_rules: [{id: keep-one, function: drive, most_lost: 1}]\n"


@pytest.fixture
def problem(tmp_path: Path) -> Path:
    path = tmp_path / "problem.yaml"
    path.write_text(PROBLEM, encoding="utf-8")
    return path


def plan(problem: Path, out: Path, *more: str) -> ExitCode:
    quick = ["--time-limit", "20s", "--workers", "1"]
    return run(["plan", str(problem), "-o", str(out), *quick, *more])


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def test_candidate_switches_are_turned(problem, tmp_path, capsys) -> None:
    out = tmp_path / "out"
    assert plan(problem, out, "--zones") == ExitCode.OK
    capsys.readouterr()
    (row,) = rows_of(out / "zones.csv")
    assert (row["switch"], row["change"], row["state"]) == ("side", "open", "ok")
    cost = json.loads((out / "outcome.json").read_text())["cost"]["priced_total"]
    assert float(row["cost"]) == pytest.approx(cost + float(row["more"]))
    # The switch costs 5, and more cable and ports for its link.
    assert float(row["more"]) > 5
    assert row["at_least"] == row["more"] == row["at_most"]
    assert row["open_switches"] == "front rear side"
    page = (out / "report.html").read_text(encoding="utf-8")
    assert 'id="zones"' in page


def test_without_asking_no_switch_is_turned(problem, tmp_path, capsys) -> None:
    out = tmp_path / "out"
    assert plan(problem, out) == ExitCode.OK
    assert not (out / "zones.csv").exists()
    assert (out / "failures.csv").exists()
    (base, cool) = rows_of(out / "every-build.csv")
    assert (base["build"], cool["build"]) == ("base", "cool")
    assert float(base["money"]) < float(cool["money"])
    tables = json.loads((out / "outcome.json").read_text(encoding="utf-8"))["tables"]
    assert [row["build"] for row in tables["every-build"]] == ["base", "cool"]
    assert len(tables["failures"]) == len(rows_of(out / "failures.csv"))


def test_a_rule_that_a_build_breaks_is_broken_for_plan_and_check(problem, tmp_path, capsys) -> None:
    """With the backbone down the motor reaches the fan, and nobody in a unit without the fan.

    The brain is cut off either way; the rule allows one of the two. So the layout that the plan
    makes without the rule breaks it, and there is no other.
    """
    out = tmp_path / "out"
    assert plan(problem, out) == ExitCode.OK
    problem.write_text(PROBLEM + RULE, encoding="utf-8")
    assert plan(problem, tmp_path / "none") == ExitCode.NO_LAYOUT
    capsys.readouterr()
    assert run(["check", str(problem), str(out / "layout.yaml")]) == ExitCode.BROKEN_RULES
    err = capsys.readouterr().err
    assert "In build base" in err
    assert "In build cool" not in err
