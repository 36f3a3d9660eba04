"""A file made to be endless, deep or huge is told within seconds and in bounded memory.

The limits are 2 s of processor time and 300 MB on an idle machine; busy neighbours cost processor
time too, so the tests allow twice the time.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from partitioner.reading.limits import LARGEST_FILE_BYTES
from tests.reading import hostile
from tests.reading.whole import read_problem_with_findings

SECONDS = 4.0
MEMORY_MB = 300
# One for each limit, and those that once took longest.
QUICK = {
    "yaml": (
        "brackets", "braces", "brackets-closed", "brackets-in-megabytes", "question-marks",
        "alias-bomb", "alias-of-number", "pairs", "keys", "key-again", "long-text", "long-tag",
        "far-digit", "lines", "tag-directives", "fault-far-down", "quote-never-closed",
    ),
    "csv": ("rows-within-size", "long-line", "columns-alike", "wrong-rows", "empty-rows"),
    "layout": ("brackets", "segments"),
    "state": ("brackets", "lists", "digits"),
}  # fmt: skip
MAKERS = {
    "yaml": hostile.YAML, "csv": hostile.CSV, "layout": hostile.LAYOUTS, "state": hostile.STATES,
}  # fmt: skip


def words_for(kind: str, path: Path, good: Path) -> list[str]:
    """Write what is needed beside the file, and give the command that reads it."""
    if kind == "yaml":
        return ["check", str(path), "none.yaml"]
    if kind == "layout":
        return ["check", str(good), str(path)]
    if kind == "csv":
        problem = path.with_suffix(".yaml")
        problem.write_text(f"{hostile.HEAD}devices_csv: {path.name}\n", encoding="utf-8")
        return ["check", str(problem), "none.yaml"]
    folder = path.with_suffix(".out")
    folder.mkdir()
    path.rename(folder / "tradeoff.json")
    return ["tradeoff", str(good), "-o", str(folder)]


def read_all(cases: list[tuple[str, str]], folder: Path, root: Path) -> list[dict[str, Any]]:
    """Make the files and read them all in one process of its own; give what was seen of each."""
    good = root / "tests/gold/small-sprayer/problem.yaml"
    commands = [["check", str(good), str(folder / "none.yaml")]]  # for what is loaded at first
    for kind, name in cases:
        path = folder / f"{kind}-{name}.csv"
        path.write_text(MAKERS[kind][name](), encoding="utf-8", newline="")
        commands.append(words_for(kind, path, good))
    orders = folder / "orders"
    orders.write_text("\n".join(json.dumps(words) for words in commands), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "tests.reading.each_file", str(orders)],
        cwd=root, capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()][1:]


def judge(cases: list[tuple[str, str]], seen: list[dict[str, Any]]) -> None:
    assert len(seen) == len(cases)
    for case, told in zip(cases, seen, strict=True):
        assert told["code"] == 3, (case, told)
        assert "Traceback" not in told["said"], case
        assert "error[" in told["said"], case
        assert told["seconds"] < SECONDS, (case, told["seconds"])
        assert told["memory_mb"] < MEMORY_MB, (case, told["memory_mb"])
        assert told["characters"] < 100_000, (case, told["characters"])


def test_each_limit(tmp_path: Path, root: Path) -> None:
    cases = [(kind, name) for kind, names in QUICK.items() for name in names]
    judge(cases, read_all(cases, tmp_path, root))


@pytest.mark.slow
@pytest.mark.parametrize("kind", MAKERS)
def test_all(kind: str, tmp_path: Path, root: Path) -> None:
    cases = [(kind, name) for name in MAKERS[kind]]
    judge(cases, read_all(cases, tmp_path, root))


def make(what: str, path: Path) -> None:
    if what == "device":
        path.symlink_to("/dev/zero")
    elif what == "pipe":
        os.mkfifo(path)
    elif what == "folder":
        path.mkdir()
    elif what == "socket":
        with socket.socket(socket.AF_UNIX) as it:
            it.bind(str(path))
    else:
        with path.open("wb") as file:
            file.truncate(2_000_000_000)


SPECIAL = {
    "device": "expected a file, got a device",
    "pipe": "expected a file, got a pipe",
    "folder": "expected a file, got a folder",
    "socket": "expected a file, got a socket",
    "2 GB": "expected at most 10 MB, got 2000 MB",
}


@pytest.mark.skipif(os.name == "nt", reason="there are no such files there")
@pytest.mark.parametrize("what", SPECIAL)
@pytest.mark.parametrize("where", ["problem", "list", "layout", "state", "keep"])
def test_what_is_no_file_or_too_large_is_not_opened(
    what: str, where: str, tmp_path: Path, root: Path, monkeypatch, capsys
) -> None:
    from partitioner.cli.main import run

    monkeypatch.chdir(tmp_path)  # the path of a socket must be short
    good = str(root / "tests/gold/small-sprayer/problem.yaml")
    path = Path("it")
    if where == "state":
        Path("out").mkdir()
        path = Path("out/tradeoff.json")
    make(what, path)
    if where == "list":
        Path("p.yaml").write_text(f"{hostile.HEAD}devices_csv: it\n", encoding="utf-8")
    words = {
        "problem": ["check", "it", "none.yaml"],
        "list": ["check", "p.yaml", "none.yaml"],
        "layout": ["check", good, "it"],
        "state": ["tradeoff", good, "-o", "out", "--force"],
        "keep": ["replan", good, "--keep", "it", "-o", "new"],
    }[where]
    assert run(words) == 3
    told = capsys.readouterr().err
    if (where, what) == ("list", "device"):
        # The link leads out of the folder, so that nothing at all is said about its end.
        assert "expected a file in the folder of this one or below it" in told
    else:
        assert SPECIAL[what] in told
    assert not Path("new").exists()


def test_a_file_that_grows_is_read_to_the_limit_only(tmp_path: Path, monkeypatch) -> None:
    path = tmp_path / "p.yaml"
    path.write_bytes(b"a" * (LARGEST_FILE_BYTES + 1))
    true_size = os.stat_result
    real = Path.stat

    def small(self: Path, **how: bool) -> os.stat_result:
        told = list(real(self, **how))
        told[6] = 1
        return true_size(told)

    monkeypatch.setattr(Path, "stat", small)
    monkeypatch.setattr(os, "fstat", lambda number: small(path))
    _, findings = read_problem_with_findings(path)
    assert [f.message for f in findings] == ["expected at most 10 MB, got more"]


@pytest.mark.parametrize("name", ["a\\0b.csv", "x" * 400 + ".csv", "\\x01.csv"])
def test_names_that_no_file_has(name: str, read) -> None:
    problem, findings = read(f'{hostile.HEAD}devices_csv: "{name}"\n')
    assert problem is None
    assert [(f.code, f.where) for f in findings if f.where == "devices_csv"] == [
        ("unreadable-file", "devices_csv")
    ]


def test_more_warnings_than_anybody_reads_stop_nothing(read) -> None:
    options = "".join(f"  - {{id: o{n}, take_rate: 0.5}}\n" for n in range(1_200))
    problem, findings = read(
        f"{hostile.HEAD}devices:\n"
        "  - {id: d, position_m: [1, 0, 0], grades: [10BASE-T1S-multidrop]}\n"
        f"options:\n{options}"
    )
    assert problem is not None
    assert len(findings) == 1_001
    assert findings[-1].message.startswith("200 more warnings")


def test_far_too_many_errors_end_the_reading(read) -> None:
    text = f"{hostile.HEAD}devices:\n" + "  - {id: d}\n" * 1_500
    problem, findings = read(text)
    assert problem is None
    assert len(findings) == 1_001
    assert findings[-1].message == "more than 1000 problems; reading ends here"
