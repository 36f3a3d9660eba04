"""Whether a run ends when its time is up, and if not, what it does after that.

    python -m tests.bench.limits --devices 40 60 120 --demos --seconds 10 30

Each run is the program as its users start it. Time runs from the start of the process, loading and
reading included. On a busy machine all takes longer than it should, so processor time is told as
well, and what the program does once its limit is over: where it was found, so many times a second.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import Any

from tests.bench.planted import _Machine

ROOT = Path(__file__).parents[2]
DEMOS = ("street-sweeper", "glasshouse", "city-bus", "river-ferry")
EVERY_S = 0.05
MOST_SHARE, MOST_S = 0.03, 1.0
"""What a run may take beyond its limit, as a share of that and besides."""
DEEPEST = 6
"""Functions of a place in the program that are told, the innermost ones."""
PLANNING = "planner.plan_layout"


def main() -> None:
    """Measure what was asked for, a row each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--command", default="plan")
    parser.add_argument("--devices", type=int, nargs="*", default=[])
    parser.add_argument("--demos", action="store_true")
    parser.add_argument("--seeds", default="0:1", help="from:to")
    parser.add_argument("--seconds", type=float, nargs="*", default=[10.0])
    parser.add_argument("--words", default="", help="further words of the command line")
    asked = parser.parse_args()
    low, high = (int(x) for x in asked.seeds.split(":"))
    with tempfile.TemporaryDirectory() as kept:
        problems = [
            _written(Path(kept), devices, seed)
            for devices in asked.devices for seed in range(low, high)
        ]  # fmt: skip
        if asked.demos:
            problems += [ROOT / "problems" / demo / "problem.yaml" for demo in DEMOS]
        for problem in problems:
            for seconds in asked.seconds:
                words = [asked.command, str(problem), *asked.words.split()]
                row = {"problem": problem.parent.name, **measure(words, seconds)}
                print(json.dumps(row), flush=True)


def _written(folder: Path, devices: int, seed: int) -> Path:
    """A planted problem as a file."""
    machine = _Machine(devices, seed)
    machine.tighten()
    into = folder / machine.name
    into.mkdir()
    problem = into / "problem.yaml"
    problem.write_text(json.dumps(machine.data), encoding="utf-8")
    return problem


def measure(words: list[str], seconds: float) -> dict[str, Any]:
    """Run the program with a limit and tell how long it took and what it did after that."""
    with tempfile.TemporaryDirectory() as out:
        seen = Path(out) / "seen.json"
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        begun = time.monotonic()
        done = subprocess.run(
            [
                sys.executable, "-m", "tests.bench.limits_watched", str(begun), str(seconds),
                str(seen), *words, "--time-limit", f"{seconds:g}s", "-o", str(Path(out) / "out"),
            ],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        took = time.monotonic() - begun
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        watched = json.loads(seen.read_text(encoding="utf-8"))
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {
        "limit_s": seconds,
        "exit": done.returncode,
        "took_s": round(took, 1),
        "processor_s": round(used, 1),
        "overran": took > seconds * (1 + MOST_SHARE) + MOST_S,
        **watched,
    }


def watch(begun: float, seconds: float, into: Path) -> None:
    """Look where the first thread is until the process ends, and write what was seen."""
    thread = threading.main_thread().ident
    assert thread is not None
    late: Counter[str] = Counter()
    planning: list[float] = []
    ended = threading.Event()

    def look() -> None:
        while not ended.wait(EVERY_S):
            places = _places(sys._current_frames()[thread])
            now = time.monotonic() - begun
            if PLANNING in places:
                planning[1:] = [now] if planning else []
                planning[:1] = planning[:1] or [now]
            if now > seconds:
                late[" < ".join(places[:DEEPEST])] += 1

    watching = threading.Thread(target=look, daemon=True)
    watching.start()
    try:
        _run_program()
    finally:
        ended.set()
        watching.join()
        processor = time.process_time()
        told = {
            "planning_s": [round(s, 1) for s in planning],
            "own_processor_s": round(processor, 1),
            "late": {w: round(n * EVERY_S, 2) for w, n in late.most_common(8)},
        }
        into.write_text(json.dumps(told), encoding="utf-8")


def _run_program() -> None:
    from partitioner.cli.main import run

    sys.exit(run())


def _places(frame: FrameType | None) -> list[str]:
    """Functions of the program that a thread is in, the innermost first."""
    places = []
    while frame is not None:
        path = frame.f_code.co_filename
        if f"{os.sep}partitioner{os.sep}" in path:
            places.append(f"{Path(path).stem}.{frame.f_code.co_name}")
        frame = frame.f_back
    return places


if __name__ == "__main__":
    main()
