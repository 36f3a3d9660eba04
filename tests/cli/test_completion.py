from __future__ import annotations

import click

from partitioner.cli.completion import complete_devices, complete_parts
from partitioner.cli.main import run


def context(problem) -> click.Context:
    made = click.Context(click.Command("explain"))
    if problem is not None:
        made.params["problem"] = problem
    return made


def test_ids_come_from_the_file(example) -> None:
    asked = click.Option(["--device"])
    devices = complete_devices(context(example), asked, "valve")
    assert devices == ["valve-left", "valve-right"]
    assert complete_devices(context(example), asked, "zone") == []
    assert complete_parts(context(example), asked, "zone") == ["zone-front", "zone-rear"]


def test_no_file_or_a_wrong_one_gives_nothing(tmp_path, capsys) -> None:
    asked = click.Option(["--device"])
    wrong = tmp_path / "problem.yaml"
    wrong.write_text("nmae: x\n")
    for problem in (None, tmp_path / "none.yaml", wrong):
        assert complete_devices(context(problem), asked, "") == []
    assert capsys.readouterr() == ("", "")


def test_commands_are_completed(monkeypatch, capsys) -> None:
    monkeypatch.setenv("_PARTITIONER_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", "partitioner pl")
    monkeypatch.setenv("COMP_CWORD", "1")
    run([])
    assert capsys.readouterr().out.split() == ["plain,plan"]


def test_ids_are_completed_on_a_real_line(example, monkeypatch, capsys) -> None:
    monkeypatch.setenv("_PARTITIONER_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", f"partitioner explain {example} --device valve")
    monkeypatch.setenv("COMP_CWORD", "4")
    run([])
    assert capsys.readouterr().out.split() == ["plain,valve-left", "plain,valve-right"]
