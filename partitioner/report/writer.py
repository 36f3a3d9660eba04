"""Writing a set of files so that a folder holds the whole set or what it held before."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from partitioner.report.file_names import is_clean
from partitioner.report.switch import file_digest, is_own_hidden, recover, switch

MANIFEST = "partitioner.sha256"
"""File that lists the set it belongs to, as ``sha256sum --check`` reads it."""
LAYOUT, OUTCOME = "layout.yaml", "outcome.json"
LAYOUT_MARKS = (OUTCOME, LAYOUT)
"""A folder with one of these holds a layout with its report."""

_LONGEST_MANIFEST_BYTES = 10_000_000


def check_destination(
    directory: Path, force: bool = False, marks: Sequence[str] = LAYOUT_MARKS
) -> None:
    """Make sure that a set may be written into ``directory``, which need not exist.

    With ``force`` whatever the folder holds is fine. One with one of the ``marks`` holds an earlier
    set of the same kind.

    Raises
    ------
    FileExistsError
        If it holds other things than an earlier set of the same kind, or folders with sets that
        runs without such a set have left within (each has its list of files), unless ``force``.
    NotADirectoryError
        If it is a file.
    """
    if not directory.exists():
        return
    if not directory.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "is a file, not a folder", str(directory))
    if force or any((directory / mark).is_file() for mark in marks):
        return
    others = (p for p in directory.iterdir() if not is_own_hidden(p))
    if any(path.is_symlink() or not (path / MANIFEST).is_file() for path in others):
        raise FileExistsError(
            errno.EEXIST,
            "the folder holds other files; choose another one, or write into it with --force",
            str(directory),
        )


def write_set(
    directory: Path,
    files: Mapping[str, str | bytes],
    force: bool = False,
    marks: Sequence[str] = LAYOUT_MARKS,
) -> None:
    """Write all ``files`` into ``directory``, or none; a kill at any moment leaves no mixture.

    The folder is made if missing, parents too; nobody else may write into it meanwhile. Files of an
    earlier set of the same kind that are not in this one are removed, unless somebody has changed
    them since. See :mod:`partitioner.report.switch` for how it is done. The set gets a list of its
    files with their SHA-256, :data:`MANIFEST`. Text is written as UTF-8; names are clean. ``force``
    writes also into a folder that holds something else; files of other names stay. ``marks`` are as
    in :func:`check_destination`.

    Raises
    ------
    ValueError
        If a name is not clean, or two differ in the case of letters alone.
    FileExistsError, NotADirectoryError
        See :func:`check_destination`.
    OSError
        If the disk refuses; what was there before is still there.
    """
    for name in files:
        if not is_clean(name):
            raise ValueError(f"not a plain file name: {name!r}")
    if len({name.casefold() for name in (*files, MANIFEST)}) != len(files) + 1:
        raise ValueError("two files whose names some systems take for one")
    content = {n: c.encode("utf-8") if isinstance(c, str) else c for n, c in files.items()}
    recover(directory)
    check_destination(directory, force, marks)
    made = make_folder(directory)
    try:
        earlier = set_digests(directory)
        is_same_kind = any(mark in earlier for mark in marks)
        removed = [
            name
            for name, digest in earlier.items()
            if is_same_kind
            and name not in content
            and name != MANIFEST
            and file_digest(directory / name) == digest
        ]
        switch(directory, {**content, MANIFEST: manifest_text(content).encode()}, removed)
    except BaseException:
        remove_empty(made)
        raise


def manifest_text(files: Mapping[str, str | bytes]) -> str:
    """The list of a set: the SHA-256 of each file and its name."""
    content = {n: c.encode("utf-8") if isinstance(c, str) else c for n, c in files.items()}
    return "".join(f"{hashlib.sha256(c).hexdigest()}  {n}\n" for n, c in content.items())


def set_digests(directory: Path) -> dict[str, str]:
    """Files that the set in a folder was written with: SHA-256 by name; empty if not known.

    Raises
    ------
    OSError
        If there is a list and it cannot be read.
    """
    path = directory / MANIFEST
    if file_digest(path) is None or path.stat().st_size > _LONGEST_MANIFEST_BYTES:
        return {}
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    pairs = (line.partition("  ") for line in lines)
    return {name: digest for digest, _, name in pairs if is_clean(name)}


def make_folder(directory: Path) -> list[Path]:
    """Make a folder with its parents; give those that were missing, the innermost first."""
    missing = []
    folder = directory
    while not folder.exists() and folder != folder.parent:
        missing.append(folder)
        folder = folder.parent
    directory.mkdir(parents=True, exist_ok=True)
    return missing


def remove_empty(folders: Sequence[Path]) -> None:
    """Remove folders, the first one first, as far as they are empty."""
    for folder in folders:
        try:
            folder.rmdir()
        except OSError:
            return
