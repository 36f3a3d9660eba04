"""Reads one mapping of a file by its table, keeping what is right when a part is wrong."""

from __future__ import annotations

import typing
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from functools import cache
from typing import Annotated, Any, Generic, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticUndefined

from partitioner.reading.headings import other_unit
from partitioner.reading.kinds import ValueKind, did_you_mean, got
from partitioner.reading.origin import Findings, Origin, Steps, YamlOrigin
from partitioner.reading.schema import KeyTable

T = TypeVar("T", bound=KeyTable)

_CODES = {"wrong-kind", "out-of-range", "too-fine", "duplicate-name"}
_NEAR = 0.7


@dataclass(frozen=True, slots=True)
class Item(Generic[T]):
    """One mapping that was read.

    In ``table`` every key that was missing without a default, or wrong, is None when not
    ``whole``; rules across items look at what is there.
    """

    table: T
    origin: Origin
    whole: bool
    raw: Mapping[str, Any] = field(default_factory=dict)
    """What stands in the file."""
    guessed: frozenset[str] = frozenset()
    """Keys that unknown keys of the mapping were probably meant to be."""

    @property
    def given(self) -> frozenset[str]:
        """Keys that stand in the file with a value."""
        return frozenset(k for k, v in self.raw.items() if v is not None)

    @property
    def id(self) -> Any:
        """Its ``id``, or None when that is wrong itself."""
        return getattr(self.table, "id", None)


def read_table(model: type[T], raw: Any, origin: Origin, findings: Findings) -> Item[T]:
    """Read a mapping by the table that has its keys; each fault in it is a finding."""
    if not isinstance(raw, dict):
        findings.add(origin, "wrong-kind", f"expected a mapping, got {got(raw)}")
        return Item(_with_holes(model, {}, []), origin, whole=False)
    try:
        return Item(model.model_validate(raw), origin, whole=True, raw=raw)
    except ValidationError as error:
        # pydantic counts only the entries that are right; the wrong ones are told already.
        details = [
            detail
            for detail in error.errors(include_url=False)
            if not (detail["type"] == "too_short" and detail["input"])
        ]
    guessed = _report(model, raw, origin, details, findings)
    wrong = [detail["loc"] for detail in details]
    return Item(_with_holes(model, raw, wrong), origin, whole=False, raw=raw, guessed=guessed)


def read_list(
    model: type[T], raw: Mapping[str, Any], section: str, root: YamlOrigin, findings: Findings
) -> list[Item[T]]:
    """Read the mappings of a list section; findings call each by its id, else by its number."""
    content = raw.get(section)
    items = []
    for index, value in enumerate(content if isinstance(content, list) else ()):
        name = value.get("id") if isinstance(value, dict) else None
        shown = name if isinstance(name, str) and name else index
        origin = root.part(section, index, label=f"{section}[{shown}]")
        items.append(read_table(model, value, origin, findings))
    return items


def _report(
    model: type[KeyTable],
    raw: dict[str, Any],
    origin: Origin,
    details: list[ErrorDetails],
    findings: Findings,
) -> frozenset[str]:
    """Tell all faults of one mapping; give the keys that unknown ones were meant to be."""
    guessed: set[str] = set()
    missing: list[tuple[Steps, str]] = []
    unknown: list[tuple[Steps, str]] = []
    for detail in details:
        steps = _steps(raw, detail["loc"])
        kind = detail["type"]
        if kind == "missing":
            missing.append((steps[:-1], str(steps[-1])))
        elif kind == "extra_forbidden":
            unknown.append((steps[:-1], str(steps[-1])))
        else:
            code, message, hint, at = _say(detail)
            findings.add(origin, code, message, *steps, *at, hint=hint)
    for place, name in unknown:
        joined, colon, value = name.partition(":")
        if colon and value and joined in key_names(_table_at(model, place) or model):
            told = f"expected '{joined}: {value}', got '{name}'"
            hint = "write a space after the colon"
            findings.add(origin, "yaml-syntax", told, *place, name, hint=hint, on_key=True)
            missing = [m for m in missing if m != (place, joined)]
            guessed.add(joined)
            continue
        table = _table_at(model, place)
        keys = key_names(table) if table else []
        absent = [k for where, k in missing if where == place]
        near = max(absent, key=lambda k: _likeness(k, name), default=None)
        hint = did_you_mean(name, keys, list_known=False)
        if near is not None and _likeness(near, name) >= _NEAR:
            # The typo explains the missing key: one fault, one finding.
            missing.remove((place, near))
            hint = f"did you mean '{near}'?" + other_unit(name, near)
        elif hint:
            near = hint.split("'")[1]
            guessed.add(near)
            hint += other_unit(name, near)
        elif len(keys) <= 8:
            hint = "keys here: " + ", ".join(keys)
        findings.add(
            origin, "unknown-key", "no such key here", *place, name, hint=hint, on_key=True
        )
    for place, name in missing:
        table = _table_at(model, place)
        told = _describe(table, name) if table else ""
        findings.add(
            origin, "missing-key", f"expected the key '{name}', got none", *place, hint=told
        )
    return frozenset(guessed)


def _likeness(a: str, b: str) -> float:
    return SequenceMatcher(None, a, b).ratio()


def _describe(table: type[KeyTable], name: str) -> str:
    told = key_infos(table)[name].description or "" if name in key_infos(table) else ""
    text = told.split(". ")[0].rstrip(".").replace("`", "")
    return text[:1].lower() + text[1:]


def _say(detail: ErrorDetails) -> tuple[str, str, str, Steps]:
    """Code, message, hint and further steps of one pydantic error."""
    kind, value = detail["type"], detail["input"]
    told = detail.get("ctx", {})
    if kind in _CODES:
        return kind, told["message"], told["hint"], tuple(told["at"])
    if kind in ("tuple_type", "list_type"):
        hint = "leave the key out, or write []" if value is None else ""
        return "wrong-kind", f"expected a list, got {got(value)}", hint, ()
    if kind in ("dict_type", "model_type", "model_attributes_type"):
        hint = "leave the key out, or write {}" if value is None else ""
        return "wrong-kind", f"expected a mapping, got {got(value)}", hint, ()
    if kind == "too_short":
        return "out-of-range", f"expected at least {told['min_length']} entry, got none", "", ()
    raise AssertionError(f"a kind of fault without words: {kind}")


def _steps(raw: Any, location: tuple[int | str, ...]) -> Steps:
    """Keep the steps of a pydantic location that exist in the data (and a last missing key)."""
    steps: list[str | int] = []
    here = raw
    for number, step in enumerate(location):
        last = number == len(location) - 1
        if isinstance(here, dict) and (step in here or last):
            steps.append(step)
            here = here.get(step)
        elif isinstance(here, (list, tuple)) and isinstance(step, int):
            steps.append(step)
            here = here[step] if step < len(here) else None
    return tuple(steps)


def kind_of(info: FieldInfo) -> ValueKind | None:
    """Kind that a key's values are read by; None for tables, which have kinds of their own."""
    own = next((extra for extra in info.metadata if isinstance(extra, ValueKind)), None)
    return own or _kind_inside(info.annotation)


def _kind_inside(annotation: Any) -> ValueKind | None:
    parts = typing.get_args(annotation)
    if isinstance(kind := next((p for p in parts if isinstance(p, ValueKind)), None), ValueKind):
        return kind
    return next((kind for part in parts if (kind := _kind_inside(part)) is not None), None)


def tables_inside(annotation: Any) -> list[type[KeyTable]]:
    """Tables that values of an annotation are, directly, in a list or in a mapping."""
    if isinstance(annotation, type) and issubclass(annotation, KeyTable):
        return [annotation]
    found: list[type[KeyTable]] = []
    for part in typing.get_args(annotation):
        if part is not Ellipsis and part is not str:
            found += tables_inside(part)
    return found


def _table_at(model: type[KeyTable], steps: Steps) -> type[KeyTable] | None:
    """Table that the mapping at ``steps`` is read by."""
    here: type[KeyTable] | None = model
    for step in steps:
        if isinstance(step, int) or here is None:
            continue
        info = key_infos(here).get(step)
        if info is None:
            continue  # a name in a mapping by id: the table stays the one of its values
        inside = tables_inside(info.annotation)
        here = inside[0] if inside else None
    return here


@cache
def key_infos(model: type[KeyTable]) -> dict[str, FieldInfo]:
    """Keys of a table as the file has them, in their order, with what is said of each."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def key_names(model: type[KeyTable]) -> list[str]:
    """Keys of a table as the file has them, in their order."""
    return list(key_infos(model))


@cache
def _reader_of(model: type[KeyTable], name: str) -> TypeAdapter[Any]:
    info = model.model_fields[name]
    kind: Any = info.annotation
    if info.metadata:
        kind = Annotated[(kind, *info.metadata)]  # type: ignore[assignment]
    return TypeAdapter(kind)


def _with_holes(model: type[T], raw: dict[str, Any], wrong: list[tuple[int | str, ...]]) -> T:
    """Make a table of the keys that are right; None stands for the others.

    ``wrong`` holds the locations of all faults. Lists of tables keep their entries, each with
    holes of its own.
    """
    values: dict[str, Any] = {}
    for name, info in model.model_fields.items():
        key = info.alias or name
        below = [where[1:] for where in wrong if where and where[0] == key]
        inner = tables_inside(info.annotation)
        if key in raw and not below:
            values[name] = _reader_of(model, name).validate_python(raw[key])
        elif inner and isinstance(raw.get(key), list) and all(below):
            values[name] = tuple(
                _with_holes(
                    inner[0],
                    entry if isinstance(entry, dict) else {},
                    [w[1:] for w in below if w[0] == index],
                )
                for index, entry in enumerate(raw[key])
            )
        elif key in raw or info.default is PydanticUndefined:
            values[name] = None
        else:
            values[name] = info.default
    return model.model_construct(**values)
