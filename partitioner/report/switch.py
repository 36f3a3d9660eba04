"""The switch of a folder from one set of files to the next, whole at whatever moment it is cut off.

The new files are written into a hidden folder within the folder, the *stage*, and each file that
they will replace gets a second name there. Then a journal is renamed into the stage: from that one
step on the new set is the one that counts. After it the files are renamed into place. Whoever finds
a stage that a run left behind finishes the switch if its journal is there, and removes the stage
if not (:func:`recover`).

A disk that refuses in the middle of the renaming is another matter: the run is alive and wants the
earlier set back. It renames the journal, which turns the decision round just as atomically, and
puts back what was there.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from partitioner.report.file_names import is_clean
from partitioner.visible import json_text

STAGE = ".writing-"
"""How names of stages begin."""
SWEPT = ".swept-"
"""How names of things begin that are of no use any more and wait to be deleted."""
_JOURNAL = "journal"
_UNDO = "undo"
_NEW = "new"
_BEFORE = "before"
_FORMAT = 1
_LONGEST_JOURNAL_BYTES = 10_000_000
_WRITERS = 4
"""Files brought to the disk at once: 133 take 0.08 s so, one after the other 0.2 to 0.5 s. More of
them take address space that may be short."""


@dataclass(frozen=True, slots=True)
class _Journal:
    """What a switch does: SHA-256 of each new file; names kept in ``before``; names to go."""

    files: Mapping[str, str]
    before: Sequence[str]
    removed: Sequence[str]


def is_own_hidden(path: Path) -> bool:
    """Whether something in a folder is left from a switch."""
    return path.name.startswith((STAGE, SWEPT))


def switch(directory: Path, files: Mapping[str, bytes], removed: Sequence[str] = ()) -> None:
    """Put ``files`` in place of those of the same names, and take ``removed`` away, all or none.

    Nobody else writes into the directory, which exists, meanwhile. Files are put in place in their
    order; their names are clean, and none is among ``removed``.

    Raises
    ------
    OSError
        If the disk refuses; the folder holds what it held before.
    """
    for name in files:
        if (directory / name).is_dir() and not (directory / name).is_symlink():
            raise IsADirectoryError(
                errno.EISDIR, "is a folder where a file is to be written", str(directory / name)
            )
    stage = Path(tempfile.mkdtemp(prefix=STAGE, dir=directory))
    try:
        journal = _prepare(directory, stage, files, removed)
    except BaseException:
        with contextlib.suppress(OSError):
            _sweep(stage)
        raise
    try:
        _forward(directory, stage, journal)
    except BaseException:
        (stage / _JOURNAL).replace(stage / _UNDO)
        _back(directory, stage, journal)
        with contextlib.suppress(OSError):
            _sweep(stage)
        raise
    with contextlib.suppress(OSError):
        _sweep(stage)


def recover(directory: Path) -> str:
    """Finish, or take back, what a run left that was cut off while it wrote.

    Nobody else may write into the folder meanwhile. Gives what was done, in one sentence; empty
    when there was nothing to do.

    Raises
    ------
    OSError
        If the disk refuses; calling it again goes on where it ended.
    """
    said = ""
    for stage in list(_stages(directory)):
        journal, is_undo = _read_journal(stage)
        if journal is None:
            said = "removed what an interrupted run had not written to the end"
        elif is_undo or not _is_sound(stage, journal):
            said = "put back the files from before a run that was interrupted"
            if not is_undo:
                (stage / _JOURNAL).replace(stage / _UNDO)
            _back(directory, stage, journal)
        else:
            said = "put the files of an interrupted run in place; the set is complete"
            _forward(directory, stage, journal)
        _sweep(stage)
    for left in list(_entries(directory, SWEPT)):
        _delete(left)
    return said


def has_stage(directory: Path) -> bool:
    """Whether a run was cut off, or is at work, while it wrote into the folder."""
    return next(_stages(directory), None) is not None


def current(path: Path) -> Path:
    """Where the content of a file of a set is now: for readers that cannot call :func:`recover`.

    Within a switch that is decided but not done this is the file in the stage.
    """
    for stage in _stages(path.parent):
        journal, is_undo = _read_journal(stage)
        staged = stage / (_BEFORE if is_undo else _NEW) / path.name
        if journal is not None and path.name in journal.files and staged.is_file():
            return staged
    return path


def file_digest(path: Path) -> str | None:
    """SHA-256 of a regular file in hexadecimal; None for anything else, links included.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            return None
    except FileNotFoundError:
        return None
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def _prepare(
    directory: Path, stage: Path, files: Mapping[str, bytes], removed: Sequence[str]
) -> _Journal:
    """Bring everything into the stage that the switch needs, and decide it."""
    for part in (_NEW, _BEFORE):
        (stage / part).mkdir()
    with ThreadPoolExecutor(_WRITERS) as pool:
        list(pool.map(_write, [stage / _NEW / name for name in files], files.values()))
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    kept = [name for name in (*files, *removed) if os.path.lexists(directory / name)]
    for name in kept:
        _second_name(directory / name, stage / _BEFORE / name)
    journal = _Journal(digests, kept, list(removed))
    data = {"format": _FORMAT, "files": digests, "before": kept, "removed": journal.removed}
    text = json_text(data)
    _write(stage / f"{_JOURNAL}.part", text.encode())
    for folder in (stage / _NEW, stage / _BEFORE, stage, directory):
        _sync_folder(folder)
    (stage / f"{_JOURNAL}.part").replace(stage / _JOURNAL)
    _sync_folder(stage)
    return journal


def _forward(directory: Path, stage: Path, journal: _Journal) -> None:
    for name in journal.files:
        staged = stage / _NEW / name
        if os.path.lexists(staged):
            staged.replace(directory / name)
    for name in journal.removed:
        (directory / name).unlink(missing_ok=True)
    _sync_folder(directory)


def _back(directory: Path, stage: Path, journal: _Journal) -> None:
    for name in (*journal.files, *journal.removed):
        kept = stage / _BEFORE / name
        if os.path.lexists(kept):
            kept.replace(directory / name)
        elif name not in journal.before and not os.path.lexists(stage / _NEW / name):
            (directory / name).unlink(missing_ok=True)
    _sync_folder(directory)


def _read_journal(stage: Path) -> tuple[_Journal | None, bool]:
    """Give the journal of a stage and whether the switch is to be undone; None: not decided."""
    is_undo = os.path.lexists(stage / _UNDO)
    path = stage / (_UNDO if is_undo else _JOURNAL)
    try:
        status = path.lstat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > _LONGEST_JOURNAL_BYTES:
            return None, False
        data = json.loads(path.read_bytes())
        if data["format"] != _FORMAT:
            return None, False
        journal = _Journal(dict(data["files"]), list(data["before"]), list(data["removed"]))
    except FileNotFoundError:
        return None, False
    except (ValueError, KeyError, TypeError, RecursionError):
        return None, False
    names = (*journal.files, *journal.before, *journal.removed)
    # A folder may come from a stranger: nothing outside of it is touched, whatever stands there.
    if not all(isinstance(name, str) and is_clean(name) for name in names):
        return None, False
    return journal, is_undo


def _is_sound(stage: Path, journal: _Journal) -> bool:
    """Whether every file that still waits in the stage is what was written there."""
    waiting = (name for name in journal.files if os.path.lexists(stage / _NEW / name))
    return all(file_digest(stage / _NEW / name) == journal.files[name] for name in waiting)


def _write(path: Path, content: bytes) -> None:
    with path.open("xb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())


def _second_name(path: Path, name: Path) -> None:
    try:
        os.link(path, name, follow_symlinks=False)
    except (OSError, NotImplementedError):
        # A file system without hard links.
        shutil.copy2(path, name, follow_symlinks=False)


def _sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system can."""
    with contextlib.suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def _stages(directory: Path) -> Iterator[Path]:
    return (path for path in _entries(directory, STAGE) if path.is_dir() and not path.is_symlink())


def _entries(directory: Path, prefix: str) -> Iterator[Path]:
    try:
        names = sorted(os.listdir(directory))  # noqa: PTH208
    except OSError:
        return iter(())
    return (directory / name for name in names if name.startswith(prefix))


def _sweep(stage: Path) -> None:
    """Take a stage away; its new name says in one step that it means nothing any more."""
    swept = stage.with_name(SWEPT + stage.name.removeprefix(STAGE))
    stage.replace(swept)
    _delete(swept)


def _delete(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink()
