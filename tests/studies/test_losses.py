"""Whoever dies, nothing is lost and nothing is done twice."""

from __future__ import annotations

import re
import signal
from pathlib import Path

import pytest

from partitioner.application.sweep import Sweep
from partitioner.studies.folder import RESULT, RUN, InFolder
from partitioner.studies.study_file import read_study
from tests.cluster.clusters import three_workers_beside
from tests.processes import PROGRAM, Started, needs_proc, wait_for
from tests.studies.problems import CASES, STUDY, contents, serially, write_study


def count(folder: Path) -> int:
    return sum((place / RESULT).is_file() for place in folder.glob("[!.]*"))


@needs_proc
@pytest.mark.slow
def test_a_worker_and_the_scheduler_are_killed_and_a_rerun_does_what_is_missing(
    tmp_path: Path,
) -> None:
    cut_off_and_rerun(tmp_path, STUDY, CASES)


@needs_proc
@pytest.mark.slow
def test_two_hundred_cases_the_same_way(tmp_path: Path) -> None:
    text = STUDY.replace("high: 8, step: 1", "high: 7.9, step: 0.1")
    cut_off_and_rerun(tmp_path, text, 200)


def cut_off_and_rerun(tmp_path: Path, text: str, cases: int) -> None:
    path = write_study(tmp_path, text)
    results = tmp_path / "out" / "cases"
    words = ["sweep", str(path), "-o", str(tmp_path / "out")]
    with (
        three_workers_beside(tmp_path / "cluster") as beside,
        Started([*PROGRAM, *words, *beside.options()]) as run,
    ):
        ended = run.child.poll
        assert wait_for(lambda: count(results) >= 3 or ended() is not None, 300, every=0.005)
        beside.first.send_signal(signal.SIGKILL)
        then = count(results)
        assert wait_for(lambda: count(results) >= then + 3, 300, every=0.005)
        beside.scheduler.send_signal(signal.SIGKILL)
        _, said = run.child.communicate(timeout=300)
    assert run.child.returncode == 1, said
    assert "the scheduler went away; what has ended is kept" in said
    assert re.search(r"worker tls://\S+ is not used: it has partitioner 0\.0\.1", said), said
    assert "Traceback" not in said
    before = count(results)
    assert 6 <= before < cases
    runs = {p: p.read_bytes() for p in results.glob(f"*/{RUN}")}
    study = read_study(path)
    with Sweep(study, InFolder(results), workers=1) as sweep:
        estimate = sweep.estimate()
        assert (estimate.done, estimate.to_run) == (before, cases - before)
        tasks = [sweep._task(key) for key in sweep._cases]
        came = [r.case.number for r in sweep]
    assert sorted(came) == list(range(1, cases + 1))
    assert {p: p.read_bytes() for p in runs} == runs, "what was done is not done again"
    serial = serially(tasks)
    found = contents(results)
    assert len(found) == cases
    for task in tasks:
        own = found[task.key]
        assert own == {n: serial.text(task.key, n).encode() for n in own}
        assert RESULT in own
