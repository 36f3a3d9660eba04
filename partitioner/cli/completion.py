"""Completion of ids in the shell, read from the problem file that the command line names."""

from __future__ import annotations

from pathlib import Path

import click

from partitioner.cli.session import Session


def complete_devices(
    context: click.Context, parameter: click.Parameter, incomplete: str
) -> list[str]:
    """Device ids of the command's problem file that begin with ``incomplete``."""
    return [id_ for id_ in _ids(context, with_switches=False) if id_.startswith(incomplete)]


def complete_parts(
    context: click.Context, parameter: click.Parameter, incomplete: str
) -> list[str]:
    """Ids of devices and switches of the problem file that begin with ``incomplete``."""
    return [id_ for id_ in _ids(context, with_switches=True) if id_.startswith(incomplete)]


def _ids(context: click.Context, *, with_switches: bool) -> list[str]:
    """Ids in the order of the file; none when the file is not there or is wrong."""
    # With the option's value still missing the arguments have not been given their names yet.
    path = context.params.get("problem") or next((a for a in context.args if a[:1] != "-"), None)
    if path is None:
        return []
    from partitioner.application.reading import read_problem
    from partitioner.errors import WrongFile

    try:
        session = context.find_object(Session) or Session()
        problem = read_problem(Path(path), lists_from=session.lists_from)
    except WrongFile:
        # While completing, a wrong file is no reason to write into the user's line.
        return []
    return [*problem.devices, *(problem.switches if with_switches else ())]
