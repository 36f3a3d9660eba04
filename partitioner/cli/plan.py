"""``partitioner plan``: from a problem file to a checked layout and its report."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli import options
from partitioner.cli.cluster_options import cluster_at, cluster_options, must_belong_together
from partitioner.cli.session import Session, asking_options


@click.command(
    short_help="Plan a layout and write it with its report.",
    epilog="Example: partitioner plan problem.yaml -o out --time-limit 2min",
)
@options.problem
@options.output(
    "Folder for the layout, the report and its tables  [default: out-NAME, by the problem's name]"
)
@options.time_limit("60s")
@options.seed
@options.workers
@click.option(
    "--work-limit", type=click.IntRange(1), default=None, metavar="ROUNDS",
    help="End after so many rounds of search; with --workers 1 the same layout every time.",
)  # fmt: skip
@click.option(
    "--require-optimal", is_flag=True,
    help="End with exit code 5 when the layout is not proved optimal; it is written all the same.",
)  # fmt: skip
@click.option(
    "--zones", is_flag=True,
    help="Also plan with each candidate switch the other way round; takes a run for each.",
)  # fmt: skip
@cluster_options
@options.start
@options.report
@asking_options
@click.pass_obj
def command(
    session: Session,
    problem: Path,
    output: Path | None,
    time_limit: float,
    seed: int,
    workers: int | None,
    work_limit: int | None,
    require_optimal: bool,
    zones: bool,
    scheduler: str | None,
    tls_ca: Path | None,
    tls_cert: Path | None,
    tls_key: Path | None,
    start: Path | None,
    units: int | None,
    is_zipped: bool,
    replace: bool,
    force: bool,
) -> None:
    """Plan the cheapest layout for PROBLEM that keeps all its rules.

    Writes layout.yaml, report.html, outcome.json and the tables as CSV into a folder, and prints
    the verdict. Ctrl-C ends the search and keeps the best layout so far. If the folder holds a
    better layout of the same problem from an earlier run, that one stays, and the new one goes
    into also-found within the folder. If time is up before every device has a place, what there is
    goes into nearest-miss, with what keeps the others out, and the command ends with exit code 5.
    While the search goes on the best layout is in so-far, in case the run is killed.
    With --scheduler the parts of a problem of more than 300 devices are worked on by a cluster.
    """
    from partitioner.cli.machine import usable_workers

    # Before anything large is imported that would end the process for want of memory.
    cores = usable_workers(workers)
    must_belong_together(
        scheduler, tls_ca, tls_cert, tls_key,
        of_this_machine={"--workers": workers, "--work-limit": work_limit},
    )  # fmt: skip

    from partitioner.application.earlier import holds_layout_of
    from partitioner.application.plan import RejectedPlan, plan
    from partitioner.application.reading import for_batch, problem_files
    from partitioner.cli.kept import keep_better
    from partitioner.cli.output import REJECTED, Place, default_folder, today
    from partitioner.cli.searching import read_aloud, searching, start_of, stop_wish, tell_start
    from partitioner.cli.so_far import kept_so_far
    from partitioner.cli.voice import Voice
    from partitioner.errors import NoAnswer
    from partitioner.model.outcome import Status
    from partitioner.report.file_names import clean_name
    from partitioner.report.writer import LAYOUT, OUTCOME

    voice = Voice(session)
    cluster = scheduler and cluster_at(scheduler, tls_ca, tls_cert, tls_key, voice)
    read = for_batch(read_aloud(problem, voice), units)
    begin_from = start_of(start, read, voice)
    folder = output or default_folder(read.name)

    # Until here there is nothing to keep, and from here on there is until all is told. The folder
    # comes before the search, so that nobody waits a minute to hear that it is taken.
    with stop_wish(voice, "the best layout") as wish, Place(folder, voice, force=force) as place:
        if begin_from is None and holds_layout_of(folder, read):
            voice.note(
                f"{folder}/ holds an earlier layout of this problem; --start {folder / LAYOUT} "
                "would begin from it"
            )
        so_far = kept_so_far(place, read, voice, is_offered=start is None)
        try:
            with searching(
                voice, read, problem, time_limit, seed, cores, wish, place, cluster or None, so_far
            ) as search:
                answer = plan(
                    read, search, work_limit=work_limit, start=begin_from, with_zones=zones
                )
        except RejectedPlan as error:
            read_files = problem_files(problem, session.lists_from)
            evidence = {clean_name(n): c for n, c in read_files.items()}
            error.kept_in = place.write_within(REJECTED, {**evidence, **error.files})
            place.end_so_far()
            raise
        outcome = answer.outcome
        tell_start(outcome.start_unusable, voice)
        voice.step("writing the report")
        files = answer.files(made_on=today())
        kept = keep_better(
            place, read, files, outcome.cost_money, outcome.bound_money, voice, replace=replace,
            is_zipped=is_zipped,
        )  # fmt: skip
        so_far.end(outcome.cost_money, voice)
        if kept is not None:
            voice.answer_as_asked(kept)
            voice.note(kept.sentence())
        elif session.is_json:
            voice.answer(str(files[OUTCOME]).rstrip("\n"))
        else:
            voice.answer(answer.text())
            voice.note(f"wrote {folder}/ (open report.html)")
    is_proved = outcome.status is Status.OPTIMAL if kept is None else kept.is_proved
    if require_optimal and not is_proved:
        raise NoAnswer(
            "the layout written is not proved optimal, as --require-optimal asks",
            ended_by=outcome.stopped_by,
            hint="The layout can be used; --start with it and a longer --time-limit goes on.",
        )
