"""Keep what every command answers, and compare later: for changes that must change no answer.

``python -m tests.bench.frozen keep DIR`` before, ``python -m tests.bench.frozen compare DIR``
after; exit code 1 and the names of what differs if anything does. One worker, counted work. Seconds
and folders are taken out of the answers, nothing else is. Takes some minutes.
"""

from __future__ import annotations

import argparse
import difflib
import hashlib
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from partitioner.errors import NoLayout
from partitioner.solve.planner import plan_layout
from tests.brute.tight_problems import KINDS, tight_problem
from tests.brute.verdict import COUNTED

ROOT = Path(__file__).parent.parent.parent
CASES = ROOT / "tests" / "cases"
SMALL = ROOT / "tests" / "gold" / "small-sprayer" / "problem.yaml"
SPRAYER_BY_HAND = SMALL.with_name("layout-by-hand.yaml")
DEMOS = ("street-sweeper", "glasshouse", "city-bus", "river-ferry")
DEMO_ROUNDS = 2
"""Rounds of work of a demo's plan."""
COUNTED_OPTIONS = ("--workers", "1", "--seed", "0")
CASE_PLANS = (
    "burst-count", "failure-ring", "gives-up-latency", "linear-cheaper", "load-limit-length",
    "overload-candidate", "relay-no-layout", "reserve-node-count", "spacing-no-layout",
    "transfer-no-way",
)  # fmt: skip
EXPLAINED = ("explain-links", "explain-two-links", "explain-drop-group", "linear-no-layout")
RERUNS = ("replan-ids", "replan-freeze")
FRONTS = (("tradeoff-floor", "latency"), ("gives-up-latency", "lines"))

SECONDS = (
    re.compile(r'"seconds(?:_to_best)?": [0-9.]+'),
    re.compile(r"(?m)^.*, (?:\d+ (?:h|min|s) )+left(?:: .*)?$\n"),
    re.compile(r"(?<=no layout found within )[^;,\n]+"),
    re.compile(r'(?s)<svg role="img" id="timeline".*?</svg>'),
    re.compile(r'(?s)<h2 id="run-heading".*?</section>'),
)
"""What tells of the run's seconds only; ``partitioner.sha256`` tells of the other files."""


def commands(out: Path) -> Iterator[tuple[str, list[str]]]:
    """Give (name, arguments); what a command writes goes below ``out``/name."""
    rounds = ("--work-limit", "20", *COUNTED_OPTIONS)
    yield "small/plan", ["plan", str(SMALL), *rounds]
    layout = str(out / "small/plan/layout.yaml")
    yield "small/report", ["report", str(SMALL), str(SPRAYER_BY_HAND)]
    for name, of in (("planned", layout), ("by-hand", str(SPRAYER_BY_HAND))):
        yield f"small/check-{name}", ["check", str(SMALL), of]
        yield f"small/check-{name}-json", ["check", str(SMALL), of, "--json"]
    for case in CASE_PLANS:
        yield f"{case}/plan", ["plan", str(CASES / f"{case}.yaml"), *rounds]
    for case in EXPLAINED:
        yield f"{case}/explain", ["explain", str(CASES / f"{case}.yaml"), *COUNTED_OPTIONS]
    for case in RERUNS:
        old = str(CASES / f"{case}-old-layout.yaml")
        yield f"{case}/replan", ["replan", str(CASES / f"{case}.yaml"), "--keep", old,
                                 *COUNTED_OPTIONS]  # fmt: skip
    for case, axis in FRONTS:
        yield f"{case}/tradeoff", ["tradeoff", str(CASES / f"{case}.yaml"), "--axis", axis,
                                   "--points", "all", *COUNTED_OPTIONS]  # fmt: skip
    for demo in DEMOS:
        problem = str(ROOT / "problems" / demo / "problem.yaml")
        yield f"{demo}/plan", ["plan", problem, "--work-limit", str(DEMO_ROUNDS),
                               *COUNTED_OPTIONS]  # fmt: skip


def without_seconds(text: str, out: Path) -> str:
    """Take out of an answer what differs from run to run."""
    for pattern in SECONDS:
        text = pattern.sub("", text)
    return text.replace(str(out), "OUT").replace(str(ROOT), "ROOT")


def file_text(path: Path, out: Path) -> str:
    """Text of a file of a report; of one that is no text, what tells it from another."""
    content = path.read_bytes()
    try:
        return without_seconds(content.decode(), out)
    except UnicodeDecodeError:
        return hashlib.sha256(content).hexdigest()


def answers(out: Path) -> Iterator[tuple[str, str]]:
    """Give every (name, text) that the program answers with now."""
    for name, arguments in commands(out):
        folder = out / name
        if arguments[0] != "check":
            arguments += ["--output", str(folder)]
        done = subprocess.run(
            [sys.executable, "-P", "-m", "partitioner", *arguments],
            capture_output=True, text=True, cwd=ROOT, check=False,
        )  # fmt: skip
        yield f"{name}.said", without_seconds(f"{done.returncode}\n{done.stdout}{done.stderr}", out)
        for path in sorted(folder.glob("**/*")):
            if path.is_file() and path.name != "partitioner.sha256":
                yield f"{name}/{path.relative_to(folder)}", file_text(path, out)
    for kind in KINDS:
        for seed in (1, 2):
            try:
                found = plan_layout(tight_problem(seed, kind), COUNTED)
                text = repr(replace(found, seconds=0, seconds_to_best=0, timeline=()))
            except NoLayout as proof:
                text = "\n".join(c.sentence for c in proof.conflicts)
            yield f"random/{kind}-{seed}", text


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["keep", "compare"])
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    different = 0
    kept = {str(p.relative_to(options.folder)) for p in options.folder.glob("**/*") if p.is_file()}
    with tempfile.TemporaryDirectory() as scratch:
        for name, text in answers(Path(scratch)):
            path = options.folder / name
            if options.what == "keep":
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(text, encoding="utf-8")
                continue
            kept.discard(name)
            before = path.read_text(encoding="utf-8") if path.exists() else ""
            if before != text:
                different += 1
                lines = difflib.unified_diff(before.splitlines(), text.splitlines(), n=0)
                print(f"{name} differs:", *list(lines)[:8], sep="\n  ", flush=True)
    if options.what == "compare":
        for name in sorted(kept):
            print(f"{name} is no longer written")
        print("nothing differs" if not different and not kept else f"{different} differ")
        return 1 if different or kept else 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
