"""Writing a set of files so that a folder holds the whole set or what it held before."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

OWN_MARKS = ("outcome.json", "layout.yaml")
"""A folder with one of these holds an earlier set of ours and may be written over."""


def check_destination(directory: Path, force: bool = False) -> None:
    """Make sure that a set may be written into ``directory``.

    Raises
    ------
    FileExistsError
        If it holds other things than an earlier set, unless ``force``.
    NotADirectoryError
        If it is a file.
    """
    if not directory.exists():
        return
    if not directory.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "is a file, not a folder", str(directory))
    if force or any((directory / mark).is_file() for mark in OWN_MARKS):
        return
    if next(directory.iterdir(), None) is not None:
        raise FileExistsError(
            errno.EEXIST,
            "the folder holds other files; choose another one, or write into it with --force",
            str(directory),
        )


def write_set(directory: Path, files: Mapping[str, str | bytes], force: bool = False) -> None:
    """Write all ``files`` into ``directory``, or none.

    Everything is first written into a hidden folder beside the files; only when all of it is on
    disk are the files renamed into place. If a rename fails, those already renamed are put back.

    Parameters
    ----------
    directory
        Made if missing, parents too.
    files
        Content by name; text is written as UTF-8. Names are plain, without folders.
    force
        Write also into a folder that holds something else; files of other names stay.

    Raises
    ------
    ValueError
        If a name has a folder in it.
    FileExistsError, NotADirectoryError
        See :func:`check_destination`.
    OSError
        If the disk refuses; what was there before is still there.
    """
    for name in files:
        if Path(name).name != name or name in ("", ".", ".."):
            raise ValueError(f"not a plain file name: {name!r}")
    check_destination(directory, force)
    is_new = not directory.exists()
    directory.mkdir(parents=True, exist_ok=True)
    stage: Path | None = None
    try:
        stage = Path(tempfile.mkdtemp(prefix=".writing-", dir=directory))
        for name, content in files.items():
            data = content.encode("utf-8") if isinstance(content, str) else content
            with (stage / name).open("wb") as out:
                out.write(data)
                out.flush()
                os.fsync(out.fileno())
        _move_all(stage, directory, list(files))
    except BaseException:
        if stage is not None:
            shutil.rmtree(stage, ignore_errors=True)
        if is_new:
            shutil.rmtree(directory, ignore_errors=True)
        raise
    shutil.rmtree(stage, ignore_errors=True)


def _move_all(stage: Path, directory: Path, names: list[str]) -> None:
    """Rename all into place; on failure put back what was there."""
    kept = stage / "before"
    kept.mkdir()
    done: list[str] = []
    try:
        for name in names:
            target = directory / name
            if target.exists():
                target.replace(kept / name)
            done.append(name)
            (stage / name).replace(target)
    except BaseException:
        for name in done:
            (directory / name).unlink(missing_ok=True)
            if (kept / name).exists():
                (kept / name).replace(directory / name)
        raise
