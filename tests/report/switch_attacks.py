"""Attacks on the switch from one set of files to the next; run as a program of its own.

It forks, so it must have no threads. An audit hook in the child sees every call that changes the
file system and strikes at one of them. One line of JSON per attack: what the folder held after the
strike, what the recovery said, what the folder held then.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from partitioner.report.switch import current, is_own_hidden, recover
from partitioner.report.writer import write_set

EVENTS = {
    "open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "shutil.copyfile",
    "tempfile.mkdtemp",
}  # fmt: skip
OLD = {"outcome.json": "old o", "layout.yaml": "old l", "gone.csv": "old g", "edited.csv": "old e"}
NEW = {"outcome.json": "new o", "layout.yaml": "new l", "more.csv": "new m"}


def content(folder: Path) -> dict[str, str]:
    """All files of a folder that anybody sees."""
    if not folder.exists():
        return {}
    return {p.name: p.read_text() for p in sorted(folder.iterdir()) if not is_own_hidden(p)}


def strike_at(number: int, strike: Callable[[int], None]) -> None:
    """Call ``strike`` at the call of that number and at every later one, with how many came."""
    seen = 0

    def hook(event: str, arguments: tuple) -> None:
        nonlocal seen
        if event in EVENTS:
            seen += 1
            if seen >= number:
                strike(seen - number)

    sys.addaudithook(hook)


def kill(_: int) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def refuse_from_here(_: int) -> None:
    raise OSError(28, "No space left on device")


def refuse_once(later: int) -> None:
    if later == 0:
        raise OSError(28, "No space left on device")


def interrupt(later: int) -> None:
    if later == 0:
        raise KeyboardInterrupt


STRIKES = {f.__name__: f for f in (kill, refuse_from_here, refuse_once, interrupt)}


def in_child(work: Callable[[], None]) -> None:
    """Do ``work`` in a process of its own, however that ends."""
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    os.waitpid(child, 0)


def calls_of(work: Callable[[], None]) -> int:
    """How many calls there are to strike at in ``work``."""
    reading, writing = os.pipe()

    def counted() -> None:
        strike_at(1, lambda _: os.write(writing, b"x"))
        work()

    in_child(counted)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        return len(pipe.read())


def write_struck(folder: Path, strike: str, number: int) -> None:
    """Write the new set and strike."""

    def work() -> None:
        strike_at(number, STRIKES[strike])
        write_set(folder, NEW)

    in_child(work)


def tell(folder: Path, at: list[int]) -> None:
    """What the folder holds after the strike and after the recovery."""
    struck = content(folder)
    read = current(folder / "layout.yaml")
    reader = read.read_text() if read.exists() else ""
    said = recover(folder)
    hidden = [p.name for p in folder.iterdir() if is_own_hidden(p)] if folder.exists() else []
    after = content(folder)
    data = {"at": at, "struck": struck, "reader": reader, "said": said, "after": after}
    print(json.dumps({**data, "hidden": hidden}))
    shutil.rmtree(folder, ignore_errors=True)


def attack_writing(root: Path, prepare: Callable[[Path], None], strike: str) -> None:
    """Strike at every call of a writing."""
    prepare(root / "counted")
    for number in range(1, calls_of(lambda: write_set(root / "counted", NEW)) + 1):
        folder = root / f"at-{number}"
        prepare(folder)
        write_struck(folder, strike, number)
        tell(folder, [number])


def attack_recovery(root: Path, prepare: Callable[[Path], None], strike: str, step: int) -> None:
    """Kill a writing at every ``step``-th call, and strike at every call of its recovery."""
    prepare(root / "counted")
    for outer in range(1, calls_of(lambda: write_set(root / "counted", NEW)) + 1, step):
        counted = root / f"counted-{outer}"
        prepare(counted)
        write_struck(counted, "kill", outer)
        for inner in range(1, calls_of(lambda folder=counted: recover(folder)) + 1):
            folder = root / f"at-{outer}-{inner}"
            prepare(folder)
            write_struck(folder, "kill", outer)

            def recover_struck(folder: Path = folder, number: int = inner) -> None:
                strike_at(number, STRIKES[strike])
                recover(folder)

            in_child(recover_struck)
            tell(folder, [outer, inner])


def nothing(_: Path) -> None:
    """The folder is not there yet."""


def earlier(folder: Path) -> None:
    """The folder holds a set, one file of it edited since, and a file of somebody's own."""
    write_set(folder, OLD)
    (folder / "edited.csv").write_text("mine e")
    (folder / "notes.txt").write_text("mine n")


if __name__ == "__main__":
    # Nothing here survives a loss of power, and none is tried.
    os.fsync = lambda _: None
    root, prepare, strike, where, step = sys.argv[1:]
    if where == "writing":
        attack_writing(Path(root), globals()[prepare], strike)
    else:
        attack_recovery(Path(root), globals()[prepare], strike, int(step))
