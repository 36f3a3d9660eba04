"""``partitioner check``: judge a layout, planned or written by hand."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli.session import Session, json_option, manner_options, strict_option


@click.command(
    short_help="Judge a layout against its problem.",
    epilog="Example: partitioner check problem.yaml out/layout.yaml",
)
@click.argument("problem", type=click.Path(path_type=Path), help="The problem file.")
@click.argument("layout", type=click.Path(path_type=Path), help="The layout file.")
@strict_option
@json_option
@manner_options
@click.pass_obj
def command(session: Session, problem: Path, layout: Path) -> None:
    """Judge LAYOUT against PROBLEM: every rule, every deadline, what it costs.

    Ends with exit code 6 and one sentence per broken rule. The solver takes no part in it.
    """
    from partitioner import pipeline
    from partitioner.cli.voice import Voice
    from partitioner.errors import BrokenRules
    from partitioner.report.text import assessment_text

    voice = Voice(session)
    result = pipeline.judge(problem, layout, is_strict=session.is_strict)
    for warning in result.problem.warnings:
        voice.note(warning)
    if result.assessment.findings:
        raise BrokenRules(list(result.assessment.findings))
    voice.answer(assessment_text(result.problem, result.assessment))
