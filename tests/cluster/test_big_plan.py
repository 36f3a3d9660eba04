"""One big plan on a cluster that loses its workers, as somebody runs it: over TLS."""

from __future__ import annotations

import re
import signal
from pathlib import Path

import pytest

from partitioner.application.check import judged
from partitioner.application.reading import read_problem
from partitioner.cli.main import run as run_command
from partitioner.reading.layout_file import layout_from_text
from tests.cluster.clusters import Beside, three_workers_beside
from tests.processes import PROGRAM, Started, needs_proc, wait_for

DEVICES = 510
"""More than a bound takes at once, so that its regions are tasks too."""
LIMIT_S = 90


def problem_text() -> str:
    """An invented hall of devices in rows, with a switch in the middle of every fifty or so."""
    text = ["format: 1", "name: hall", "note: Invented.", "routing: {metric: rectilinear}"]
    text.append("switches:")
    text += [
        f"  - {{id: zone-{k}, position_m: [{4 + 8 * (k % 5)}, {4 + 8 * (k // 5)}, 0], price: 20, "
        "ports: [{grades: [10BASE-T1S-multidrop], count: 12}]}"
        for k in range(10)
    ]
    text.append("devices:")
    text += [
        f"  - {{id: lamp-{n}, position_m: [{n % 34 * 1.17:.2f}, {n // 34 * 1.05:.2f}, 0], "
        "grades: [10BASE-T1S-multidrop]}"
        for n in range(DEVICES)
    ]
    return "\n".join(text) + "\n"


def plans_at(beside: Beside, worker: str) -> bool:
    """Whether a worker is at a part, or a region, of a plan."""
    with beside.client() as client:
        names = {a: w["name"] for a, w in client.scheduler_info(n_workers=-1)["workers"].items()}
        at_work = {names.get(a): keys for a, keys in client.processing().items()}
    return any(str(key).startswith("plan-") for key in at_work.get(worker, ()))


@needs_proc
@pytest.mark.slow
@pytest.mark.parametrize("loss", ["a worker", "everything"])
def test_a_plan_ends_with_a_checked_layout_whatever_is_lost(tmp_path: Path, loss: str) -> None:
    path = tmp_path / "problem.yaml"
    path.write_text(problem_text())
    words = ["plan", str(path), "-o", str(tmp_path / "out"), "--time-limit", f"{LIMIT_S}s"]
    with (
        three_workers_beside(tmp_path / "cluster") as beside,
        Started([*PROGRAM, *words, *beside.options()]) as run,
    ):
        assert wait_for(lambda: plans_at(beside, "first"), 300, every=0.5)
        beside.first.send_signal(signal.SIGKILL)
        if loss == "everything":
            beside.second.send_signal(signal.SIGKILL)
            beside.scheduler.send_signal(signal.SIGKILL)
        else:
            assert wait_for(lambda: plans_at(beside, "second"), 300, every=0.5)
        _, said = run.child.communicate(timeout=600)
    assert run.child.returncode == 0, said
    assert re.search(r"worker tls://\S+ is not used: it has partitioner 0\.0\.1", said), said
    assert ("the plan goes on with" in said) is (loss == "everything"), said
    problem = read_problem(path)
    text = (tmp_path / "out" / "layout.yaml").read_text()
    layout, _ = layout_from_text(text, "layout.yaml", problem)
    assert layout is not None
    _, assessment = judged(problem, layout)
    assert not assessment.findings
    assert len([d for s in layout.segments for d in s.devices]) == DEVICES


def test_a_small_problem_needs_no_cluster_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    small = "\n".join(problem_text().splitlines()[:22]) + "\n"
    (tmp_path / "small.yaml").write_text(small)
    words = ["plan", str(tmp_path / "small.yaml"), "-o", str(tmp_path / "out"), "--time-limit"]
    assert run_command([*words, "20s", "--scheduler", "tls://127.0.0.1:9"]) == 0
    said = capsys.readouterr().err
    assert "up to 300 devices are planned as a whole, on this machine" in said


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--tls-ca", "ca.pem"], "--tls-ca, --tls-cert and --tls-key belong to --scheduler"),
        (
            ["--scheduler", "tls://127.0.0.1:9", "--workers", "2"],
            "--workers and --work-limit are for this machine, not for --scheduler",
        ),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_command(["plan", "problem.yaml", *words]) == 2
    assert told in " ".join(capsys.readouterr().err.split())


def test_a_scheduler_that_does_not_answer_ends_the_plan_of_a_large_problem(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("partitioner.cluster.connection.CONNECT_S", 0.2)
    (tmp_path / "problem.yaml").write_text(problem_text())
    words = ["plan", str(tmp_path / "problem.yaml"), "-o", str(tmp_path / "out")]
    assert run_command([*words, "--scheduler", "tcp://127.0.0.1:9"]) == 1
    assert "no scheduler answers at tcp://127.0.0.1:9" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
