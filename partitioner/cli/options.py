"""Arguments and options that several commands have, worded once."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from partitioner.cli.session import F, together

_SECONDS = {"": 1, "s": 1, "m": 60, "min": 60, "h": 3600}


class Duration(click.ParamType[float, str | float]):
    """A length of time above zero, in seconds: ``90``, ``90s``, ``1.5m``, ``2min``, ``1h``."""

    name = "time"

    def convert(
        self, value: str | float, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Give the seconds; anything else is a wrong command line."""
        if isinstance(value, int | float):
            return float(value)
        match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)\s*(s|m|min|h)?", value.strip())
        seconds = float(match[1]) * _SECONDS[match[2] or ""] if match else 0.0
        if seconds <= 0:
            self.fail(
                f"{value!r} is no time: write seconds, or a number with s, min or h, as in 90s",
                param,
                ctx,
            )
        return seconds


class _Named(click.Path):
    """A path that is no empty text, which would mean the current folder: a variable never set."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """Give the path; an empty name is a wrong command line."""
        if value == "":
            self.fail("expected a name, got an empty text", param, ctx)
        return super().convert(value, param, ctx)


FILE = _Named(path_type=Path)
FOLDER = _Named(file_okay=False, path_type=Path)
problem = click.argument("problem", type=FILE, help="The problem file.")
layout = click.argument("layout", type=FILE, help="The layout file.")


def output(text: str) -> Callable[[F], F]:
    """Folder that is written into, with what is said of it."""
    return click.option("-o", "--output", metavar="DIR", type=FOLDER, help=text)


def time_limit(default: str, what: str = "search, check and report") -> Callable[[F], F]:
    """How long ``what`` may take together."""
    return click.option(
        "--time-limit", type=Duration(), default=default, show_default=True,
        help=f"How long it may take, {what} together: 90, 90s, 2min, 1h.",
    )  # fmt: skip


def simulate(what: str) -> Callable[[F], F]:
    """Time to simulate, with what comes of it."""
    return click.option(
        "--simulate", type=Duration(), default=None,
        help=f"Also simulate so much time of the network{what}.",
    )  # fmt: skip


seed = click.option(
    "--seed", metavar="N", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True,
    help="Seed of the search.",
)  # fmt: skip
simulation_seed = click.option(
    "--seed", metavar="N", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True,
    help="Seed of the simulation.",
)  # fmt: skip
start = click.option(
    "--start", metavar="LAYOUT", type=FILE, default=None,
    help="Begin the search from this layout, also one of another state of the problem or one that "
    "breaks rules; one that keeps all rules is never made worse.",
)  # fmt: skip
replace = click.option(
    "--replace", is_flag=True,
    help="Replace a better layout of the same problem that the folder holds from an earlier run.",
)  # fmt: skip
workers = click.option(
    "--workers", metavar="N", type=click.IntRange(1, 256), default=None,
    help="Processor cores to use  [default: all there are]",
)  # fmt: skip
units = click.option(
    "--units", metavar="N", type=click.IntRange(1, 1_000_000), default=None,
    help="Units ordered together, for the order list  [default: shop.batch of the problem]",
)  # fmt: skip
zipped = click.option(
    "--zip", "is_zipped", is_flag=True, help="Also pack all files into NAME.zip within the folder."
)
force = click.option(
    "--force", is_flag=True, help="Write into a folder that holds something else."
)
search = together(start, seed, workers)
"""How to search."""
report = together(units, zipped, replace, force)
"""What is written into the folder of a report, and over what."""
