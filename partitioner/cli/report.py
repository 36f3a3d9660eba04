"""``partitioner report``: the report of a layout that exists already."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli import options
from partitioner.cli.session import Session, manner_options, problem_options


@click.command(
    short_help="Write the report of a layout that exists.",
    epilog="Example: partitioner report problem.yaml layout.yaml -o out",
)
@options.problem
@options.layout
@options.output("Folder for the report and its tables  [default: out-NAME, by the problem's name]")
@options.simulate("; the report gets a section on it")
@options.simulation_seed
@click.option(
    "--against", metavar="LAYOUT", type=options.FILE, default=None,
    help="Another layout of the same problem to put beside it: what differs, and the change order.",
)  # fmt: skip
@click.option(
    "--print", "paper", type=click.Choice(["summary", "sheets", "all", "drawings"]),
    help="Also write print-….html, a page to be printed as it is: the summary, the summary with "
    "a sheet for each line, all, or the drawings on a sheet each.",
)  # fmt: skip
@options.report
@problem_options
@manner_options
@click.pass_obj
def command(
    session: Session,
    problem: Path,
    layout: Path,
    output: Path | None,
    simulate: float | None,
    seed: int,
    against: Path | None,
    units: int | None,
    is_zipped: bool,
    paper: str | None,
    replace: bool,
    force: bool,
) -> None:
    """Write the report of LAYOUT: the same files as plan, nothing is solved.

    With --against another layout is put beside it: both drawn with what differs, figures, streams
    and segments that differ, and what the harness shop does to get from there to LAYOUT.

    A layout that breaks rules gets its report too, with the broken rules on top, and the command
    ends with exit code 6. If the folder holds a better layout of the same problem from an earlier
    run, that one stays, and the report goes into also-found within the folder.
    """
    from partitioner.cli.machine import JUDGING_MB, require_memory

    # Before anything large is imported that would end the process for want of memory.
    require_memory(JUDGING_MB, "reporting")

    from partitioner.application.earlier import Earlier
    from partitioner.application.reading import for_batch
    from partitioner.application.report import report
    from partitioner.cli.kept import keep_better
    from partitioner.cli.output import Place, default_folder, settled, today
    from partitioner.cli.searching import read_layout_aloud
    from partitioner.cli.voice import Voice
    from partitioner.errors import BrokenRules
    from partitioner.report.verdict import missing_text
    from partitioner.report.writer import LAYOUT
    from partitioner.visible import visible

    voice = Voice(session)
    layout = settled(layout, voice)
    read = read_layout_aloud(problem, layout, voice)
    other = None
    if against is not None:
        from partitioner.replan.reading import read_earlier_layout

        there = settled(against, voice)
        laid, noticed = read_earlier_layout(there, read.problem)
        for sentence in noticed:
            voice.note(sentence)
        other = visible("/".join(against.parts[-2:])), laid
    folder = output or default_folder(read.problem.name)
    with Place(folder, voice, force=force) as place:
        own = folder / LAYOUT
        is_own = own.is_file() and own.samefile(layout)
        answer = report(
            for_batch(read.problem, units), read.layout, simulate_s=simulate, seed=seed,
            against=other, on_step=voice.step,
        )  # fmt: skip
        files = answer.files(made_on=today(), paper=paper)
        assessment = answer.assessment
        cost = assessment.cost.objective_money

        def is_better(earlier: Earlier) -> bool:
            if is_own and earlier.is_edited:
                # The report of a layout that was changed where it lies.
                return False
            return bool(assessment.findings) or earlier.is_better_than(cost, None)

        kept = keep_better(
            place, read.problem, files, cost, None, voice, replace=replace, is_zipped=is_zipped,
            is_better=is_better,
        )  # fmt: skip
        voice.note(f"wrote {folder}/ (open report.html)" if kept is None else kept.sentence())
    if assessment.findings:
        missing = missing_text(read.problem, assessment)
        raise BrokenRules(list(assessment.findings), incomplete=missing)
