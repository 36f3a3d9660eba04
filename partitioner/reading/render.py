"""How findings look: as text a person and an editor can follow, and as data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from partitioner.errors import Finding
from partitioner.reading.limits import LONGEST_SOURCE_LINE
from partitioner.visible import visible, visible_lines

MOST_SHOWN = 20
"""Findings beyond this are counted only."""
_WIDEST = 160
_RECORD = (
    "file", "line", "column", "row", "severity", "code", "where", "message", "column_name", "cell",
    "hint", "source_line",
)  # fmt: skip
_WHERE_KNOWN = {"row", "column_name", "cell", "hint", "source_line"}


def format_finding(finding: Finding, *, source: bool = True) -> str:
    """Write one finding.

    With ``source`` the line of the file is added with a caret below it, and the hint on a line of
    its own; without it all goes on one line.

    Examples
    --------
    >>> print(format_finding(Finding("p.yaml", 4, 3, "unknown-key", "line.drop", "no such key here",
    ...     "did you mean 'drop_slack_m'?", "  drop: 1")))
    p.yaml:4:3: error[unknown-key] line.drop: no such key here
      4 |   drop: 1
        |   ^
      hint: did you mean 'drop_slack_m'?
    """
    where = f" {visible(finding.where)}:" if finding.where else ""
    address = visible(finding.file)
    if finding.row:
        address += f", row {visible(finding.row)}"
    if finding.cell:
        address += f":{visible(finding.cell)}"
    elif finding.line == 0 or finding.row:
        address += f", column {visible(finding.column_name)}" if finding.column_name else ""
    else:
        address += f":{finding.line}:{finding.column}"
    text = f"{address}: {finding.severity}[{finding.code}]{where} {visible(finding.message)}"
    if not source:
        return text + (f" ({visible(finding.hint)})" if finding.hint else "")
    if finding.source_line.strip():
        shown, column = _window(finding.source_line, finding.column)
        number = str(finding.line)
        text += f"\n  {number} | {_source(shown)}"
        if column > 0:
            text += f"\n  {' ' * len(number)} | {_blank(_source(shown[: column - 1]))}^"
    if finding.hint:
        text += f"\n  hint: {visible(finding.hint)}"
    return text


def _source(line: str) -> str:
    """A line of a file, shown with its tabs."""
    return visible_lines(line.replace("\n", " "))


def _blank(text: str) -> str:
    """Spaces as wide as ``text``; tabs stay, so that the caret stands under its character."""
    return "".join("\t" if c == "\t" else " " for c in text)


def _window(line: str, column: int) -> tuple[str, int]:
    """Cut a long line to the part round the column."""
    if len(line) <= _WIDEST:
        return line, column
    start = max(0, column - 1 - _WIDEST // 2)
    end = start + _WIDEST
    lead = "..." if start else ""
    tail = "..." if end < len(line) else ""
    return f"{lead}{line[start:end]}{tail}", column - start + len(lead)


def format_findings(findings: Sequence[Finding], *, most: int = MOST_SHOWN) -> str:
    """Write findings one after the other, with their number at the end.

    Beyond ``most`` they are counted only. Errors and warnings keep their order in the file.
    """
    shown = [format_finding(f) for f in findings[:most]]
    if len(findings) > most:
        shown.append(f"and {len(findings) - most} more")
    errors = sum(f.severity == "error" for f in findings)
    files = list(dict.fromkeys(f.file for f in findings if f.severity == "error"))
    if errors:
        what, them = ("problem", "it") if errors == 1 else ("problems", "them")
        shown.append(f"{errors} {what} in {', '.join(map(visible, files))}: mend {them} first.")
    return "\n".join(shown)


def findings_as_data(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Give findings as a list of records for JSON; empty fields are left out."""
    records = []
    for finding in findings:
        record = {key: getattr(finding, key) for key in _RECORD}
        if len(finding.source_line) > LONGEST_SOURCE_LINE:
            record["source_line"] = ""
        records.append({k: v for k, v in record.items() if v or k not in _WHERE_KNOWN})
    return records
