"""Completion of ids in the shell, read from the problem file that the command line names."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from partitioner.cli.session import Session


def _ids(
    context: click.Context, parameter: click.Parameter, incomplete: str, *, with_switches: bool
) -> list[str]:
    """Ids that begin so, in the order of the file; none when it is not there or is wrong."""
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
    ids = [*problem.devices, *(problem.switches if with_switches else ())]
    return [id_ for id_ in ids if id_.startswith(incomplete)]


complete_devices = partial(_ids, with_switches=False)
"""Device ids of the command's problem file."""
complete_parts = partial(_ids, with_switches=True)
"""Ids of its devices and switches."""
