"""What a study costs beside its cases, and how much sooner two workers end it than one process.

    nice -n -15 python -m tests.bench.sweep --cases 200 --rounds 2

By turns the same study is worked on by one process that does one case after the other, and by the
command with local workers; both from the start of Python to the page. Every result has to be the
same. Figures go to stdout, a line of JSON for each run and one for the whole.

``overhead_ms`` is the time that the workers' cores were there for, less what the cases take by
themselves (as timed in the runs of one process), over the cases: start, reading, sending, writing,
the page and the end are all in it. ``going_overhead_ms`` is that between the first result and the
last, without start and end, which do not grow with the cases. Both, and ``speed_up``, mean
something only on a machine that has nothing else to do.

Other programs hardly change processor time: ``cpu_overhead_ms`` is that of all processes of the
run with workers less that of the cases in one process, over the cases; ``cpu_speed_up`` is what the
speed-up would be if no core ever waited for another one.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

from partitioner.application.sweep import Sweep
from partitioner.application.sweep_case import run_case
from partitioner.studies.folder import CASES, RESULT, RUN, InFolder
from partitioner.studies.study_file import read_study
from partitioner.visible import json_file

ROOT = Path(__file__).parent.parent.parent
PROBLEM = ROOT / "tests" / "gold" / "small-sprayer" / "problem.yaml"
STUDY = """\
format: 1
name: bench
problem: problem.yaml
work_limit: 2
vary:
  limits.10BASE-T1S-multidrop.length_m: {{low: 6, high: 15, step: 1}}
  switches.zone-rear.price: {{low: 20, high: {high}, step: 1}}
"""
"""Invented; each case plans 12 devices to its proof."""


def one_after_the_other(study: Path, folder: Path) -> None:
    """Do what the command does, in this process alone."""
    read = read_study(study)
    results = InFolder(folder / CASES)
    sweep = Sweep(read, results)
    for key in list(sweep._cases):
        task = sweep._task(key)
        begun, begun_cpu = time.perf_counter(), time.process_time()
        files = run_case(task)
        took = {
            "seconds": time.perf_counter() - begun, "cpu_s": time.process_time() - begun_cpu
        }  # fmt: skip
        results.keep(key, {**files, RUN: json_file({**took, "worker": "here"})})
    for name, text in sweep.answer(0).files().items():
        (folder / name).write_text(text, encoding="utf-8")


def adopt_orphans() -> None:
    """Have the workers' processor time counted here: Linux gives them to us when their parent ends.

    They come from a process of Python's own (its fork server), which nobody waits for.
    """
    pr_set_child_subreaper = 36
    if ctypes.CDLL(None, use_errno=True).prctl(pr_set_child_subreaper, 1, 0, 0, 0):
        raise OSError(ctypes.get_errno(), "prctl")


def measured(words: list[str], folder: Path) -> dict[str, Any]:
    """Wall and processor seconds of a command with all its processes, and what its cases took."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-P", "-m", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    child.wait()
    wall = time.perf_counter() - begun
    with contextlib.suppress(ChildProcessError):
        while True:
            os.wait()
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    if child.returncode:
        raise SystemExit(f"{' '.join(words)}: exit code {child.returncode}")
    runs = [json.loads(p.read_text()) for p in (folder / CASES).glob(f"*/{RUN}")]
    ended = sorted(p.stat().st_mtime for p in (folder / CASES).glob(f"*/{RUN}"))
    return {
        "wall_s": round(wall, 2),
        "cpu_s": round(sum(used[:2]) - sum(before[:2]), 2),
        "cases": len(runs),
        "case_s": round(sum(r["seconds"] for r in runs), 2),
        "case_cpu_s": round(sum(r.get("cpu_s", 0) for r in runs), 2),
        "first_to_last_s": round(ended[-1] - ended[0], 2),
    }


def answers(folder: Path) -> dict[str, bytes]:
    """Results by key."""
    return {p.parent.name: p.read_bytes() for p in (folder / CASES).glob(f"*/{RESULT}")}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cases", type=int, default=200, help="a multiple of 10")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--serial", type=Path, nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.serial:
        one_after_the_other(*asked.serial)
        return
    adopt_orphans()
    folder = Path(tempfile.mkdtemp(prefix="bench-sweep-"))
    study = folder / "study.yaml"
    study.write_text(STUDY.format(high=19 + asked.cases // 10))
    shutil.copy(PROBLEM, folder / "problem.yaml")
    rows: dict[str, list[dict[str, Any]]] = {"one process": [], "workers": []}
    for number in range(asked.rounds):
        one, many = folder / f"one-{number}", folder / f"many-{number}"
        one.mkdir()
        commands = {
            "one process": (one, ["tests.bench.sweep", "--serial", str(study), str(one)]),
            "workers": (many, ["partitioner", "sweep", str(study), "-o", str(many), "--best", "0",
                               "--workers", str(asked.workers)]),
        }  # fmt: skip
        for name, (place, words) in commands.items():
            row = measured(words, place)
            rows[name].append(row)
            print(json.dumps({"run": name, **row}), flush=True)
        if answers(one) != answers(many):
            raise SystemExit(f"the results in {folder} differ")
    shutil.rmtree(folder)

    def mid(name: str, key: str) -> float:
        return median(row[key] for row in rows[name])

    cases, alone = mid("one process", "cases"), mid("one process", "case_s")
    cpu = mid("workers", "cpu_s")
    going = asked.workers * mid("workers", "first_to_last_s") - alone * (1 - 1 / cases)
    print(json.dumps({
        "speed_up": round(mid("one process", "wall_s") / mid("workers", "wall_s"), 2),
        "overhead_ms": round(
            1000 * (asked.workers * mid("workers", "wall_s") - alone) / cases, 1
        ),
        "going_overhead_ms": round(1000 * going / cases, 1),
        "cpu_overhead_ms": round(1000 * (cpu - mid("one process", "case_cpu_s")) / cases, 1),
        "cpu_speed_up": round(mid("one process", "cpu_s") / (cpu / asked.workers), 2),
    }))  # fmt: skip


if __name__ == "__main__":
    main()
