"""Kills at random moments of every command: nothing half-written, nothing lost, nobody left.

``PARTITIONER_KILLS`` says how many there are; all but one of a search and one of a file are slow.
Every fourth moment is one of the writing. What a kill did is printed with ``-s``.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import shutil
import signal
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from partitioner.cli.main import run
from partitioner.report.switch import STAGE, file_digest, has_stage
from partitioner.report.writer import set_digests
from tests.processes import PROGRAM, ROOT, STOPPING, Started, needs_proc, wait_for

KILLS = int(os.environ.get("PARTITIONER_KILLS", "204"))
QUICK_KILLS = (0, 2)
SEED = int(os.environ.get("PARTITIONER_KILLS_SEED", "1"))
WAYS = (*STOPPING, "SIGKILL")
ALIVE_S = 3.0
"""A process beside may be alive so long after the kill."""
PATIENCE_S = 180.0
"""Beyond this a run is taken to hang."""

GOLD = ROOT / "tests" / "gold" / "small-sprayer"
SPRAYER, BY_HAND = str(GOLD / "problem.yaml"), str(GOLD / "layout-by-hand.yaml")
SWEEPER = str(ROOT / "problems" / "street-sweeper" / "problem.yaml")


@dataclass(frozen=True)
class Case:
    """A command line; ``OUT`` in it is the folder (or file) it writes."""

    name: str
    words: tuple[str, ...]
    problem: str = SPRAYER
    writes: str = "folder"

    def line(self, out: Path) -> list[str]:
        return [word.replace("OUT", str(out)) for word in self.words]


# Ample: the searches end by themselves, with a proof, also on a busy machine.
SEARCH = ("--workers", "2", "--time-limit", "60s")
# These use all the time they get.
SHORT = ("--workers", "2", "--time-limit", "4s")
CASES = (
    Case("plan", ("plan", SPRAYER, "-o", "OUT", *SEARCH)),
    Case("report", ("report", SPRAYER, BY_HAND, "-o", "OUT")),
    Case("new", ("new", "OUT", "--force"), writes="file"),
    Case("replan", ("replan", SPRAYER, "--keep", BY_HAND, "-o", "OUT", *SEARCH)),
    Case("tradeoff", ("tradeoff", SPRAYER, "-o", "OUT", "--points", "3", *SHORT)),
    Case("explain", ("explain", SPRAYER, "-o", "OUT", *SHORT)),
    Case("check", ("check", SPRAYER, BY_HAND), writes="nothing"),
    Case("schema", ("schema", "-o", "OUT"), writes="file"),
    # Here the routing heuristic is at work beside nearly all the time.
    Case("plan long", ("plan", SWEEPER, "-o", "OUT", *SHORT[:3], "20s"), SWEEPER),
)


@dataclass(frozen=True)
class Undisturbed:
    """How a run ends that nobody kills: its exit code, how long it took and what it left."""

    code: int
    seconds: float
    out: Path


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory):
    known: dict[str, Undisturbed] = {}

    def of(case: Case) -> Undisturbed:
        if case.name not in known:
            out = tmp_path_factory.mktemp("whole") / "out"
            begun = time.monotonic()
            started = Started([*PROGRAM, *case.line(out)])
            started.child.communicate(timeout=PATIENCE_S)
            known[case.name] = Undisturbed(started.child.returncode, time.monotonic() - begun, out)
        return known[case.name]

    return of


def numbers() -> list:
    return [
        k if k in QUICK_KILLS else pytest.param(k, marks=pytest.mark.slow) for k in range(KILLS)
    ]


@needs_proc
@pytest.mark.parametrize("number", numbers())
def test_kill(number: int, undisturbed, tmp_path: Path) -> None:
    chance = random.Random(f"{SEED} {number}")
    case = CASES[number % len(CASES)]
    way = WAYS[number // len(CASES) % len(WAYS)] if number >= len(CASES) else chance.choice(WAYS)
    usual = undisturbed(case)
    assert usual.code == 0, f"{case.name} does not even end well by itself"
    out = tmp_path / "out"
    has_earlier = chance.random() < 0.5 and case.writes != "nothing"
    if has_earlier:
        (shutil.copytree if case.writes == "folder" else shutil.copy)(usual.out, out)
    earlier = contents(out)
    at_writing = case.writes != "nothing" and chance.random() < 0.25
    moment = chance.random()

    started = Started([*PROGRAM, *case.line(out)])
    try:
        begun = time.monotonic()
        if at_writing:
            wait_for(
                lambda: started.child.poll() is not None or is_writing(out),
                PATIENCE_S,
                every=0.0005,
            )
            time.sleep(0.03 * moment)
        else:
            wait_for(lambda: started.child.poll() is not None, moment * usual.seconds)
        had_control = started.has_control()
        was_running = started.child.poll() is None
        after_s = time.monotonic() - begun
        if was_running:
            started.child.send_signal(getattr(signal, way))
        assert wait_for(lambda: not started.helpers(), ALIVE_S), "a process beside is alive"
        _, err = started.child.communicate(timeout=PATIENCE_S)
        code = started.child.returncode
        assert wait_for(lambda: not started.living(), ALIVE_S), f"alive: {started.living()}"
    finally:
        started.end()
    when = "writing" if at_writing else f"{after_s:.2f} s of {usual.seconds:.2f} s"
    print(f"{number:4} {case.name:10} {way:8} {when:20} earlier {has_earlier!s:5} exit {code}")

    if way == "SIGKILL":
        assert code in ((-signal.SIGKILL, 0) if was_running else (0,))
    elif had_control:
        assert "Traceback" not in err
        assert code in (0, 1, 5), err
        if code == 0:
            must_be_whole(case, out)
        assert leftovers(out) == [], "only SIGKILL may leave something to clean up"
    if case.writes == "file":
        assert contents(out) in (earlier, contents(usual.out))
    if case.writes == "folder" and has_earlier:
        # Also before anything is cleaned up, readers of ours find a whole layout.
        must_be_whole(case, out)

    so_far = out / "so-far" / "layout.yaml"
    if so_far.is_file():
        assert way == "SIGKILL" or not had_control, "whoever may end removes it"
        with contextlib.redirect_stdout(io.StringIO()):
            assert run(["check", case.problem, str(so_far)]) == 0

    again = Started([*PROGRAM, *case.line(out)])
    try:
        _, err = again.child.communicate(timeout=PATIENCE_S)
        assert again.child.returncode == 0, err
    finally:
        again.end()
    if case.writes == "folder":
        digests = set_digests(out)
        assert digests
        assert {name: file_digest(out / name) for name in digests} == digests
    must_be_whole(case, out)
    assert leftovers(out) == []


def contents(out: Path) -> Mapping[str, bytes]:
    """Every file below a path, or the file itself, without what waits to be cleaned up."""
    if out.is_file():
        return {"": out.read_bytes()}
    return {
        str(p.relative_to(out)): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.is_file() and not any(part.startswith(".") for part in p.relative_to(out).parts)
    }


def is_writing(out: Path) -> bool:
    """Whether files of a set, or the part of a file, are being written."""
    try:
        return any(
            p.name.startswith(STAGE) or p.name.endswith(".part")
            for folder in (out, out.parent)
            if folder.is_dir()
            for p in folder.iterdir()
        )
    except OSError:
        return False


def leftovers(out: Path) -> list[str]:
    """Hidden things beside or within what is written."""
    found = [*out.parent.glob(".*"), *(out.glob(".*") if out.is_dir() else ())]
    return [str(p) for p in found]


def must_be_whole(case: Case, out: Path) -> None:
    """What is there is a whole answer of the command, as a reader of ours sees it."""
    if case.writes == "nothing":
        return
    if case.writes == "file":
        assert contents(out)
        return
    layouts = sorted(p.name for p in out.glob("*.yaml"))
    if case.name in ("plan", "plan long", "report", "replan"):
        assert has_stage(out) or "layout.yaml" in layouts
        layouts = ["layout.yaml"]
    for layout in layouts:
        with contextlib.redirect_stdout(io.StringIO()):
            assert run(["check", case.problem, str(out / layout)]) == 0
