"""Tables against the assessment they come from, and the ethtool lines against the manual."""

import csv
import io
import json
import re
import shutil
import subprocess
from dataclasses import replace

import pytest

from partitioner.check.facts import gather_facts
from partitioner.check.judge import assess
from partitioner.check.rules.limits import cables_through_pathways
from partitioner.model.assessment import Leg, LegKind, StreamFigures, worst_first
from partitioner.report.delays import delay_parts_ns
from partitioner.report.ethtool import plca_commands
from partitioner.report.outcome_json import outcome_data, outcome_text
from partitioner.report.page import render
from partitioner.report.sections import Column, Page, Section, State, Table, csv_files, tables_of
from partitioner.report.tables import (
    all_tables,
    legs_table,
    margin_state,
    pathways_table,
    plca_table,
    stream_state,
)
from partitioner.report.told import Told
from tests.check.ground import ground_layout, ground_problem
from tests.report.fixtures import outcome_of, with_finding


def test_every_device_has_one_drop_in_cable_order(twelve) -> None:
    problem, assessment = twelve
    drops = all_tables(problem, assessment)["drops"].frame()
    devices = drops[drops["role"] == "device"]
    assert sorted(devices["node"]) == sorted(problem.devices)
    for _, rows in drops.groupby("segment"):
        assert list(rows["order"]) == list(range(1, len(rows) + 1))
        assert list(rows["position_m"]) == sorted(rows["position_m"])
        assert list(rows["role"]).count("switch port") == 1


def test_all_ports_of_open_switches_are_listed_free_ones_too(twelve) -> None:
    problem, assessment = twelve
    ports = all_tables(problem, assessment)["ports"].frame()
    assert len(ports) == sum(s.port_count for s in problem.switches.values())
    used = ports[ports["segment"] != ""]
    assert sorted(used["segment"]) == sorted(s.id for s in assessment.layout.segments)


def test_parts_keep_the_total(twelve) -> None:
    problem, assessment = twelve
    parts = all_tables(problem, assessment)["parts"].frame()
    assert sum(parts["price"]) == pytest.approx(assessment.cost.money / 10_000)
    metres = sum(r.quantity for r in parts.itertuples() if r.unit == "m")
    assert metres == pytest.approx(sum(s.length_um for s in assessment.segments) / 1e6)


def test_baseline_stands_beside_the_plan(twelve) -> None:
    problem, assessment = twelve
    baseline = all_tables(problem, assessment)["baseline"].frame()
    rows = {r.quantity: r for r in baseline.itertuples()}
    assert rows["ports"].layout == len(assessment.layout.segments) + 2
    assert rows["ports"].star == 12
    # One PHY at each device and one at each port in the parts list of the fixture.
    assert rows["PHYs"].layout == len(problem.devices) + len(assessment.layout.segments)
    assert rows["money"].difference == pytest.approx(rows["money"].layout - rows["money"].star)


def test_delay_parts_sum_to_the_bound(twelve) -> None:
    _, assessment = twelve
    for figures in assessment.streams:
        assert sum(delay_parts_ns(figures.legs)) == figures.response_ns


def test_each_bar_of_the_legs_begins_where_the_one_before_ends(twelve) -> None:
    """So the table shows the way of every stream, not only of those that are drawn."""
    _, assessment = twelve
    table = legs_table(assessment)
    ends: dict[tuple[str, str], float] = {}
    for row in table.records():
        way = row["stream"], row["destination"]
        assert row["begins_share"] == ends.get(way, 0)
        assert row["ends_share"] >= row["begins_share"]
        ends[way] = row["ends_share"]
    deliveries = {(f.stream, f.destination): f for f in assessment.streams}
    assert set(ends) == set(deliveries)
    for way, share in ends.items():
        figures = deliveries[way]
        assert share == pytest.approx(figures.response_ns / figures.deadline_ns, abs=1e-6)
    drawn = render(Page("Any", State.OK, "well", ("Well.",), [Section("Legs", tables=[table])]))
    begun = [row["begins_share"] for row in table.records() if row["begins_share"]]
    shown = re.findall(r"<td class=bar style=--from:[\d.]+%;--used:[\d.]+%>", drawn)
    assert len(shown) == len(begun)


def test_a_pathway_holds_what_the_rule_on_it_counts() -> None:
    problem, layout = ground_problem(), ground_layout()
    assessment = assess(problem, layout)
    rows = {row["pathway"]: row for row in pathways_table(problem, assessment).records()}
    through = cables_through_pathways(gather_facts(problem, layout))
    assert {id_: row["cables"].split() for id_, row in rows.items()} == {
        p.id: through[p.id] for p in problem.pathways if through[p.id] or p.max_cables is not None
    }
    limited = [p for p in problem.pathways if p.max_cables]
    assert limited
    for pathway in limited:
        row = rows[pathway.id]
        assert row["cable_count"] == len(through[pathway.id])
        assert row["filling_share"] == row["cable_count"] / pathway.max_cables
    filling = [row["filling_share"] or 0 for row in rows.values()]
    assert filling == sorted(filling, reverse=True)


def _figures(name: str, bound: int | None, deadline: int) -> StreamFigures:
    leg = Leg(LegKind.LINE, "L1", 0, 0, bound or 0, 0, bound or 0, bound or 0)
    return StreamFigures(name, "x", (leg,), bound, bound, deadline)


def test_worst_stream_stands_first_and_overload_before_all() -> None:
    streams = [_figures("a", 50, 100), _figures("b", 99, 100), _figures("c", None, 100)]
    streams.append(_figures("d", 120, 100))
    assert [s.stream for s in worst_first(streams)] == ["c", "d", "b", "a"]
    states = [stream_state(s) for s in worst_first(streams)]
    assert states == [State.BAD, State.BAD, State.WARN, State.OK]


@pytest.mark.parametrize(
    ("used", "state"),
    [(0.2, State.OK), (0.96, State.WARN), (1.0, State.WARN), (1.0001, State.BAD)],
)
def test_margin_states(used: float, state: State) -> None:
    assert margin_state(used) is state


def test_csv_has_units_in_its_names_and_whole_numbers_stay_whole(twelve) -> None:
    problem, assessment = twelve
    files = csv_files(all_tables(problem, assessment))
    rows = list(csv.DictReader(io.StringIO(files["drops.csv"])))
    assert {"position_m", "stub_m"} <= set(rows[0])
    on_link = [r for r in rows if r["plca_id"] == ""]
    on_line = [r for r in rows if r["plca_id"] != ""]
    assert len(on_link) == 4  # two links of one device and one port each
    assert all(re.fullmatch(r"\d+", r["plca_id"]) for r in on_line)


def test_ethtool_lines(twelve) -> None:
    """Option names and ranges as in ethtool(8), --set-plca-cfg, and Linux net/ethtool/plca.c."""
    problem, assessment = twelve
    text = plca_commands(all_tables(problem, assessment)["plca"], "a problem")
    every = [x for x in text.splitlines() if x.startswith("ethtool")]
    lines = every[::3]
    # Behind each setting the lines that read it back.
    for set_, get, status in zip(lines, every[1::3], every[2::3], strict=True):
        interface = set_.split()[2]
        assert get == f"ethtool --get-plca-cfg {interface}"
        assert status == f"ethtool --get-plca-status {interface}"
    pattern = re.compile(
        r"ethtool --set-plca-cfg IFACE_\w+ enable on node-id (\d+)( node-cnt (\d+))? "
        r"to-tmr (\d+) burst-cnt (\d+) burst-tmr (\d+)  # .+"
    )
    found = [pattern.fullmatch(x) for x in lines]
    assert all(found)
    # One coordinator a line, and the node count at the coordinator alone.
    coordinators = [m for m in found if m and m[1] == "0"]
    assert len(coordinators) == 2
    assert all((m[2] is not None) == (m[1] == "0") for m in found if m)
    assert {m[3] for m in coordinators} == {"5", "7"}
    assert all(1 <= int(m[4]) <= 255 and int(m[1]) <= 254 for m in found if m)
    assert len(found) == 10 + 2
    assert "adapted" in text


def test_outcome_json_round_trips_and_keeps_its_keys(twelve) -> None:
    problem, assessment = twelve
    outcome = outcome_of(assessment)
    data = json.loads(outcome_text(Told(problem, assessment, outcome)))
    assert list(data) == [
        "format", "status", "verdict", "problem", "layout_digest", "cost", "bound",
        "bound_source", "gap", "findings", "warnings", "open_switches", "tables", "run",
    ]  # fmt: skip
    assert data["status"] == "feasible"
    assert data["gap"] == pytest.approx(0.03, abs=1e-4)
    assert data["cost"]["money"] == assessment.cost.money / 10_000
    assert set(data["tables"]) == set(all_tables(problem, assessment))
    assert data["run"]["timeline"][0]["bound"] is None


def test_outcome_json_of_a_judged_layout_claims_no_bound(twelve) -> None:
    problem, assessment = twelve
    data = outcome_data(Told(problem, assessment))
    assert data["status"] == "checked"
    assert data["bound"] is None
    assert data["gap"] is None
    assert data["run"] is None
    broken = outcome_data(Told(problem, with_finding(assessment)))
    assert broken["status"] == "broken"
    assert broken["findings"][0]["rule"] == "length"


def test_infinite_shares_become_null_in_json(twelve) -> None:
    from dataclasses import replace

    problem, assessment = twelve
    margin = replace(assessment.margins[0], used=float("inf"))
    text = outcome_text(Told(problem, replace(assessment, margins=(margin,))))
    assert json.loads(text)["tables"]["margins"][0]["used_share"] is None


HOSTILE = (
    "x\ntouch MARK",
    "x\r\ntouch MARK\r\n",
    "$(touch MARK)",
    "`touch MARK`",
    "x; touch MARK #",
    "x' ; touch MARK ; '",
    'x" && touch MARK && "',
    "x\u2028touch MARK\x85touch MARK",
    "-x | touch MARK",
    "x & touch MARK > MARK",
    "\\\ntouch MARK",
)


@pytest.mark.parametrize("shell", ["sh", "bash"])
@pytest.mark.parametrize("id_", HOSTILE)
def test_a_shell_runs_nothing_but_ethtool(twelve, tmp_path, id_: str, shell: str) -> None:
    """The ids come by the model, so that no grammar of a file stands before the script."""
    problem, assessment = twelve
    if shutil.which(shell) is None:
        pytest.skip(f"no {shell} here")
    line = assessment.layout.segments[0]
    devices = (id_, *line.devices[1:])
    segment = replace(line, id=id_, switch=id_, devices=devices)
    layout = replace(assessment.layout, segments=(segment, *assessment.layout.segments[1:]))
    table = plca_table(problem, replace(assessment, layout=layout))
    assert list(table.frame()["node"]).count(id_) == 2
    # A stray value in any other column is a word too.
    keys = [c.key for c in table.columns]
    stray = [
        id_ if key in ("enable", "to_tmr") else value
        for key, value in zip(keys, table.rows[1], strict=True)
    ]
    table = replace(table, rows=[table.rows[0], stray, *table.rows[2:]])

    tools = tmp_path / "tools"
    tools.mkdir()
    for name in ("ethtool", "touch"):
        tool = tools / name
        tool.write_text(f'#!/bin/sh\necho "{name}:$1:$#" >> "{tmp_path}/ran"\n')
        tool.chmod(0o755)
    script = tmp_path / "plca-ethtool.sh"
    script.write_text(plca_commands(table, id_), encoding="utf-8", newline="")
    found = shutil.which(shell)
    assert found is not None
    ended = subprocess.run(
        [found, str(script)], cwd=tmp_path, env={"PATH": str(tools)}, capture_output=True,
        text=True, timeout=60,
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (0, "")
    ran = (tmp_path / "ran").read_text().splitlines()
    assert len(ran) == 3 * len(table.rows)
    assert all(re.fullmatch(r"ethtool:--set-plca-cfg:1[24]", one) for one in ran[::3]), ran
    assert set(ran[1::3]) == {"ethtool:--get-plca-cfg:2"}
    assert set(ran[2::3]) == {"ethtool:--get-plca-status:2"}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plca-ethtool.sh", "ran", "tools"]


def test_a_formula_in_any_text_of_a_plan_is_defused(twelve) -> None:
    problem, assessment = twelve
    line = assessment.layout.segments[0]
    bad = "=HYPERLINK(1)"
    layout = replace(
        assessment.layout, segments=(replace(line, id=bad), *assessment.layout.segments[1:])
    )
    hostile = replace(problem, currency="@x")
    changed = replace(assessment, layout=layout)
    files = csv_files(all_tables(hostile, changed))
    table = Table("t", "", [Column("+head", "h")], [[bad], ["\tx"], ["-5"]])
    files.update(csv_files(tables_of([Section("s", tables=[table])])))
    rows = [row for text in files.values() for row in csv.reader(io.StringIO(text))]
    cells = [cell for row in rows for cell in row]
    assert {"'" + bad, "'@x", "'+head", "'\tx"} <= set(cells)
    for cell in cells:
        assert cell[:1] not in set("=+@\t\r"), cell
        assert cell[:1] != "-" or float(cell) < 0
