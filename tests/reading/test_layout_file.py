"""Layouts: written, read back, read by hand, and what is wrong with them."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partitioner.application.reading import read_layout_of, read_problem
from partitioner.errors import WrongFile
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.reading.layout_file import (
    default_plca_ids,
    layout_from_text,
    layout_text,
    plca_order,
    read_layout_with_findings,
)
from partitioner.reading.render import format_findings

LAYOUTS = Path(__file__).parent.parent / "bad" / "layouts"
PROBLEM = LAYOUTS / "for-all.problem"
BY_HAND = sorted(p.stem for p in LAYOUTS.glob("*.yaml"))
LINE = "10BASE-T1S-multidrop"


@pytest.fixture(scope="module")
def problem():
    return read_problem(PROBLEM)


FULL = Layout(
    problem_name="small",
    problem_digest="",
    open_switches=("zone-rear", "zone-front"),
    backbone=(BuiltLink(("zone-front", "zone-rear"), "100BASE-T1"),),
    segments=(
        Segment("north-side_1.a", "zone-front", 2, LINE, ("fan", "lamp", "horn"), 1, (7, 2, 3), 9),
        Segment(
            "zone-rear:1",
            "zone-rear",
            1,
            LINE,
            ("pump",),
            1,
            (1,),
            4,
            (("pump", 2), ("zone-rear", 1)),
        ),
        Segment("p2p", "zone-front", 1, "10BASE-T1S-link", ("valve",), 0, (), 0),
    ),
)


def test_settings_of_a_half_duplex_link_are_written_and_read(problem) -> None:
    text = layout_text(FULL, problem)
    link = text[text.index("id: p2p"):]
    assert "plca: {valve: 1}" in link
    assert "node_count: 2" in link
    burst = link.replace("node_count: 2", "node_count: 2\n    burst_counts: {valve: 1}")
    layout, findings = layout_from_text(text.replace(link, burst), "layout.yaml", problem)
    assert findings == []
    assert layout.segments[2] == replace(FULL.segments[2], burst_counts=(("valve", 1),))


def test_round_trip_keeps_every_decision(problem) -> None:
    text = layout_text(FULL, problem)
    read, findings = layout_from_text(text, "layout.yaml", problem)
    assert findings == []
    assert read is not None
    assert read.segments == FULL.segments
    assert read.open_switches == FULL.open_switches
    assert read.backbone == FULL.backbone
    again = layout_text(read, problem)
    assert layout_from_text(again, "f", problem)[0] == read
    assert again.splitlines()[3:] == text.splitlines()[3:]


def test_text_holds_decisions_only(problem) -> None:
    assert layout_text(FULL, problem).startswith(
        "format: 1\nproblem: small\nproblem_digest: ''\nopen_switches: [zone-rear, zone-front]\n"
    )
    assert "\n    plca: {fan: 7, lamp: 2, horn: 3}\n    node_count: 9\n" in layout_text(
        FULL, problem
    )


def test_what_is_left_out_by_hand_gets_its_default(problem) -> None:
    text = f"""\
format: 1
segments:
  - {{switch: zone-front, port: 2, grade: {LINE}, devices: [fan, lamp, horn], switch_index: 1}}
"""
    layout, findings = layout_from_text(text, "f", problem)
    assert findings == []
    (segment,) = layout.segments
    assert segment.id == "zone-front:2"
    assert segment.plca_ids == (3, 1, 2)  # after the switch first: lamp, horn; then fan before it
    assert segment.node_count == 3 + 1 + 1  # highest ID + 1 + the reserve of one node
    assert layout.open_switches == ("zone-front", "zone-rear")
    assert layout.backbone == (BuiltLink(("zone-front", "zone-rear"), "100BASE-T1"),)
    assert layout.problem_digest == problem.digest
    assert set(layout.segment_of()) == {"fan", "lamp", "horn"}  # pump, valve are not placed


def test_stated_nothing_is_not_left_out(problem) -> None:
    layout, _ = layout_from_text(
        "format: 1\nbackbone: []\nopen_switches: [zone-front]\nsegments: []\n", "f", problem
    )
    assert layout.backbone == ()
    assert layout.open_switches == ("zone-front",)


def test_a_changed_problem_is_a_warning(problem) -> None:
    text = "format: 1\nproblem: small\nproblem_digest: abc\nsegments: []\n"
    layout, findings = layout_from_text(text, "f", problem)
    assert layout is not None
    assert [(f.severity, f.where) for f in findings] == [("warning", "problem_digest")]
    layout, findings = layout_from_text(text.replace("small", "other"), "f", problem)
    assert [(f.severity, f.where) for f in findings] == [("warning", "problem")]


@given(st.integers(1, 9).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n))))
def test_plca_ids_rise_outward_from_the_switch(shape: tuple[int, int]) -> None:
    count, index = shape
    devices = tuple(f"d{n}" for n in range(count))
    ids = default_plca_ids(devices, index)
    assert sorted(ids) == list(range(1, count + 1))
    before, after = ids[:index], ids[index:]
    assert list(after) == sorted(after)
    assert list(before) == sorted(before, reverse=True)
    assert not after or not before or max(after) < min(before)
    assert sorted(plca_order(devices, index)) == sorted(devices)


@pytest.mark.parametrize("name", BY_HAND)
def test_message_is_exact(name: str, problem, monkeypatch) -> None:
    monkeypatch.chdir(LAYOUTS)
    layout, findings = read_layout_with_findings(Path(f"{name}.yaml"), problem)
    assert layout is None
    assert sum(f.severity == "error" for f in findings) == 1
    told = format_findings(findings) + "\n"
    expected = LAYOUTS / f"{name}.txt"
    if os.environ.get("PARTITIONER_ACCEPT"):
        expected.write_text(told, encoding="utf-8")
    assert told == expected.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("port: 1,", "port: 99,"),
        ("port: 1,", "port: 2,"),  # used by the other
        ("lamp], plca: {fan: 1, lamp: 2}", "pump], plca: {fan: 1, pump: 2}"),  # on both
        ("{fan: 1, lamp: 2}", "{fan: 1, lamp: 1}"),
        ("{fan: 1, lamp: 2}", "{fan: 0, lamp: 255}"),
        ("node_count: 4", "node_count: 1"),
        ("[valve]", "[valve, horn]"),
        ("grade: 100BASE-T1", "grade: 10BASE-T1L"),
    ],
)
def test_broken_rules_are_left_to_check(problem, old: str, new: str) -> None:
    text = f"""\
format: 1
backbone: [{{between: [zone-front, zone-rear], grade: 100BASE-T1}}]
segments:
  - {{switch: zone-front, port: 1, grade: {LINE}, devices: [fan, lamp], plca: {{fan: 1, lamp: 2}},
     node_count: 4}}
  - {{switch: zone-front, port: 2, grade: {LINE}, devices: [pump]}}
  - {{switch: zone-rear, port: 1, grade: 10BASE-T1S-link, devices: [valve]}}
"""
    assert old in text
    layout, findings = layout_from_text(text.replace(old, new), "f", problem)
    assert findings == []
    assert layout is not None


def test_a_device_that_has_its_place_was_not_meant_by_another_name(problem) -> None:
    text = f"""\
format: 1
segments:
  - {{switch: zone-front, port: 1, grade: {LINE}, devices: [lampe, lump]}}
  - {{switch: zone-rear, port: 1, grade: {LINE}, devices: [%s]}}
"""
    _, free = layout_from_text(text % "pump", "f", problem)
    assert [f.hint for f in free] == ["did you mean 'lamp'?"] * 2
    _, taken = layout_from_text(text % "lamp", "f", problem)
    assert ["replan PROBLEM --keep LAYOUT" in f.hint for f in taken] == [True, False]


def test_another_file_than_a_layout_is_told_as_what_it_is(problem, tmp_path: Path) -> None:
    def hint(path: Path) -> tuple[str, str]:
        layout, findings = read_layout_with_findings(path, problem)
        assert layout is None
        (finding,) = findings
        return finding.message, finding.hint

    assert hint(tmp_path) == ("expected a file, got a folder", "")
    inside = tmp_path / "layout.yaml"
    inside.write_text("format: 1\n", encoding="utf-8")
    assert hint(tmp_path)[1] == f"did you mean {inside}?"
    outcome = tmp_path / "outcome.json"
    outcome.write_text('{"format": 1, "tables": {}, "layout_digest": "0"}', encoding="utf-8")
    assert hint(outcome)[0] == "expected a layout, got the outcome of a plan"
    table = tmp_path / "wires.csv"
    table.write_text("piece,segment\n", encoding="utf-8")
    assert hint(table)[0] == "expected a layout, which is a YAML file, got a .csv file"


def test_another_file_than_a_problem_is_told_as_what_it_is(tmp_path: Path) -> None:
    def told(path: Path) -> str:
        with pytest.raises(WrongFile) as caught:
            read_problem(path)
        (finding,) = caught.value.findings
        return f"{finding.message}; {finding.hint}"

    (tmp_path / "problem.yaml").write_text("format: 1\n", encoding="utf-8")
    assert told(tmp_path).endswith(f"did you mean {tmp_path / 'problem.yaml'}?")
    table = tmp_path / "devices.csv"
    table.write_text("Tag;X\n", encoding="utf-8")
    assert "got a .csv file; `partitioner import`" in told(table)
    outcome = tmp_path / "outcome.json"
    outcome.write_text('{"format": 1, "tables": {}, "layout_digest": "0"}', encoding="utf-8")
    assert told(outcome) == "expected a problem, got the outcome of a plan; "


def test_wrong_file_is_raised(problem, tmp_path) -> None:
    with pytest.raises(WrongFile) as caught:
        read_layout_of(problem, tmp_path / "none.yaml")
    assert caught.value.findings[0].code == "unreadable-file"


@pytest.mark.parametrize(
    "id_",
    ["a\ntouch mark", "a b", "-a", "=a", "a;b", "$(a)", "a'b", "a\x1b", "", "a:", "a:b", "a:1:2",
     "a:1\n", "a\n:1", "x" * 65, "x" * 65 + ":1", "a:1234567"],
)  # fmt: skip
def test_an_id_of_a_segment_obeys_the_grammar_of_names(problem, id_: str) -> None:
    text = layout_text(replace(FULL, segments=(replace(FULL.segments[0], id=id_),)), problem)
    read, findings = layout_from_text(text, "layout.yaml", problem)
    assert read is None
    assert [f.where.rpartition(".")[2] for f in findings] == ["id"]


@pytest.mark.parametrize(
    "id_", ["a", "line-1", "zone-rear:1", "1.2_3+4", "é", "x" * 64 + ":100000"]
)
def test_names_and_ports_are_ids_of_segments(problem, id_: str) -> None:
    text = layout_text(replace(FULL, segments=(replace(FULL.segments[0], id=id_),)), problem)
    read, findings = layout_from_text(text, "layout.yaml", problem)
    assert findings == []
    assert read is not None
    assert read.segments[0].id == id_
