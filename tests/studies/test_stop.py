"""Ctrl-C in a local study: what has ended is kept, its processes end, a rerun goes on."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from partitioner.application.sweep import Sweep
from partitioner.cluster.connection import given_cluster
from partitioner.studies.folder import RUN, InFolder
from partitioner.studies.study_file import read_study
from tests.processes import PROGRAM, Started, needs_proc, wait_for
from tests.studies.problems import STUDY, write_study
from tests.studies.test_losses import count
from tests.studies.test_sweep import Here


@needs_proc
def test_ctrl_c_keeps_what_has_ended_and_a_rerun_does_the_rest(tmp_path: Path) -> None:
    path = write_study(tmp_path, STUDY.replace("step: 1", "step: 0.5"))
    cases, results = 44, tmp_path / "out" / "cases"
    words = ["sweep", str(path), "-o", str(tmp_path / "out"), "--workers", "1"]
    with Started([*PROGRAM, *words], start_new_session=True) as run:
        ended = run.child.poll
        assert wait_for(lambda: count(results) >= 2 or ended() is not None, 300, every=0.005)
        # As the keyboard does it: to every process of the group.
        os.killpg(run.child.pid, signal.SIGINT)
        said, told = run.child.communicate(timeout=300)
        assert wait_for(lambda: not run.living(), 60), run.living()
    kept = count(results)
    assert run.child.returncode == 0, told
    assert 2 <= kept < cases
    assert "Traceback" not in told
    assert "stopping; results so far are kept" in told
    assert f"{cases - kept} cases of the study not run yet." in said
    assert (tmp_path / "out" / "report.html").is_file()

    runs = {p: p.read_bytes() for p in results.glob(f"*/{RUN}")}
    here = Here()
    sweep = Sweep(read_study(path), InFolder(results), cluster=given_cluster(here))
    assert [r.status in ("optimal", "no-layout") for r in sweep] == [True] * cases
    assert len(here.sent) == cases - kept
    assert {p: p.read_bytes() for p in runs} == runs, "what was done is not done again"
