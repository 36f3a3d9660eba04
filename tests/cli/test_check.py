"""``check`` and ``report`` on a layout made by hand."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from partitioner.cli.main import run
from partitioner.errors import ExitCode


def test_a_good_layout(example, by_hand, capsys) -> None:
    assert run(["check", str(example), str(by_hand)]) == ExitCode.OK
    out, err = capsys.readouterr()
    assert out.startswith("small-sprayer: checked.")
    assert "whether a cheaper layout" in out
    assert err == ""


def test_json_is_one_object(example, by_hand, capsys) -> None:
    assert run(["check", str(example), str(by_hand), "--json", "--simulate", "1s"]) == ExitCode.OK
    out, err = capsys.readouterr()
    data = json.loads(out)
    assert data["status"] == "checked"
    assert data["cost"]["money"] > 0
    streams = data["simulation"]["streams"]
    assert {s["stream"] for s in streams} >= {"video", "pump-set"}
    assert all(s["seen_us"] <= s["worst_delay_us"] for s in streams if s["frames"])
    assert err == ""


def test_a_broken_layout(example, by_hand, tmp_path, capsys) -> None:
    text = by_hand.read_text(encoding="utf-8")
    broken = tmp_path / "layout.yaml"
    # Both sensors of the redundant pair on one line.
    text = text.replace("[tank-level, pressure-a]", "[tank-level]")
    broken.write_text(text.replace("[pressure-b, pump]", "[pressure-b, pressure-a, pump]"))
    assert run(["check", str(example), str(broken)]) == ExitCode.BROKEN_RULES
    out, err = capsys.readouterr()
    assert out == ""
    assert "[apart-segment]" in err
    assert "pressure-a" in err
    assert run(["check", str(example), str(broken), "--json"]) == ExitCode.BROKEN_RULES
    data = json.loads(capsys.readouterr().out)
    assert "apart-segment" in {f["rule"] for f in data["findings"]}
    # Its tables are there all the same.
    assert data["tables"]["segments"]


def test_wrong_layout_file(example, tmp_path, capsys) -> None:
    wrong = tmp_path / "layout.yaml"
    wrong.write_text("format: 1\nproblem: small-sprayer\nsegmnets: []\n")
    assert run(["check", str(example), str(wrong)]) == ExitCode.WRONG_FILE
    out, err = capsys.readouterr()
    assert out == ""
    assert f"{wrong}:3:1: error[unknown-key]" in err


@pytest.mark.parametrize("name", ["no-such.yaml", "."])
def test_missing_file_is_a_finding(name, tmp_path, capsys) -> None:
    assert run(["plan", str(tmp_path / name)]) == ExitCode.WRONG_FILE
    assert "error[unreadable-file]" in capsys.readouterr().err


def test_warnings_are_told_and_strict_refuses_them(example, by_hand, tmp_path, capsys) -> None:
    renamed = tmp_path / "layout.yaml"
    text = by_hand.read_text(encoding="utf-8")
    renamed.write_text(text.replace("problem: small-sprayer", "problem: large-sprayer"))
    words = ["check", str(example), str(renamed)]
    assert run(words) == ExitCode.OK
    assert "warning[not-allowed-together]" in capsys.readouterr().err
    assert run([*words, "-q"]) == ExitCode.OK
    assert capsys.readouterr().err == ""
    assert run([*words, "--strict"]) == ExitCode.WRONG_FILE
    out, err = capsys.readouterr()
    assert out == ""
    assert "error[not-allowed-together]" in err
    assert "large-sprayer" in err


def test_report_writes_the_whole_set(example, by_hand, tmp_path, capsys) -> None:
    folder = tmp_path / "out"
    words = ["report", str(example), str(by_hand), "-o", str(folder), "--simulate", "1s"]
    assert run(words) == ExitCode.OK
    names = {p.name for p in folder.iterdir()}
    assert names >= {
        "layout.yaml", "report.html", "outcome.json", "plca-ethtool.sh", "segments.csv",
        "drops.csv", "ports.csv", "streams.csv", "parts.csv", "wires.csv", "plca.csv",
        "simulation.csv",
    }  # fmt: skip
    assert "Simulation" in (folder / "report.html").read_text(encoding="utf-8")
    # The layout written reads back to the same judgement.
    assert run(["check", str(example), str(folder / "layout.yaml")]) == ExitCode.OK
    # Its own folder may be written over; a folder of something else may not.
    assert run(words) == ExitCode.OK
    other = tmp_path / "other"
    other.mkdir()
    (other / "thesis.txt").write_text("years of work")
    capsys.readouterr()
    assert run(["report", str(example), str(by_hand), "-o", str(other)]) == ExitCode.USAGE
    assert "--force" in capsys.readouterr().err
    assert [p.name for p in other.iterdir()] == ["thesis.txt"]


def test_report_of_a_broken_layout_is_written(example, by_hand, tmp_path, capsys) -> None:
    broken = tmp_path / "layout.yaml"
    text = by_hand.read_text(encoding="utf-8")
    broken.write_text(text.replace("[tank-level, pressure-a]", "[tank-level, pressure-a, pump]"))
    folder = tmp_path / "out"
    words = ["report", str(example), str(broken), "-o", str(folder)]
    assert run(words) == ExitCode.BROKEN_RULES
    assert "breaks 1 rule in 1 place.\n  [device-once] pump is placed 2" in capsys.readouterr().err
    assert json.loads((folder / "outcome.json").read_text())["status"] == "broken"


def test_a_layout_with_a_device_missing_is_incomplete(example, by_hand, tmp_path, capsys) -> None:
    text = by_hand.read_text(encoding="utf-8")
    text = text.replace("[tank-level, pressure-a]", "[tank-level]")
    part = tmp_path / "layout.yaml"
    part.write_text(text)
    missing = "1 of 11 devices has no place (pressure-a), so 1 of 12 stream deliveries could not be"
    assert run(["check", str(example), str(part)]) == ExitCode.BROKEN_RULES
    out, err = capsys.readouterr()
    assert f"small-sprayer: incomplete. {missing} judged; the rest keeps every rule." in (
        " ".join(out.split())
    )
    assert "Longest line" in out
    assert f"the layout is incomplete: {missing} judged." in err
    assert "device-once" not in err
    assert run(["check", str(example), str(part), "--json"]) == ExitCode.BROKEN_RULES
    data = json.loads(capsys.readouterr().out)
    assert data["status"] == "incomplete"
    assert [(f["rule"], f["subjects"]) for f in data["findings"]] == [("complete", ["pressure-a"])]
    folder = tmp_path / "out"
    assert run(["report", str(example), str(part), "-o", str(folder)]) == ExitCode.BROKEN_RULES
    assert json.loads((folder / "outcome.json").read_text())["status"] == "incomplete"
    # What else is wrong is told beside.
    text = text.replace("[pressure-b, pump]", "[pressure-b]").replace("port: 1", "port: 9")
    part.write_text(text)
    assert run(["check", str(example), str(part)]) == ExitCode.BROKEN_RULES
    out, err = capsys.readouterr()
    assert out == ""
    assert "2 of 11 devices have no place (" in err
    assert "The rest breaks" in err
    assert "[port-exists]" in err


def test_check_loads_neither_the_solver_nor_pandas(example, by_hand) -> None:
    code = (
        "import sys; from partitioner.cli.main import run; code = run(sys.argv[1:]);"
        "heavy = ('ortools', 'pandas', 'pyvrp', 'partitioner.solve');"
        "bad = [m for m in sys.modules if m.startswith(heavy)];"
        "assert not bad, bad; sys.exit(code)"
    )
    words = ["check", str(example), str(by_hand)]
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
