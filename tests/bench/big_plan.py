"""One big plan on a cluster: measured against processes beside, and how it would scale.

``python -m tests.bench.big_plan run WHERE --devices N --seconds S`` plans once, with two processes
``beside`` or two workers of a local ``cluster``, and adds a row to the results. On a cluster it
holds every task: what it had to wait for, bytes, seconds on the worker, seconds of the program that
hands it out and takes it in. ``python -m tests.bench.big_plan replay`` has a list scheduler work
the same tasks off with more workers.
"""

from __future__ import annotations

import argparse
import heapq
import json
import pickle
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import wraps
from pathlib import Path
from typing import Any

from partitioner.check.judge import assess
from partitioner.cluster.connection import local_cluster
from partitioner.cluster.crew import ClusterCrew
from partitioner.solve.bound import regions
from partitioner.solve.decomposed_run import DecomposedRun
from partitioner.solve.run import PlanSettings
from tests.bench.instances import large_problem
from tests.bench.measure import ROOT, circumstances

RESULTS = ROOT / "tests" / "bench" / "results" / "big_plan.jsonl"
WORKERS = 2
LINK_BYTES_PER_S = 125e6
"""1 Gbit/s between the program and all workers together."""
COUNTS = (2, 4, 8, 16, 32, 64)
Row = dict[str, Any]


# -- measuring --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Timed:
    """A task that tells how long it worked, beside what it found last."""

    task: Any

    def run(self, emit: Callable[[Any], None]) -> None:
        """Work, then send the last message with the seconds."""
        begun = time.perf_counter()
        found: list[Any] = []
        self.task.run(found.append)
        emit((found[-1:], time.perf_counter() - begun))


class Trace:
    """What a run does, in order: tasks, and steps that the program does alone."""

    def __init__(self) -> None:
        self.entries: list[Row] = []
        self.sweep = -1
        self.regions: dict[int, tuple[int, list[int]]] = {}
        """Number and neighbours of the region that a device belongs to."""

    def alone(self, name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """Note how long a step takes."""

        @wraps(work)
        def timed(*args: Any, **named: Any) -> Any:
            begun = time.perf_counter()
            try:
                return work(*args, **named)
            finally:
                self.entries.append({"alone": name, "s": time.perf_counter() - begun})

        return timed

    def job(self, make: Callable[[], Any]) -> Any:
        """Make a job whose task and whose taking are timed."""
        begun = time.perf_counter()
        job = make()
        if job is None:
            return None
        entry: Row = {"task": type(job.task).__name__, "make_s": time.perf_counter() - begun}
        if entry["task"] == "RegionTask":
            entry["region"], entry["touches"] = self.regions[int(job.task.core[0])]
            entry["sweep"] = self.sweep
        entry["bytes"] = len(pickle.dumps(job.task, protocol=5))
        take = job.take

        def taken(found: Sequence[Any]) -> None:
            messages, entry["work_s"] = found[-1]
            entry["bytes_back"] = len(pickle.dumps(messages, protocol=5))
            then = time.perf_counter()
            if messages:
                take(messages)
            entry["take_s"] = time.perf_counter() - then
            self.entries.append(entry)

        job.task, job.take = Timed(job.task), taken
        return job


class Queue(deque[Any]):
    """Jobs that wait, each timed when its turn has come."""

    trace: Trace

    def popleft(self) -> Callable[[], Any]:
        make = super().popleft()
        return lambda: self.trace.job(make)


def traced(run: DecomposedRun, trace: Trace) -> None:
    """Have a run note what it does."""
    run.waiting = Queue()
    run.waiting.trace = trace
    search = run.search
    search.complete = trace.alone("first master", search.complete)  # type: ignore[method-assign]
    search.master_over_pool = trace.alone(  # type: ignore[method-assign]
        "first master", search.master_over_pool
    )
    bound = regions.RegionalBound
    for name in ("__init__", "proving_time", "prove", "orders"):
        setattr(bound, name, trace.alone("bound: all devices", getattr(bound, name)))
    begin = regions._SweepBeside.__init__

    def noted(sweep: Any, *args: Any) -> None:
        begin(sweep, *args)
        trace.sweep += 1
        for k, core in enumerate(sweep.cores):
            for device in core.tolist():
                trace.regions[device] = k, sorted(sweep.touching[k])

    regions._SweepBeside.__init__ = noted  # type: ignore[assignment, method-assign]


def measure(where: str, devices: int, seconds: float) -> Row:
    """Plan once; gives the row, after the check has judged the layout."""
    row: Row = {"where": where, "devices": devices, "limit_s": seconds, **circumstances()}
    problem = large_problem(devices)
    trace = Trace()
    with ExitStack() as stack:
        client = stack.enter_context(local_cluster(WORKERS)()) if where == "cluster" else None
        begun = time.monotonic()
        run = DecomposedRun(problem, PlanSettings(seconds, 0, WORKERS))
        trace.entries.append({"alone": "preparing", "s": time.monotonic() - begun})
        if client is not None:
            crew = ClusterCrew(
                client, cores=WORKERS, should_stop=lambda: False, on_warning=print
            )
            run.work_with(crew)
            traced(run, trace)
        try:
            outcome = run.go()
        finally:
            run.close()
    assessment = assess(problem, outcome.layout)
    if assessment.findings or assessment.cost.objective_money != outcome.cost_money:
        raise RuntimeError(f"the check does not accept the layout: {assessment.findings[:3]}")
    row |= {
        "cost_money": outcome.cost_money, "bound_money": outcome.bound_money, "gap": outcome.gap,
        "seconds": round(outcome.seconds, 1), "seconds_to_best": round(outcome.seconds_to_best, 1),
        "rounds": run.rounds,
        "timeline": [
            [s.seconds, s.cost_money, s.bound_money]
            for s in outcome.timeline[:: max(1, len(outcome.timeline) // 100)]
        ],
        "trace": trace.entries if client is not None else [],
    }  # fmt: skip
    return row


# -- replaying --------------------------------------------------------------------------------


@dataclass(slots=True)
class Replayed:
    """What a replay came to, in seconds."""

    workers: int
    total_s: float = 0.0
    alone_s: float = 0.0
    coordinating_s: float = 0.0
    sending_s: float = 0.0
    work_s: float = 0.0
    stages: list[tuple[str, float, float]] = field(default_factory=list)
    """Name, seconds, longest task of each stage of tasks."""


def stages(trace: Sequence[Row]) -> Iterator[tuple[str, list[Row]]]:
    """Steps alone and the tasks between them, as they depend on each other.

    The heuristic's tasks on fields in the second stage run beside the sweeps over the regions.
    """
    tasks = [e for e in trace if "task" in e]
    begins = next(k for k, e in enumerate(trace) if e.get("alone") == "first master")
    first = [e for e in trace[:begins] if e.get("task") == "SeedTask"]
    later = [e for e in trace[begins:] if e.get("task") == "SeedTask"]
    parts = [e for e in tasks if e["task"] == "PlanTask"]
    alone = [e for e in trace if "alone" in e]

    def named(name: str) -> list[Row]:
        return [e for e in alone if e["alone"] == name]

    yield "preparing", named("preparing")
    yield "first lines", first
    yield "first master", named("first master")
    sweeps = sorted({e["sweep"] for e in tasks if e["task"] == "RegionTask"})
    whole = named("bound: all devices")
    for sweep in sweeps:
        beside = later if sweep == sweeps[0] else []
        yield f"regions of the bound, sweep {sweep + 1}", [
            *(e for e in tasks if e.get("sweep") == sweep), *beside,
        ]  # fmt: skip
        yield "bound: all devices", [
            {"alone": "bound", "s": sum(e["s"] for e in whole) / max(1, len(sweeps))}
        ]
    yield "parts", parts


def replay(trace: Sequence[Row], workers: int) -> Replayed:
    """Work the same tasks off with so many workers: whatever can begin does, in order."""
    result = Replayed(workers)
    now = 0.0
    for name, entries in stages(trace):
        begun = now
        steps = [e for e in entries if "alone" in e]
        now += sum(e["s"] for e in steps)
        result.alone_s += sum(e["s"] for e in steps)
        tasks = [e for e in entries if "task" in e]
        now = _list_schedule(tasks, workers, now, result)
        longest = max((e["work_s"] for e in tasks), default=0.0)
        result.stages.append((name, now - begun, longest))
    result.total_s = now
    return result


def _list_schedule(tasks: Sequence[Row], workers: int, begun: float, result: Replayed) -> float:
    """When the last of some tasks has been taken in.

    The program makes, sends and takes in one task at a time; a task it has sent works meanwhile.
    """
    waiting = list(tasks)
    flying: list[tuple[float, int]] = []
    at_work: set[int] = set()
    now = begun
    while waiting or flying:
        able = (
            k
            for k, e in enumerate(waiting)
            if "region" not in e or at_work.isdisjoint(e["touches"])
        )
        k = next(able, None) if len(flying) < workers else None
        if k is not None:
            entry = waiting.pop(k)
            sending = entry["bytes"] / LINK_BYTES_PER_S
            now += entry["make_s"] + sending
            result.coordinating_s += entry["make_s"]
            result.sending_s += sending
            result.work_s += entry["work_s"]
            if "region" in entry:
                at_work.add(entry["region"])
            heapq.heappush(flying, (now + entry["work_s"], tasks.index(entry)))
            continue
        ended, number = heapq.heappop(flying)
        entry = tasks[number]
        back = entry["bytes_back"] / LINK_BYTES_PER_S
        now = max(now, ended) + back + entry["take_s"]
        result.coordinating_s += entry["take_s"]
        result.sending_s += back
        at_work.discard(entry.get("region", -1))
    return now


def table(trace: Sequence[Row]) -> str:
    """Rows of a replay for each number of workers, as Markdown, and what takes its time."""
    replays = [replay(trace, n) for n in COUNTS]
    base = replays[0]
    lines = [
        "| workers | s | times as fast | workers busy | program busy | of it alone | sending |",
        "|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for r in replays:
        busy = r.alone_s + r.coordinating_s + r.sending_s
        lines.append(
            f"| {r.workers} | {r.total_s:.0f} | {base.total_s / r.total_s:.1f} "
            f"| {r.work_s / r.workers / r.total_s:.0%} | {busy / r.total_s:.0%} "
            f"| {r.alone_s:.0f} s | {r.sending_s:.0f} s |"
        )
    lines += ["", "| stage | s with 2 | s with 64 | longest task s |", "|---|---:|---:|---:|"]
    for (name, few, longest), (_, many, _) in zip(base.stages, replays[-1].stages, strict=True):
        lines.append(f"| {name} | {few:.0f} | {many:.0f} | {longest:.1f} |")
    lines += ["", "| task | number | s | s to make | s to take in | MB sent |"]
    lines += ["|---|---:|---:|---:|---:|---:|"]
    for kind in ("SeedTask", "RegionTask", "PlanTask"):
        own = [e for e in trace if e.get("task") == kind]
        mean = {
            k: sum(e[k] for e in own) / max(1, len(own))
            for k in ("work_s", "make_s", "take_s", "bytes")
        }
        lines.append(
            f"| `{kind}` | {len(own)} | {mean['work_s']:.2f} | {mean['make_s']:.3f} "
            f"| {mean['take_s']:.3f} | {mean['bytes'] / 1e6:.2f} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.big_plan", description=__doc__)
    commands = parser.add_subparsers(dest="what", required=True)
    one = commands.add_parser("run")
    one.add_argument("where", choices=["beside", "cluster"])
    one.add_argument("--devices", type=int, default=10_000)
    one.add_argument("--seconds", type=float, default=400.0)
    one.add_argument("--to", type=Path, default=RESULTS)
    commands.add_parser("replay").add_argument("file", type=Path, nargs="?", default=RESULTS)
    options = parser.parse_args()
    if options.what == "run":
        row = measure(options.where, options.devices, options.seconds)
        with options.to.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
        print({k: v for k, v in row.items() if k not in ("trace", "timeline", "versions")})
        return
    rows = [json.loads(line) for line in options.file.read_text(encoding="utf-8").splitlines()]
    for row in rows:
        if row["trace"]:
            print(f"\n{row['devices']} devices, {row['limit_s']:g} s\n\n{table(row['trace'])}")


if __name__ == "__main__":
    main()
