"""YAML with the surprises taken out: reading with positions, and writing that reads back.

Only ``true``/``false``, ``null`` or nothing, whole numbers and decimals written with digits and one
point mean something other than text when they stand without quotes. So ``NO``, ``on``, ``1:30``,
``010``, ``1e3`` and ``2024-01-02`` are text. Repeated keys, merge keys, anchors on mappings or
lists, tags, a second document and an empty file are findings.
"""

from __future__ import annotations

import contextlib
import gc
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import Any, NoReturn

import yaml

from partitioner.errors import Finding
from partitioner.reading.limits import (
    DEEPEST,
    LONGEST_NUMBER,
    LONGEST_VALUE,
    MOST_DIRECTIVES,
    MOST_FINDINGS,
    MOST_INNER,
    MOST_VALUES,
    RETOLD_CHARACTERS,
)

_WHOLE = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\Z")
_DECIMAL = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\.[0-9]+\Z")
_WORDS = {"true": True, "false": False, "null": None, "": None}
_LINE_END = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
"""What YAML counts as the end of a line."""
_BEFORE_COMMA = re.compile(r":\s+([-+]?[0-9]+),\Z")
_OPENED = ("while parsing a flow mapping", "while parsing a flow sequence")
"""What PyYAML says of a bracket whose end it did not find."""
_LONGEST_WHOLE = 30
"""Longer whole numbers become decimals: Python limits the digits of ``int(text)``."""
MISSING_SPOT = (0, 0)
"""Position of something that has none of its own."""
_LONGEST_SHOWN = 60
_TOP_LIST_DEPTH = 1
"""Nesting of the lists of devices, streams and so on."""
_Scalar, _ListEnd, _MappingEnd = yaml.ScalarEvent, yaml.SequenceEndEvent, yaml.MappingEndEvent
_NO_KEYS: Mapping[str, tuple[int, int]] = MappingProxyType({})
_NOTHING_INSIDE: Mapping[str | int, Spot] = MappingProxyType({})


@dataclass(slots=True, init=False)
class Spot:
    """Where a value stands: line and column from 1, and the spots of what is inside it.

    ``keys`` holds the positions of the keys of a mapping, ``inside`` the spots of its values
    (or of the items of a list, by index). A single value has neither.
    """

    line: int
    column: int
    keys: Mapping[str, tuple[int, int]]
    inside: Mapping[str | int, Spot]

    def __init__(self, line: int, column: int):
        self.line = line
        self.column = column
        # There are as many spots as values: those of single values share what is empty.
        self.keys = _NO_KEYS
        self.inside = _NOTHING_INSIDE


@dataclass(frozen=True, slots=True)
class Document:
    """A YAML file as read: plain data, positions, and what was wrong with it.

    ``data`` is made of dict, list, str, bool, int, Decimal and None. ``file`` is the name that
    findings carry.
    """

    file: str
    data: Any
    root: Spot
    lines: tuple[str, ...]
    findings: tuple[Finding, ...]
    holes: frozenset[tuple[int, int]] = frozenset()
    """Positions whose value could not be read and was told; nothing more is to be said there."""

    def spot(self, path: tuple[str | int, ...], *, on_key: bool = False) -> tuple[int, int]:
        """Line and column of the value at ``path``, or of its key.

        Steps that the file doesn't have are left out, so that a path to a missing key gives the
        mapping it is missing from.
        """
        here = self.root
        position = (here.line, here.column)
        for step in path:
            inner = here.inside.get(step)
            if inner is None:
                continue
            key_position = here.keys.get(step) if isinstance(step, str) else None
            here = inner
            position = (here.line, here.column)
            if on_key and key_position is not None:
                position = key_position
        return position

    def line_text(self, line: int) -> str:
        """Text of a line counted from 1; empty when there is no such line."""
        return self.lines[line - 1] if 1 <= line <= len(self.lines) else ""


def plain_value(text: str) -> str | bool | int | Decimal | None:
    """Give the meaning of a scalar without quotes.

    Examples
    --------
    >>> [plain_value(t) for t in ("true", "12", "0.1", "NO", "010", "1e3", "1:30", "")]
    [True, 12, Decimal('0.1'), 'NO', '010', '1e3', '1:30', None]
    """
    if text in _WORDS:
        return _WORDS[text]
    if text[0] in "+-0123456789":
        if _WHOLE.match(text):
            return int(text) if len(text) <= _LONGEST_WHOLE else Decimal(text)
        if _DECIMAL.match(text):
            # Zeros at the end mean nothing, and thousands of them cost time at every use.
            return Decimal(text.rstrip("0") + "0" if len(text) > LONGEST_NUMBER else text)
    return text


def _short(text: str | None) -> str:
    text = text or ""
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


class _Stop(Exception):
    """The rest of the text can't be read."""


class _Builder:
    """Turns the event stream of a YAML parser into data, spots and findings."""

    def __init__(self, text: str, file: str):
        self.file = file
        self.lines = tuple(_LINE_END.split(text))
        self.findings: list[Finding] = []
        loader = getattr(yaml, "CLoader", yaml.Loader)
        self._events: Iterator[Any] = iter(yaml.parse(text, Loader=loader))
        self.holes: set[tuple[int, int]] = set()
        self._anchored: dict[str, Any] = {}
        self._refused: set[str] = set()
        self._left = MOST_VALUES

    def note(self, mark: Any, code: str, message: str, hint: str = "", where: str = "") -> None:
        line, column = mark.line + 1, mark.column + 1
        source = self.lines[line - 1] if line <= len(self.lines) else ""
        self.findings.append(Finding(self.file, line, column, code, where, message, hint, source))
        if len(self.findings) > MOST_FINDINGS:
            raise _Stop

    def _next(self) -> Any:
        return next(self._events)

    def document(self) -> tuple[Any, Spot]:
        """Read the one document of the stream."""
        self._next()  # start of the stream
        event = self._next()
        if isinstance(event, yaml.StreamEndEvent):
            self.findings.append(
                Finding(self.file, 0, 0, "yaml-syntax", "", "expected content, got an empty file")
            )
            return None, Spot(*MISSING_SPOT)
        data, spot = self._value(self._next(), (), 0)
        self._next()  # end of the document
        event = self._next()
        if isinstance(event, yaml.DocumentStartEvent):
            told = "expected one document, got a second one"
            hint = "remove the line '---' and put everything into one document"
            self.note(event.start_mark, "yaml-syntax", told, hint)
        return data, spot

    def refuse_directives(self) -> None:
        """Tell a file with many lines that may be directives: the parser compares each with all."""
        found = [number for number, line in enumerate(self.lines, start=1) if line[:1] == "%"]
        if len(found) > MOST_DIRECTIVES:
            told = f"expected at most {MOST_DIRECTIVES} lines that begin with %, got {len(found)}"
            self.findings.append(Finding(self.file, found[0], 1, "unreadable-file", "", told))
            raise _Stop

    def _value(self, event: Any, path: tuple[str | int, ...], depth: int) -> tuple[Any, Spot]:
        mark = event.start_mark
        self._left -= 1
        if self._left < 0:
            told = f"expected at most {MOST_VALUES} values, got more"
            hint = "lists of devices and streams may stand in CSV files"
            self.refuse(mark, "unreadable-file", told, hint)
        spot = Spot(mark.line + 1, mark.column + 1)
        if type(event) is _Scalar:
            return self._scalar(event, path), spot
        if isinstance(event, yaml.AliasEvent):
            if event.anchor in self._anchored:
                return self._anchored[event.anchor], spot
            self.holes.add((spot.line, spot.column))
            if event.anchor not in self._refused:
                self.note(
                    mark,
                    "yaml-syntax",
                    f"no anchor '&{_short(event.anchor)}' before this",
                    where=path_text(path),
                )
            return None, spot
        if depth >= DEEPEST:
            self.refuse_depth(mark)
        if event.anchor is not None:
            kind = "mapping" if isinstance(event, yaml.MappingStartEvent) else "list"
            self._anchored.pop(event.anchor, None)
            self._refused.add(event.anchor)
            self.note(
                mark,
                "yaml-syntax",
                f"expected a {kind} written out, got one with the anchor '&{_short(event.anchor)}'",
                hint="write the values out at each place",
                where=path_text(path),
            )
        self._refuse_tag(event, path)
        spot.inside = {}
        if isinstance(event, yaml.SequenceStartEvent):
            return self._list(mark, spot.inside, path, depth), spot
        spot.keys = {}
        return self._mapping(mark, spot.keys, spot.inside, path, depth), spot

    def refuse(
        self, mark: Any, code: str, message: str, hint: str = "", where: str = ""
    ) -> NoReturn:
        """Note what nothing after it is read for."""
        self.note(mark, code, message, hint, where)
        raise _Stop

    def refuse_depth(self, mark: Any) -> NoReturn:
        """Tell that the nesting is too deep."""
        self.refuse(mark, "yaml-syntax", f"nested deeper than {DEEPEST} levels")

    def _refuse_more(self, mark: Any, path: tuple[str | int, ...]) -> NoReturn:
        told = f"expected at most {MOST_INNER} entries, got more"
        self.refuse(mark, "unreadable-file", told, where=path_text(path))

    def _refuse_tag(self, event: Any, path: tuple[str | int, ...]) -> bool:
        if event.tag is None or event.tag == "!":
            return False
        tag = event.tag.replace("tag:yaml.org,2002:", "!!")
        self.note(
            event.start_mark,
            "yaml-syntax",
            f"expected a plain value, got the tag '{_short(tag)}'",
            hint="remove the tag; put quotes round a text that looks like a number",
            where=path_text(path),
        )
        return True

    def _scalar(self, event: Any, path: tuple[str | int, ...]) -> Any:
        text = event.value
        if len(text) <= LONGEST_VALUE and event.tag is None and event.anchor is None:
            # Nearly all are so; there may be half a million.
            return text if event.style else plain_value(text)
        if len(text) > LONGEST_VALUE:
            told = f"expected at most {LONGEST_VALUE} characters, got {len(text)}"
            self.refuse(event.start_mark, "unreadable-file", told, where=path_text(path))
        tagged = self._refuse_tag(event, path)
        plain = event.style in (None, "") and not tagged and event.implicit[0]
        value = plain_value(text) if plain else text
        if tagged:
            self.holes.add((event.start_mark.line + 1, event.start_mark.column + 1))
        if event.anchor is not None:
            self._anchored[event.anchor] = value
            self._refused.discard(event.anchor)
        return value

    def _list(
        self, start: Any, inside: dict[str | int, Spot], path: tuple[str | int, ...], depth: int
    ) -> list[Any]:
        items: list[Any] = []
        for event in self._events:
            if type(event) is _ListEnd:
                break
            index = len(items)
            if index >= MOST_INNER and depth > _TOP_LIST_DEPTH:
                self._refuse_more(start, path)
            value, inner = self._value(event, (*path, index), depth + 1)
            inside[index] = inner
            items.append(value)
        return items

    def _mapping(
        self,
        start: Any,
        keys: dict[str, tuple[int, int]],
        inside: dict[str | int, Spot],
        path: tuple[str | int, ...],
        depth: int,
    ) -> dict[str, Any]:
        entries: dict[str, Any] = {}
        for event in self._events:
            if type(event) is _MappingEnd:
                break
            if len(entries) >= MOST_INNER:
                self._refuse_more(start, path)
            mark = event.start_mark
            key, _ = self._value(event, path, depth + 1)
            if not isinstance(key, str) or (
                key == "<<" and type(event) is _Scalar and event.style in (None, "")
            ):
                self._note_no_key(event, key, (*path, *list(entries)[-1:]), path)
                self._value(self._next(), path, depth + 1)
                continue
            value, inner = self._value(self._next(), (*path, key), depth + 1)
            if key in entries:
                told = f"key given twice; first on line {keys[key][0]}"
                self.note(mark, "duplicate-key", told, where=path_text((*path, key)))
                continue
            keys[key] = (mark.line + 1, mark.column + 1)
            inside[key] = inner
            entries[key] = value
        return entries

    def _note_no_key(
        self, event: Any, key: Any, last: tuple[str | int, ...], path: tuple[str | int, ...]
    ) -> None:
        """Tell a merge key, or a key that is no text: maybe what follows a decimal comma.

        ``last`` leads to the value before it.
        """
        line, column = event.start_mark.line, event.start_mark.column
        before = _BEFORE_COMMA.search(self.lines[line][:column]) if column else None
        if before is not None and isinstance(key, int) and type(event) is _Scalar:
            whole, part = before[1], event.value
            told = f"expected a number with a decimal point, got {whole},{part}"
            where = path_text(last)
            self.note(event.start_mark, "wrong-kind", told, f"write {whole}.{part}", where)
            return
        code, told, hint = "yaml-syntax", "keys written out, got the merge key '<<'", ""
        if key == "<<":
            hint = "write the keys out"
        else:
            is_single = type(event) is _Scalar
            got = _short(event.value) if is_single else "a list or mapping"
            code, told = "wrong-kind", f"a text as key, got {got or 'nothing'}"
            hint = f"put it in quotes: '{got}'" if is_single else ""
        self.note(event.start_mark, code, f"expected {told}", hint, path_text(path))


def path_text(path: tuple[str | int, ...]) -> str:
    """Write a path the way findings show it.

    Examples
    --------
    >>> path_text(("devices", 3, "grades", 0))
    'devices[3].grades[0]'
    """
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else step
    return text


@contextlib.contextmanager
def _without_cycle_search() -> Iterator[None]:
    """Keep Python from looking for dead cycles while nothing but living data is made.

    It would look through all of it again and again, a third of the time of a large file.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def load(text: str, file: str) -> Document:
    """Read a YAML text as far as that goes; the findings of the document say what was wrong.

    A syntax fault ends the reading: ``data`` is then None.
    """
    builder = _Builder(text, file)
    data: Any = None
    root = Spot(*MISSING_SPOT)
    try:
        builder.refuse_directives()
        with _without_cycle_search():
            data, root = builder.document()
    except _Stop:
        pass
    except yaml.MarkedYAMLError as error:
        with contextlib.suppress(_Stop):
            _note_syntax(builder, text, error)
    except yaml.YAMLError:
        builder.findings.append(_reader_finding(file, text))
    told, holes = tuple(builder.findings), frozenset(builder.holes)
    return Document(file, data, root, builder.lines, told, holes)


def _note_syntax(builder: _Builder, text: str, error: yaml.MarkedYAMLError) -> None:
    """Describe a syntax fault in the words of the pure Python parser, the same on every machine.

    It is slow, so far into a large file the words of the fast one have to do.
    """
    mark = error.problem_mark or error.context_mark
    if mark is not None and mark.index <= RETOLD_CHARACTERS:
        depth = 0
        try:
            event: Any
            for event in yaml.parse(text[: 2 * RETOLD_CHARACTERS], Loader=yaml.Loader):
                depth += isinstance(event, yaml.CollectionStartEvent)
                depth -= isinstance(event, yaml.CollectionEndEvent)
                if depth > DEEPEST:
                    builder.refuse_depth(event.start_mark)
                if event.start_mark.index > RETOLD_CHARACTERS:
                    break
        except yaml.MarkedYAMLError as plain:
            error = plain
        except yaml.YAMLError:
            pass
    opened = _quote_left_open(text, builder.lines, error)
    if opened is not None:
        message = "this is no YAML: the quote that opens here " + opened[1]
        builder.note(opened[0], "yaml-syntax", message, "close the quote on its own line")
        return
    mark = error.problem_mark or error.context_mark
    problem = (error.problem or "something else").replace("<", "").replace(">", "")
    context = (error.context or "").strip()
    message = f"this is no YAML: {problem}" + (f" ({context})" if context else "")
    if mark is None:
        builder.findings.append(Finding(builder.file, 0, 0, "yaml-syntax", "", message))
        return
    opened_on = 0 if error.context_mark is None else error.context_mark.line + 1
    hint = _syntax_hint(builder.lines, mark.line, problem, context, opened_on)
    builder.note(mark, "yaml-syntax", message, hint)


def _syntax_hint(
    lines: tuple[str, ...], number: int, problem: str, context: str, opened_on: int
) -> str:
    """What most likely made a fault that shows in a line counted from 0.

    ``opened_on``: line, counted from 1, on which what the parser was in begins.
    """
    line = lines[number] if number < len(lines) else ""
    if "\t" in line[: len(line) - len(line.lstrip())]:
        return "indent with spaces; YAML knows no tabs there"
    near = [n for n in (number, number - 1) if 0 <= n < len(lines) and "\u00a0" in lines[n]]
    if near:
        return f"write plain spaces on line {near[0] + 1}; some there are no-break spaces"
    if re.match(r"\s*-[^\s\-0-9]", line):
        return "write a space after the dash"
    if "mapping values are not allowed" in problem:
        above = next((n for n in range(number - 1, -1, -1) if lines[n].strip()), None)
        if above is not None and re.fullmatch(r"\s*\w+( [^:#]*)?", lines[above]):
            return f"is a colon missing on line {above + 1}?"
        return "put quotes round a text that has ': ' in it; check the indentation"
    if context in _OPENED and opened_on:
        return f"the bracket that opens on line {opened_on} is not closed"
    if "expected block end" in problem:
        is_no_entry = "block collection" in context and not line.lstrip().startswith("-")
        entry = ", each entry of a list with '- '" if is_no_entry else ""
        return f"lines that belong together begin below each other{entry}; check the indentation"
    return ""


_IN_QUOTES = "while scanning a quoted scalar"
"""What PyYAML says of a text in quotes whose end it did not find."""


def _quote_left_open(
    text: str, lines: tuple[str, ...], error: yaml.MarkedYAMLError
) -> tuple[Any, str] | None:
    """Where the quote opens that a syntax fault comes from, and where it closes.

    A quote left open ends at the next one, lines below, and the fault shows only there.
    """
    if error.context == _IN_QUOTES and "unexpected" in (error.problem or ""):
        return error.context_mark, "is never closed"
    mark = error.problem_mark
    if mark is None or mark.line >= len(lines) or not set("\"'").intersection(lines[mark.line]):
        return None
    quoted = None
    try:
        for token in yaml.scan(text, Loader=yaml.Loader):
            if token.start_mark.index > mark.index:
                break
            if isinstance(token, yaml.ScalarToken) and token.style in ('"', "'"):
                quoted = token
    except yaml.YAMLError:
        pass  # what came before the fault is known
    if quoted is None or not quoted.start_mark.line < quoted.end_mark.line == mark.line:
        return None
    return quoted.start_mark, f"closes only on line {quoted.end_mark.line + 1}"


def _reader_finding(file: str, text: str) -> Finding:
    """Point at the first character YAML doesn't allow."""
    # The fast parser counts bytes where the slow one counts characters, so its position won't do.
    match = yaml.reader.Reader.NON_PRINTABLE.search(text)
    if match is None:
        return Finding(file, 0, 0, "yaml-syntax", "", "a character that YAML does not allow")
    position = match.start()
    before = text[:position]
    line = before.count("\n") + 1
    column = position - (before.rfind("\n") + 1) + 1
    message = f"character {text[position]!r} is not allowed in YAML"
    # Every other byte of UTF-16 without its mark.
    hint = "save the file as UTF-8" if text[position] == "\0" else ""
    return Finding(file, line, column, "yaml-syntax", "", message, hint)


# --- writing ------------------------------------------------------------------------------------

_FOREIGN = re.compile(
    # What other YAML readers take for something else than text; quoted, so that they agree.
    r"(?:y|n|yes|no|on|off|true|false|null|~|<<|=)\Z"
    r"|[-+]?(?:\.inf|\.nan)\Z"
    r"|[-+.]?[0-9][0-9_.,:+eExXobOTtZz a-fA-F-]*\Z",
    re.IGNORECASE,
)


class _Dumper(yaml.SafeDumper):
    """Writer that quotes by the reader's own rule, and where other readers would differ."""

    def ignore_aliases(self, data: Any) -> bool:
        return True

    def increase_indent(self, flow: bool = False, indentless: bool = False) -> Any:
        return super().increase_indent(flow, False)


class Flow(dict[str, Any]):
    """A mapping that is written on one line."""


def _text(dumper: yaml.SafeDumper, value: str) -> yaml.Node:
    looks_otherwise = not isinstance(plain_value(value), str) or _FOREIGN.match(value)
    # Line ends other than \n would be folded or normalised inside single quotes.
    style = '"' if any(ord(c) < 32 or c in "\x7f\x85\u2028\u2029\ufeff" for c in value) else None
    if style is None and looks_otherwise:
        style = "'"
    return dumper.represent_scalar("tag:yaml.org,2002:str", value, style=style)


def _decimal(dumper: yaml.SafeDumper, value: Decimal) -> yaml.Node:
    text = format(value, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("-0", ""):
        text = "0"
    kind = "float" if "." in text else "int"
    return dumper.represent_scalar(f"tag:yaml.org,2002:{kind}", text)


def _flow(dumper: yaml.SafeDumper, value: Flow) -> yaml.Node:
    return dumper.represent_mapping("tag:yaml.org,2002:map", value.items(), flow_style=True)


def _sequence(dumper: yaml.SafeDumper, value: list[Any] | tuple[Any, ...]) -> yaml.Node:
    flat = all(not isinstance(v, (dict, list, tuple)) for v in value)
    return dumper.represent_sequence("tag:yaml.org,2002:seq", value, flow_style=flat)


_Dumper.add_representer(str, _text)
_Dumper.add_representer(Decimal, _decimal)
_Dumper.add_representer(Flow, _flow)
_Dumper.add_representer(list, _sequence)
_Dumper.add_representer(tuple, _sequence)


def dump(data: Any) -> str:
    """Write plain data as YAML that :func:`load` reads back equal.

    Mappings keep their order; lists of scalars and :class:`Flow` mappings go on one line. Numbers
    are int or Decimal; a float is refused, since its digits may not be what was meant.

    Raises
    ------
    TypeError
        If the data holds anything but dict, list, tuple, str, bool, int, Decimal or None.
    """
    _only_plain(data)
    return yaml.dump(
        data,
        Dumper=_Dumper,
        sort_keys=False,
        allow_unicode=True,
        width=100,
        default_flow_style=False,
    )


def _only_plain(data: Any) -> None:
    if isinstance(data, dict):
        for key, value in data.items():
            if not isinstance(key, str):
                raise TypeError(f"a key must be text, not {type(key).__name__}")
            _only_plain(value)
    elif isinstance(data, (list, tuple)):
        for value in data:
            _only_plain(value)
    elif data is not None and not isinstance(data, (str, bool, int, Decimal)):
        raise TypeError(f"cannot write a {type(data).__name__}")
