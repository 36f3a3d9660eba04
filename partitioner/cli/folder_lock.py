"""One run at a time writes into a folder."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

_WINDOWS_FILE = ".partitioner-lock"
_BUSY = (errno.EWOULDBLOCK, errno.EACCES, errno.EEXIST)


class FolderLock:
    """The right to write into a folder that exists; the system takes it back at the process's end.

    POSIX systems lock the folder itself, so nothing is left behind whatever happens. Windows cannot
    do that: there a file is made that lasts as long as the process has it open.
    """

    def __init__(self, folder: Path):
        self._folder = folder
        self._number: int | None = None

    def take(self) -> bool:
        """Take the right without waiting; False if another process has it.

        Raises
        ------
        OSError
            If the folder cannot be opened.
        """
        if fcntl is None:
            return self._take_by_file()
        number = os.open(self._folder, os.O_RDONLY)
        try:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in _BUSY:
                os.close(number)
                return False
            # Some network file systems know no locks: there nobody can be kept out.
        self._number = number
        return True

    def give_back(self) -> None:
        """Let others write; harmless if the right was not taken."""
        if self._number is not None:
            os.close(self._number)
            self._number = None

    def _take_by_file(self) -> bool:
        flags = os.O_CREAT | os.O_EXCL | os.O_RDWR
        flags |= getattr(os, "O_TEMPORARY", 0) | getattr(os, "O_NOINHERIT", 0)
        path = self._folder / _WINDOWS_FILE
        with contextlib.suppress(OSError):
            # Fails while its maker lives.
            path.unlink()
        try:
            self._number = os.open(path, flags)
        except OSError as error:
            if error.errno in _BUSY:
                return False
            raise
        return True
