"""``partitioner tradeoff``: cost against latency, or another axis, as a front of layouts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from partitioner.cli.duration import Duration
from partitioner.cli.search_options import seed_option, workers_option
from partitioner.cli.session import Session, json_option, manner_options, problem_options

if TYPE_CHECKING:
    from partitioner.tradeoff.search import TradeOff


class PointCount(click.ParamType[int | None, object]):
    """A number of points, or the word ``all``."""

    name = "points"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int | None:
        """Give the number, None for all; anything else is a wrong command line."""
        if value == "all" or value is None:
            return None
        if isinstance(value, int) or (isinstance(value, str) and value.strip().isdecimal()):
            number = int(value)
            if number >= 2:
                return number
        self.fail(f"{value!r} is no number of points: write 2 or more, or all", param, ctx)


@click.command(
    short_help="Show what a faster (lighter, smaller) layout costs.",
    epilog="Example: partitioner tradeoff problem.yaml -o front --time-limit 5min",
)
@click.argument("problem", type=click.Path(path_type=Path), help="The problem file.")
@click.option(
    "-o", "--output", metavar="DIR", type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the front, its layouts and the report  [default: out-NAME-AXIS, by the "
    "problem's name]",
)  # fmt: skip
@click.option(
    "--axis", type=click.Choice(["latency", "margin", "mass", "ports", "lines"]),
    default="latency", show_default=True,
    help="What to weigh against cost.",
)  # fmt: skip
@click.option(
    "--points", metavar="N|all", type=PointCount(), default="8", show_default=True,
    help="How many points, spread between the ends; all: the whole front, one after the other.",
)  # fmt: skip
@click.option(
    "--gap", metavar="SHARE", type=click.FloatRange(0.0, 1.0), default=0.01, show_default=True,
    help="Proven gap that a point must reach (0.01: 1 %); other layouts found are listed apart.",
)  # fmt: skip
@click.option(
    "--time-limit", type=Duration(), default="5min", show_default=True,
    help="How long to search at most, for all points together: 90, 90s, 2min, 1h.",
)  # fmt: skip
@seed_option
@workers_option
@click.option("--afresh", is_flag=True, help="Forget what an earlier call left in the folder.")
@click.option("--force", is_flag=True, help="Write into a folder that holds something else.")
@problem_options
@json_option
@manner_options
@click.pass_obj
def command(
    session: Session,
    problem: Path,
    output: Path | None,
    axis: str,
    points: int | None,
    gap: float,
    time_limit: float,
    seed: int,
    workers: int | None,
    afresh: bool,
    force: bool,
) -> None:
    """Find layouts of PROBLEM that trade cost against worst latency, or another axis.

    Every point is a whole, checked layout with its proven gap. After each point the folder is
    brought up to date, so that Ctrl-C loses nothing; called again with the same problem and
    folder, the search goes on where it ended.
    """
    from partitioner.cli.machine import usable_workers

    # Before anything large is imported that would end the process for want of memory.
    cores = usable_workers(workers)

    import time

    from partitioner.application import pipeline
    from partitioner.cli.interrupt import StopWish
    from partitioner.cli.output import Place, default_folder
    from partitioner.cli.progress import Progress
    from partitioner.cli.voice import Voice
    from partitioner.pages.tradeoff import front_text, tradeoff_files
    from partitioner.runs import Budget
    from partitioner.tradeoff.axes import AXES
    from partitioner.tradeoff.search import TradeOffSettings, begin, trade_off
    from partitioner.tradeoff.state import STATE, other_axis, read_state, state_data

    voice = Voice(session)
    voice.step(f"reading {problem}")
    read = pipeline.read(problem, is_strict=session.is_strict, lists_from=session.lists_from)
    for warning in read.warnings:
        voice.note(warning)
    folder = output or default_folder(read.name, f"-{axis}")
    progress = Progress(voice, time_limit, read.currency, time.monotonic)

    def on_stop() -> None:
        voice.note_now("stopping; the points so far will be kept")

    # Until all is written and told a signal must not end the run.
    with StopWish(on_stop) as wish, Place(folder, voice, force=force, marks=(STATE,)) as place:
        state = None if afresh else read_state(folder, read, AXES[axis])
        if state is not None:
            voice.note(f"going on from {len(state.front.points)} points in {folder}/")
        elif not afresh and (other := other_axis(folder, read, AXES[axis])) is not None:
            raise click.UsageError(
                f"{folder}: holds the trade-off of this problem against {other}; choose another "
                "folder, or forget that one with --afresh"
            )
        else:
            state = begin(read, AXES[axis])

        def keep(now: TradeOff) -> None:
            if now.front.points:
                place.write(tradeoff_files(read, now), is_last=False)
                voice.step(f"{len(now.front.within(now.goal))} points so far")

        budget = Budget(
            time.monotonic,
            time.monotonic() + time_limit,
            seed=seed,
            workers=cores,
            should_stop=wish,
            on_progress=progress,
        )
        try:
            trade_off(read, state, budget, TradeOffSettings(points, gap), keep)
        finally:
            voice.clear_line()
        is_kept = not state.front.points and (folder / STATE).is_file()
        if not is_kept:
            place.write(tradeoff_files(read, state))
        if session.is_json:
            voice.answer_json(state_data(read, state))
        else:
            voice.answer(front_text(read, state))
            if not state.is_finished:
                why = "stopped by you" if wish() else "the time was up"
                voice.note(f"{why} before all points were found; call again to go on")
        if is_kept:
            voice.note(f"no point was found; kept what {folder}/ held before")
        elif not session.is_json:
            voice.note(f"wrote {folder}/ (open report.html)")
