"""Options that every command with a search has, worded once."""

from __future__ import annotations

import click

seed_option = click.option(
    "--seed", metavar="N", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True,
    help="Seed of the search.",
)  # fmt: skip
replace_option = click.option(
    "--replace", is_flag=True,
    help="Replace a better layout of the same problem that the folder holds from an earlier run.",
)  # fmt: skip
workers_option = click.option(
    "--workers", metavar="N", type=click.IntRange(1, 256), default=None,
    help="Processor cores to use  [default: all there are]",
)  # fmt: skip
