"""What several commands do: read aloud, show progress, stop, tell what came of a start."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from partitioner.application.nearest import StillIncomplete
from partitioner.application.reading import ReadLayout, read_layout, read_problem
from partitioner.application.search import Search, load_planner
from partitioner.application.start import read_start
from partitioner.cli import interrupt
from partitioner.cli.output import NEAREST, Place, settled, today
from partitioner.cli.progress import Progress
from partitioner.cli.voice import Voice
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    from partitioner.cli.so_far import BestSoFar
    from partitioner.cluster.connection import Cluster

MOST_TOLD = 10
"""Sentences on a layout to start from that are shown."""
MOST_BEFORE = 0.5
"""Share of a time limit that loading and reading may use up; a search gets the rest at least."""


def read_aloud(path: Path, voice: Voice) -> Problem:
    """Read a problem and say what was noticed."""
    session = voice.session
    voice.step(f"reading {path}")
    problem = read_problem(path, is_strict=session.is_strict, lists_from=session.lists_from)
    for warning in problem.warnings:
        voice.note(warning)
        session.has_slips |= "warning[unlikely]" in warning
    return problem


def read_layout_aloud(problem: Path, layout: Path, voice: Voice) -> ReadLayout:
    """Read a problem and a layout of it and say what was noticed."""
    session = voice.session
    read = read_layout(
        problem, layout, is_strict=session.is_strict, lists_from=session.lists_from
    )
    for warning in read.warnings:
        voice.note(warning)
    return read


def stop_wish(
    voice: Voice, what: str, done: str = "kept"
) -> AbstractContextManager[Callable[[], bool]]:
    """Take Ctrl-C as a wish to stop and say what will be done with what there is by then.

    Until all is written and told a signal must not end the run: stay within it until then.
    """
    told = f"stopping; {what} so far will be {done}"
    return interrupt.stop_wish(lambda: voice.note_now(told))


def start_of(path: Path | None, problem: Problem, voice: Voice) -> Layout | None:
    """Read the layout to start from, if there is one."""
    return None if path is None else read_start(settled(path, voice), problem)


@contextmanager
def searching(
    voice: Voice,
    problem: Problem,
    path: Path,
    time_limit_s: float,
    seed: int,
    workers: int,
    stop: Callable[[], bool],
    place: Place | None = None,
    cluster: Cluster | None = None,
    so_far: BestSoFar | None = None,
) -> Iterator[Search]:
    """Give what a search for a problem in a file is told; its time runs since the program began.

    While entered its progress is shown, and ``so_far`` is told of better layouts. If devices are
    still without a place in the end, what there is goes into ``place``.
    """

    def asked() -> bool:
        if so_far is not None:
            so_far.write_if_due()
        return stop()

    load_planner()
    from partitioner.explain.placement import locator

    now = time.monotonic()
    begun_s = max(voice.session.begun_s, now - MOST_BEFORE * time_limit_s)
    left_s = begun_s + time_limit_s - now
    progress = Progress(voice, left_s, problem.currency, time.monotonic)
    try:
        yield Search(
            time_limit_s=time_limit_s,
            seed=seed,
            workers=workers,
            clock=time.monotonic,
            begun_s=begun_s,
            stop=asked,
            on_progress=progress.sample,
            on_state=progress.state,
            on_step=voice.step,
            cluster=cluster,
            on_warning=voice.warn,
            on_layout=None if so_far is None else so_far.take,
            locate=locator(problem, path, voice.session.lists_from),
        )
    except StillIncomplete as error:
        if place is not None:
            files = error.answer.files(made_on=today())
            error.written_to = str(place.write_within(NEAREST, files))
        raise
    finally:
        voice.clear_line()


def tell_start(unusable: Sequence[str], voice: Voice) -> None:
    """Say what could not be used of the layout to start from."""
    for sentence in unusable[:MOST_TOLD]:
        voice.note(f"start: {sentence}")
    if len(unusable) > MOST_TOLD:
        voice.note(f"start: and {len(unusable) - MOST_TOLD} more; --json or the report has all")
