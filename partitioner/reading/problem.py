"""Reads a problem file with the lists beside it, and tells everything that is wrong at once."""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import Any

from partitioner.errors import Finding, WrongFile
from partitioner.model.problem import Problem
from partitioner.reading.build import build_problem
from partitioner.reading.catalogue import SECTIONS, read_catalogue, read_entries, shipped_catalogue
from partitioner.reading.collapse import collapsed
from partitioner.reading.csv_table import read_csv
from partitioner.reading.files import Folders, Outside, Unreadable, as_text, read_bytes
from partitioner.reading.headings import Holds
from partitioner.reading.kinds import got
from partitioner.reading.origin import Enough, Findings, Origin, YamlOrigin
from partitioner.reading.parts import LISTS, MAPPINGS, Parts, table_of
from partitioner.reading.problem_tables import ORDER, tables_into
from partitioner.reading.propose import is_asked, propose_switches
from partitioner.reading.render import format_finding
from partitioner.reading.rules.everything import check_parts
from partitioner.reading.schema import FORMAT, PROPOSE, ProblemTable
from partitioner.reading.sheet import Sheet
from partitioner.reading.tables import Item, read_list, read_table
from partitioner.reading.workbook import read_sheets
from partitioner.reading.yaml_text import load

_NOTHING_LISTED: Mapping[str, Sequence[Item[Any]]] = MappingProxyType({})
_EMPTY_SWITCH = {"id": "x", "ports": [{"grades": ["x"], "count": 1}]}
_ELSEWHERE = "if you trust this file, allow the folder of the list with --lists-from"


class FileKind(StrEnum):
    """What a YAML file holds."""

    PROBLEM = "a problem"
    LAYOUT = "a layout"
    STUDY = "a study"
    OUTCOME = "the outcome of a plan"


_MARKS = {
    FileKind.OUTCOME: {"layout_digest"},
    FileKind.PROBLEM: {"switches", "devices", "devices_csv", "tables"},
    FileKind.LAYOUT: {"segments"},
    FileKind.STUDY: {"vary", "cases", "ask"},
}
"""Keys that files of one kind have, those first that no other kind has."""
_USUAL_NAMES = {FileKind.PROBLEM: "problem.yaml", FileKind.LAYOUT: "layout.yaml"}
_NO_YAML = {".csv", ".xlsx", ".html", ".svg", ".zip"}
_NO_YAML_HINTS = {
    FileKind.PROBLEM: "`partitioner import` makes a problem of lists",
    FileKind.LAYOUT: "`partitioner plan` writes it as layout.yaml",
}


@dataclass(slots=True)
class SourceFiles:
    """The files of a problem as they were read: name as it was given, and content.

    ``lists_from`` are folders, besides that of the problem, that its lists may lie in.
    """

    lists_from: Sequence[Path] = ()
    contents: list[tuple[str, bytes]] = field(default_factory=list)
    tables: set[str] = field(default_factory=set)
    """Paths of those that are tables under ``tables``."""

    def digest(self) -> str:
        """Digest over names and contents."""
        made = hashlib.sha256()
        for name, content in self.contents:
            # A name may hold bytes that are no UTF-8.
            made.update(f"{name}\0{len(content)}\0".encode("utf-8", "surrogateescape"))
            made.update(content)
        return made.hexdigest()


@dataclass(frozen=True, slots=True)
class Source:
    """A problem with what it was read from.

    ``problem`` and ``whole`` are None when one of the findings is an error; ``whole`` is it as one
    file would hold it, the lists that stand elsewhere included.
    """

    problem: Problem | None
    findings: list[Finding]
    files: SourceFiles
    whole: YamlOrigin | None

    @property
    def data(self) -> Mapping[str, Any]:
        """The plain data of ``whole``."""
        return {} if self.whole is None else self.whole.document.data


def read_source(path: Path, lists_from: Sequence[Path] = ()) -> Source:
    """Read a problem and keep what it was read from."""
    files = SourceFiles(lists_from)
    return judged_source(lambda findings: read_parts(path, files, findings), files, str(path))


def problem_of_text(text: str, path: Path) -> tuple[Problem | None, list[Finding]]:
    """Read a problem in a text that is not written yet, with its findings; ``path`` names it."""
    files = SourceFiles((), [(path.name, text.encode())])
    source = judged_source(lambda found: _parts_of(text, path, files, found), files, str(path))
    return source.problem, source.findings


def judged_source(
    read: Callable[[Findings], Parts | None], files: SourceFiles, file: str
) -> Source:
    """Check parts that ``read`` gives against each other and make the problem of them.

    ``file`` is the name that findings about the whole of it carry.
    """
    findings = Findings()
    parts = _checked(read, findings)
    if parts is not None:
        holes = parts.origin.document.holes
        findings.found = [
            f
            for f in findings.found
            if f.file != file or f.code == "yaml-syntax" or (f.line, f.column) not in holes
        ]
    findings.found = collapsed(findings.found, files.tables)
    found = findings.in_order(file)
    if parts is None or findings.errors():
        return Source(None, found, files, None)
    warnings = tuple(format_finding(f, source=False) for f in found)
    problem = build_problem(parts, warnings, files.digest())
    whole = replace(parts.origin.document, data=problem_data(parts))
    return Source(problem, found, files, YamlOrigin(whole))


def _checked(read: Callable[[Findings], Parts | None], findings: Findings) -> Parts | None:
    """Check what is read; what ends the reading early is the last of the findings."""
    parts = None
    with contextlib.suppress(Enough):
        parts = read(findings)
        if parts is not None:
            check_parts(parts, findings)
    return parts


def problem_data(parts: Parts) -> dict[str, Any]:
    """Give a problem as one file would hold it, with the lists that stand in files of their own."""
    raw = parts.origin.document.data
    data = {k: v for k, v in raw.items() if k != "tables" and not k.endswith("_csv")}
    for section in LISTS:
        items = parts.items(section)
        # Proposed switches depend on all else, and are proposed anew.
        if items and section != "tables" and not is_asked(data.get(section)):
            data[section] = [dict(item.raw) for item in items]
    return data


def read_whole(path: Path, lists_from: Sequence[Path] = ()) -> YamlOrigin:
    """Read the data of a problem with its lists in place, for :func:`problem_of`.

    Raises
    ------
    WrongFile
        With every finding, if the problem is wrong.
    """
    source = read_source(path, lists_from)
    if source.whole is None:
        raise WrongFile(source.findings)
    return source.whole


def problem_of(origin: YamlOrigin, digest: str) -> tuple[Problem | None, list[Finding]]:
    """Make a problem of data that stands in no file; findings tell the file of ``origin``."""
    findings = Findings()
    parts = _checked(lambda told: Reader(origin, Path(), SourceFiles(), told).parts(), findings)
    found = findings.in_order(origin.document.file)
    if parts is None or findings.errors():
        return None, found
    return build_problem(parts, (), digest), found


def problem_from_text(text: str, file: str) -> Problem:
    """Make a problem of a text without lists beside it; its digest is that of a file of the name.

    Raises
    ------
    WrongFile
        With every finding.
    """
    unread = Findings()
    origin = read_document(text, file, FileKind.PROBLEM, unread)
    digest = SourceFiles(contents=[(file, text.encode())]).digest()
    problem, found = (None, unread.found) if origin is None else problem_of(origin, digest)
    if problem is None:
        raise WrongFile(found)
    return problem


def read_text(path: Path, kind: FileKind, findings: Findings) -> tuple[str, bytes] | None:
    """Read a YAML file that the user named, as text and as it is; say why if it can't be read."""
    try:
        content = read_bytes(path)
        if path.suffix.lower() in _NO_YAML:
            told = f"expected {kind}, which is a YAML file, got a {path.suffix} file"
            raise Unreadable(told, _NO_YAML_HINTS.get(kind, ""))
        return as_text(content), content
    except Unreadable as error:
        finding = error.finding(str(path))
        inside = path / _USUAL_NAMES.get(kind, "")
        if path.is_dir() and inside.is_file():
            finding = replace(finding, hint=f"did you mean {inside}?")
        findings.take(finding)
        return None


def read_parts(path: Path, files: SourceFiles, findings: Findings) -> Parts | None:
    """Read a problem file and its lists into parts; nothing is checked across them.

    What is wrong goes to ``findings``, what was read to ``files``; None when the file is none.
    """
    read = read_text(path, FileKind.PROBLEM, findings)
    if read is None:
        return None
    text, content = read
    files.contents.append((path.name, content))
    return _parts_of(text, path, files, findings)


def _parts_of(text: str, path: Path, files: SourceFiles, findings: Findings) -> Parts | None:
    root = read_document(text, str(path), FileKind.PROBLEM, findings)
    return None if root is None else Reader(root, path.parent, files, findings).parts()


def read_document(text: str, file: str, kind: FileKind, findings: Findings) -> YamlOrigin | None:
    """Read a text as a YAML mapping of a format this program knows; None where it is none.

    Of a file that is plainly of another kind nothing else is told.
    """
    document = load(text, file)
    for finding in document.findings:
        findings.take(name_items(finding, document.data))
    root = YamlOrigin(document)
    if document.data is None and document.findings:
        return None
    if not isinstance(document.data, dict):
        told = f"expected a mapping with the keys of {kind}, got {got(document.data)}"
        findings.add(root, "wrong-kind", told)
        return None
    for other, marks in _MARKS.items():
        is_own = other is not FileKind.OUTCOME and _MARKS[kind] & document.data.keys()
        if marks & document.data.keys() and not is_own:
            hint = "in a command the problem comes first, the layout behind it"
            if FileKind.STUDY in (kind, other):
                hint = ""
            if other is FileKind.OUTCOME:
                hint = "the layout is the file layout.yaml beside it" * (kind is FileKind.LAYOUT)
            findings.add(root, "wrong-kind", f"expected {kind}, got {other}", hint=hint)
            return None
    return root if check_format(document.data, root, findings) else None


_NUMBERED = re.compile(r"(\w+)\[(\d+)\]")


def name_items(finding: Finding, data: Any) -> Finding:
    """Put the id of an item in place of its number, once the whole file is read."""
    match = _NUMBERED.match(finding.where)
    if match is None or not isinstance(data, dict):
        return finding
    section, index = data.get(match[1]), int(match[2])
    if not isinstance(section, list) or index >= len(section):
        return finding
    item = section[index]
    name = item.get("id") if isinstance(item, dict) else None
    if not isinstance(name, str) or not name:
        return finding
    return replace(finding, where=f"{match[1]}[{name}]{finding.where[match.end() :]}")


def check_format(raw: dict[str, Any], root: YamlOrigin, findings: Findings) -> bool:
    """Tell whether the file's format is one this program reads."""
    number = raw.get("format")
    if isinstance(number, int) and not isinstance(number, bool) and number > FORMAT:
        findings.add(
            root, "unsupported-version", f"expected format {FORMAT}, got {number}", "format",
            hint="a newer version of the program reads this file",
        )  # fmt: skip
        return False
    return True


class Reader:
    """Reads the sections of a problem file into parts.

    ``listed`` are items of its lists that stand elsewhere.
    """

    def __init__(
        self,
        root: YamlOrigin,
        folder: Path,
        files: SourceFiles,
        findings: Findings,
        listed: Mapping[str, Sequence[Item[Any]]] = _NOTHING_LISTED,
    ):
        self._raw: dict[str, Any] = root.document.data
        self._root = root
        self._folders = Folders(folder, files.lists_from)
        self._files = files
        self._findings = findings
        self._listed = listed
        self._unsure: set[str] = set()

    def parts(self) -> Parts:
        """Read everything."""
        top = self._top()
        mappings: dict[str, Any] = {s: self._mapping(s) for s in MAPPINGS}
        parts = Parts(
            origin=self._root,
            name=top.table.name,
            currency=top.table.currency,
            note=top.table.note,
            **mappings,
        )
        for section in LISTS:
            found = read_list(table_of(section), self._raw, section, self._root, self._findings)
            setattr(parts, section, [*found, *self._listed.get(section, ())])
        parts.devices += self._csv("devices", top.table.devices_csv)
        parts.streams += self._csv("streams", top.table.streams_csv)
        self._tables(parts)
        self._limits(parts)
        self._catalogue(parts)
        parts.unsure = self._unsure
        if is_asked(self._raw.get("switches")):
            if parts.propose.whole:
                propose_switches(parts, self._findings)
            else:
                self._unsure.add("switches")
        elif "propose" in self._raw:
            self._findings.no_effect(self._root, "switches is not the word propose", "propose")
        for section in LISTS:
            if any(item.id is None for item in parts.items(section)):
                self._unsure.add(section)
        return parts

    def _top(self) -> Item[ProblemTable]:
        """Read the keys that hold single values; find unknown and missing ones."""
        shallow = dict(self._raw)
        for section in (*LISTS, *MAPPINGS, "limits", "catalogue"):
            if section not in shallow:
                continue
            value = shallow[section]
            kind: type = list if section in LISTS else dict
            if section == "switches" and isinstance(value, str):
                shallow[section] = [_EMPTY_SWITCH]
                if not is_asked(value):
                    told = f"expected a list, or the word '{PROPOSE}', got {got(value)}"
                    self._findings.add(self._root, "wrong-kind", told, section)
                    self._unsure.add(section)
            elif isinstance(value, kind) and section != "switches":
                shallow.pop(section)
            elif isinstance(value, list) and value:
                shallow[section] = [_EMPTY_SWITCH]
            # else the wrong kind stays, to be told
            elif not isinstance(value, kind):
                self._unsure.add(section)
        if self._listed.get("switches"):
            shallow.setdefault("switches", [_EMPTY_SWITCH])
        elif not self._raw.get("switches"):
            self._unsure.add("switches")
        return read_table(ProblemTable, shallow, self._root, self._findings)

    def _mapping(self, section: str) -> Item[Any]:
        model = table_of(section)
        raw = self._raw.get(section, {})
        if not isinstance(raw, dict):
            return Item(model(), self._root.part(section), whole=False)
        return read_table(model, raw, self._root.part(section), self._findings)

    def _csv(self, section: str, name: str | None) -> list[Item[Any]]:
        if name is None:
            if self._raw.get(f"{section}_csv") is not None:
                self._unsure.add(section)
            return []
        try:
            path, content = self._folders.read(name)
            text = as_text(content)
        except Unreadable as error:
            self._unsure.add(section)
            if error.line:
                self._findings.take(error.finding(str(path)))
            else:
                self._tell_unreadable(self._root, f"{section}_csv", error.message, error)
            return []
        self._files.contents.append((name, content))
        items, whole = read_csv(table_of(section), text, str(path), section, self._findings)
        if not whole:
            self._unsure.add(section)
        return items

    def _tables(self, parts: Parts) -> None:
        """Read the tables that the problem names, those with names first."""
        read: dict[str, list[Sheet]] = {}
        for holds in ORDER:
            for item in parts.tables:
                if item.table.holds is not holds:
                    continue
                section = "streams" if holds is Holds.MESSAGES else holds.value
                name = item.table.file
                if name is not None and name not in read:
                    read[name] = self._sheets(item, name)
                sheets = read.get(name or "", [])
                usable = item.whole and bool(sheets)
                if not (usable and tables_into(parts, item, sheets, self._findings)):
                    self._unsure.add(section)

    def _sheets(self, item: Item[Any], name: str) -> list[Sheet]:
        """Sheets of a file that a table names; why there are none is told."""
        try:
            path, content = self._folders.read(name)
            self._files.contents.append((name, content))
            self._files.tables.add(str(path))
            sheets = read_sheets(content, str(path))
        except Unreadable as error:
            if error.line:
                self._findings.take(error.finding(str(path)))
            else:
                told = f"{name}: {error.message}"
                self._tell_unreadable(item.origin, "file", told, error)
            return []
        if not sheets:
            told = f"expected a table, got nothing in {name}"
            self._findings.add(item.origin, "unreadable-file", told, "file")
        return sheets

    def _tell_unreadable(self, origin: Origin, key: str, told: str, error: Unreadable) -> None:
        """There is no file to point into: the key that names it is the place to mend."""
        hint = _ELSEWHERE if isinstance(error, Outside) else error.hint
        self._findings.add(origin, "unreadable-file", told, key, hint=hint)

    def _limits(self, parts: Parts) -> None:
        raw = self._raw.get("limits", {})
        if not isinstance(raw, dict):
            return
        for grade, value in raw.items():
            origin = self._root.part("limits", grade, label=f"limits[{grade}]")
            parts.limits[grade] = read_table(table_of("limits"), value, origin, self._findings)

    def _catalogue(self, parts: Parts) -> None:
        raw = self._raw.get("catalogue", {})
        origin = self._root.part("catalogue")
        shipped = shipped_catalogue()
        parts.catalogue_grades = tuple(shipped.grades)
        if not isinstance(raw, dict):
            return
        shallow = {k: ({} if k in SECTIONS and isinstance(v, dict) else v) for k, v in raw.items()}
        top = read_table(table_of("catalogue"), shallow, origin, self._findings)
        entries = read_entries(raw, origin, self._findings)
        made = read_catalogue(entries, self._findings)
        parts.catalogue_grades = tuple(dict.fromkeys([*shipped.grades, *entries["grades"]]))
        parts.catalogue = made if top.whole else None
