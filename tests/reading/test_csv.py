"""Lists in CSV files mean the same as lists in the problem file."""

from __future__ import annotations

import pytest

from partitioner.model.problem import GradeChoice

HEAD = """\
format: 1
name: csv
switches:
  - id: s1
    position_m: [0, 0, 0]
    zone: z
    ports: [{grades: [10BASE-T1S-multidrop, 10BASE-T1S-link], count: 9}]
"""
DEVICES = """\
devices:
  - {id: a, position_m: [1, 2, 3.5], grades: [10BASE-T1S-multidrop], stub_m: 0.05, queue: pcp}
  - {id: "12", position_m: [1, 2, 0], grades: [10BASE-T1S-multidrop, 10BASE-T1S-link], zone: z}
  - id: c
    position_m: [1, 3, 0]
    grades: {10BASE-T1S-multidrop: 1.5, 10BASE-T1S-link: null}
    switches: [s1]
"""
STREAMS = """\
streams:
  - {id: s, from: a, to: ["12", s1], payload_bytes: 8, tagged: false, period_us: 1000.5}
"""
DEVICE_ROWS = """\
id,x_m,y_m,z_m,grades,stub_m,queue,zone,switches
a,1,2,3.5,10BASE-T1S-multidrop,0.05,pcp,,

12,1,2,,10BASE-T1S-multidrop 10BASE-T1S-link,,,z,
"c",1,3,,10BASE-T1S-multidrop=1.5 10BASE-T1S-link,,,,s1
"""
STREAM_ROWS = "id,from,to,payload_bytes,tagged,period_us\ns,a,12 s1,8,false,1000.5\n"
BOTH = HEAD + "devices_csv: d.csv\nstreams_csv: s.csv\n"


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_csv_and_yaml_give_the_same_problem(read, separator, line_end, mark) -> None:
    inline, findings = read(HEAD + DEVICES + STREAMS)
    assert findings == []
    rows = (DEVICE_ROWS.replace(",", separator), STREAM_ROWS.replace(",", separator))
    beside, findings = read(
        BOTH,
        d=mark + rows[0].replace("\n", line_end),
        s=mark + rows[1].replace("\n", line_end),
    )
    assert findings == []
    assert beside.devices == inline.devices
    assert beside.streams == inline.streams
    assert beside.devices["c"].grades[0] == GradeChoice("10BASE-T1S-multidrop", 15_000)
    assert list(beside.devices) == ["a", "12", "c"]


def test_both_sources_are_read(read) -> None:
    problem, findings = read(
        HEAD + DEVICES + STREAMS + "devices_csv: d.csv\n",
        d="id,x_m,y_m,grades\ne,1,1,10BASE-T1S-link\n",
    )
    assert findings == []
    assert list(problem.devices) == ["a", "12", "c", "e"]


def test_rows_that_end_before_a_column_that_others_fill_are_told(read) -> None:
    head, first, second, third = (
        "id,x_m,y_m,grades,stub_m,safety_level,queue",
        "a,1,1,10BASE-T1S-link,0.1,2,",
        "b,1,1,10BASE-T1S-link,0.1",
        "c,1,1,10BASE-T1S-link",
    )
    rows = "\n".join([head, first, second, third])
    problem, findings = read(HEAD + "devices_csv: d.csv\n", d=rows + "\n")
    assert problem is not None
    assert problem.devices["b"].safety_level is None
    (told,) = (f for f in findings if "ends before safety_level," in f.message)
    assert (told.severity, told.line, told.column) == ("warning", 3, len(second) + 1)
    assert (told.column_name, told.where) == ("safety_level", "devices[b].safety_level")
    assert "1 more row is too short" in told.message


def test_cells_that_no_row_has_may_be_left_out_at_the_end(read) -> None:
    rows = (
        "id,x_m,y_m,grades,stub_m,safety_level", "a,1,1,10BASE-T1S-link,0.1,",
        "b,1,1,10BASE-T1S-link,0.1",
    )  # fmt: skip
    _, findings = read(HEAD + "devices_csv: d.csv\n", d="\n".join(rows))
    assert not any("ends before" in f.message for f in findings)


def test_findings_have_line_and_column_name(read) -> None:
    rows = 'id,x_m,y_m,grades,stub_m\n\n"a, b",1,1,10BASE-T1S-link,0.1\nc,1,1,10BASE-T1S-link,5cm\n'
    problem, findings = read(HEAD + "devices_csv: d.csv\n", d=rows)
    assert problem is None
    first, second = (f for f in findings if f.severity == "error")
    assert (first.line, first.column, first.column_name) == (3, 1, "id")
    assert (second.line, second.column, second.column_name) == (4, 23, "stub_m")
    assert second.where == "devices[c].stub_m"
    assert second.source_line == "c,1,1,10BASE-T1S-link,5cm"
    assert second.source_line[second.column - 1 :] == "5cm"


def test_position_fault_names_its_own_column(read) -> None:
    rows = "id,x_m,y_m,grades\na,1,left,10BASE-T1S-link\nb,1,,10BASE-T1S-link\n"
    _, findings = read(HEAD + "devices_csv: d.csv\n", d=rows)
    assert [(f.line, f.column_name, f.where) for f in findings] == [
        (2, "y_m", "devices[a].y_m"),
        (3, "y_m", "devices[b].y_m"),
    ]


@pytest.mark.parametrize(
    ("rows", "code", "line"),
    [
        ("", "unreadable-file", 1),
        ('id,x_m,y_m,grades\n"a,1\n', "unreadable-file", 2),
        ('id,x_m,y_m,grades\na,1,1,"10BASE\nb,1,1,x\nc,1,1,x\n', "unreadable-file", 2),
        ("id,x_m,y_m,grades,id\na,1,1,10BASE-T1S-link,b\n", "duplicate-key", 1),
        ("id,x_m,y_m,grades,\na,1,1,10BASE-T1S-link,\n", "unknown-key", 1),
        ("id,x_m,y_m,grdes\na,1,1,10BASE-T1S-link\n", "unknown-key", 1),
        ("id,x_m,y_m\na,1,1\n", "missing-key", 1),
        ("x_m,y_m,grades\n1,1,10BASE-T1S-link\n", "missing-key", 1),
        ("id,x_m,y_m,grades\na,1,1,\n", "missing-key", 2),
        ("id,x_m,y_m,grades\na,1,1\n", "missing-key", 2),
        ("id,grades\na,10BASE-T1S-link\n", "missing-key", 2),
        ("id,x_m,y_m,grades\na,1,1,10BASE-T1S-link,3,4\n", "wrong-kind", 2),
        ("id,x_m,y_m,grades\na,1,1,10BASE-T1S-link=cheap\n", "wrong-kind", 2),
        ("id,x_m,y_m,grades\na,1,1,10BASE-T1S-lnk\n", "unknown-name", 2),
    ],
)
def test_faults_of_a_list(read, rows, code, line) -> None:
    problem, findings = read(HEAD + "devices_csv: d.csv\n", d=rows)
    assert problem is None
    assert (findings[0].code, findings[0].line) == (code, line), findings
    assert findings[0].file.endswith("d.csv")


def test_a_missing_column_is_told_once(read) -> None:
    rows = "id,x_m,y_m\n" + "".join(f"d{n},1,1\n" for n in range(50))
    _, findings = read(HEAD + "devices_csv: d.csv\n", d=rows)
    assert [(f.code, f.message) for f in findings] == [
        ("missing-key", "expected the column 'grades', got none")
    ]


def test_quoted_cells_may_hold_the_separator(read) -> None:
    rows = 'id,x_m,y_m,grades,function\n"a","1","1","10BASE-T1S-link","light"\n'
    problem, _ = read(HEAD + "devices_csv: d.csv\n", d=rows)
    assert problem.devices["a"].function == "light"


@pytest.mark.parametrize(
    ("rows", "line", "column", "words"),
    [
        ('a,1,1,"10BASE\nb,1,1,x\n', 2, 7, "is never closed"),
        ('a,1,1,"x"\n"b,1,1,x\nc,1,1,"x"\n', 3, 1, "closes only on line 4"),
        ('a,"1\r2",1,x\n"b"c,1,1,x\n', 4, 1, "this is no CSV"),
    ],
)
def test_a_quote_left_open_is_told_where_it_opens(read, rows, line, column, words) -> None:
    _, findings = read(HEAD + "devices_csv: d.csv\n", d="id,x_m,y_m,grades\n" + rows)
    told = next(f for f in findings if f.code == "unreadable-file")
    assert (told.line, told.column) == (line, column), findings
    assert words in told.message
    assert told.source_line[column - 1] == '"'


def test_line_numbers_count_line_ends_only(read) -> None:
    rows = "id,x_m,y_m,grades\na\x0bb\u2028,1,1,10BASE-T1S-link\nc,1,1,10BASE-T1S-lnk\n"
    _, findings = read(HEAD + "devices_csv: d.csv\n", d=rows)
    unknown = next(f for f in findings if f.code == "unknown-name")
    assert (unknown.line, unknown.source_line) == (3, "c,1,1,10BASE-T1S-lnk")
