"""The look of a finding is a contract."""

from __future__ import annotations

import json

from partitioner.errors import Finding
from partitioner.reading.render import findings_as_data, format_finding, format_findings

FINDING = Finding(
    "problems/demo.yaml",
    4,
    14,
    "wrong-kind",
    "devices[lamp].stub_m",
    "expected a number in m, got text '12W'",
    "write the bare number; the unit is m",
    "    stub_m: 12W",
)


def test_first_line_leads_editors_to_the_place() -> None:
    assert format_finding(FINDING) == (
        "problems/demo.yaml:4:14: error[wrong-kind] devices[lamp].stub_m: "
        "expected a number in m, got text '12W'\n"
        "  4 |     stub_m: 12W\n"
        "    |              ^\n"
        "  hint: write the bare number; the unit is m"
    )


def test_one_line_form_for_reports() -> None:
    text = format_finding(FINDING, source=False)
    assert "\n" not in text
    assert text.endswith("got text '12W' (write the bare number; the unit is m)")


def test_caret_stands_under_its_character_after_tabs() -> None:
    finding = Finding("f", 1, 3, "wrong-kind", "a", "m", "", "\t\tx")
    assert format_finding(finding).splitlines()[2] == "    | \t\t^"


def test_long_lines_are_cut_round_the_place() -> None:
    line = "x" * 500 + "!" + "y" * 500
    shown, caret = format_finding(
        Finding("f", 7, 501, "wrong-kind", "a", "m", "", line)
    ).splitlines()[1:]
    assert len(shown) < 180
    assert shown[caret.index("^")] == "!"


def test_a_file_as_a_whole_has_no_line() -> None:
    finding = Finding("f.yaml", 0, 0, "unreadable-file", "", "no such file")
    assert format_finding(finding) == "f.yaml: error[unreadable-file] no such file"


def test_past_twenty_they_are_counted() -> None:
    many = [FINDING] * 57
    text = format_findings(many)
    assert text.count("error[wrong-kind]") == 20
    assert text.splitlines()[-2:] == [
        "and 37 more",
        "57 problems in problems/demo.yaml: mend them first.",
    ]


def test_warnings_alone_stop_nothing() -> None:
    warning = Finding("f", 1, 1, "unknown-name", "a", "m", severity="warning")
    assert format_findings([warning]) == "f:1:1: warning[unknown-name] a: m"


def test_data_form_is_json() -> None:
    (record,) = json.loads(json.dumps(findings_as_data([FINDING])))
    assert record == {
        "file": "problems/demo.yaml",
        "line": 4,
        "column": 14,
        "severity": "error",
        "code": "wrong-kind",
        "where": "devices[lamp].stub_m",
        "message": "expected a number in m, got text '12W'",
        "hint": "write the bare number; the unit is m",
        "source_line": "    stub_m: 12W",
    }
