"""Where answers go: a single file written whole or not at all, and the folder for a set."""

from __future__ import annotations

import contextlib
import glob
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType

import click

from partitioner.cli.folder_lock import FolderLock
from partitioner.cli.interrupt import unbroken
from partitioner.cli.session import Session
from partitioner.cli.voice import Voice
from partitioner.errors import MachineFault, NotWritten
from partitioner.report.file_names import clean_name
from partitioner.report.switch import SWEPT, current, has_stage, recover
from partitioner.report.writer import (
    LAYOUT,
    LAYOUT_MARKS,
    MANIFEST,
    check_destination,
    make_folder,
    remove_empty,
    set_digests,
    write_set,
)
from partitioner.visible import visible

ALSO_FOUND = "also-found"
"""Folder within the folder of a better result, for one that does not replace it."""
NEAREST = "nearest-miss"
"""Folder within, for a layout in which devices are missing."""
SO_FAR = "so-far"
"""Folder within, for the best layout while the search goes on."""
REJECTED = "rejected"
"""Folder within, for what shows a fault of the program."""


def today() -> date:
    """The day that reports are dated with; ``SOURCE_DATE_EPOCH`` sets it, for equal bytes.

    Raises
    ------
    MachineFault
        If the variable holds no number of seconds.
    """
    stated = os.environ.get("SOURCE_DATE_EPOCH")
    if not stated:
        return date.today()
    try:
        return datetime.fromtimestamp(int(stated), UTC).date()
    except (ValueError, OverflowError, OSError) as error:
        raise MachineFault(
            f"SOURCE_DATE_EPOCH: expected seconds since 1970, got {visible(stated)!r}"
        ) from error


def write_one(target: str, text: str, session: Session) -> None:
    """Write ``text`` to the file ``target``, or to stdout when it is ``-``.

    The file is written beside its place and then renamed, so that a failed run leaves the
    earlier one as it was. What a run that was killed meanwhile left beside it goes.
    """
    if target == "-":
        Voice(session).answer(text.removesuffix("\n"))
        return
    path = Path(target)
    try:
        for left in _left_by_killed_runs(path):
            left.unlink(missing_ok=True)
            Voice(session).note(f"removed {left}, left by a run that was cut off")
        _write_file(path, text)
    except OSError as error:
        # Where it is a write that fails the system names no file.
        why = error.strerror if path.parent.is_dir() else f"there is no folder {path.parent}"
        raise MachineFault(f"{path}: {why}") from error
    Voice(session).note(f"wrote {path}")


def _beside(path: Path, process: int | str) -> Path:
    """Where a process writes a file before it is renamed to ``path``."""
    return path.with_name(f".{path.name}.{process}.part")


def _left_by_killed_runs(path: Path) -> Iterator[Path]:
    """Files written beside ``path`` by processes that are no more."""
    if os.name != "posix":
        return  # Elsewhere asking after a process would end it.
    for left in path.parent.glob(_beside(Path(glob.escape(path.name)), "*").name):
        process = left.name.split(".")[-2]
        if process.isdecimal() and left.is_file() and not left.is_symlink():
            try:
                os.kill(int(process), 0)
            except ProcessLookupError:
                yield left
            except (OSError, OverflowError):
                continue


def _write_file(path: Path, text: str) -> None:
    if path.exists() and not path.is_file():
        # A device or a pipe is written to; a file put in its place would be a surprise.
        path.write_text(text, encoding="utf-8")
    else:
        beside = _beside(path, os.getpid())
        with unbroken(is_last=True):
            try:
                with beside.open("w", encoding="utf-8") as out:
                    out.write(text)
                    out.flush()
                    os.fsync(out.fileno())
                beside.replace(path)
            finally:
                beside.unlink(missing_ok=True)


def default_folder(name: str, ending: str = "") -> Path:
    """Give the folder for a problem's files where none is asked for, in the current one.

    Raises
    ------
    click.UsageError
        If there is a link of that name: where it leads was never asked for.
    """
    folder = Path(f"out-{clean_name(name)}{ending}")
    if folder.is_symlink():
        raise click.UsageError(f"{folder} is a link; say with -o where to write")
    return folder


def settled(path: Path, voice: Voice) -> Path:
    """Give the place to read a file of a set from, which a run may have been cut off writing.

    That run's work is finished, or taken back, if the folder can be written to and no other run
    is at work there.
    """
    folder = path.parent
    if not has_stage(folder):
        return path
    with contextlib.suppress(OSError):
        lock = FolderLock(folder)
        if lock.take():
            try:
                _tell_recovery(folder, recover(folder), voice)
            finally:
                lock.give_back()
    return current(path)


class Place:
    """A folder for sets of files, from before the work that makes them until they are written.

    It is made if missing, and removed again if nothing was written. While entered no other run
    writes there; if an earlier one was cut off while it wrote, that is told, with what was done
    about it. ``force`` lets it hold something else; ``marks`` are as in
    :func:`partitioner.report.writer.check_destination`.
    """

    def __init__(
        self,
        folder: Path,
        voice: Voice,
        *,
        force: bool = False,
        marks: Sequence[str] = LAYOUT_MARKS,
    ):
        self.folder = folder
        self._voice = voice
        self._force = force
        self._marks = marks
        self._made: list[Path] = []
        self._lock: FolderLock | None = None

    def __enter__(self) -> Place:
        """Claim the folder.

        Raises
        ------
        click.UsageError
            If it is a file, holds something else, or another run is at work there.
        OSError, MachineFault
            If nothing can be written there.
        """
        try:
            self._claim()
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let others write there."""
        self._leave()

    def _claim(self) -> None:
        try:
            self._made = make_folder(self.folder)
        except (FileExistsError, NotADirectoryError) as error:
            raise click.UsageError(f"{self.folder}: it or a folder above it is a file") from error
        lock = FolderLock(self.folder)
        if not lock.take():
            raise click.UsageError(
                f"{self.folder}: another run is at work in this folder; wait for its end or choose "
                "another folder"
            )
        self._lock = lock
        _tell_recovery(self.folder, recover(self.folder), self._voice)
        try:
            check_destination(self.folder, self._force, self._marks)
        except (FileExistsError, NotADirectoryError) as error:
            raise click.UsageError(f"{self.folder}: {error.strerror}") from error
        self._try_writing()

    def _leave(self) -> None:
        remove_empty(self._made)
        if self._lock is not None:
            self._lock.give_back()

    def _try_writing(self) -> None:
        """Nobody shall hear after an hour's search that the disk is full."""
        try:
            with tempfile.NamedTemporaryFile(prefix=SWEPT, dir=self.folder) as trial:
                trial.write(bytes(4096))
                trial.flush()
                os.fsync(trial.fileno())
        except OSError as error:
            raise MachineFault(
                f"{self.folder}: nothing can be written here: {error.strerror}"
            ) from error

    def write(self, files: Mapping[str, str | bytes], *, is_last: bool = True) -> None:
        """Write a set into the folder; a signal that means stop waits until that is done.

        ``is_last``: the run ends with it.

        Raises
        ------
        NotWritten
            The disk refused. The folder is as it was, and the set is somewhere else if anything
            could be written anywhere.
        """
        self._write(self.folder, files, is_last=is_last, force=self._force)

    def write_within(self, name: str, files: Mapping[str, str | bytes]) -> Path:
        """Write a set into a folder within the folder; as :meth:`write`, and give its path."""
        within = self.folder / name
        self._write(within, files, is_last=True, force=True)
        return within

    def write_so_far(self, files: Mapping[str, str]) -> None:
        """Write the best layout so far, and what is known, for the case that the run is cut off."""
        self._write(self.folder / SO_FAR, files, is_last=False, force=True)

    def end_so_far(self) -> None:
        """Remove that, as there is something better now."""
        within = self.folder / SO_FAR
        if within.is_dir() and not within.is_symlink():
            with unbroken(is_last=False):
                recover(within)
                for name in (*set_digests(within), MANIFEST):
                    (within / name).unlink(missing_ok=True)
                remove_empty([within])

    def _write(
        self, folder: Path, files: Mapping[str, str | bytes], *, is_last: bool, force: bool
    ) -> None:
        with unbroken(is_last=is_last):
            try:
                if folder.is_symlink() and folder != self.folder:
                    raise NotADirectoryError(20, "is a link, not a folder", str(folder))
                write_set(folder, files, force, self._marks)
            except (OSError, MemoryError) as error:
                raise _rescued(folder, files, error) from error


def _rescued(
    folder: Path, files: Mapping[str, str | bytes], error: OSError | MemoryError
) -> NotWritten:
    """Keep the files of a run somewhere else; the layout alone where all of them are too much."""
    why = getattr(error, "strerror", None) or "there is not enough memory"
    layouts = {LAYOUT: files[LAYOUT]} if LAYOUT in files else {}
    for what, kept in (("files of this run are", files), ("layout of this run is", layouts)):
        if not kept:
            continue
        try:
            elsewhere = Path(tempfile.mkdtemp(prefix="partitioner-"))
        except (OSError, MemoryError):
            continue
        try:
            write_set(elsewhere, kept, force=True)
        except (OSError, MemoryError):
            remove_empty([elsewhere])
            continue
        return NotWritten(f"{folder}: {why}; the {what} in {elsewhere}/", str(elsewhere))
    text = layouts.get(LAYOUT)
    layout = text.decode("utf-8") if isinstance(text, bytes) else text
    follows = "" if layout is None else "; the layout follows on stdout"
    return NotWritten(f"{folder}: {why}, and nowhere else could be written{follows}", None, layout)


def _tell_recovery(folder: Path, said: str, voice: Voice) -> None:
    if said:
        voice.note(f"{folder}: {said}")
