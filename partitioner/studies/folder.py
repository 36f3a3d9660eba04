"""Results on disk: a folder each, by key, written beside and renamed, so that it is whole or not.

Whoever dies at any moment leaves whole results, and at most one that has no name yet.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

from partitioner.errors import MachineFault
from partitioner.reading.files import Unreadable, as_json, as_text, read_bytes, read_result
from partitioner.visible import json_text

RESULT = "result.json"
"""What a case answered; the same in every run that is limited by work."""
RUN = "run.json"
"""How long it took and where; another one each time."""
CASES, JUDGED = "cases", "judged"
"""Folders of a study: results of its cases, and judgements of the best layouts in each."""
_PART = ".part-"


def json_file(data: Any) -> str:
    """Text of a file of data."""
    return json_text(data, indent=1) + "\n"


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
        if files is None:
            return None
        return {**as_json(files[RESULT].encode()), "run": as_json(files[RUN].encode())}

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
        try:
            result = read_result(self.folder / key / RESULT)
            run = read_result(self.folder / key / RUN)
        except Unreadable:
            return None
        whole = isinstance(result, dict) and isinstance(run, dict)
        return {**result, "run": run} if whole else None

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
            for name, content in files.items():
                with (beside / name).open("w", encoding="utf-8", newline="\n") as out:
                    out.write(content)
                    out.flush()
                    os.fsync(out.fileno())
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
