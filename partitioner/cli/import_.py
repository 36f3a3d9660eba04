"""``partitioner import``: a problem file from tables as people keep them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from partitioner.cli.session import Session, manner_options

if TYPE_CHECKING:
    from partitioner.application.import_tables import TableInput

KINDS = ("devices", "streams", "places", "pathways", "messages")


@click.command(
    name="import",
    short_help="Make a problem file from spreadsheets.",
    epilog="Example: partitioner import devices.xlsx -o problem.yaml",
)
@click.argument(
    "tables", metavar="TABLE...", nargs=-1, required=True,
    help="A .csv or .xlsx file or a bus description file, as [KIND=]FILE[#SHEET]; KIND is one of "
    "devices, streams, places, pathways, messages and guessed by default.",
)  # fmt: skip
@click.option(
    "-o", "--output", metavar="FILE", required=True,
    type=click.Path(dir_okay=False, allow_dash=True),
    help="The problem file to write; - for stdout. The first look goes beside it.",
)  # fmt: skip
@click.option(
    "--packing", type=click.Choice(["none", "acf", "data"]), default="none", show_default=True,
    help="How bus messages go into frames: one each, several IEEE 1722 ACF messages of one sender "
    "with equal receivers and period, or their data alone.",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Replace FILE if it exists.")
@manner_options
@click.pass_obj
def command(
    session: Session, tables: tuple[str, ...], output: str, packing: str, force: bool
) -> None:
    """Make a problem file from TABLE...: lists of devices, streams, places, pathways, bus messages.

    Title rows, blank rows and totals are seen through, units taken from the headings. What no
    table states is assumed and marked so in the file. A page beside it gives a first look: where
    all stands, who talks how much, and what looks like a slip.
    """
    from partitioner.application.import_tables import import_tables
    from partitioner.cli.output import write_one
    from partitioner.cli.voice import Voice
    from partitioner.errors import WrongFile
    from partitioner.reading.listed import name_of
    from partitioner.reading.render import format_finding
    from partitioner.report.page import render

    if output != "-" and Path(output).exists() and not force:
        raise click.UsageError(f"{output} exists already; --force replaces it")
    voice = Voice(session)
    inputs = [_input(t) for t in tables]
    target = Path("problem.yaml" if output == "-" else output)
    named_by = inputs[0].path if output == "-" else target
    name = name_of(named_by.stem) or "imported"
    made = import_tables(inputs, name, target, packing=packing, on_step=voice.step)
    errors = [f for f in made.findings if f.severity == "error"]
    write_one(output, made.text, session)
    if output != "-":
        look = target.with_name(f"{target.stem}-first-look.html")
        write_one(str(look), render(made.page), session)
        voice.answer(made.summary())
    for finding in made.findings:
        if finding.severity == "warning":
            voice.warn(format_finding(finding, source=False))
    if errors:
        raise WrongFile(errors)
    if output != "-":
        voice.note(f"next: partitioner plan {output}")


def _input(text: str) -> TableInput:
    from partitioner.application.import_tables import TableInput

    holds: str | None = None
    kind, equals, rest = text.partition("=")
    if equals and kind in KINDS:
        holds, text = kind, rest
    file, mark, sheet = text.rpartition("#")
    if mark and not Path(text).exists():
        return TableInput(Path(file), holds, sheet)
    return TableInput(Path(text), holds)
