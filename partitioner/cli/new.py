"""``partitioner new``: a commented example to start from."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli.session import Session, manner_options


@click.command(
    short_help="Write a commented example problem.",
    epilog="Example: partitioner new problem.yaml",
)
@click.argument(
    "file", type=click.Path(dir_okay=False, allow_dash=True),
    help="Where to write it; - for stdout.",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Replace FILE if it exists.")
@manner_options
@click.pass_obj
def command(session: Session, file: str, force: bool) -> None:
    """Write a commented example problem to FILE.

    It is small, invented, and plans as it stands: change it bit by bit.
    """
    from partitioner.cli.output import write_one
    from partitioner.reading.example import example_text

    if file != "-" and Path(file).exists() and not force:
        raise click.UsageError(f"{file} exists already; --force replaces it")
    write_one(file, example_text(), session)
