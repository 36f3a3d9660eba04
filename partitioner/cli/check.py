"""``partitioner check``: judge a layout, planned or written by hand."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli import options
from partitioner.cli.session import Session, asking_options


@click.command(
    short_help="Judge a layout against its problem.",
    epilog="Example: partitioner check problem.yaml out/layout.yaml --simulate 10s",
)
@options.problem
@options.layout
@options.simulate(", and show the worst delays seen")
@options.simulation_seed
@asking_options
@click.pass_obj
def command(
    session: Session, problem: Path, layout: Path, simulate: float | None, seed: int
) -> None:
    """Judge LAYOUT against PROBLEM: every rule, every deadline, what it costs.

    Ends with exit code 6 and one sentence per broken rule. A layout with devices missing is told
    as incomplete, with what is missing, and the rest of it is judged; the exit code is 6 too. The
    solver takes no part in it.
    """
    from partitioner.cli.machine import JUDGING_MB, require_memory

    # Before anything large is imported that would end the process for want of memory.
    require_memory(JUDGING_MB, "checking")

    from partitioner.application.check import check
    from partitioner.application.earlier import stale_beside
    from partitioner.cli.output import settled
    from partitioner.cli.searching import read_layout_aloud
    from partitioner.cli.voice import Voice
    from partitioner.errors import BrokenRules
    from partitioner.report.verdict import missing_text

    voice = Voice(session)
    layout = settled(layout, voice)
    read = read_layout_aloud(problem, layout, voice)
    if stale := stale_beside(layout):
        voice.note(stale)
    answer = check(
        read.problem, read.layout, simulate_s=simulate, seed=seed, on_step=voice.step
    )
    data = answer.data() if session.is_json else {}
    assessment = answer.assessment
    if assessment.findings:
        if not (assessment.broken or session.is_json):
            # What is there is judged all the same.
            voice.answer(answer.text())
        missing = missing_text(read.problem, assessment)
        raise BrokenRules(list(assessment.findings), data, missing)
    if session.is_json:
        voice.answer_json(data)
    else:
        voice.answer(answer.text())
