"""Where answers go: a single file written whole or not at all, and the folder for a set."""

from __future__ import annotations

import os
from pathlib import Path

import click

from partitioner.cli.session import Session
from partitioner.cli.voice import Voice


def write_one(target: str, text: str, session: Session) -> None:
    """Write ``text`` to the file ``target``, or to stdout when it is ``-``.

    The file is written beside its place and then renamed, so that a failed run leaves the
    earlier one as it was.
    """
    if target == "-":
        Voice(session).answer(text.removesuffix("\n"))
        return
    path = Path(target)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    Voice(session).note(f"wrote {path}")


def claim_folder(folder: Path, force: bool) -> None:
    """Make sure, before any work is done, that a set of files may go into ``folder``.

    Raises
    ------
    click.UsageError
        If it is a file, or holds something else and ``force`` is not given.
    """
    from partitioner.report.writer import check_destination

    try:
        check_destination(folder, force)
    except (FileExistsError, NotADirectoryError) as error:
        raise click.UsageError(f"{folder}: {error.strerror}") from error
