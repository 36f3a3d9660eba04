"""``partitioner tradeoff``: cost against latency, or another quantity, as layouts."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli import options
from partitioner.cli.session import Session, asking_options


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
@options.problem
@options.output(
    "Folder for the points, their layouts and the report  [default: out-NAME-AXIS, by the "
    "problem's name]"
)
@click.option(
    "--axis", type=click.Choice(["latency", "margin", "mass", "ports", "lines"]),
    default="latency", show_default=True,
    help="What to weigh against cost.",
)  # fmt: skip
@click.option(
    "--points", metavar="N|all", type=PointCount(), default="8", show_default=True,
    help="How many points, spread between the ends; all: every one there is, one after the other.",
)  # fmt: skip
@click.option(
    "--gap", metavar="SHARE", type=click.FloatRange(0.0, 1.0), default=0.01, show_default=True,
    help="Proven gap that a point must reach (0.01: 1 %); other layouts found are listed apart.",
)  # fmt: skip
@options.time_limit("5min", "all points")
@options.search
@click.option("--afresh", is_flag=True, help="Forget what an earlier call left in the folder.")
@options.force
@asking_options
@click.pass_obj
def command(
    session: Session,
    problem: Path,
    output: Path | None,
    axis: str,
    points: int | None,
    gap: float,
    time_limit: float,
    start: Path | None,
    seed: int,
    workers: int | None,
    afresh: bool,
    force: bool,
) -> None:
    """Find layouts of PROBLEM that trade cost against worst latency, or another quantity.

    Every point is a whole, checked layout with its proven gap. After each point the folder is
    brought up to date, so that Ctrl-C loses nothing; called again with the same problem and
    folder, the search goes on where it ended.
    """
    from partitioner.cli.machine import usable_workers

    # Before anything large is imported that would end the process for want of memory.
    cores = usable_workers(workers)

    from partitioner.application.tradeoff import TradeOffAnswer, tradeoff
    from partitioner.cli.output import Place, default_folder, today
    from partitioner.cli.searching import read_aloud, searching, start_of, stop_wish, tell_start
    from partitioner.cli.so_far import kept_so_far
    from partitioner.cli.voice import Voice
    from partitioner.report.amounts import count_text
    from partitioner.tradeoff.axes import AXES
    from partitioner.tradeoff.front import Front
    from partitioner.tradeoff.state import STATE, other_axis, read_state

    voice = Voice(session)
    read = read_aloud(problem, voice)
    begin_from = start_of(start, read, voice)
    folder = output or default_folder(read.name, f"-{axis}")

    with (
        stop_wish(voice, "the points") as wish,
        Place(folder, voice, force=force, marks=(STATE,)) as place,
    ):
        known = None if afresh else read_state(folder, read, AXES[axis])
        if known is not None:
            have = count_text(len(known.front.points), "point")
            voice.note(f"going on from {have} in {folder}/")
        elif not afresh and (other := other_axis(folder, read, AXES[axis])) is not None:
            raise click.UsageError(
                f"{folder}: holds the trade-off of this problem against {other}; choose another "
                "folder, or forget that one with --afresh"
            )

        written: Front | None = None
        so_far = kept_so_far(place, read, voice, is_offered=start is None)

        def keep(now: TradeOffAnswer) -> None:
            nonlocal written
            front = now.state.front
            # To draw the page takes time from the search, so not where all is as it was.
            if front.points and front != written:
                place.write(now.files(made_on=today()), is_last=False)
                written = front
                voice.step(f"{len(front.within(now.state.goal))} points so far")

        with searching(
            voice, read, problem, time_limit, seed, cores, wish, place, so_far=so_far
        ) as search:
            answer = tradeoff(
                read, search, axis=axis, points=points, gap=gap, start=begin_from, known=known,
                on_point=keep,
            )  # fmt: skip
        tell_start(answer.state.start_unusable, voice)
        is_kept = not answer.state.front.points and (folder / STATE).is_file()
        if not is_kept:
            place.write(answer.files(made_on=today()))
            for cheapest in answer.state.front.points[:1]:
                so_far.end(cheapest.cost_money, voice)
        voice.answer_as_asked(answer)
        if not (session.is_json or answer.state.is_finished):
            voice.note("the same command goes on from here")
        if is_kept:
            voice.note(f"no point was found; kept what {folder}/ held before")
        elif not session.is_json:
            voice.note(f"wrote {folder}/ (open report.html)")
