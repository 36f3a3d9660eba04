"""``plan`` for real, on small problems and on the demos."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from partitioner import runs
from partitioner.application import plan as plan_command
from partitioner.application.plan import PlanAnswer, plan
from partitioner.application.reading import read_problem
from partitioner.application.search import Search
from partitioner.cli import searching
from partitioner.cli.main import run
from partitioner.errors import ExitCode, NoAnswer, WrongFile
from partitioner.reading.example import example_text
from partitioner.report.writer import MANIFEST
from partitioner.solve import planner
from tests.explain.test_nearest_miss import without
from tests.judged import judge

PROGRAM = [sys.executable, "-m", "partitioner"]
QUICK = ["--time-limit", "30s", "--workers", "1"]

WRITTEN = {
    "layout.yaml", "report.html", "outcome.json", "plca-ethtool.sh", "segments.csv", "drops.csv",
    "ports.csv", "streams.csv", "parts.csv", "wires.csv", "plca.csv",
}  # fmt: skip


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) >= 1, f"{old!r} is not in the example any more"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> PlanAnswer:
    """The example planned once, for real."""
    path = tmp_path_factory.mktemp("example") / "problem.yaml"
    path.write_text(example_text(), encoding="utf-8")
    return plan(read_problem(path), Search(time_limit_s=30))


@pytest.fixture
def known_outcome(planned: PlanAnswer, monkeypatch: pytest.MonkeyPatch) -> None:
    """The search answers at once with what it found before; all else is done for real."""
    monkeypatch.setattr(planner, "plan_layout", lambda *_, **__: planned.outcome)


def test_example_is_planned_to_the_optimum(example, tmp_path, capsys) -> None:
    out_folder = tmp_path / "out"
    assert run(["plan", str(example), "-o", str(out_folder), *QUICK]) == ExitCode.OK
    out, err = capsys.readouterr()
    assert out.startswith("small-sprayer: optimal.")
    assert "proved that no layout" in out
    assert f"wrote {out_folder}" in err
    assert {p.name for p in out_folder.iterdir()} >= WRITTEN
    assert run(["check", str(example), str(out_folder / "layout.yaml")]) == ExitCode.OK


def test_planned_is_no_dearer_than_by_hand(planned, example, by_hand) -> None:
    judged = judge(example, by_hand)
    assert judged.assessment.findings == ()
    assert planned.outcome.cost_money <= judged.assessment.cost.objective_money


def test_json_is_one_object_and_the_file(known_outcome, example, tmp_path, capsys) -> None:
    folder = tmp_path / "out"
    assert run(["plan", str(example), "-o", str(folder), "--json", *QUICK]) == ExitCode.OK
    out = capsys.readouterr().out
    assert json.loads(out) == json.loads((folder / "outcome.json").read_text(encoding="utf-8"))


def test_quiet_says_nothing_on_stderr(known_outcome, example, tmp_path, capsys) -> None:
    assert run(["plan", str(example), "-o", str(tmp_path / "o"), "-q", *QUICK]) == ExitCode.OK
    out, err = capsys.readouterr()
    assert out
    assert err == ""


def test_steps_with_v(known_outcome, example, tmp_path, capsys) -> None:
    assert run(["-v", "plan", str(example), "-o", str(tmp_path / "o"), *QUICK]) == ExitCode.OK
    err = capsys.readouterr().err
    steps = ["reading", "planning 11 devices on 2 switches", "checking", "writing the report"]
    places = [err.index(step) for step in steps]
    assert places == sorted(places)


def test_folder_of_something_else_is_left_alone(example, tmp_path, monkeypatch, capsys) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "thesis.txt").write_text("years of work")
    started = time.monotonic()
    assert run(["plan", str(example), "-o", str(other), *QUICK]) == ExitCode.USAGE
    assert time.monotonic() - started < 5, "told before the search, not after"
    assert "--force" in capsys.readouterr().err
    assert [p.name for p in other.iterdir()] == ["thesis.txt"]


def test_default_folder_has_the_problem_name(known_outcome, example, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["plan", str(example), *QUICK]) == ExitCode.OK
    assert (tmp_path / "out-small-sprayer" / "layout.yaml").is_file()


def test_wrong_file_writes_nothing(example, tmp_path, capsys) -> None:
    change(example, "currency: EUR", "curency: EUR")
    folder = tmp_path / "out"
    assert run(["plan", str(example), "-o", str(folder), *QUICK]) == ExitCode.WRONG_FILE
    out, err = capsys.readouterr()
    assert out == ""
    assert "error[unknown-key] curency" in err
    assert "did you mean 'currency'?" in err
    assert not folder.exists()


NO_LAYOUT = {
    "no port": (
        "      - {grades: [10BASE-T1S-multidrop, 10BASE-T1S-link], count: 4}",
        "      - {grades: [100BASE-T1], count: 1}",
        ("  - id: zone-front", "count: 3}", "count: 1}"),
    ),
    "deadline under one frame time": (
        "{id: valve-left-set, from: pump, to: [valve-left], payload_bytes: 8, period_us: 10000, "
        "deadline_us: 10000",
        "{id: valve-left-set, from: pump, to: [valve-left], payload_bytes: 8, period_us: 10000, "
        "deadline_us: 50",
        None,
    ),
    "device out of reach": (
        "{from: front, to: mast}",
        "{from: front, to: mast, length_m: 60}",
        None,
    ),
}


@pytest.mark.parametrize("case", NO_LAYOUT)
def test_too_small_a_problem_ends_with_proof(case, example, tmp_path, capsys) -> None:
    old, new, more = NO_LAYOUT[case]
    change(example, old, new)
    if more:
        change(example, more[1], more[2])
    folder = tmp_path / "out"
    assert run(["plan", str(example), "-o", str(folder), *QUICK]) == ExitCode.NO_LAYOUT
    out, err = capsys.readouterr()
    assert out == ""
    assert "this is proved" in err
    assert re.search(rf"^  {re.escape(str(example))}:\d+: \[[a-z-]+\] ", err, re.M), "rule and line"
    assert not folder.exists()


def test_rejected_plan_keeps_the_evidence(
    known_outcome, example, tmp_path, monkeypatch, capsys
) -> None:
    from partitioner.model.assessment import RuleFinding

    real = plan_command.judged

    def find_something(problem, layout):
        from dataclasses import replace

        facts, assessment = real(problem, layout)
        finding = RuleFinding("length", ("line-1",), "too long")
        return facts, replace(assessment, findings=(finding,))

    monkeypatch.setattr(plan_command, "judged", find_something)
    folder = tmp_path / "out"
    assert run(["plan", str(example), "-o", str(folder), *QUICK]) == ExitCode.FAULT
    out, err = capsys.readouterr()
    assert out == ""
    assert "[length] too long" in err
    assert "Please report it" in err
    rejected = folder / "rejected"
    names = {p.name for p in rejected.iterdir()} - {MANIFEST}
    assert names == {"problem.yaml", "rejected-layout.yaml", "rejected-why.txt"}
    assert (rejected / "problem.yaml").read_bytes() == example.read_bytes()


def test_require_optimal(known_outcome, example, tmp_path, monkeypatch, capsys) -> None:
    from partitioner.model.outcome import Status

    words = ["plan", str(example), "-o", str(tmp_path / "o"), "--require-optimal", *QUICK]
    assert run(words) == ExitCode.OK
    real = plan_command.plan

    def not_proved(*given, **more):
        result = real(*given, **more)
        outcome = replace(result.outcome, status=Status.FEASIBLE)
        return replace(result, told=replace(result.told, outcome=outcome))

    monkeypatch.setattr(plan_command, "plan", not_proved)
    assert run(words) == ExitCode.NO_ANSWER
    assert "not proved optimal" in capsys.readouterr().err
    assert (tmp_path / "o" / "layout.yaml").is_file()


def test_an_incomplete_layout_is_kept_with_what_is_missing(
    planned, example, tmp_path, monkeypatch, capsys
) -> None:
    line = max(planned.outcome.layout.segments, key=lambda s: len(s.devices))
    left_out = line.devices[-1]
    nearest = without(planned.outcome.layout, {left_out})
    # The last device may not go back to where it fits.
    narrow = read_problem(example)
    narrow = replace(
        narrow,
        limits={
            g: replace(k, nodes=1 + max(len(s.devices) for s in nearest.segments))
            for g, k in narrow.limits.items()
        },
        switches={
            s.id: replace(s, port_groups=tuple(
                replace(p, count=max(
                    1, sum(x.switch == s.id and x.grade in p.grades for x in nearest.segments)
                ))
                for p in s.port_groups
            ))
            for s in narrow.switches.values()
        },
    )

    def out_of_time(*_: object, **__: object) -> None:
        time.sleep(0.1)
        raise NoAnswer("no layout found within 1 s", seconds=1.0, nearest=nearest)

    monkeypatch.setattr(planner, "plan_layout", out_of_time)
    monkeypatch.setattr(searching, "read_problem", lambda *_, **__: narrow)
    folder = tmp_path / "out"
    assert run(["plan", str(example), "-o", str(folder), *QUICK]) == ExitCode.NO_ANSWER
    err = capsys.readouterr().err
    assert f"{left_out}, best as " in err
    assert "would allow it: " in err
    assert not (folder / "layout.yaml").exists()
    page = (folder / "nearest-miss" / "report.html").read_text(encoding="utf-8")
    assert "Devices without a place" in page
    assert f"{left_out}: no place yet" in page
    layout = str(folder / "nearest-miss" / "layout.yaml")
    assert run(["check", str(example), layout]) == ExitCode.BROKEN_RULES
    missing = f"1 of {len(narrow.devices)} devices has no place ({left_out})"
    assert f"the layout is incomplete: {missing}" in capsys.readouterr().err
    assert run(
        ["plan", str(example), "-o", str(folder), "--json", *QUICK]
    ) == ExitCode.NO_ANSWER
    told = json.loads(capsys.readouterr().out)
    assert told["missing"] == [left_out]
    assert told["places"][0]["findings"]
    assert told["ended_by"] == "time limit"
    # Whoever asks another question hears the same.
    monkeypatch.setattr(runs, "plan_layout", out_of_time)
    for command in ("explain", "tradeoff"):
        into = tmp_path / command
        words = [command, str(example), "-o", str(into), "--workers", "1", "--time-limit", "1s"]
        assert run(words) == ExitCode.NO_ANSWER
        err = capsys.readouterr().err
        assert "The limit of 1 s was reached: " in err
        assert f"{left_out}, best as " in err
        assert (into / "nearest-miss" / "layout.yaml").is_file()
        start = f"--start {into}/nearest-miss/layout.yaml goes on from it"
        assert start in err
        assert f"plan {start}" not in err, "each command goes on by itself"


def test_a_wrong_file_is_raised(example) -> None:
    change(example, "currency: EUR", "curency: EUR")
    with pytest.raises(WrongFile):
        read_problem(example)


@pytest.mark.slow
def test_same_bytes_whatever_the_hash_seed(example, tmp_path) -> None:
    texts = set()
    for seed in ("0", "1", "2"):
        folder = tmp_path / f"out-{seed}"
        words = ["plan", str(example), "-o", str(folder), "-q", *QUICK]
        environment = {**os.environ, "PYTHONHASHSEED": seed}
        subprocess.run([*PROGRAM, *words], check=True, capture_output=True, env=environment)
        texts.add((folder / "layout.yaml").read_bytes())
    assert len(texts) == 1


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals are sent differently there")
def test_ctrl_c_keeps_the_best_layout(problems, tmp_path) -> None:
    folder = tmp_path / "out"
    words = ["plan", str(problems / "city-bus" / "problem.yaml"), "-o", str(folder), "-vv"]
    child = subprocess.Popen(
        [*PROGRAM, *words, "--time-limit", "10min"], stderr=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert child.stderr is not None
    seen = []
    for line in child.stderr:
        seen.append(line)
        if " s  best " in line:
            break
    time.sleep(2)
    child.send_signal(signal.SIGINT)
    pressed = time.monotonic()
    out, err = child.communicate(timeout=90)
    assert child.returncode == ExitCode.OK, "".join(seen) + err
    assert time.monotonic() - pressed < 60
    assert "stopping" in err
    assert "feasible" in out
    data = json.loads((folder / "outcome.json").read_text(encoding="utf-8"))
    assert data["run"]["stopped_by"] == "user"
    layout = str(folder / "layout.yaml")
    assert run(["check", words[1], layout]) == ExitCode.OK


@pytest.mark.slow
def test_one_second_is_honest(problems, tmp_path, capsys) -> None:
    folder = tmp_path / "out"
    problem = str(problems / "city-bus" / "problem.yaml")
    code = run(["plan", problem, "-o", str(folder), "--time-limit", "1s"])
    out, err = capsys.readouterr()
    if code == ExitCode.OK:
        assert "above the cheapest possible" in out
    else:
        assert code == ExitCode.NO_ANSWER
        assert "Nothing is claimed" in err
        assert not (folder / "layout.yaml").exists()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["street-sweeper", "glasshouse", "city-bus", "river-ferry"])
def test_demo_is_planned_and_accepted(name, problems, tmp_path, capsys) -> None:
    folder = tmp_path / "out"
    problem = str(problems / name / "problem.yaml")
    assert run(["plan", problem, "-o", str(folder), "--time-limit", "30s"]) == ExitCode.OK
    data = json.loads((folder / "outcome.json").read_text(encoding="utf-8"))
    assert 0 <= data["gap"] < 0.1
    assert data["bound"] <= data["cost"]["priced_total"]
    assert run(["check", problem, str(folder / "layout.yaml")]) == ExitCode.OK
