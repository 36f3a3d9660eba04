"""What can go wrong, each with the exit code the command line ends with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any


class ExitCode(IntEnum):
    """How a command ended."""

    OK = 0
    """A layout (or the asked answer) was written."""
    FAULT = 1
    """The machine refused (disk, memory, a closed stream), or a fault of the program itself."""
    USAGE = 2
    """The command line is wrong."""
    WRONG_FILE = 3
    """A file is wrong; every finding is listed and nothing was written."""
    NO_LAYOUT = 4
    """Proved: no layout keeps all rules."""
    NO_ANSWER = 5
    """No layout found within the limit; nothing is claimed."""
    BROKEN_RULES = 6
    """``check`` found broken rules."""


@dataclass(frozen=True, slots=True, order=True)
class Finding:
    """One thing wrong in a file, with the place it stands at.

    ``line`` and ``column`` count from 1 (0: the file as a whole); in CSV files ``column_name``
    names the column, in workbooks ``cell`` the sheet and the cell. In a DataFrame ``row`` is the
    label of the row, and ``line`` its number from 1. ``severity`` is ``error`` or ``warning``.
    """

    file: str
    line: int
    column: int
    code: str
    where: str
    message: str
    hint: str = ""
    source_line: str = ""
    severity: str = "error"
    column_name: str = ""
    cell: str = ""
    row: str = ""


class PartitionerError(Exception):
    """Anything the program reports on purpose."""

    exit_code = ExitCode.FAULT


class WrongFile(PartitionerError):
    """One or more findings in the files that were read; ``told`` says them in words."""

    exit_code = ExitCode.WRONG_FILE

    def __init__(self, findings: list[Finding], told: str = ""):
        self.findings = sorted(findings)
        super().__init__(told or f"{len(self.findings)} finding(s)")


@dataclass(frozen=True, slots=True)
class Conflict:
    """A rule that takes part in the proof that no layout exists.

    ``rule`` is the rule's short name as in ``check``; ``subjects`` the ids of devices, streams,
    switches it concerns; ``sentence`` says it in plain words with the numbers; ``way_out`` the
    cheapest change that removes it, if one is known; ``where`` at which ``file:line`` what it is
    about stands, if the problem came from a file.
    """

    rule: str
    subjects: tuple[str, ...]
    sentence: str
    way_out: str = ""
    where: tuple[str, ...] = ()


class NoLayout(PartitionerError):
    """Proved that no layout keeps all rules."""

    exit_code = ExitCode.NO_LAYOUT

    def __init__(self, conflicts: list[Conflict]):
        self.conflicts = conflicts
        super().__init__("; ".join(c.sentence for c in conflicts) or "no layout exists")


class NoAnswer(PartitionerError):
    """The limit was reached before a layout was found; nothing is proved.

    ``start_unusable`` says, a sentence each, what of a layout to start from could not be used.
    ``nearest`` is the layout that leaves least out of all that were found, if there is one.
    ``ended_by`` is what ended the search, as of an outcome. ``hint`` says what the time went to and
    what the user may try.
    """

    exit_code = ExitCode.NO_ANSWER

    def __init__(
        self,
        message: str,
        *,
        seconds: float = 0.0,
        bound_money: int | None = None,
        start_unusable: Sequence[str] = (),
        nearest: Any = None,
        ended_by: str = "time limit",
        hint: str = "Nothing is claimed: a layout may exist. Try a longer --time-limit.",
    ):
        self.ended_by = ended_by
        self.hint = hint
        self.seconds = seconds
        self.bound_money = bound_money
        self.start_unusable = tuple(start_unusable)
        self.nearest = nearest
        super().__init__(message)


class BrokenRules(PartitionerError):
    """A layout breaks rules of its problem; ``findings`` are rule findings of ``check``.

    ``incomplete`` says what is missing, if anything is. ``data`` is what else is known of the
    layout, for an answer as JSON.
    """

    exit_code = ExitCode.BROKEN_RULES

    def __init__(
        self,
        findings: list[Any],
        data: Mapping[str, Any] | None = None,
        incomplete: str = "",
    ):
        self.findings = findings
        self.incomplete = incomplete
        self.data = dict(data or {})
        super().__init__(f"{len(findings)} broken rule(s)")


class MachineFault(PartitionerError):
    """The machine refused something: memory, disk, a stream; no fault of the program."""


class NotWritten(MachineFault):
    """The files of a run could not be written where they were to go.

    ``rescued_in`` is the folder that they are in instead, or as much of them as the message says;
    None if the machine took them nowhere. ``layout`` is then the text of the layout, if there is
    one.
    """

    def __init__(self, message: str, rescued_in: str | None, layout: str | None = None):
        self.rescued_in = rescued_in
        self.layout = layout
        super().__init__(message)


class InternalFault(PartitionerError):
    """Solver and check disagree: a fault of ours; ``details`` say where."""

    def __init__(self, message: str, details: list[str] | None = None):
        self.details = details or []
        super().__init__(message)
