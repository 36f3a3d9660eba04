"""Results on disk: a folder each, by key, written beside and renamed, so that it is whole or not.

Whichever process dies at any moment leaves whole results, and at most one that has no name yet.
Nothing waits for the disk: what a machine that was switched off had not got there yet shows by
the digests that stand with the result, and the case is run again.
"""

from __future__ import annotations

import contextlib
import hashlib
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

from partitioner.errors import MachineFault
from partitioner.reading.files import Unreadable, as_json, as_text, read_bytes, read_result
from partitioner.reading.limits import LARGEST_RESULT_BYTES, MOST_RESULT_VALUES
from partitioner.visible import json_file

RESULT = "result.json"
"""What a case answered; the same in every run that is limited by work."""
RUN = "run.json"
"""How long it took and where, another one each time; and digests of the files beside it."""
_DIGESTS = "sha256"
CASES, JUDGED = "cases", "judged"
"""Folders of a study: results of its cases, and judgements of the best layouts in each."""
_PART = ".part-"


def data_of(files: Mapping[str, str]) -> dict[str, Any]:
    """Data of a result that has these files, as :meth:`Results.read` gives them."""
    result, run = (as_json(files[name].encode(), MOST_RESULT_VALUES) for name in (RESULT, RUN))
    return {**result, "run": run}


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


class Results(Protocol):
    """Where results are kept."""

    def read(self, key: str) -> dict[str, Any] | None:
        """Give the data of a result, those of its run under ``run``; None if there is none."""

    def text(self, key: str, name: str) -> str:
        """Give another file of a result."""

    def keep(self, key: str, files: Mapping[str, str]) -> None:
        """Keep the files of a result, in place of an earlier one."""


class InMemory:
    """Results that end with the process."""

    def __init__(self) -> None:
        self._kept: dict[str, dict[str, str]] = {}

    def read(self, key: str) -> dict[str, Any] | None:
        """See :class:`Results`."""
        files = self._kept.get(key)
        return None if files is None else data_of(files)

    def text(self, key: str, name: str) -> str:
        """See :class:`Results`."""
        return self._kept[key][name]

    def keep(self, key: str, files: Mapping[str, str]) -> None:
        """See :class:`Results`."""
        self._kept[key] = dict(files)


class InFolder:
    """Results in a folder, which is made with the first one. One process may write there."""

    def __init__(self, folder: Path):
        self.folder = folder
        for left in folder.glob(f"{_PART}*"):
            shutil.rmtree(left, ignore_errors=True)

    def read(self, key: str) -> dict[str, Any] | None:
        """See :class:`Results`; one that cannot be read is none."""
        place = self.folder / key
        try:
            run = read_result(place / RUN)
            digests = run.pop(_DIGESTS) if isinstance(run, dict) else {}
            files = {n: read_bytes(place / n, LARGEST_RESULT_BYTES) for n in (RESULT, *digests)}
            if digests != {n: _digest(content) for n, content in files.items()}:
                return None
            return {**as_json(files[RESULT], MOST_RESULT_VALUES), "run": run}
        except (Unreadable, KeyError, TypeError):
            return None

    def text(self, key: str, name: str) -> str:
        """See :class:`Results`."""
        try:
            return as_text(read_bytes(self.folder / key / name))
        except Unreadable as error:
            raise MachineFault(f"{self.folder / key / name}: {error.message}") from error

    def keep(self, key: str, files: Mapping[str, str]) -> None:
        """See :class:`Results`.

        Raises
        ------
        MachineFault
            If the disk refuses.
        """
        beside, place = self.folder / f"{_PART}{key}", self.folder / key
        try:
            beside.mkdir(parents=True)
            encoded = {name: content.encode() for name, content in files.items()}
            run = as_json(encoded.pop(RUN))
            run[_DIGESTS] = {name: _digest(content) for name, content in sorted(encoded.items())}
            for name, content in {**encoded, RUN: json_file(run).encode()}.items():
                (beside / name).write_bytes(content)
            if place.exists():
                # One that failed and was asked for again, or that somebody damaged.
                place.rename(self.folder / f"{_PART}old-{key}")
            beside.rename(place)
        except OSError as error:
            raise MachineFault(f"{place}: {error.strerror}") from error
        finally:
            for left in (beside, self.folder / f"{_PART}old-{key}"):
                with contextlib.suppress(OSError):
                    shutil.rmtree(left)
