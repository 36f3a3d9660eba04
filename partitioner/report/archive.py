"""Files packed into one ``.zip``, the same bytes for the same files."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from datetime import datetime

from partitioner.report.file_names import clean_name
from partitioner.report.writer import MANIFEST, manifest_text

EPOCH = datetime(1980, 1, 1)
"""Time of every file in an archive: the earliest it can hold; none tells when it was made."""


def packed(files: Mapping[str, str | bytes], folder: str = "") -> bytes:
    """Pack files into a ``.zip``, within a folder of it or at its top."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(f"{folder}{name}", EPOCH.timetuple()[:6])
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, content)
    return made.getvalue()


def with_archive(files: Mapping[str, str | bytes], name: str) -> dict[str, str | bytes]:
    """Add to a set of files an archive of all of them, with their list of SHA-256.

    The archive and the folder in it are called by the ``name`` of the problem.
    """
    called = clean_name(f"{name}.zip")
    listed = {**files, MANIFEST: manifest_text(files)}
    return {**files, called: packed(listed, f"{called.removesuffix('.zip')}/")}
