"""``partitioner sweep``: one question over many cases."""

from __future__ import annotations

import time
from pathlib import Path

import click

from partitioner.cli import options
from partitioner.cli.cluster_options import cluster_at, cluster_options, must_belong_together
from partitioner.cli.session import Session, asking_options


@click.command(
    short_help="Ask one question over many cases: a study.",
    epilog="Example: partitioner sweep study.yaml -o study --workers 2",
)
@click.argument("study", type=options.FILE, help="The study file.")
@options.output(
    "Folder for the results, the table and the report  [default: out-NAME, by the study's name]"
)
@click.option(
    "--dry-run", is_flag=True,
    help="Read the study and every case of it, count them, estimate the time, and end.",
)  # fmt: skip
@click.option(
    "--workers", metavar="N", type=click.IntRange(1, 256), default=None,
    help="Processes on this machine, each with one core  [default: all cores]",
)  # fmt: skip
@click.option(
    "--memory", metavar="MB", type=click.IntRange(100, 1_000_000), default=None,
    help="Most memory of each process; one that takes more is ended  [default: the machine's, "
    "shared out]",
)  # fmt: skip
@cluster_options
@click.option(
    "--best", metavar="N", type=click.IntRange(0, 100), default=3, show_default=True,
    help="Layouts, cheapest first, that are judged in every case and get a report of their own.",
)  # fmt: skip
@click.option(
    "--retry", is_flag=True,
    help="Run cases again that failed by a fault, for want of memory, or found no layout in time.",
)  # fmt: skip
@options.force
@asking_options
@click.pass_obj
def command(
    session: Session,
    study: Path,
    output: Path | None,
    dry_run: bool,
    workers: int | None,
    memory: int | None,
    scheduler: str | None,
    tls_ca: Path | None,
    tls_cert: Path | None,
    tls_key: Path | None,
    best: int,
    retry: bool,
    force: bool,
) -> None:
    """Plan, trade off or replan every case of STUDY, and tell what is best where.

    A study names a problem and what varies in it. Each result lands in the folder as its case
    ends; called again, only what is missing runs, whatever ended the run before. Anybody who
    reaches a scheduler without TLS can run programs as its owner: a plain address is warned about
    unless it is of this machine.
    """
    from partitioner.cli.machine import usable_workers

    # Before anything large is imported that would end the process for want of memory.
    cores = usable_workers(workers)
    must_belong_together(
        scheduler, tls_ca, tls_cert, tls_key,
        of_this_machine={"--workers": workers, "--memory": memory},
    )  # fmt: skip

    if scheduler is None and not dry_run:
        from partitioner.cluster.fork import begin_fork_server

        # It loads the planner on another core while the study is read on this one.
        begin_fork_server()
    from partitioner.application.sweep import Sweep
    from partitioner.cli.interrupt import stop_wish
    from partitioner.cli.output import Place, default_folder
    from partitioner.cli.progress import Progress
    from partitioner.cli.voice import Voice
    from partitioner.cluster.connection import local_cluster, require_distributed
    from partitioner.pages.sweep import SWEEP, estimate_text
    from partitioner.studies.folder import CASES, JUDGED, InFolder
    from partitioner.studies.study_file import read_study
    from partitioner.visible import json_file

    voice = Voice(session)
    voice.step(f"reading {study}")
    read = read_study(study, session.lists_from)
    folder = output or default_folder(read.name)
    if dry_run:
        estimate = Sweep(read, InFolder(folder / CASES), workers=cores, retry=retry).estimate()
        if session.is_json:
            voice.answer_json({"name": read.name, **estimate.data()})
        else:
            voice.answer(estimate_text(read, estimate))
        return
    require_distributed()
    if scheduler is None:
        cluster = local_cluster(cores, "auto" if memory is None else memory * 1_000_000)
    else:
        cluster = cluster_at(scheduler, tls_ca, tls_cert, tls_key, voice)

    def on_stop() -> None:
        voice.note_now("stopping; results so far are kept; the same command goes on from them")

    with (
        stop_wish(on_stop) as wish,
        Place(folder, voice, force=force, marks=(SWEEP,)) as place,
        Sweep(
            read, InFolder(folder / CASES), cluster=cluster, workers=cores, should_stop=wish,
            retry=retry, judgements=InFolder(folder / JUDGED), on_step=voice.step,
            on_warning=voice.warn,
        ) as sweep,
    ):  # fmt: skip
        estimate = sweep.estimate()
        voice.note(
            f"{estimate.cases} cases: {estimate.done} done, {estimate.to_run} to run"
        )
        if not (folder / SWEEP).is_file():
            # The mark of a study: a run that is cut off is gone on with.
            place.write({SWEEP: json_file({"format": 1, "name": read.name})}, is_last=False)
        progress = Progress(voice, 0.0, "", time.monotonic)
        try:
            for done, _ in enumerate(sweep, start=1):
                progress.words(f"{done} of {len(read.cases)} done")
            answer = sweep.answer(best)
        finally:
            voice.clear_line()
        place.write(answer.files())
        for number, files in enumerate(answer.best_files(), start=1):
            place.write_within(f"best-{number}", files)
        voice.answer_as_asked(answer)
        if not answer.is_whole:
            voice.note("stopped by you; the same command goes on from here")
        if not session.is_json:
            voice.note(f"wrote {folder}/ (open report.html)")
