"""``partitioner schema``: the problem file's JSON Schema, for editors."""

from __future__ import annotations

import click

from partitioner.cli.session import Session, manner_options


@click.command(
    short_help="Print the JSON Schema of the problem file or of outcome.json.",
    epilog="Example: partitioner schema -o problem.schema.json",
)
@click.option(
    "-o", "--output", default="-", show_default=True, metavar="FILE",
    type=click.Path(dir_okay=False, allow_dash=True),
    help="Where to write it; - for stdout.",
)  # fmt: skip
@click.option(
    "--of", "of_what", type=click.Choice(["problem", "outcome"]), default="problem",
    show_default=True, help="Of the problem file, or of the outcome.json that plan writes.",
)  # fmt: skip
@manner_options
@click.pass_obj
def command(session: Session, output: str, of_what: str) -> None:
    """Print the JSON Schema of the problem file, or of outcome.json.

    Editors use it to complete keys and to underline what does not fit.
    """
    from partitioner.cli.output import write_one
    from partitioner.reading.json_schema import json_schema
    from partitioner.report.outcome_schema import outcome_schema
    from partitioner.visible import json_text

    made = json_schema() if of_what == "problem" else outcome_schema()
    write_one(output, json_text(made) + "\n", session)
