"""``explain`` and ``tradeoff`` from the command line: answers, files, going on, wrong uses."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any

import pytest

from partitioner.application.reading import read_layout_of, read_problem
from partitioner.check.judge import assess
from partitioner.cli.main import run
from partitioner.errors import ExitCode
from tests.report.read_page import Page

PUMPS = Path(__file__).parent / "data" / "pumps.yaml"
LINKS = Path(__file__).parents[1] / "cases" / "explain-links.yaml"


def write_roomy(folder: Path) -> Path:
    """The pumps with ports enough and longer lines: it has several layouts."""
    text = PUMPS.read_text(encoding="utf-8")
    path = folder / "roomy.yaml"
    path.write_text(
        text.replace("count: 1", "count: 3").replace("nodes: 4", "nodes: 6"), encoding="utf-8"
    )
    return path


@pytest.fixture
def roomy(tmp_path: Path) -> Path:
    return write_roomy(tmp_path)


@pytest.fixture(scope="module")
def front(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str], dict[str, Any]]:
    """A problem whose trade-off is all worked out, the words for that and what they printed."""
    folder = tmp_path_factory.mktemp("front")
    problem = write_roomy(folder)
    words = ["-q", "tradeoff", str(problem), "-o", str(folder / "out"), "--points", "all"]
    with contextlib.redirect_stdout(io.StringIO()) as said:
        assert run([*words, "--json"]) == ExitCode.OK
    return problem, words, json.loads(said.getvalue())


def assert_is_framed(folder: Path, problem: Path, figures: int) -> None:
    """The page has the frame of a report: title block, contents, landmarks, script, print."""
    html = (folder / "report.html").read_text(encoding="utf-8")
    page = Page(html)
    block = page.words[: page.words.index("Rules in force")]
    digest = read_problem(problem).digest
    for words in ("Problem", digest[:12], "Date 20", "Program partitioner"):
        assert words in block
    for landmark in ("header", "nav", "main", "footer"):
        assert len(page.all(landmark)) == 1
    chapters = [a["id"] for a in page.all("section") if "aria-labelledby" in a]
    assert len(chapters) == page.headings.count(2) > 0
    anchors = {a["href"][1:] for a in page.all("a") if (a["href"] or "").startswith("#")}
    assert anchors <= {a["id"] for _, a in page.tags if a.get("id")}
    assert set(chapters) <= anchors
    assert len(page.all("dt")) == 5 + figures
    assert 'role="search"' in html
    assert ('id="print-summary"' in html) is bool(figures)
    # What the tables say lies beside the page.
    linked = {a["href"] for a in page.all("a") if (a["href"] or "").endswith(".csv")}
    assert linked
    assert all((folder / name).is_file() for name in linked)


def test_explain_names_rules_lines_and_ways(capsys) -> None:
    assert run(["-q", "explain", str(PUMPS)]) == ExitCode.OK
    out, err = capsys.readouterr()
    assert err == ""
    lines = PUMPS.read_text(encoding="utf-8").splitlines()
    ports, nodes = 12, 26
    assert "count: 1" in lines[ports - 1]
    assert "nodes: 4" in lines[nodes - 1]
    assert out == (
        "pumps: no layout keeps all rules; this is proved.\n"
        "\n"
        "These 2 rules cannot be kept together; without any one of them the others can:\n"
        f"  {PUMPS}:{ports}: [port-exists] zone-1 has 1 port for 10BASE-T1S-multidrop.\n"
        f"  {PUMPS}:{nodes}: [nodes] A line of 10BASE-T1S-multidrop has at most 4 nodes, its "
        "switch port included.\n"
        "  because: 5 devices need a shared line, and all line ports together have room for 3.\n"
        "  because: A line of 10BASE-T1S-multidrop has room for 3 devices: 4 nodes, less the "
        "switch port.\n"
        "\n"
        "Ways out, each planned and checked:\n"
        "  1. raise the node limit of 10BASE-T1S-multidrop from 4 to 6; the layout then costs "
        "47.10 EUR\n"
        "  2. give zone-1 2 ports for 10BASE-T1S-multidrop in place of 1; the layout then costs "
        "51.40 EUR\n"
    )


def test_conflicts_that_plan_tells_name_the_same_lines(tmp_path, capsys) -> None:
    assert run(["-q", "plan", str(PUMPS), "-o", str(tmp_path / "out")]) == ExitCode.NO_LAYOUT
    told = capsys.readouterr().err.splitlines()
    ports, nodes = (f"{PUMPS}:{n}" for n in (12, 26))
    assert [line for line in told if str(PUMPS) in line] == [
        f"  {ports}: [port-exists] 5 devices need a shared line, and all line ports together have "
        "room for 3.",
        f"  {nodes}: [nodes] A line of 10BASE-T1S-multidrop has room for 3 devices: 4 nodes, less "
        "the switch port.",
    ]
    assert run(["-q", "plan", str(PUMPS), "-o", str(tmp_path / "out"), "--json"]) == 4
    conflicts = json.loads(capsys.readouterr().out)["conflicts"]
    assert [c["where"] for c in conflicts] == [[ports], [nodes]]


def test_the_way_out_told_works_in_the_file(tmp_path, capsys) -> None:
    text = PUMPS.read_text(encoding="utf-8").replace("nodes: 4", "nodes: 6")
    path = tmp_path / "mended.yaml"
    path.write_text(text, encoding="utf-8")
    assert run(["-q", "plan", str(path), "-o", str(tmp_path / "out"), "--work-limit", "10",
                "--workers", "1", "--json"]) == ExitCode.OK  # fmt: skip
    cost = json.loads(capsys.readouterr().out)["cost"]["priced_total"]
    assert cost == pytest.approx(47.10, abs=5e-3)


def test_explain_prices_rules_and_writes_a_page(roomy, tmp_path, capsys) -> None:
    out = tmp_path / "why"
    assert run(["-q", "explain", str(roomy), "-o", str(out), "--json"]) == ExitCode.OK
    data = json.loads(capsys.readouterr().out)
    assert data["status"] == "optimal"
    assert {r["key"] for p in data["prices"] for r in p["rules"]} >= {
        "switch-position",
        "load:10BASE-T1S-multidrop",
    }
    # No "at least 0" of a rule that nothing is proved of: an amount is above 0, or known exactly.
    assert all(p["binds"] or p["costs_at_least"] in (None, p["costs_at_most"])
               for p in data["prices"])  # fmt: skip
    assert json.loads((out / "explain.json").read_text(encoding="utf-8")) == data
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "What each rule costs" in page
    assert (out / "rule-prices.csv").is_file()
    assert_is_framed(out, roomy, figures=6)
    problem = read_problem(roomy)
    explained = assess(problem, read_layout_of(problem, out / "explained-layout.yaml").layout)
    assert explained.cost.objective_money / 10_000 == data["cost"]


def test_explain_writes_the_cheaper_layouts_that_it_prices_rules_by(tmp_path, capsys) -> None:
    out = tmp_path / "why"
    assert run(["-q", "explain", str(LINKS), "-o", str(out), "--json"]) == ExitCode.OK
    data = json.loads(capsys.readouterr().out)
    dear = [p for p in data["prices"] if p["saves"]]
    assert [p["layout"] for p in dear] == ["cheaper-01.yaml"]
    problem = read_problem(LINKS)
    found = assess(problem, read_layout_of(problem, out / "cheaper-01.yaml").layout)
    assert data["cost"] - found.cost.objective_money / 10_000 == pytest.approx(dear[0]["saves"])
    assert {f.rule for f in found.findings} == {r["rule"] for r in dear[0]["rules"]}


def test_the_page_of_a_conflict_has_the_frame_without_figures(tmp_path) -> None:
    out = tmp_path / "why"
    assert run(["-q", "explain", str(PUMPS), "-o", str(out)]) == ExitCode.OK
    assert_is_framed(out, PUMPS, figures=0)
    assert not (out / "explained-layout.yaml").exists()
    ways = json.loads((out / "explain.json").read_text(encoding="utf-8"))["ways_out"]
    pumps = read_problem(PUMPS)
    for way in ways:
        found = assess(pumps, read_layout_of(pumps, out / way["layout"]).layout)
        assert found.cost.objective_money / 10_000 == way["cost"]
        assert found.findings
    assert ways


def test_explain_says_why_a_device_is_there(roomy, tmp_path, capsys) -> None:
    out = tmp_path / "why"
    words = ["-q", "explain", str(roomy), "--device", "pump-5", "--json", "-o", str(out)]
    assert run(words) == ExitCode.OK
    assert_is_framed(out, roomy, figures=6)
    data = json.loads(capsys.readouterr().out)
    away = {o["where"]: o for o in data["elsewhere"]}
    # A line of its own: 5 m of cable, a port, its PHY and ends, for 1 m saved on the other line.
    own = away["away from all of pump-1, pump-2, pump-3, pump-4"]
    assert own["is_possible"]
    assert own["costs_at_least"] == own["costs_at_most"] > 0


def test_explain_unknown_device_is_a_wrong_command_line(roomy, capsys) -> None:
    assert run(["explain", str(roomy), "--device", "pump-9"]) == ExitCode.USAGE
    assert "did you mean 'pump-" in capsys.readouterr().err


def test_tradeoff_writes_layouts_that_check_and_goes_on(front, capsys) -> None:
    file, words, data = front
    out = file.parent / "out"
    assert data["is_exact"]
    assert data["is_finished"]
    assert len(data["points"]) > 1
    problem = read_problem(file)
    for row in data["points"]:
        assessment = assess(problem, read_layout_of(problem, out / row["layout"]).layout)
        assert assessment.findings == ()
        assert assessment.cost.objective_money / 10_000 == row["cost"]
        worst = max(f.bound_ns for f in assessment.streams)
        assert worst / 1e6 == row["value"]
    header, *rows = (out / "front.csv").read_text(encoding="utf-8").splitlines()
    # The file has what the JSON has, under the same names, and figures of the page beside it.
    assert header.split(",")[: len(data["points"][0])] == list(data["points"][0])
    assert header.endswith(",more_cost,gain,state,lines,links,switches")
    assert len(rows) == len(data["points"])
    page = (out / "report.html").read_text(encoding="utf-8")
    assert_is_framed(out, file, figures=6)
    assert "Figures of point 1, the cheapest layout, in point-01.yaml" in page
    assert f"Nodes, point {len(data['points'])}" in page
    # A second call finds everything done, in no time, and says the same.
    assert run([*words, "--json", "--time-limit", "1s"]) == ExitCode.OK
    assert json.loads(capsys.readouterr().out)["points"] == data["points"]


def test_tradeoff_of_a_changed_problem_starts_again(roomy, tmp_path, capsys) -> None:
    out = tmp_path / "front"
    words = ["-q", "tradeoff", str(roomy), "-o", str(out), "--axis", "ports", "--points", "all"]
    assert run([*words, "--json"]) == ExitCode.OK
    before = json.loads(capsys.readouterr().out)
    dearer = roomy.read_text(encoding="utf-8").replace("price: 30", "price: 40")
    roomy.write_text(dearer, encoding="utf-8")
    assert run([*words, "--json"]) == ExitCode.OK
    after = json.loads(capsys.readouterr().out)
    assert [p["cost"] - 10 for p in after["points"]] == pytest.approx(
        [p["cost"] for p in before["points"]]
    )


@pytest.mark.parametrize("text", ["{", "[]", '{"format": 1, "axis": "ports"}'])
def test_tradeoff_tells_a_spoilt_state(text, roomy, tmp_path, capsys) -> None:
    out = tmp_path / "front"
    out.mkdir()
    (out / "tradeoff.json").write_text(text, encoding="utf-8")
    assert run(["tradeoff", str(roomy), "-o", str(out)]) == ExitCode.WRONG_FILE
    assert "expected the state of a trade-off" in capsys.readouterr().err


@pytest.mark.parametrize("points", ["1", "none", "2.5", "-3"])
def test_tradeoff_points_are_two_or_more_or_all(points, roomy, tmp_path, capsys) -> None:
    assert run(["tradeoff", str(roomy), "--points", points]) == ExitCode.USAGE
    assert "write 2 or more, or all" in capsys.readouterr().err


def test_tradeoff_without_a_layout_ends_as_plan_does(tmp_path, capsys) -> None:
    assert run(["tradeoff", str(PUMPS), "-o", str(tmp_path / "f")]) == ExitCode.NO_LAYOUT
    assert not (tmp_path / "f").exists()


def has_the_six_figures(out: str) -> None:
    for figure in ("Size", "Tightest deadline", "Longest line", "Fullest line", "Cost",
                   "Growth left"):  # fmt: skip
        assert f"\n{figure} " in out
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize("further", [[], ["--device", "pump-5"]])
def test_a_terminal_has_the_six_figures_of_the_page(further, roomy, tmp_path, capsys) -> None:
    assert run(["-q", "explain", str(roomy), *further, "-o", str(tmp_path / "x")]) == ExitCode.OK
    has_the_six_figures(capsys.readouterr().out)


def test_a_terminal_has_the_six_figures_of_the_cheapest_point(front, capsys) -> None:
    _, words, _ = front
    assert run(words) == ExitCode.OK
    has_the_six_figures(capsys.readouterr().out)
