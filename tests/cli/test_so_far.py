"""Every command that searches keeps its best layout on disk for the case that it is killed."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from partitioner.cli.main import run
from partitioner.errors import ExitCode
from tests.processes import PROGRAM, ROOT, Started, needs_proc, wait_for

PATIENCE_S = 120.0
PROBLEM = str(ROOT / "problems" / "street-sweeper" / "problem.yaml")
LONG = ("--workers", "1", "--time-limit", "10min")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a plan that was killed has left: a layout of the street sweeper."""
    folder = tmp_path_factory.mktemp("plan") / "out"
    return killed_once_found(["plan", PROBLEM, *LONG], folder)


def killed_once_found(words: list[str], folder: Path) -> Path:
    """Start a search, kill it as soon as it has written a layout, and give the file."""
    left = folder / "so-far" / "layout.yaml"
    with Started([*PROGRAM, *words, "-o", str(folder)]) as started:
        assert wait_for(left.is_file, PATIENCE_S)
        assert started.child.poll() is None, "it was to be killed while it searched"
        started.child.send_signal(signal.SIGKILL)
        started.child.communicate(timeout=PATIENCE_S)
    return left


@needs_proc
@pytest.mark.parametrize("command", ["tradeoff", "explain", "replan"])
def test_a_run_that_is_killed_leaves_its_best_layout(command, planned, tmp_path, capsys) -> None:
    more = ["--keep", str(planned)] if command == "replan" else []
    folder = tmp_path / "out"
    left = killed_once_found([command, PROBLEM, *more, *LONG], folder)
    assert run(["check", PROBLEM, str(left)]) == ExitCode.OK
    capsys.readouterr()
    # The next run offers it, however little time it has.
    run([command, PROBLEM, *more, "-o", str(folder), "--workers", "1", "--time-limit", "1s"])
    assert f"--start {left} would begin from it" in capsys.readouterr().err
