"""SIGINT, SIGTERM and SIGHUP: a wish while there may be something to keep, else the end at once."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from partitioner.cli import signals
from partitioner.cli.interrupt import stop_wish
from partitioner.cli.main import run
from partitioner.errors import ExitCode
from tests.processes import PROGRAM, ROOT, STOPPING, Started, needs_proc, wait_for

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals are sent differently there")
SWEEPER = ROOT / "problems" / "street-sweeper" / "problem.yaml"
SPRAYER = ROOT / "tests" / "gold" / "small-sprayer" / "problem.yaml"
BY_HAND = SPRAYER.with_name("layout-by-hand.yaml")

ALIVE_S = 3.0
"""So long after the end began a process beside may be alive."""


@pytest.mark.parametrize("name", STOPPING)
def test_first_asks_second_aborts(name: str) -> None:
    number = getattr(signal, name)

    def mine(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(number, mine)
    try:
        heard: list[str] = []
        with stop_wish(lambda: heard.append("stop")) as wish:
            assert not wish()
            signal.raise_signal(number)
            assert wish()
            assert heard == ["stop"]
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(number)
        assert signal.getsignal(number) is mine
    finally:
        signal.signal(number, before)


def test_one_of_each_is_two() -> None:
    with stop_wish(lambda: None) as wish:
        signal.raise_signal(signal.SIGTERM)
        assert wish()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)


def test_what_is_ignored_stays_ignored() -> None:
    """As under ``nohup``."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stop_wish(lambda: None) as wish:
            signal.raise_signal(signal.SIGHUP)
            assert not wish()
    finally:
        signal.signal(signal.SIGHUP, before)


def test_code_is_the_one_of_the_list() -> None:
    assert signals.FAULT == ExitCode.FAULT


AT_AN_IMPORT = """
import os, signal, sys
class Now:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            sys.meta_path.remove(self)
            os.kill(os.getpid(), signal.{name})
sys.meta_path.insert(0, Now())
from partitioner.__main__ import main
main()
"""


def stopped_at_import(module: str, name: str, words: list[str]) -> subprocess.CompletedProcess[str]:
    code = AT_AN_IMPORT.format(module=module, name=name)
    return subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, timeout=60,
    )  # fmt: skip


@pytest.mark.parametrize("name", STOPPING)
@pytest.mark.parametrize("module", ["partitioner.cli.main", "click", "partitioner.cli.plan"])
def test_no_traceback_while_the_program_loads(module: str, name: str) -> None:
    done = stopped_at_import(module, name, ["plan", str(SPRAYER)])
    assert done.returncode == ExitCode.FAULT
    assert done.stdout == ""
    assert done.stderr == "error: stopped by you before there was anything to keep\n"


@pytest.mark.parametrize(
    ("words", "module"),
    [
        (["plan", str(SPRAYER)], "networkx"),
        (["check", str(SPRAYER), str(BY_HAND)], "partitioner.check.judge"),
        (["report", str(SPRAYER), str(BY_HAND)], "partitioner.report.page"),
        (["replan", str(SPRAYER), "--keep", str(BY_HAND)], "partitioner.replan.reading"),
        (["tradeoff", str(SPRAYER)], "pydantic"),
        (["explain", str(SPRAYER)], "yaml"),
        (["new", "new.yaml"], "partitioner.reading.example"),
        (["schema"], "pydantic"),
    ],
    ids=lambda x: x[0] if isinstance(x, list) else x,
)
def test_no_command_answers_with_a_traceback(
    words: list[str], module: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = stopped_at_import(module, "SIGINT", words)
    assert done.returncode == ExitCode.FAULT
    assert done.stdout == ""
    assert done.stderr == "error: stopped by you before there was anything to keep\n"
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_a_signal_before_the_first_layout(tmp_path: Path) -> None:
    """The solver is being loaded: the search ends at once, with nothing claimed."""
    words = ["plan", str(SPRAYER), "-o", str(tmp_path / "out")]
    done = stopped_at_import("ortools.sat.python", "SIGHUP", words)
    assert done.returncode == ExitCode.NO_ANSWER, done.stderr
    assert "Traceback" not in done.stderr
    assert "stopping" in done.stderr


def test_a_signal_while_the_report_is_made(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    words = ["plan", str(SPRAYER), "-o", str(folder), "--time-limit", "20s"]
    done = stopped_at_import("xlsxwriter", "SIGTERM", words)
    assert done.returncode == ExitCode.OK, done.stderr
    assert "wrote" in done.stderr
    assert run(["check", str(SPRAYER), str(folder / "layout.yaml")]) == ExitCode.OK


@pytest.fixture
def searching(tmp_path: Path):
    """A plan of the street sweeper with the routing heuristic at work beside."""
    words = [*PROGRAM, "plan", str(SWEEPER), "-o", str(tmp_path / "out"), "--workers", "2"]
    started = Started([*words, "--time-limit", "5min", "-vv"])
    try:
        assert wait_for(lambda: started.helpers_with("_pyvrp"), 60), "no heuristic beside"
        yield started
    finally:
        started.end()


@needs_proc
@pytest.mark.parametrize("name", STOPPING)
def test_every_signal_keeps_the_layout_and_leaves_nobody(
    name: str, searching: Started, tmp_path: Path
) -> None:
    assert searching.child.stderr is not None
    for line in searching.child.stderr:
        if " s  best " in line:
            break
    searching.child.send_signal(getattr(signal, name))
    assert wait_for(lambda: not searching.helpers(), ALIVE_S), "a process beside is alive"
    out, err = searching.child.communicate(timeout=60)
    assert searching.child.returncode == ExitCode.OK, err
    assert "Traceback" not in err
    assert "street-sweeper: " in out
    assert searching.living() == {}
    assert run(["check", str(SWEEPER), str(tmp_path / "out" / "layout.yaml")]) == ExitCode.OK


@needs_proc
def test_a_second_signal_ends_it_there(searching: Started, tmp_path: Path) -> None:
    searching.child.send_signal(signal.SIGSTOP)
    searching.child.send_signal(signal.SIGINT)
    searching.child.send_signal(signal.SIGTERM)
    searching.child.send_signal(signal.SIGCONT)
    assert wait_for(lambda: not searching.living(), ALIVE_S)
    _, err = searching.child.communicate()
    assert searching.child.returncode == ExitCode.FAULT
    assert "stopped by you a second time" in err
    assert "Traceback" not in err
    assert not list(tmp_path.rglob("layout.yaml"))


@needs_proc
def test_nobody_outlives_a_killed_program(searching: Started) -> None:
    searching.child.kill()
    assert wait_for(lambda: not searching.living(), ALIVE_S), searching.living()


@needs_proc
def test_a_terminal_that_goes_away(tmp_path: Path) -> None:
    """SIGHUP from the system, and a stdout and stderr that cannot be written to any more."""
    import pty

    near, far = pty.openpty()
    words = [*PROGRAM, "plan", str(SWEEPER), "-o", str(tmp_path / "out"), "--workers", "2"]
    # The terminal controls the session of the program, as a window's does.
    attach = (
        "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
        "os.execv(sys.argv[1], sys.argv[1:])"
    )
    started = Started(
        [sys.executable, "-c", attach, *words, "--time-limit", "5min"],
        start_new_session=True, stdin=far, stdout=far, stderr=far,
    )  # fmt: skip
    os.close(far)
    try:
        said = b""
        # The process beside rests while ports are chosen.
        while b"best " not in said or not started.helpers():
            said += os.read(near, 1000)
        os.close(near)
        assert wait_for(lambda: not started.helpers(), ALIVE_S)
        assert started.child.wait(timeout=60) == ExitCode.FAULT, "the answer reached nobody"
        assert run(["check", str(SWEEPER), str(tmp_path / "out" / "layout.yaml")]) == ExitCode.OK
    finally:
        started.end()
