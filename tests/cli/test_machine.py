"""What the machine refuses is told in one sentence, loses nothing, and is not called our fault."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from partitioner.application import report as report_command
from partitioner.cli import machine, searching
from partitioner.cli.main import run
from partitioner.cli.output import Place, write_one
from partitioner.cli.session import Session
from partitioner.errors import ExitCode, MachineFault
from partitioner.report import switch
from tests.cli.test_writing import content

PROGRAM = f"{shlex.quote(sys.executable)} -m partitioner"
posix = pytest.mark.skipif(os.name == "nt", reason="needs a POSIX shell")


def shell(words: str, before: str = "") -> subprocess.CompletedProcess[str]:
    """Run the program from a shell, after ``before`` and with what ``words`` redirect."""
    return subprocess.run(
        ["/bin/bash", "-c", f"{before}{PROGRAM} {words}"], capture_output=True, text=True,
        check=False, timeout=300, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip


def is_one_sentence(text: str) -> bool:
    return text.startswith("error: ") and text.count("\n") == 1 and "report" not in text


@posix
@pytest.mark.parametrize("words", ["--help", "--version", "schema", "new -", "check {p} {l}",
                                   "check {p} {l} --json"])  # fmt: skip
@pytest.mark.parametrize(("closed", "unbuffered"), [(">&-", ""), (">/dev/full", "1")])
def test_stdout_that_takes_nothing(words, closed, unbuffered, example, by_hand) -> None:
    if closed == ">/dev/full" and not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    words = words.format(p=example, l=by_hand)
    done = shell(f"{words} {closed}", f"PYTHONUNBUFFERED={unbuffered} ")
    assert done.returncode == ExitCode.FAULT
    assert is_one_sentence(done.stderr), done.stderr
    assert "stdout" in done.stderr


@posix
def test_stderr_that_takes_nothing_changes_nothing(example, by_hand) -> None:
    words = f"check {example} {by_hand}"
    heard = shell(words)
    for closed in ("2>&-", "2>/dev/full", "<&- 2>&-"):
        unheard = shell(f"{words} {closed}")
        assert heard.returncode == unheard.returncode == ExitCode.OK, closed
        assert heard.stdout == unheard.stdout, closed
        missing = shell(f"check {example} {example}.nowhere {closed}")
        assert missing.returncode == ExitCode.WRONG_FILE, closed


@posix
def test_all_streams_closed_still_writes_whole_files(example, by_hand, tmp_path) -> None:
    out = tmp_path / "out"
    done = shell(f"report {example} {by_hand} -o {out} <&- >&- 2>&-")
    assert done.returncode == ExitCode.OK
    assert (out / "layout.yaml").read_text().startswith("format: ")
    for name, digest in _manifest(out).items():
        assert switch.file_digest(out / name) == digest


@posix
def test_reader_that_goes_away_is_quiet(example, by_hand) -> None:
    done = shell(f"check {example} {by_hand} | head -c 0")
    assert done.stderr == ""


@posix
@pytest.mark.parametrize(
    ("megabytes", "words"),
    [
        (150, "plan {p} -o {o}"),
        (400, "plan {p} -o {o}"),
        (400, "tradeoff {p} -o {o}"),
        (400, "explain {p} -o {o}"),
        (400, "replan {p} --keep {l} -o {o}"),
        (800, "plan {p} -o {o} --workers 8"),
    ],
)
def test_too_little_address_space_is_told_before_the_search(
    megabytes, words, example, by_hand, tmp_path
) -> None:
    out = tmp_path / "out"
    words = words.format(p=example, l=by_hand, o=out)
    done = shell(f"{words} --time-limit 5s", f"ulimit -v {megabytes * 1000}; ")
    assert done.returncode == ExitCode.FAULT
    assert is_one_sentence(done.stderr), done.stderr
    assert "ulimit -v" in done.stderr
    assert not out.exists()


@posix
@pytest.mark.parametrize("megabytes", [150, 400])
def test_checking_with_little_address_space(megabytes, example, by_hand) -> None:
    done = shell(f"check {example} {by_hand}", f"ulimit -v {megabytes * 1000}; ")
    if megabytes >= machine.JUDGING_MB:
        assert done.returncode == ExitCode.OK, done.stderr
    else:
        assert done.returncode == ExitCode.FAULT
        assert is_one_sentence(done.stderr), done.stderr
        assert "ulimit -v" in done.stderr


@posix
def test_planning_fits_into_the_least_it_asks_for(example, tmp_path) -> None:
    out = tmp_path / "out"
    done = shell(f"plan {example} -o {out} --time-limit 5s", "ulimit -v 610000; ")
    assert done.returncode == ExitCode.OK, done.stderr
    assert (out / "layout.yaml").is_file()


@pytest.mark.parametrize(
    "error",
    [
        MemoryError(),
        ImportError("x.so: failed to map segment from shared object"),
        ImportError("libstdc++.so: cannot allocate memory in static TLS block"),
        RuntimeError("can't start new thread"),
        OSError(12, "Cannot allocate memory"),
    ],
    ids=repr,
)
def test_memory_that_runs_out_later(error, monkeypatch, capsys, example, by_hand) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ValueError("outer") from error

    monkeypatch.setattr(searching, "read_layout", fail)
    assert run(["check", str(example), str(by_hand)]) == ExitCode.FAULT
    err = capsys.readouterr().err
    assert is_one_sentence(err), err
    assert "not enough memory" in err


def _manifest(folder: Path) -> dict[str, str]:
    lines = (folder / "partitioner.sha256").read_text().splitlines()
    return {line.split("  ")[1]: line.split("  ")[0] for line in lines}


@posix
@pytest.mark.parametrize("blocks", [0, 1, 20, 100])
def test_a_limit_of_file_size_leaves_the_earlier_set(blocks, example, by_hand, tmp_path) -> None:
    out = tmp_path / "out"
    assert run(["report", str(example), str(by_hand), "-o", str(out)]) == ExitCode.OK
    before = content(out)
    again = f"report {example} {by_hand} -o {out} --replace"
    done = shell(again, f"ulimit -f {blocks}; TMPDIR={tmp_path} ")
    assert done.returncode == ExitCode.FAULT
    assert is_one_sentence(done.stderr), done.stderr
    assert "File too large" in done.stderr
    assert content(out) == before
    rescued = list(tmp_path.glob("partitioner-*/layout.yaml"))
    if blocks >= 20:
        assert rescued[0].read_bytes() == before["layout.yaml"]
        assert str(rescued[0].parent) in done.stderr
    else:
        # Not even a trial could be written, so nothing was begun.
        assert "nothing can be written here" in done.stderr or "format: " in done.stdout


@pytest.fixture
def refused(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, int], None]:
    """A folder below which no file of a set can be written from now on, as its disk refuses."""

    def make(folder: Path, number: int) -> None:
        real = switch._write

        def write(path: Path, content: bytes) -> None:
            if path.is_relative_to(folder):
                raise OSError(number, os.strerror(number))
            real(path, content)

        monkeypatch.setattr(switch, "_write", write)

    return make


@pytest.mark.parametrize("number", [28, 30, 5, 27])
def test_what_was_found_goes_elsewhere(
    number, refused, example, by_hand, tmp_path, monkeypatch, capsys
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    out = tmp_path / "out"
    refused(out, number)
    assert run(["report", str(example), str(by_hand), "-o", str(out)]) == ExitCode.FAULT
    err = capsys.readouterr().err
    assert is_one_sentence(err), err
    (elsewhere,) = (tmp_path / "temporary").iterdir()
    assert str(elsewhere) in err
    assert (elsewhere / "report.html").is_file()
    assert not out.exists()


def test_a_layout_with_nowhere_to_go_is_printed(
    refused, example, by_hand, tmp_path, capsys
) -> None:
    refused(Path("/"), 28)
    words = ["report", str(example), str(by_hand), "-o", str(tmp_path / "out")]
    assert run(words) == ExitCode.FAULT
    out, err = capsys.readouterr()
    assert is_one_sentence(err), err
    again = tmp_path / "again.yaml"
    again.write_text(out)
    assert run(["check", str(example), str(again)]) == ExitCode.OK


def test_a_vanished_folder_is_made_again(example, by_hand, tmp_path, monkeypatch, capsys) -> None:
    out = tmp_path / "out"
    real = report_command.report

    def vanish(*given, **more):
        out.rmdir()
        return real(*given, **more)

    monkeypatch.setattr(report_command, "report", vanish)
    assert run(["report", str(example), str(by_hand), "-o", str(out)]) == ExitCode.OK
    assert (out / "layout.yaml").is_file()


def test_output_is_tried_before_the_search(example, tmp_path, monkeypatch, capsys) -> None:
    from partitioner.solve import planner

    def searched(*_: object, **__: object) -> None:
        pytest.fail("the search began")

    def full(number: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(planner, "plan_layout", searched)
    monkeypatch.setattr(os, "fsync", full)
    out = tmp_path / "out"
    assert run(["plan", str(example), "-o", str(out)]) == ExitCode.FAULT
    assert is_one_sentence(err := capsys.readouterr().err), err
    assert not out.exists()


@pytest.mark.parametrize("inside", ["file", "file/out"])
def test_a_file_where_the_folder_should_be(inside, example, tmp_path, capsys) -> None:
    (tmp_path / "file").write_text("mine")
    assert run(["plan", str(example), "-o", str(tmp_path / inside)]) == ExitCode.USAGE
    assert "is a file" in capsys.readouterr().err
    assert (tmp_path / "file").read_text() == "mine"


@posix
def test_a_device_is_written_to_and_not_replaced(tmp_path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_one(str(pipe), "text", Session(is_quiet=True))
    assert os.read(reader, 10) == b"text"
    assert pipe.is_fifo()


def test_json_tells_a_fault_of_the_machine(refused, example, by_hand, tmp_path, capsys) -> None:
    refused(Path("/"), 28)
    words = ["plan", str(example), "-o", str(tmp_path / "out"), "--json", "--work-limit", "1"]
    assert run([*words, "--workers", "1", "--time-limit", "30s"]) == ExitCode.FAULT
    data = json.loads(capsys.readouterr().out)
    assert data["status"] == "machine"
    assert data["rescued_in"] is None
    assert data["layout"].startswith("format: ")


def test_a_place_says_what_it_cannot_do(tmp_path, monkeypatch) -> None:
    from partitioner.cli.voice import Voice

    def refuse(*_: object, **__: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(tempfile, "NamedTemporaryFile", refuse)
    with pytest.raises(MachineFault, match="Read-only file system"):
        Place(tmp_path / "out", Voice(Session())).__enter__()
    assert not (tmp_path / "out").exists()
