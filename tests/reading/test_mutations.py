"""Thousands of spoilt problems: each is judged or told, at once, and nothing falls over."""

from __future__ import annotations

import contextlib
import io
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from partitioner.cli.main import run
from partitioner.reading.example import example_text

from .mutations import Files, write_case

CHECK_S = 2.0
"""Processor time that one check may take on an idle machine; busy neighbours may double it."""
BEYOND_S = 2.0
"""Processor time that a plan may take beyond its time limit there."""
BUSY = 2.0
HANGS_S = 60
"""Here a case counts as one that never ends."""


@contextlib.contextmanager
def _ended(seconds: float) -> Iterator[None]:
    """End what takes far too long, so that one case doesn't hold up the others."""

    def stop(*_: object) -> None:
        raise TimeoutError(f"still at it after {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def answer(words: list[str]) -> tuple[int, float, str]:
    """Run one command: its exit code, processor time, and all it said."""
    said = io.StringIO()
    start = time.process_time()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), _ended(HANGS_S):
        code = run([*words, "--debug"])
    return code, time.process_time() - start, said.getvalue()


def files_of(folder: Path, layout: Path) -> Files:
    beside = {p.name: p.read_bytes() for p in folder.glob("*.csv")}
    problem = (folder / "problem.yaml").read_bytes()
    return {"problem.yaml": problem, "layout.yaml": layout.read_bytes(), **beside}


@pytest.fixture(scope="module")
def bases(root: Path) -> dict[str, Files]:
    """Small right problems with layouts, all features among them."""
    from partitioner.reading.yaml_text import dump

    from .test_any_fault import LAYOUT
    from .test_problem import FULL

    data = root / "tests/cli/data"
    gold = root / "tests/gold/small-sprayer"
    return {
        "gold": files_of(gold, gold / "report" / "layout.yaml"),
        "gold-by-hand": files_of(gold, gold / "layout-by-hand.yaml"),
        "example": {
            "problem.yaml": example_text().encode(),
            "layout.yaml": (data / "by-hand.yaml").read_bytes(),
        },
        "full": {"problem.yaml": FULL.encode(), "layout.yaml": dump(LAYOUT).encode()},
    }


@pytest.fixture(scope="session")
def demos(problems: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Files]:
    """The demo problems, each with a layout that was planned."""
    made = {}
    for folder in sorted(p for p in problems.iterdir() if p.is_dir()):
        out = tmp_path_factory.mktemp(folder.name) / "out"
        words = ["-q", "plan", str(folder / "problem.yaml"), "-o", str(out), "--time-limit", "40s"]
        assert run(words) == 0
        made[folder.name] = files_of(folder, out / "layout.yaml")
    return made


def check_all(bases: dict[str, Files], seeds: range, folder: Path, limit_s: float) -> None:
    wrong = []
    for seed in seeds:
        case = write_case(bases, seed, folder)
        code, seconds, said = answer(["check", str(case.problem), str(case.layout)])
        if code not in (0, 3, 6) or "Traceback" in said or seconds > limit_s:
            wrong.append((case, code, round(seconds, 1), said[-1_500:]))
    assert wrong == []


def plan_all(bases: dict[str, Files], seeds: range, folder: Path, limit_s: float) -> None:
    wrong = []
    for seed in seeds:
        case = write_case(bases, seed, folder)
        out = folder / f"out-{seed}"
        words = ["plan", str(case.problem), "-o", str(out), "--time-limit", "1s", "--workers", "1"]
        code, seconds, said = answer(words)
        if code not in (0, 3, 4, 5) or "Traceback" in said or seconds > 1 + limit_s:
            wrong.append((case, code, round(seconds, 1), said[-1_500:]))
    assert wrong == []


def test_some_are_checked(bases: dict[str, Files], tmp_path: Path) -> None:
    check_all(bases, range(300), tmp_path, CHECK_S * BUSY)


def test_some_are_planned(bases: dict[str, Files], tmp_path: Path) -> None:
    plan_all(bases, range(10), tmp_path, BEYOND_S * BUSY)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(10))
def test_many_are_checked(part: int, bases, demos, tmp_path: Path) -> None:
    check_all({**bases, **demos}, range(300 * part, 300 * part + 300), tmp_path, CHECK_S * BUSY)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(4))
def test_many_are_planned(part: int, bases, demos, tmp_path: Path) -> None:
    seeds = range(10_000 + 50 * part, 10_050 + 50 * part)
    plan_all({**bases, **demos}, seeds, tmp_path, BEYOND_S * BUSY)


def test_the_same_seed_gives_the_same_files(bases: dict[str, Files], tmp_path: Path) -> None:
    seen = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        case = write_case(bases, 5, tmp_path / name)
        seen.append((case.done, case.problem.read_bytes(), case.layout.read_bytes()))
    assert seen[0] == seen[1]
    assert seen[0][1:] != (bases[case.base]["problem.yaml"], bases[case.base]["layout.yaml"])
