"""How one call of the command line behaves: how much it says, in which form, in which colour."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import click
from click.core import ParameterSource

F = TypeVar("F", bound=Callable[..., Any])


@dataclass
class Session:
    """The manners asked for on one command line.

    ``is_quiet``: nothing on stderr but errors. ``verbosity`` 1 tells the steps besides progress and
    warnings, 2 every message of the search too. ``is_debug`` shows tracebacks of our own faults.
    With ``is_json`` the answer, and a failure too, is one JSON object on stdout. ``is_strict``:
    warnings in files count as errors. In ``lists_from``, besides the folder of the problem, its
    lists may lie. ``color`` None goes by terminal and the ``NO_COLOR`` variable. ``begun_s`` is
    when the program began, on the clock of ``time.monotonic``. ``has_slips``: values in the files
    read were warned of as unlikely.
    """

    is_quiet: bool = False
    verbosity: int = 0
    is_debug: bool = False
    is_json: bool = False
    is_strict: bool = False
    lists_from: tuple[Path, ...] = ()
    color: bool | None = None
    begun_s: float = field(default_factory=time.monotonic)
    has_slips: bool = False


def _store(name: str) -> Callable[[click.Context, click.Parameter, Any], Any]:
    """Make an option's callback that stores a given value in the session."""

    def callback(context: click.Context, parameter: click.Parameter, value: Any) -> Any:
        # Only what was really given: the same option exists on the group and on each command,
        # and the default of the inner one must not undo the outer one.
        source = context.get_parameter_source(parameter.name or "")
        if source not in (ParameterSource.DEFAULT, ParameterSource.DEFAULT_MAP, None):
            setattr(context.ensure_object(Session), name, value)
        return value

    return callback


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Make one decorator of several, in the order in which they would stand."""

    def decorate(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


manner_options = together(
    click.option(
        "-q", "--quiet", is_flag=True, expose_value=False, callback=_store("is_quiet"),
        help="Say nothing on stderr but errors.",
    ),
    click.option(
        "-v", "--verbose", count=True, expose_value=False, callback=_store("verbosity"),
        help="Say the steps; -vv also every message of the search.",
    ),
    click.option(
        "--debug", is_flag=True, expose_value=False, callback=_store("is_debug"),
        help="Show tracebacks of faults of the program.",
    ),
    click.option(
        "--color/--no-color", default=None, expose_value=False, callback=_store("color"),
        help="Colour on stderr; off by default when NO_COLOR is set or it is no terminal.",
    ),
)  # fmt: skip
"""What every command has: how much to say, tracebacks, colour."""
json_option = click.option(
    "--json", "as_json", is_flag=True, expose_value=False, callback=_store("is_json"),
    help="Print one JSON object instead of the table.",
)  # fmt: skip
"""One JSON object on stdout and nothing else."""
problem_options = together(
    click.option(
        "--lists-from", metavar="DIR", multiple=True,
        type=click.Path(file_okay=False, exists=True, path_type=Path),
        expose_value=False, callback=_store("lists_from"),
        help="Let the problem's CSV files lie in this folder too, not only beside it and below; "
        "may be given several times.",
    ),
    click.option(
        "--strict", is_flag=True, expose_value=False, callback=_store("is_strict"),
        help="Take warnings in the files for errors.",
    ),
)  # fmt: skip
"""What commands have that read a problem: where from, and how strictly."""
asking_options = together(problem_options, json_option, manner_options)
"""What commands have that read a problem and give an answer."""
