"""Twenty-five different faults in one file give twenty-five findings, each on its line."""

from __future__ import annotations

import pytest

from partitioner.application.reading import read_problem
from partitioner.errors import ExitCode, WrongFile
from partitioner.reading.render import format_findings

# Each line that is wrong ends with a comment that says how; lines without are right.
# ruff: noqa: E501
TEXT = """\
format: 1
name: many faults
colour: red # unknown-key
routing: {metric: diagonal} # wrong-kind
places:
  - {id: front, position_m: [0, 0, 0.5]}
  - {id: rear, position_m: [4, 0]} # wrong-kind
  - {id: front, position_m: [1, 0, 0]} # duplicate-name
pathways:
  - {id: floor, from: front, to: raer} # unknown-name
switches:
  - id: zone-front
    place: front
    required: yes # wrong-kind
    ports:
      - {grades: [10BASE-T1S-multidrop], count: 0} # out-of-range
      - {grades: [10BASE-T1S-multidrp], count: 2} # unknown-name
devices:
  - {id: lamp, plce: front, grades: [10BASE-T1S-multidrop]} # unknown-key
  - {id: pump, place: front, grades: 10BASE-T1S-multidrop} # wrong-kind
  - {id: fan, place: front, position_m: [0, 0, 0], grades: [10BASE-T1S-multidrop]} # not-allowed-together
  - {id: horn, place: front, grades: [10BASE-T1S-multidrop], stub_m: 0.0000001} # too-fine
  - {id: valve, place: front, grades: [10BASE-T1S-multidrop], stub_m: 5cm} # wrong-kind
  - {id: motor, place: front, grades: [10BASE-T1S-multidrop], mass_g: 1, mass_g: 2} # duplicate-key
  - {id: panel, place: front} # missing-key
  - {id: lamp, place: front, grades: [10BASE-T1S-multidrop]} # duplicate-name
  - {id: meter, place: front, grades: [10BASE-T1S-multidrop], option: wintr} # unknown-name
  - {id: 12, place: front, grades: [10BASE-T1S-multidrop]} # wrong-kind
devices_csv: nowhere.csv # unreadable-file
groups:
  - {id: same, kind: together, devices: [fan, horn]}
  - {id: other, kind: apart-switch, devices: [fan, horn]} # not-allowed-together
streams:
  - {id: s1, from: lamp, to: [lamp], payload_bytes: 8, period_us: 10000} # not-allowed-together
  - {id: s2, from: lamp, to: [fan], payload_bytes: 9000, period_us: 10000} # out-of-range
  - {id: s3, from: lamp, to: [fan], payload_bytes: 80, encapsulation: ieee1722-ntscf, period_us: 1} # not-allowed-together
  - {id: s4, from: lamp, to: [fan], payload_bytes: 8, period_us: 1e4} # wrong-kind
limits:
  10BASE-T1S-multidrop: {nodes: 12} # not-allowed-together
plca: {<<: {burst_count: 1}} # yaml-syntax
options:
  - {id: winter, take_rate: 0.3}
builds:
  - {id: base, options: [], share: 0.7} # not-allowed-together
"""
EXPECTED = [
    (number, line.rpartition("# ")[2])
    for number, line in enumerate(TEXT.splitlines(), start=1)
    if " # " in line
]


def test_each_fault_is_told_once_on_its_line(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "many.yaml"
    path.write_text(TEXT, encoding="utf-8")
    with pytest.raises(WrongFile) as caught:
        read_problem(path)
    errors = [(f.line, f.code) for f in caught.value.findings if f.severity == "error"]
    assert errors == EXPECTED
    assert len(EXPECTED) >= 25
    assert caught.value.exit_code == ExitCode.WRONG_FILE == 3
    assert list(tmp_path.iterdir()) == [path]  # nothing was written
    told = format_findings(caught.value.findings)
    assert f"and {len(caught.value.findings) - 20} more" in told
    assert told.endswith(f"{len(EXPECTED)} problems in {path}: mend them first.")


def test_every_finding_shows_its_line(tmp_path) -> None:
    path = tmp_path / "many.yaml"
    path.write_text(TEXT, encoding="utf-8")
    with pytest.raises(WrongFile) as caught:
        read_problem(path)
    lines = TEXT.splitlines()
    for finding in caught.value.findings:
        assert finding.source_line == lines[finding.line - 1]
        assert 1 <= finding.column <= len(finding.source_line)
