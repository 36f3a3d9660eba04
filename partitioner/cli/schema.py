"""``partitioner schema``: the problem file's JSON Schema, for editors."""

from __future__ import annotations

import click

from partitioner.cli.session import Session, manner_options


@click.command(
    short_help="Print the JSON Schema of the problem file.",
    epilog="Example: partitioner schema -o problem.schema.json",
)
@click.option(
    "-o", "--output", default="-", show_default=True, metavar="FILE",
    type=click.Path(dir_okay=False, allow_dash=True),
    help="Where to write it; - for stdout.",
)  # fmt: skip
@manner_options
@click.pass_obj
def command(session: Session, output: str) -> None:
    """Print the JSON Schema of the problem file.

    Editors use it to complete keys and to underline what does not fit.
    """
    from partitioner.cli.output import write_one
    from partitioner.reading.json_schema import json_schema
    from partitioner.visible import json_text

    write_one(output, json_text(json_schema()) + "\n", session)
