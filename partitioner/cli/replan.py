"""``partitioner replan``: plan on from a layout that exists, at least plan and change cost."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli import options
from partitioner.cli.completion import complete_parts
from partitioner.cli.session import Session, asking_options


@click.command(
    short_help="Plan on from a layout that exists, with few changes.",
    epilog="Example: partitioner replan problem.yaml --keep ordered/layout.yaml -o out --front",
)
@click.argument("problem", type=options.FILE, help="The changed problem file.")
@click.option(
    "--keep", metavar="LAYOUT", type=options.FILE, required=True,
    help="The earlier layout; it may name devices that are gone, or leave devices out.",
)  # fmt: skip
@options.output(
    "Folder for the layout, the report and its tables  [default: out-NAME-replan, by the "
    "problem's name]"
)
@click.option(
    "--freeze", metavar="ID", multiple=True, shell_complete=complete_parts,
    help="Leave this device, segment or switch untouched; may be given several times.",
)  # fmt: skip
@click.option(
    "--complete", is_flag=True,
    help="Hold every device that the layout places, and find places for the others.",
)  # fmt: skip
@click.option(
    "--front", is_flag=True,
    help="Also show layouts between touching nothing and planning afresh.",
)  # fmt: skip
@click.option(
    "--points", metavar="N", type=click.IntRange(2, 40), default=6, show_default=True,
    help="How many layouts --front shows, where there are so many.",
)  # fmt: skip
@click.option(
    "--use-reserve", is_flag=True,
    help="Let this change use up the reserve that the limits keep free for growth.",
)  # fmt: skip
@click.option(
    "--was", metavar="PROBLEM", type=options.FILE,
    help="The problem file before the change, for exact cut lengths where something was moved or "
    "is gone.",
)  # fmt: skip
@options.time_limit("60s")
@options.search
@options.report
@asking_options
@click.pass_obj
def command(
    session: Session,
    problem: Path,
    keep: Path,
    output: Path | None,
    freeze: tuple[str, ...],
    complete: bool,
    front: bool,
    points: int,
    use_reserve: bool,
    was: Path | None,
    time_limit: float,
    start: Path | None,
    seed: int,
    workers: int | None,
    units: int | None,
    is_zipped: bool,
    replace: bool,
    force: bool,
) -> None:
    """Find the layout for PROBLEM whose plan and changes together cost least.

    What a change costs is stated under change_prices in the problem. Names, ports and PLCA IDs of
    what stays are kept. Writes the same files as plan, with the list of changes, and prints it.
    If the folder holds a better layout of the same problem from an earlier run, that one stays, and
    the new one goes into also-found within the folder.
    """
    from partitioner.cli.machine import usable_workers

    # Before anything large is imported that would end the process for want of memory.
    cores = usable_workers(workers)

    from dataclasses import astuple

    from partitioner.application.reading import for_batch, read_problem
    from partitioner.cli.output import Place, default_folder, settled, today
    from partitioner.cli.searching import read_aloud, searching, start_of, stop_wish, tell_start
    from partitioner.cli.voice import Voice
    from partitioner.replan.reading import read_earlier_layout
    from partitioner.report.switch import file_digest

    voice = Voice(session)
    changed = for_batch(read_aloud(problem, voice), units)
    earlier = None
    if was is not None:
        earlier = read_problem(was, is_strict=session.is_strict, lists_from=session.lists_from)
    keep = settled(keep, voice)
    layout, noticed = read_earlier_layout(keep, changed)
    kept_digest = file_digest(keep)
    begin_from = start_of(start, changed, voice)
    for sentence in noticed:
        voice.note(sentence)
    if not any(astuple(changed.change_prices)):
        voice.note("all change_prices are 0: changes cost nothing, so anything may change")
    folder = output or default_folder(changed.name, "-replan")

    with stop_wish(voice, "the best layout") as wish, Place(folder, voice, force=force) as place:
        # Only now: loading the solver takes a second, and a wrong file needs none.
        from partitioner.application.replan import Question, replan, sum_of_layout
        from partitioner.cli.kept import keep_better
        from partitioner.cli.so_far import kept_so_far
        from partitioner.replan.rerun import CannotHold

        try:
            so_far = kept_so_far(
                place, changed, voice, is_offered=start is None,
                value_of=lambda path, problem: sum_of_layout(path, problem, layout, earlier),
            )  # fmt: skip
            with searching(
                voice, changed, problem, time_limit, seed, cores, wish, place, so_far=so_far
            ) as search:
                answer = replan(
                    changed, layout, search, question=Question(freeze, complete, use_reserve),
                    points=points if front else 0, problem_before=earlier, start=begin_from,
                    kept_digest=kept_digest,
                )  # fmt: skip
        except CannotHold as error:
            raise click.UsageError(f"--freeze: {error}") from error
        tell_start(answer.rerun.searched.outcome.start_unusable, voice)
        voice.step("writing the report")
        outcome = answer.outcome
        kept = keep_better(
            place, answer.problem, answer.files(made_on=today()),
            answer.rerun.best.found.plan_money, None if outcome is None else outcome.bound_money,
            voice, replace=replace, is_zipped=is_zipped,
            is_better=lambda there: answer.is_worse_than(there, folder),
        )  # fmt: skip
        so_far.end(answer.rerun.best.found.total_money, voice)
        if use_reserve:
            voice.note("reserve was used: lower it in the problem file before `partitioner check`")
        if session.is_json:
            data = answer.data()
            voice.answer_json(data if kept is None else {**data, "kept": kept.kept_data()})
        else:
            voice.answer(answer.text() if kept is None else kept.text())
        voice.note(f"wrote {folder}/ (open report.html)" if kept is None else kept.sentence())
