"""How a command ends: exit code, words on stderr, answer on stdout. The work itself is stubbed."""

from __future__ import annotations

import json
import os
from collections.abc import Callable

import pytest

from partitioner.application import plan as plan_command
from partitioner.application import reading
from partitioner.application.search import Search
from partitioner.cli import searching
from partitioner.cli.main import run
from partitioner.errors import (
    BrokenRules,
    Conflict,
    ExitCode,
    Finding,
    InternalFault,
    NoAnswer,
    NoLayout,
    WrongFile,
)
from partitioner.model.assessment import RuleFinding

FINDINGS = [
    Finding("p.yaml", 4, 3, "unknown-key", "line.drop", "no such key here", "did you mean "
            "'drop_slack_m'?", "  drop: 1"),
    Finding("p.yaml", 9, 1, "missing-key", "switches", "expected a list"),
]  # fmt: skip
CONFLICTS = [Conflict("ports", ("zone-1",), "8 devices need 2 lines, 1 port is there", "one port")]
BROKEN = [RuleFinding("length", ("line-1",), "line-1 is 26.2 m long, 1.2 m above 25 m")]

ENDINGS = [
    (WrongFile(FINDINGS), ExitCode.WRONG_FILE, "wrong-file"),
    (NoLayout(CONFLICTS), ExitCode.NO_LAYOUT, "no-layout"),
    (NoAnswer("no layout within 1 s", seconds=1.0, bound_money=125_000), 5, "no-answer"),
    (BrokenRules(BROKEN), ExitCode.BROKEN_RULES, "broken-rules"),
    (InternalFault("the check does not accept it", ["cost 1, not 2"]), ExitCode.FAULT, "fault"),
    (ZeroDivisionError("oops"), ExitCode.FAULT, "fault"),
]


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[BaseException], None]:
    def make(error: BaseException) -> None:
        def fail(*_: object, **__: object) -> None:
            raise error

        for name in ("read_problem", "read_layout"):
            monkeypatch.setattr(reading, name, fail)
        monkeypatch.setattr(searching, "read_problem", fail)

    return make


@pytest.mark.parametrize(("error", "code", "status"), ENDINGS, ids=lambda x: type(x).__name__)
def test_exit_code_and_streams(error, code, status, failing, capsys) -> None:
    failing(error)
    assert run(["plan", "p.yaml"]) == code
    out, err = capsys.readouterr()
    assert out == "", "stdout carries answers only"
    assert "Traceback" not in err
    assert "error" in err


@pytest.mark.parametrize(("error", "code", "status"), ENDINGS, ids=lambda x: type(x).__name__)
def test_json_failure_is_one_object(error, code, status, failing, capsys) -> None:
    failing(error)
    assert run(["plan", "p.yaml", "--json"]) == code
    data = json.loads(capsys.readouterr().out)
    assert data["exit_code"] == code
    assert data["status"] == status


def test_wrong_file_lists_every_finding(failing, capsys) -> None:
    failing(WrongFile(FINDINGS))
    run(["check", "p.yaml", "l.yaml"])
    assert capsys.readouterr().err == (
        "p.yaml:4:3: error[unknown-key] line.drop: no such key here\n"
        "  4 |   drop: 1\n"
        "    |   ^\n"
        "  hint: did you mean 'drop_slack_m'?\n"
        "p.yaml:9:1: error[missing-key] switches: expected a list\n"
        "2 problems in p.yaml: mend them first.\n"
    )


def test_no_layout_names_rule_and_way_out(failing, capsys) -> None:
    failing(NoLayout(CONFLICTS))
    run(["plan", "p.yaml"])
    assert capsys.readouterr().err == (
        "error: no layout keeps all rules; this is proved.\n"
        "  [ports] 8 devices need 2 lines, 1 port is there\n"
        "    way out: one port\n"
        "  Which of these lead to a layout, how far they have to go and what it then costs:\n"
        "  partitioner explain with the same problem.\n"
    )


def test_of_many_statements_of_a_rule_the_first_are_told(failing, capsys) -> None:
    alike = [Conflict("stub", (f"d{n}",), f"The stub of d{n} is 80 m") for n in range(13)]
    failing(NoLayout([*alike, *CONFLICTS]))
    run(["plan", "p.yaml"])
    err = capsys.readouterr().err
    assert err.count("The stub of") == 10
    assert err.index("[ports]") < err.index("[stub] and 3 more; --json lists all.")
    run(["plan", "p.yaml", "--json"])
    assert len(json.loads(capsys.readouterr().out)["conflicts"]) == 14


@pytest.mark.parametrize("stub_m", ["50", "0.05"])
def test_a_likely_slip_is_recalled_where_there_is_no_layout(
    stub_m: str, example, tmp_path, monkeypatch, capsys
) -> None:
    problem = tmp_path / "p.yaml"
    text = example.read_text(encoding="utf-8")
    problem.write_text(text.replace("stub_m: 0.05", f"stub_m: {stub_m}", 1), encoding="utf-8")

    def fail(*_: object, **__: object) -> None:
        raise NoLayout(CONFLICTS)

    monkeypatch.setattr(plan_command, "plan", fail)
    run(["plan", str(problem), "-o", str(tmp_path / "out")])
    assert ("values that were warned of as unlikely" in capsys.readouterr().err) == (stub_m == "50")


def test_no_answer_claims_nothing(failing, capsys) -> None:
    failing(ENDINGS[2][0])
    run(["plan", "p.yaml", "--json"])
    out, err = capsys.readouterr()
    assert "Nothing is claimed" in err
    assert json.loads(out)["bound"] == 12.5


def test_broken_rules_have_their_sentences(failing, capsys) -> None:
    failing(BrokenRules(BROKEN))
    run(["check", "p.yaml", "l.yaml"])
    assert capsys.readouterr().err == (
        "error: the layout breaks 1 rule in 1 place.\n"
        "  [length] line-1 is 26.2 m long, 1.2 m above 25 m\n"
    )


def test_quiet_still_tells_errors(failing, capsys) -> None:
    failing(NoLayout(CONFLICTS))
    assert run(["-q", "plan", "p.yaml"]) == ExitCode.NO_LAYOUT
    assert "[ports]" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["--debug", "plan", "p.yaml"], ["plan", "p.yaml", "--debug"]])
def test_debug_shows_the_traceback(words, failing, capsys) -> None:
    failing(ZeroDivisionError("oops"))
    assert run(words) == ExitCode.FAULT
    err = capsys.readouterr().err
    assert "Traceback" in err
    assert "ZeroDivisionError: oops" in err


def test_fault_asks_for_a_report(failing, capsys) -> None:
    failing(InternalFault("the check does not accept it", ["cost 1, not 2"]))
    run(["plan", "p.yaml"])
    err = capsys.readouterr().err
    assert "a fault of the program: the check does not accept it" in err
    assert "  cost 1, not 2\n" in err
    assert "Please report it" in err


def test_full_disk_is_no_bug(failing, capsys) -> None:
    failing(OSError(28, "No space left on device", "out/report.html"))
    assert run(["plan", "p.yaml"]) == ExitCode.FAULT
    assert capsys.readouterr().err == "error: out/report.html: No space left on device\n"


def test_ctrl_c_before_the_search(failing, capsys) -> None:
    failing(KeyboardInterrupt())
    assert run(["plan", "p.yaml"]) == ExitCode.FAULT
    assert "stopped by you" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["plna"], "did you mean 'plan'?"),
        (["plan"], "Missing argument 'PROBLEM'"),
        (["plan", "p.yaml", "--time-limit", "soon"], "'soon' is no time"),
        (["plan", "p.yaml", "--workers", "0"], "0 is not in the range"),
        (["plan", "p.yaml", "--sead", "1"], "--seed"),
        (["check", "p.yaml"], "Missing argument 'LAYOUT'"),
    ],
)
def test_wrong_command_line(words, said, capsys) -> None:
    assert run(words) == ExitCode.USAGE
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err


def test_color_only_when_asked(failing, capsys, monkeypatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    failing(NoLayout(CONFLICTS))
    run(["plan", "p.yaml"])
    assert "\x1b[" not in capsys.readouterr().err, "stderr is no terminal here"
    run(["--color", "plan", "p.yaml"])
    err = capsys.readouterr().err
    assert "\x1b[31m" in err
    assert "error" in err, "a word says the same"
    run(["plan", "p.yaml", "--no-color"])
    assert "\x1b[" not in capsys.readouterr().err


def test_no_color_variable_wins_over_a_terminal(failing, capsys, monkeypatch) -> None:
    failing(NoLayout(CONFLICTS))
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setenv("NO_COLOR", "1")
    run(["plan", "p.yaml"])
    assert "\x1b[" not in capsys.readouterr().err


def test_options_come_from_the_environment(example, tmp_path, monkeypatch, capsys) -> None:
    seen: list[Search] = []

    def note(_: object, search: Search, **__: object) -> None:
        seen.append(search)
        raise NoAnswer("enough")

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(plan_command, "plan", note)
    monkeypatch.setenv("PARTITIONER_PLAN_TIME_LIMIT", "2min")
    monkeypatch.setenv("PARTITIONER_PLAN_SEED", "7")
    assert run(["plan", str(example), "--seed", "8"]) == ExitCode.NO_ANSWER
    assert (seen[0].time_limit_s, seen[0].seed) == (120, 8)


def test_version_names_the_solver(capsys) -> None:
    assert run(["--version"]) == ExitCode.OK
    assert "(ortools 9." in capsys.readouterr().out


def test_help_has_an_example_for_each_command(capsys) -> None:
    from partitioner.cli.main import COMMANDS

    for name in COMMANDS:
        assert run([name, "--help"]) == ExitCode.OK
        out = capsys.readouterr().out
        assert f"Example: partitioner {name}" in out
        assert "Positional arguments" in out or name == "schema"


def test_completion_script(monkeypatch, capsys) -> None:
    monkeypatch.setenv("_PARTITIONER_COMPLETE", "bash_source")
    run([])
    assert "_PARTITIONER_COMPLETE=bash_complete" in capsys.readouterr().out


def test_closed_pipe_is_quiet() -> None:
    import subprocess
    import sys

    done = subprocess.run(
        f"{sys.executable} -m partitioner --help | head -c 5",
        shell=True, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert done.stdout == "Usage"
    assert done.stderr == ""


def test_a_proof_without_a_way_out_says_who_finds_one(failing, capsys) -> None:
    failing(NoLayout([Conflict("combination", (), "No choice keeps all rules at once.")]))
    run(["plan", "p.yaml"])
    assert "what would help: partitioner explain with the same problem." in capsys.readouterr().err
