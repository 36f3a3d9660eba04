"""Counted work gives the same answer in every process, however Python hashes names there."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PLAN = """
from partitioner.solve.planner import PlanSettings, plan_layout
from tests.bench.planted import planted

outcome = plan_layout(planted(20, 1).problem, PlanSettings(work_limit=12))
print(outcome.cost_money, outcome.bound_money, outcome.layout)
"""
"""A machine with full pathways, groups, failure rules and tight deadlines."""


def test_the_same_layout_whatever_names_hash_to() -> None:
    root = Path(__file__).parents[2]
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", PLAN], cwd=root, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(root)},
        )
        for seed in ("1", "2")
    ]  # fmt: skip
    one, other = (run.communicate(timeout=120)[0] for run in runs)
    assert "segments=" in one
    assert one == other
