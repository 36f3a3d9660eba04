from __future__ import annotations

import os
import subprocess
import sys

import pytest

from partitioner.cli.main import run
from partitioner.cli.output import write_one
from partitioner.cli.session import Session
from partitioner.errors import ExitCode, MachineFault


def test_failed_write_leaves_the_earlier_file(tmp_path, monkeypatch) -> None:
    target = tmp_path / "a.txt"
    target.write_text("old")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.replace", fail)
    with pytest.raises(MachineFault, match=r"a\.txt: No space"):
        write_one(str(target), "new", Session())
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_new_writes_an_example_and_does_not_overwrite(tmp_path, capsys) -> None:
    target = tmp_path / "problem.yaml"
    assert run(["new", str(target)]) == ExitCode.OK
    out, err = capsys.readouterr()
    assert out == ""
    assert "wrote" in err
    text = target.read_text(encoding="utf-8")
    assert text.lstrip().startswith("#")
    target.write_text("mine")
    assert run(["new", str(target)]) == ExitCode.USAGE
    assert target.read_text() == "mine"
    assert run(["new", str(target), "--force"]) == ExitCode.OK
    assert target.read_text(encoding="utf-8") == text


def test_new_and_schema_to_stdout(capsys) -> None:
    import json

    assert run(["new", "-"]) == ExitCode.OK
    assert capsys.readouterr().out.lstrip().startswith("#")
    assert run(["schema"]) == ExitCode.OK
    out, err = capsys.readouterr()
    assert json.loads(out)["type"] == "object"
    assert err == ""


def test_what_a_killed_run_left_beside_a_single_file_goes(tmp_path, capsys) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    target = tmp_path / "a[1].yaml"
    left = tmp_path / f".a[1].yaml.{ended.pid}.part"
    living = tmp_path / f".a[1].yaml.{os.getppid()}.part"
    other = tmp_path / f".a1.yaml.{ended.pid}.part"
    for path in (left, living, other):
        path.write_text("half")
    write_one(str(target), "new", Session())
    assert target.read_text() == "new"
    assert {p.name for p in tmp_path.iterdir()} == {target.name, living.name, other.name}
    assert f"removed {left}" in capsys.readouterr().err


def test_a_folder_that_is_missing_is_named(tmp_path) -> None:
    with pytest.raises(MachineFault) as caught:
        write_one(str(tmp_path / "none" / "a.yaml"), "text", Session(is_quiet=True))
    assert str(caught.value).endswith(f"there is no folder {tmp_path / 'none'}")


@pytest.mark.parametrize("output", ["", "problem.yaml/out"])
def test_a_folder_that_cannot_be_one_is_a_wrong_command_line(
    output, tmp_path, capsys, monkeypatch
) -> None:
    """An empty name, as of a variable never set, would be the current folder."""
    monkeypatch.chdir(tmp_path)
    assert run(["new", "problem.yaml"]) == 0
    assert run(["plan", "problem.yaml", "-o", output]) == ExitCode.USAGE
    assert "got an empty text" in (said := capsys.readouterr().err) or "is a file" in said
    assert [p.name for p in tmp_path.iterdir()] == ["problem.yaml"]


def test_a_link_that_leads_nowhere_is_told_as_one(tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "problem.yaml").symlink_to("gone.yaml")
    assert run(["check", "problem.yaml", "layout.yaml"]) == ExitCode.WRONG_FILE
    said = capsys.readouterr().err
    assert "a link to a file that is not there" in said
    assert "did you mean" not in said


def test_lists_are_not_looked_for_in_a_folder_that_is_not_there(tmp_path, capsys) -> None:
    words = ["check", str(tmp_path / "a.yaml"), str(tmp_path / "b.yaml")]
    assert run([*words, "--lists-from", str(tmp_path / "gone")]) == ExitCode.USAGE
    assert "does not exist" in capsys.readouterr().err
