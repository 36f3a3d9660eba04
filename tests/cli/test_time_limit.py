"""A time limit is kept from the first step to the last, told by the time of the processor."""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from partitioner.errors import ExitCode

resource = pytest.importorskip("resource", reason="times of processes are told by POSIX only")

MOST_S = 12.0
"""Two seconds of search, and far more than starting, reading, checking and writing take."""


def crowded(streams: int) -> str:
    """A problem file with many different streams among 14 devices."""
    rng = random.Random(0)

    def spot() -> list[float]:
        return [round(rng.uniform(0, 20), 2), round(rng.uniform(0, 10), 2), 0]

    devices = [f"d{k}" for k in range(14)]
    made = []
    for k in range(streams):
        source, *others = rng.sample(devices, rng.randint(2, 11))
        period_us = 32_000 * rng.choice([20, 25, 40, 50, 100])
        made.append(
            {
                "id": f"t{k}", "from": source, "to": others, "payload_bytes": rng.randint(8, 200),
                "period_us": period_us, "deadline_us": period_us, "pcp": rng.randint(0, 7),
            }
        )  # fmt: skip
    line, link = "10BASE-T1S-multidrop", "100BASE-T1"
    problem = {
        "format": 1,
        "name": "crowded",
        "currency": "EUR",
        "note": "Invented devices and streams.",
        "switches": [
            {
                # Near enough for the backbone links, which else rule every layout out at once.
                "id": f"s{k}", "position_m": [5 + 5 * k, 5, 0], "forwarding_delay_us": 5,
                "ports": [{"grades": [line], "count": 4}, {"grades": [link], "count": 4}],
            }
            for k in range(3)
        ],
        "backbone": {
            "links": [{"between": [f"s{k}", f"s{k + 1}"], "grades": [link]} for k in range(2)]
        },
        "devices": [{"id": d, "position_m": spot(), "grades": [line, link]} for d in devices],
        "streams": made,
    }  # fmt: skip
    return yaml.safe_dump(problem, sort_keys=False)


@pytest.mark.parametrize(
    "command", [["plan", "--workers", "1", "-o", "out"], ["explain", "--workers", "1"]],
    ids=["plan", "explain"],
)  # fmt: skip
def test_many_streams(command, tmp_path):
    (tmp_path / "problem.yaml").write_text(crowded(524), encoding="utf-8")
    name, *more = command
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-m", "partitioner", name, "problem.yaml", "--time-limit", "2s", *more],
        cwd=tmp_path,
        env={"PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        timeout=300,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in (ExitCode.OK, ExitCode.NO_ANSWER), done.stderr
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert used_s < MOST_S
