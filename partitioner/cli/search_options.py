"""Options that several commands with a search or a report have, worded once."""

from __future__ import annotations

from pathlib import Path

import click

seed_option = click.option(
    "--seed", metavar="N", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True,
    help="Seed of the search.",
)  # fmt: skip
start_option = click.option(
    "--start", metavar="LAYOUT", type=click.Path(path_type=Path), default=None,
    help="Begin the search from this layout, also one of another state of the problem or one that "
    "breaks rules; one that keeps all rules is never made worse.",
)  # fmt: skip
replace_option = click.option(
    "--replace", is_flag=True,
    help="Replace a better layout of the same problem that the folder holds from an earlier run.",
)  # fmt: skip
workers_option = click.option(
    "--workers", metavar="N", type=click.IntRange(1, 256), default=None,
    help="Processor cores to use  [default: all there are]",
)  # fmt: skip
units_option = click.option(
    "--units", metavar="N", type=click.IntRange(1, 1_000_000), default=None,
    help="Units ordered together, for the order list  [default: shop.batch of the problem]",
)  # fmt: skip
zip_option = click.option(
    "--zip", "is_zipped", is_flag=True, help="Also pack all files into NAME.zip within the folder."
)
force_option = click.option(
    "--force", is_flag=True, help="Write into a folder that holds something else."
)
