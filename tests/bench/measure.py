"""One measurement: one solver on one instance, in a process of its own.

``python -m tests.bench.measure`` reads a task as JSON from standard input and writes a row as
JSON to standard output. A process of its own gives an honest peak of memory, and a fault of a
solver costs one row only.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from partitioner.model.layout import Layout
from partitioner.model.problem import Problem

ROOT = Path(__file__).parent.parent.parent
OURS = "partitioner"
SOLVERS = (OURS, "arcs", "routing", "pyvrp")
WORKERS = 2
GRACE_S = 240
"""A run that takes so much longer than its limit is ended and counts as without a result."""
MOST_SAMPLES = 300
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Task:
    """What to run. ``what``: geometry, openvrp, demos or large; ``instance`` names one of it."""

    what: str
    instance: str
    solver: str
    limit_s: float
    solver_seed: int = 0

    @property
    def key(self) -> str:
        """What tells this measurement from all others."""
        return (
            f"{self.what}/{self.instance}/{self.solver}/{self.limit_s:g}s/r{self.solver_seed}"
        )


def problem_of(what: str, instance: str) -> Problem:
    """Make or read an instance; geometry and large ones are named DEVICES-SEED.

    Raises
    ------
    ValueError
        If there is no such instance.
    """
    from tests.bench import instances

    if what in ("geometry", "large"):
        devices, seed = (int(word) for word in instance.split("-"))
        make = instances.geometry_problem if what == "geometry" else instances.large_problem
        return make(devices, seed)
    if what == "openvrp":
        for row in instances.open_vrp_rows():
            if row.instance == instance:
                return instances.open_vrp_problem(row)
    if what == "demos":
        from partitioner.application.reading import read_problem

        path = ROOT / "problems" / instance / "problem.yaml"
        if path.exists():
            return read_problem(path)
    raise ValueError(f"no instance {instance} of {what}")


def run_ours(problem: Problem, task: Task, row: Row) -> Layout | None:
    """Plan with this program and note bound, gap and timeline."""
    from partitioner.errors import NoAnswer
    from partitioner.model.outcome import Sample
    from partitioner.solve.planner import PlanSettings, plan_layout

    samples: list[Sample] = []
    settings = PlanSettings(task.limit_s, task.solver_seed, WORKERS)
    begun = time.monotonic()
    try:
        outcome = plan_layout(problem, settings, on_progress=lambda s, _: samples.append(s))
    except NoAnswer as nothing:
        row.update(
            seconds=round(time.monotonic() - begun, 3), status=str(nothing),
            bound_money=nothing.bound_money,
        )
        return None
    row.update(
        seconds=round(outcome.seconds, 3),
        seconds_to_best=round(outcome.seconds_to_best, 3),
        status=outcome.status.value,
        stopped_by=outcome.stopped_by,
        bound_money=outcome.bound_money,
        bound_source=outcome.bound_source,
        claimed_money=outcome.cost_money,
        columns=outcome.columns,
        seconds_to_first=next((s.seconds for s in samples if s.cost_money is not None), None),
        timeline=[
            [s.seconds, s.cost_money, s.bound_money] for s in thinned(samples, MOST_SAMPLES)
        ],
        seconds_to_gap={
            f"{percent:g}": seconds_to_gap(samples, percent / 100) for percent in (10, 8, 5, 4, 2)
        },
    )
    return outcome.layout


def thinned(samples: list[Any], most: int) -> list[Any]:
    """Evenly spaced ones of ``samples``, at most ``most``, the last always among them."""
    if len(samples) <= most:
        return samples
    return [samples[round(k * (len(samples) - 1) / (most - 1))] for k in range(most)]


def seconds_to_gap(samples: list[Any], gap: float) -> float | None:
    """When (cost - bound) / cost first was at most ``gap``."""
    for sample in samples:
        cost, bound = sample.cost_money, sample.bound_money
        if cost is not None and bound is not None and cost - bound <= gap * cost:
            return float(sample.seconds)
    return None


def rivals() -> dict[str, Callable[..., Any]]:
    """Every rival by name."""
    from tests.bench.rivals_arcs import solve_arcs
    from tests.bench.rivals_pyvrp import solve_pyvrp
    from tests.bench.rivals_routing import solve_routing

    return {"arcs": solve_arcs, "routing": solve_routing, "pyvrp": solve_pyvrp}


def run_rival(problem: Problem, task: Task, row: Row) -> Layout | None:
    """Run a rival; describing the problem to it counts as part of its time."""
    from tests.bench.fleet import dropped_rules, fleet_of, layout_of, left_out

    solve = rivals()[task.solver]
    begun = time.monotonic()
    fleet = fleet_of(problem)
    spent = time.monotonic() - begun
    result = solve(fleet, task.limit_s - spent, task.solver_seed, WORKERS)
    row.update(
        seconds=round(result.seconds + spent, 3),
        seconds_to_best=(
            None if result.seconds_to_best is None else round(result.seconds_to_best + spent, 3)
        ),
        status="nothing found" if result.routes is None else "found",
        bound_money=result.bound,
        dropped=[rule for rule, who in dropped_rules(problem).items() if task.solver in who],
    )
    if result.routes is None:
        return None
    row["left_out"] = len(left_out(fleet, result.routes))
    return layout_of(fleet, result.routes)


def measure(task: Task) -> Row:
    """Run one task in this process and give its row.

    ``cost_money`` is the objective of the layout as the check recomputes it, whoever made it; None
    if there is none or devices are left out. ``findings`` counts broken rules by name.
    """
    from partitioner.check.judge import assess

    row: Row = {"key": task.key, **asdict(task), **circumstances()}
    problem = problem_of(task.what, task.instance)
    row.update(devices=len(problem.devices), left_out=0, cost_money=None)
    layout = (run_ours if task.solver == OURS else run_rival)(problem, task, row)
    row["peak_mib"] = peak_mib()
    if layout is not None:
        assessment = assess(problem, layout)
        row["findings"] = dict(sorted(Counter(f.rule for f in assessment.findings).items()))
        row["segments"] = len(layout.segments)
        if not row["left_out"]:
            row["cost_money"] = assessment.cost.objective_money
        if task.solver == OURS:
            must_hold(row)
    return row


def must_hold(row: Row) -> None:
    """Insist that this program's own layout breaks no rule and costs what it says.

    Raises
    ------
    RuntimeError
        If not; the row is then a failure, not a result.
    """
    if row["findings"]:
        raise RuntimeError(f"the plan breaks rules: {row['findings']}")
    if row["claimed_money"] != row["cost_money"]:
        raise RuntimeError(f"the plan claims {row['claimed_money']}, costs {row['cost_money']}")
    if row["bound_money"] > row["cost_money"]:
        raise RuntimeError(f"bound {row['bound_money']} above cost {row['cost_money']}")


def peak_mib() -> int:
    """Most memory this process held, and its largest child beside it, in MiB."""
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    # Linux counts in KiB.
    return round((own + children) / 1024)


def circumstances() -> Row:
    """Machine, versions, date and load at the start."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [w for w in info.read_text().splitlines() if w.startswith("model name")]
        model = names[0].partition(":")[2].strip() if names else model
    return {
        "machine": f"{model}, {os.cpu_count()} cores",
        "python": platform.python_version(),
        "versions": {p: version(p) for p in ("ortools", "pyvrp", "numpy")},
        "date": datetime.now(UTC).strftime("%Y-%m-%d %H:%M"),
        "load": round(os.getloadavg()[0], 2),
    }


def measure_apart(task: Task) -> Row:
    """Run one task in a process of its own; whatever goes wrong there becomes the row's status."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.measure"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    try:
        out, trouble = process.communicate(json.dumps(asdict(task)), task.limit_s + GRACE_S)
        if process.returncode == 0:
            return dict(json.loads(out))
        last = trouble.strip().splitlines()[-1:] or [f"return code {process.returncode}"]
        status = f"failed: {last[0]}"
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        status = f"ended {GRACE_S} s after its time"
    except BaseException:
        process.kill()
        process.wait()
        raise
    return {
        "key": task.key, **asdict(task), **circumstances(), "status": status, "cost_money": None,
    }  # fmt: skip


def main() -> None:
    """Read a task, run it, write the row."""
    task = Task(**json.load(sys.stdin))
    out = sys.stdout
    sys.stdout = sys.stderr
    row = measure(task)
    json.dump(row, out)


if __name__ == "__main__":
    main()
