"""The one place where files of the user are opened: regular ones, of bounded size, where allowed.

A file may come from a stranger, and so may the names inside it. A name never leads out of the
folders it may lead into, whatever links stand there; nothing is waited for, and nothing is read
that has no end.
"""

from __future__ import annotations

import itertools
import json
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from partitioner.errors import Finding
from partitioner.reading.kinds import did_you_mean
from partitioner.reading.limits import (
    LARGEST_FILE_BYTES,
    LARGEST_RESULT_BYTES,
    MOST_LINES,
    MOST_RESULT_VALUES,
    MOST_VALUES,
)

_MOST_NAMES = 500
"""Names of a folder that are looked at for one that was probably meant."""
_UNPACK = "`partitioner import` and `tables` of a problem read .xlsx; or save it as CSV in UTF-8"
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
)


class Unreadable(Exception):
    """A file can't be read; ``line`` and ``column`` count from 1, 0: the file as a whole."""

    def __init__(self, message: str, hint: str = "", line: int = 0, column: int = 0):
        self.message, self.hint, self.line, self.column = message, hint, line, column
        super().__init__(message)

    def finding(self, file: str) -> Finding:
        """The same as a finding in the file."""
        at = (file, self.line, self.column)
        return Finding(*at, "unreadable-file", "", self.message, self.hint)


def read_bytes(path: Path, most_bytes: int = LARGEST_FILE_BYTES) -> bytes:
    """Read a regular file, which the user named or :class:`Folders` allowed, whole.

    Raises
    ------
    Unreadable
        If it is not there, may not be read, is something else than a regular file, or is larger
        than ``most_bytes``.
    """
    try:
        # Before it is opened too: opening alone makes some devices act.
        _must_be_readable(path.stat(), most_bytes)
        flags = os.O_RDONLY
        for name in ("O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC", "O_BINARY"):
            flags |= getattr(os, name, 0)
        number = os.open(path, flags)
        with os.fdopen(number, "rb") as file:
            _must_be_readable(os.fstat(number), most_bytes)
            # A file may grow, or, in /proc, not know its size.
            content = file.read(most_bytes + 1)
    except FileNotFoundError:
        told = "a link to a file that is not there" if path.is_symlink() else "no such file"
        raise Unreadable(told, _near(path)) from None
    except OSError as error:
        raise Unreadable(f"can't be read: {error.strerror or error}") from None
    except ValueError:
        # A NUL, or half of a surrogate pair.
        raise _no_name() from None
    if len(content) > most_bytes:
        raise _too_large(most_bytes, "more")
    return content


def _no_name() -> Unreadable:
    return Unreadable("expected the name of a file, got one that no file can have")


def _must_be_readable(told: os.stat_result, most_bytes: int) -> None:
    if not stat.S_ISREG(told.st_mode):
        what = next((word for is_it, word in _KINDS if is_it(told.st_mode)), "something else")
        raise Unreadable(f"expected a file, got {what}")
    if told.st_size > most_bytes:
        raise _too_large(most_bytes, f"{told.st_size // 1_000_000} MB")


def _too_large(most_bytes: int, size: str) -> Unreadable:
    return Unreadable(f"expected at most {most_bytes // 1_000_000} MB, got {size}")


def _near(path: Path) -> str:
    """Hint at a file beside the one that isn't there."""
    try:
        with os.scandir(path.parent) as entries:
            names = [e.name for e in itertools.islice(entries, _MOST_NAMES)]
    except OSError:
        return ""
    alike = sorted(n for n in names if Path(n).suffix == path.suffix and n != path.name)
    return did_you_mean(path.name, alike, list_known=False)


def as_text(content: bytes) -> str:
    """Decode UTF-8, with or without a byte order mark.

    Raises
    ------
    Unreadable
        If it is no UTF-8, with the place of the first such byte, or has too many lines.
    """
    if content.startswith(b"PK\x03\x04"):
        raise Unreadable("expected text, got a packed file such as a workbook", _UNPACK)
    lines = content.count(b"\n") + content.count(b"\r") - content.count(b"\r\n")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        raise Unreadable(
            f"expected UTF-8 text, got the byte 0x{content[error.start]:02X}",
            "save the file as UTF-8",
            before.count(b"\n") + 1,
            error.start - (before.rfind(b"\n") + 1) + 1,
        ) from None
    # YAML knows further ends of lines.
    lines += sum(text.count(end) for end in "\x85\u2028\u2029")
    if lines > MOST_LINES:
        raise Unreadable(f"expected at most {MOST_LINES} lines, got {lines}")
    return text


def _read_named(path: Path, real: Path) -> bytes:
    """Read a file that another one names; a fault of the file as a whole tells its path."""
    try:
        return read_bytes(real)
    except Unreadable as error:
        raise Unreadable(f"{error.message}: {path}", error.hint) from None


def read_result(path: Path) -> Any:
    """Read the JSON that an earlier run left, which may be larger than what people write.

    Raises
    ------
    Unreadable
        See :func:`read_bytes` and :func:`as_json`.
    """
    return as_json(read_bytes(path, LARGEST_RESULT_BYTES), MOST_RESULT_VALUES)


def as_json(content: bytes, most_values: int = MOST_VALUES) -> Any:
    """Decode a JSON text of bounded size and nesting, in which numbers are finite.

    Raises
    ------
    Unreadable
        If it is no JSON, or holds more than a file of ours could.
    """
    # More values than this need more commas; counting them is quick, and making them is not.
    if content.count(b",") > most_values:
        raise Unreadable(f"expected at most {most_values} values")

    def refuse(word: str) -> None:
        raise ValueError(f"{word} is no JSON")

    try:
        return json.loads(content.decode("utf-8-sig"), parse_constant=refuse)
    except RecursionError:
        raise Unreadable("nested far deeper than any file of this program") from None
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        raise Unreadable(f"this is no JSON: {error}") from None
    except ValueError:
        raise Unreadable("expected numbers of some digits") from None


class Outside(Unreadable):
    """A name leads out of the folders it may lead into."""


@dataclass(frozen=True, slots=True)
class Folders:
    """Folders that the names in a file may lead into: the file's own, and those the user allows.

    ``own`` is looked in first, then ``further`` in their order.
    """

    own: Path
    further: Sequence[Path] = ()

    def read(self, name: str) -> tuple[Path, bytes]:
        """Read the file that ``name`` leads to; give its path, as far as it is known, too.

        Raises
        ------
        Outside
            If it lies in none of the folders, nor below one of them, all links followed. Whether
            there is such a file is not told, and nothing outside is touched.
        Unreadable
            See :func:`read_bytes`.
        """
        first: Path | None = None
        try:
            for folder in (self.own, *self.further):
                path = folder / name
                real = self._real(path)
                if real is None:
                    continue
                if real.exists():
                    # The real path is opened, not the links again, which may have changed.
                    return path, _read_named(path, real)
                first = first or path
        except (OSError, ValueError):
            raise _no_name() from None
        if first is not None:
            raise Unreadable(f"no such file: {first}", _near(first))
        raise Outside("expected a file in the folder of this one or below it")

    def _real(self, path: Path) -> Path | None:
        """Follow the links of a path; None when it leads outside."""
        folders = (self.own, *self.further)
        allowed = [os.path.realpath(folder) for folder in folders]
        # By its text first: on some systems a look at a path is a call to another machine.
        text = Path(os.path.abspath(path))  # noqa: PTH100 - links are followed below
        named = [os.path.abspath(folder) for folder in folders]  # noqa: PTH100
        if not any(text.is_relative_to(folder) for folder in (*named, *allowed)):
            return None
        real = Path(os.path.realpath(path))
        return real if any(real.is_relative_to(folder) for folder in allowed) else None
