"""Measure this program beside its rivals: ``python -m tests.bench.partition``.

One run after the other, never two at once, each in a process of its own. Every finished run adds
a line to the results file at once, so a long bench can be stopped, carried on with ``--resume``
and turned into tables with ``--tables``.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.bench.instances import open_vrp_rows
from tests.bench.measure import OURS, ROOT, SOLVERS, Row, Task, measure_apart
from tests.bench.scale_chart import scale_chart
from tests.bench.table import (
    TABLES,
    BelowPublished,
    BoundTooHigh,
    below_published,
    bounds_too_high,
    latest,
    money,
    percent,
    points_to_gap,
    slope,
    table,
    write_blocks,
)
from tests.bench.table import gap as gap_of

PAGE = ROOT / "docs" / "explanation" / "optimiser.md"
CHART = ROOT / "docs" / "figures" / "optimiser-scale.svg"
RESULTS = ROOT / "tests" / "bench" / "results" / "partition.jsonl"
DEMOS = ("street-sweeper", "glasshouse", "city-bus", "river-ferry")
LARGE_DEVICES = (250, 1_000, 4_000, 10_000)
WITHOUT_RIVALS = ("river-ferry",)
"""Switches of these may be left out, which no rival can say."""
SECONDS_A_DEVICE = 0.06
"""Large problems have so much time for each device, if that is more than the longest limit."""


def numbers(text: str) -> list[int]:
    return [int(word) for word in text.split(",")]


def words(text: str) -> list[str]:
    return [word for word in text.split(",") if word]


def arguments(argv: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.partition", description=__doc__)
    parser.add_argument("--what", type=words, default=list(TABLES), help="default: all four")
    parser.add_argument(
        "--seconds", type=lambda t: [float(w) for w in words(t)], default=[10.0, 60.0],
        help="limits, the same for every solver (default 10,60)",
    )  # fmt: skip
    parser.add_argument(
        "--seconds-a-device", type=float, default=SECONDS_A_DEVICE,
        help="limit of large problems, if above the longest of --seconds (default %(default)s)",
    )  # fmt: skip
    parser.add_argument("--devices", type=numbers, help="default 30,60,120,250; large: to 10000")
    parser.add_argument(
        "--seeds", type=numbers, help="seeds of instances (default 0,1,2,3,4; large: 0)"
    )
    parser.add_argument("--instances", type=words, help="of openvrp and demos (default all)")
    parser.add_argument("--solvers", type=words, default=list(SOLVERS), help=", ".join(SOLVERS))
    parser.add_argument("--solver-seed", type=int, default=0)
    parser.add_argument("--results", type=Path, default=RESULTS, help="JSON lines, one a run")
    parser.add_argument("--resume", action="store_true", help="skip runs that are in the results")
    parser.add_argument("--tables", action="store_true", help="run nothing, show the tables")
    parser.add_argument("--write", action="store_true", help="write the tables into docs")
    parser.add_argument("--page", type=Path, default=PAGE, help="page that --write fills in")
    parser.add_argument("--chart", type=Path, default=CHART, help="drawing of --write for large")
    options = parser.parse_args(argv)
    for name, known in (("what", TABLES), ("solvers", SOLVERS)):
        if strange := set(getattr(options, name)) - set(known):
            parser.error(f"--{name}: no {', '.join(sorted(strange))}; known: {', '.join(known)}")
    return options


def tasks(options: argparse.Namespace) -> Iterator[Task]:
    """All runs asked for: solvers of one instance after each other, so that noise hits them all."""
    seed = options.solver_seed
    for what in options.what:
        if what == "large":
            # Rivals are left out: none of them gives a bound at such sizes.
            for instance in instances(what, options) if OURS in options.solvers else []:
                own = options.seconds_a_device * int(instance.split("-")[0])
                limit = max(own, *options.seconds)
                yield Task(what, instance, OURS, limit, seed)
            continue
        for limit in options.seconds:
            for instance in instances(what, options):
                for solver in options.solvers:
                    if solver == OURS or instance not in WITHOUT_RIVALS:
                        yield Task(what, instance, solver, limit, seed)


def instances(what: str, options: argparse.Namespace) -> list[str]:
    """Names of the instances of one kind that are asked for."""
    if what == "geometry":
        sizes, seeds = options.devices or [30, 60, 120, 250], options.seeds or [0, 1, 2, 3, 4]
    elif what == "large":
        sizes, seeds = options.devices or list(LARGE_DEVICES), options.seeds or [0]
    else:
        known = DEMOS if what == "demos" else [r.instance for r in open_vrp_rows()]
        return [name for name in known if options.instances is None or name in options.instances]
    return [f"{size}-{seed}" for size in sizes for seed in seeds]


def read_rows(path: Path) -> list[Row]:
    """Rows measured so far."""
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line]


def add_row(path: Path, row: Row) -> None:
    """Add one row at the end."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(row) + "\n")


def failed(row: Row) -> bool:
    """Whether a run broke down; one that merely found nothing did not."""
    return str(row["status"]).startswith(("failed", "ended"))


def told(row: Row) -> str:
    """One line on a finished run."""
    text = f"{row['key']}: {money(row.get('cost_money'))}"
    if row["solver"] == OURS:
        text += f", gap {percent(gap_of(row))}"
    if row.get("left_out"):
        text += f", {row['left_out']} left out"
    if row.get("findings"):
        text += f", breaks {sum(row['findings'].values())} rules"
    return f"{text} ({row['status']})"


def run(options: argparse.Namespace) -> list[str]:
    """Run what is not there yet; gives what went wrong."""
    there = {}
    if options.resume:
        there = {k: r for k, r in latest(read_rows(options.results)).items() if not failed(r)}
    todo = [task for task in tasks(options) if task.key not in there]
    wrong = []
    for number, task in enumerate(todo, 1):
        row = measure_apart(task)
        add_row(options.results, row)
        print(f"{number}/{len(todo)} {told(row)}", file=sys.stderr, flush=True)
        if failed(row):
            wrong.append(f"{task.key}: {row['status']}")
        if task.what == "openvrp":
            wrong += below_published([row])
    return wrong + bounds_too_high(latest(read_rows(options.results)).values())


def main(argv: list[str] | None = None) -> int:
    """Run, show, write; 1 if a run failed or a cost is below a published one."""
    options = arguments(argv)
    wrong = [] if options.tables else run(options)
    rows = read_rows(options.results)
    blocks = {}
    for what in options.what:
        try:
            text = table(what, rows)
        except (BoundTooHigh, BelowPublished) as contradiction:
            wrong.append(f"no table of {what}: {contradiction}")
            continue
        if text:
            blocks[what] = text
            print(f"\n## {what}\n\n{text}")
    if options.write and blocks:
        write_blocks(options.page, blocks)
        mine = [r for r in latest(rows).values() if r["what"] == "large"]
        points = points_to_gap(mine)
        if "large" in blocks and slope(points) is not None:
            options.chart.write_text(scale_chart(points, slope(points)), encoding="utf-8")
    for sentence in dict.fromkeys(wrong):
        print(sentence, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
