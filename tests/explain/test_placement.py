"""Where in the files of a problem a conflict that `plan` tells stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.errors import Conflict
from partitioner.explain.placement import locator, placed
from partitioner.model.problem import Problem
from partitioner.reading.problem import read_source

T1S = "10BASE-T1S-multidrop"
TEXT = f"""\
format: 1
name: gates
switches:
  - id: hub
    position_m: [0, 0, 0]
    ports:
      - {{grades: [{T1S}], count: 2}}
      - {{grades: [100BASE-T1], count: 1}}
  - id: far
    position_m: [9, 0, 0]
    ports: [{{grades: [{T1S}], count: 2}}]
backbone:
  links: [{{between: [hub, far], grades: [100BASE-T1]}}]
limits:
  {T1S}:
    stub_m: 0.1
devices_csv: devices.csv
devices:
  - id: latch
    position_m: [1, 0, 0]
    grades: [{T1S}, 100BASE-T1]
    switch: hub
streams:
  - {{id: s, from: latch, to: [hub], payload_bytes: 8, period_us: 100000}}
"""
ROWS = f"id,x_m,y_m,z_m,grades,switch,stub_m\nlamp,2,0,0,{T1S},hub,0.1\nlock,3,0,0,{T1S},,0.2\n"


@pytest.fixture
def gates(tmp_path: Path) -> tuple[Problem, Path]:
    path = tmp_path / "gates.yaml"
    path.write_text(TEXT, encoding="utf-8")
    (tmp_path / "devices.csv").write_text(ROWS, encoding="utf-8")
    source = read_source(path)
    assert source.problem is not None, source.findings
    return source.problem, path


@pytest.mark.parametrize(
    ("conflict", "where"),
    [
        (Conflict("port-exists", ("hub",), f"hub has 2 ports for {T1S}."), ["gates.yaml:7"]),
        (Conflict("port-exists", ("hub", "far"), "There are too few."),
         ["gates.yaml:7", "gates.yaml:8", "gates.yaml:11"]),
        (Conflict("pin", ("latch", "lamp", "hub"), "Pinned to hub: latch and lamp."),
         ["gates.yaml:22", "devices.csv:2"]),
        # Whom it is about, beside the limit; not the grade as a whole.
        (Conflict("stub", ("lock", T1S), "The stub of lock is 0.2 m."),
         ["gates.yaml:16", "devices.csv:3"]),
        (Conflict("device-grade", ("lock", "lamp"), f"lock and lamp can have {T1S} only."),
         ["devices.csv:3", "devices.csv:2"]),
        (Conflict("deadline", ("s", "latch", "hub"), "Stream s arrives in time."),
         ["gates.yaml:24"]),
        (Conflict("backbone-link", (), "The backbone links are: hub-far."), ["gates.yaml:12"]),
        (Conflict("safety-span", (), "Levels differ by at most 1."), []),
    ],
    ids=lambda value: value.rule if isinstance(value, Conflict) else "",
)  # fmt: skip
def test_a_conflict_names_the_lines_of_what_it_is_about(
    conflict: Conflict, where: list[str], gates: tuple[Problem, Path]
) -> None:
    problem, path = gates
    (found,) = placed(problem, [conflict], locator(problem, path))
    assert [place.rpartition("/")[2] for place in found.where] == where


def test_no_line_is_told_of_a_file_that_changed_meanwhile(gates: tuple[Problem, Path]) -> None:
    problem, path = gates
    conflict = Conflict("pin", ("latch", "hub"), "Pinned to hub: latch.")
    locate = locator(problem, path)
    path.write_text("# One line more.\n" + TEXT, encoding="utf-8")
    assert placed(problem, [conflict], locate)[0].where == ()
    path.unlink()
    assert placed(problem, [conflict], locator(problem, path))[0].where == ()
