"""One finding for one cause: what goes wrong in the same way all down a column is told once."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from partitioner.errors import Finding

FEW = 2
"""Findings of one kind in one column that are told each."""
_QUOTED = re.compile(r"'[^']*'|[0-9][0-9.]*")


def collapsed(findings: Iterable[Finding], tables: Iterable[str]) -> list[Finding]:
    """Tell findings in tables once a column and kind, with the number of rows they are in.

    ``tables`` are the files in which the rows of a list stand below headings.
    """
    files = set(tables)
    groups: dict[object, list[Finding]] = {}
    for number, finding in enumerate(findings):
        key: object = number
        if finding.file in files:
            kind = _QUOTED.sub("", finding.message)
            sheet = finding.cell.rpartition("!")[0]
            key = (finding.file, sheet, finding.code, finding.column_name, kind, finding.severity)
        groups.setdefault(key, []).append(finding)
    told: list[Finding] = []
    for alike in groups.values():
        if len(alike) <= FEW:
            told += alike
            continue
        first = min(alike)
        where = ", ".join(f.cell.rpartition("!")[2] or str(f.line) for f in alike[1:6])
        where += ", …" * (len(alike) > 6)
        more = f"{first.message}; and so in {len(alike) - 1} more rows ({where})"
        told.append(replace(first, message=more))
    return told
