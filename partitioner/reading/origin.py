"""Where the parts of a problem stand in their files, and the list of what is wrong with them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import Protocol, TypedDict, Unpack

from pydantic_core import PydanticCustomError

from partitioner.errors import Finding
from partitioner.reading.kinds import did_you_mean
from partitioner.reading.limits import MOST_COMPARED, MOST_FINDINGS
from partitioner.reading.yaml_text import Document, path_text

Steps = tuple[str | int, ...]
"""A way from an item to a part of it: keys and indexes."""


@dataclass(frozen=True, slots=True)
class At:
    """A position in a file, with the text of its line; in a DataFrame ``row`` labels the row."""

    file: str
    line: int
    column: int
    source_line: str = ""
    column_name: str = ""
    cell: str = ""
    """Name of the cell in a workbook, which has no lines."""
    row: str = ""

    @property
    def words(self) -> str:
        """The line or the row, to be said after "on"."""
        if self.row:
            return f"row {self.row}"
        return f"row {self.line}" if self.cell else f"line {self.line}"


class Origin(Protocol):
    """Where one item stands; ``label`` is what findings call it."""

    @property
    def label(self) -> str:
        """What findings call the item."""
        ...

    def at(self, steps: Steps = (), *, on_key: bool = False) -> At:
        """Position of a part of the item, or of its key."""
        ...

    def named(self, label: str) -> Origin:
        """Give the same place another label."""
        ...


@dataclass(frozen=True, slots=True)
class YamlOrigin:
    """An item of a YAML document, at ``path``."""

    document: Document
    path: Steps = ()
    label: str = ""

    def at(self, steps: Steps = (), *, on_key: bool = False) -> At:
        """Position of a part of the item, or of its key."""
        line, column = self.document.spot((*self.path, *steps), on_key=on_key)
        return At(self.document.file, line, column, self.document.line_text(line))

    def named(self, label: str) -> YamlOrigin:
        """Give the same place another label."""
        return YamlOrigin(self.document, self.path, label)

    def part(self, *steps: str | int, label: str | None = None) -> YamlOrigin:
        """Origin of a part of the item."""
        return YamlOrigin(
            self.document,
            (*self.path, *steps),
            join_label(self.label, steps) if label is None else label,
        )


def join_label(label: str, steps: Steps) -> str:
    """Append steps to a label the way findings show it."""
    rest = path_text(steps)
    return f"{label}.{rest}" if label and rest and not rest.startswith("[") else label + rest


class How(TypedDict, total=False):
    """How a finding is told: with a hint, at the key of its place, as a warning."""

    hint: str
    on_key: bool
    is_warning: bool


class Enough(Exception):
    """So much is wrong that nobody reads on; what was found so far is told."""


@dataclass(slots=True)
class Findings:
    """What is wrong so far.

    No more than :data:`~partitioner.reading.limits.MOST_FINDINGS` errors, and as many warnings, are
    kept. Errors beyond that end the reading with :class:`Enough`; ``untold`` counts warnings.
    """

    found: list[Finding] = field(default_factory=list)
    untold: int = 0
    _errors: int = 0
    _warnings: int = 0
    _compared: int = 0

    def take(self, finding: Finding) -> None:
        """Take one finding.

        Raises
        ------
        Enough
            If it is one error too many; a last finding says so.
        """
        if finding.severity == "error":
            self._errors += 1
            if self._errors > MOST_FINDINGS:
                told = f"more than {MOST_FINDINGS} problems; reading ends here"
                self.found.append(replace(finding, where="", message=told, hint=""))
                raise Enough
        else:
            self._warnings += 1
            if self._warnings > MOST_FINDINGS:
                self.untold += 1
                return
        self.found.append(finding)

    def near(self, name: str, known: Collection[str], *, list_known: bool = True) -> str:
        """Hint at the known name that was probably meant; else list them when they are few.

        Looking for near names takes long among thousands: after so many comparisons the reader of
        the findings has seen the pattern, and no more are made.
        """
        self._compared += len(known)
        if self._compared > MOST_COMPARED:
            return ""
        return did_you_mean(name, list(known), list_known=list_known)

    def add(
        self,
        origin: Origin,
        code: str,
        message: str,
        *steps: str | int,
        hint: str = "",
        on_key: bool = False,
        is_warning: bool = False,
    ) -> None:
        """Add one finding about a part of the item at ``origin``, or its key."""
        at = origin.at(steps, on_key=on_key)
        # A position is one key in YAML and three columns in CSV.
        shown = (at.column_name,) if at.column_name and at.column_name != steps[0] else steps
        where, severity = join_label(origin.label, shown), "warning" if is_warning else "error"
        self.take(
            Finding(
                at.file, at.line, at.column, code, where, message, hint, at.source_line, severity,
                at.column_name, at.cell, at.row,
            )
        )  # fmt: skip

    def refused(
        self, origin: Origin, error: PydanticCustomError, *steps: str | int, on_key: bool = False
    ) -> None:
        """Tell a value that its kind does not take; see :func:`partitioner.reading.kinds.fault`."""
        told = error.context or {}
        way, hint = (*steps, *told["at"]), told["hint"]
        self.add(origin, error.type, told["message"], *way, hint=hint, on_key=on_key)

    def clash(self, origin: Origin, message: str, *steps: str | int, **how: Unpack[How]) -> None:
        """Tell of values that make no sense together."""
        self.add(origin, "not-allowed-together", message, *steps, **how)

    def no_effect(self, origin: Origin, why: str, *steps: str | int, on_key: bool = True) -> None:
        """Warn of a value that changes nothing."""
        self.clash(origin, f"has no effect: {why}", *steps, on_key=on_key, is_warning=True)

    def unknown(
        self,
        origin: Origin,
        message: str,
        name: str,
        known: Collection[str],
        *steps: str | int,
        on_key: bool = False,
        is_warning: bool = False,
    ) -> None:
        """Tell a name that is none of the ``known`` ones."""
        hint = self.near(name, known)
        how: How = {"hint": hint, "on_key": on_key, "is_warning": is_warning}
        self.add(origin, "unknown-name", message, *steps, **how)

    def in_order(self, file: str) -> list[Finding]:
        """All of them by their places; warnings that were left out are counted at the end."""
        found = sorted(self.found)
        if self.untold:
            told = f"{self.untold} more warnings of this kind and others"
            found.append(Finding(file, 0, 0, found[-1].code, "", told, severity="warning"))
        return found

    def errors(self) -> list[Finding]:
        """Those that make the file wrong."""
        return [f for f in self.found if f.severity == "error"]
