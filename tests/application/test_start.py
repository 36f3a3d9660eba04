"""A layout to start from, of another state of the problem too: what is used and what is told."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from partitioner.application.reading import read_problem
from partitioner.application.start import read_start
from partitioner.cli.main import run
from partitioner.errors import ExitCode, NoAnswer, WrongFile
from partitioner.solve.planner import PlanSettings, plan_layout
from tests.cli.conftest import by_hand, example  # noqa: F401

QUICK = ("--workers", "1", "--work-limit", "20")
CASES = Path(__file__).parent.parent / "cases"


@pytest.fixture
def old(by_hand: Path, tmp_path: Path) -> Path:  # noqa: F811
    """The layout by hand as another state of the problem would have it."""
    text = by_hand.read_text(encoding="utf-8")
    text += """\
  - id: gone-line
    switch: gone-switch
    port: 1
    grade: 7BASE-GONE
    devices: [gone-device]
"""
    path = tmp_path / "old.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_plan_tells_what_it_could_not_use(example, old, tmp_path, capsys) -> None:  # noqa: F811
    out = tmp_path / "out"
    words = ["plan", str(example), "-o", str(out), "--start", str(old), *QUICK]
    assert run(words) == ExitCode.OK
    err = capsys.readouterr().err
    told = "gone-line: the problem has no switch gone-switch"
    assert f"start: {told}\n" in err
    data = json.loads((out / "outcome.json").read_text(encoding="utf-8"))
    assert told in data["run"]["start"]["unusable"]
    assert told in (out / "report.html").read_text(encoding="utf-8")


def test_a_start_that_is_used_whole_is_told_so(example, by_hand, tmp_path) -> None:  # noqa: F811
    out = tmp_path / "out"
    words = ["plan", str(example), "-o", str(out), "--start", str(by_hand), *QUICK]
    assert run(words) == ExitCode.OK
    data = json.loads((out / "outcome.json").read_text(encoding="utf-8"))
    assert data["run"]["start"] == {"unusable": []}
    assert "All of it was used." in (out / "report.html").read_text(encoding="utf-8")


@pytest.fixture
def useless(old: Path) -> Path:
    """A layout nothing of which can be used."""
    text = old.read_text(encoding="utf-8")
    text = text[: text.index("segments:")] + "segments:\n" + text[text.index("  - id: gone-line") :]
    old.write_text(text, encoding="utf-8")
    return old


def test_no_answer_carries_what_could_not_be_used(example, useless) -> None:  # noqa: F811
    problem = read_problem(example)
    with pytest.raises(NoAnswer) as end:
        plan_layout(
            problem, PlanSettings(time_limit_s=1e-6), start=read_start(useless, problem)
        )
    assert "gone-line: the problem has no switch gone-switch" in end.value.start_unusable


def test_no_answer_tells_it_on_the_screen(
    example, useless, tmp_path, capsys  # noqa: F811
) -> None:
    words = ["plan", str(example), "-o", str(tmp_path / "out"), "--start", str(useless)]
    assert run([*words, "--time-limit", "0.001s", "--json"]) == ExitCode.NO_ANSWER
    out, err = capsys.readouterr()
    told = "gone-line: the problem has no switch gone-switch"
    assert f"start: {told}\n" in err
    assert told in json.loads(out)["start_unusable"]


@pytest.mark.parametrize("text", ["[1, 2]\n", "format: 1\nname: x\n", "{", "segments: 3\n"])
@pytest.mark.parametrize("command", ["plan", "tradeoff", "explain"])
def test_a_file_that_is_no_layout_is_a_finding(
    command, text, example, tmp_path, capsys  # noqa: F811
) -> None:
    path = tmp_path / "no-layout.yaml"
    path.write_text(text, encoding="utf-8")
    assert run([command, str(example), "--start", str(path)]) == ExitCode.WRONG_FILE
    assert f"{path}:1:" in capsys.readouterr().err


def test_a_missing_file_is_a_finding(example, tmp_path) -> None:  # noqa: F811
    with pytest.raises(WrongFile):
        read_start(tmp_path / "none.yaml", read_problem(example))


def test_the_earlier_layout_of_a_folder_is_offered(example, tmp_path, capsys) -> None:  # noqa: F811
    out = tmp_path / "out"
    words = ["plan", str(example), "-o", str(out), *QUICK]
    assert run(words) == ExitCode.OK
    assert "--start" not in capsys.readouterr().err
    assert run(words) == ExitCode.OK
    offer = f"{out}/ holds an earlier layout of this problem; --start {out}/layout.yaml would"
    assert offer in capsys.readouterr().err
    assert run([*words, "--start", str(out / "layout.yaml")]) == ExitCode.OK
    assert "would begin" not in capsys.readouterr().err


def test_explain_and_tradeoff_start_from_it(example, old, tmp_path, capsys) -> None:  # noqa: F811
    told = "start: gone-line: the problem has no switch gone-switch\n"
    words = [str(example), "--start", str(old), "--workers", "1"]
    assert run(["explain", *words, "--time-limit", "3s"]) == ExitCode.OK
    assert told in capsys.readouterr().err
    out = ["-o", str(tmp_path / "t"), "--points", "2"]
    assert run(["tradeoff", *words, *out, "--time-limit", "10s"]) == ExitCode.OK
    assert told in capsys.readouterr().err


def test_replan_is_never_worse_than_where_it_starts(tmp_path, capsys) -> None:
    problem = CASES / "replan-ids.yaml"
    kept = CASES / "replan-ids-old-layout.yaml"
    words = ["replan", str(problem), "--keep", str(kept), "-o", str(tmp_path / "r"), "--json"]
    assert run([*words, "--time-limit", "20s"]) == ExitCode.OK
    best = json.loads(capsys.readouterr().out)
    words += ["--start", str(tmp_path / "r" / "layout.yaml"), "--time-limit", "0.01s"]
    assert run(words) == ExitCode.OK
    assert json.loads(capsys.readouterr().out)["total"] <= best["total"]
