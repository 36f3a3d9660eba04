"""Ids given twice, and names that nothing has."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from partitioner.reading.build import pathway_id
from partitioner.reading.origin import Findings, Steps
from partitioner.reading.parts import LISTS, Parts
from partitioner.reading.references import references
from partitioner.reading.tables import Item
from partitioner.wording import count

_OWN_NAMES = ("places", "groups", "transfers", "streams", "options", "builds", "failure_rules")
_SECTIONS = {
    "place": ("places",), "switch": ("switches",), "device": ("devices",), "option": ("options",),
    "group": ("groups",), "device or switch": ("devices", "switches"),
}  # fmt: skip
"""Lists that have the things which keys name."""


def check_duplicates(parts: Parts, findings: Findings) -> None:
    """No two things of one kind have one id; devices, forecast devices and switches count as one.

    A stream names devices and switches alike, so their ids must differ.
    """
    for section in _OWN_NAMES:
        _tell_duplicates(((i, i.id, section) for i in parts.items(section)), findings)
    nodes = [
        (item, item.id, section)
        for section in ("switches", "devices", "forecast")
        for item in parts.items(section)
    ]
    _tell_duplicates(nodes, findings)
    ways = []
    for item in parts.pathways:
        ends = (item.table.from_, item.table.to)
        if item.table.id is not None or None not in ends:
            ways.append((item, pathway_id(item.table.id, ends), "pathways"))
    _tell_duplicates(ways, findings)


def _tell_duplicates(
    items: Iterable[tuple[Item[Any], str | None, str]], findings: Findings
) -> None:
    first: dict[str, tuple[Item[Any], str]] = {}
    for item, name, section in items:
        if name is None:
            continue
        if name not in first:
            first[name] = (item, section)
            continue
        earlier, its_section = first[name]
        mine, other = item.origin.at(("id",)), earlier.origin.at(("id",))
        place = f"on {other.words}"
        if other.file != mine.file:
            place = f"in {other.file}, {other.words}"
        among = "" if its_section == section else f" among the {its_section}"
        findings.add(
            item.origin, "duplicate-name", f"'{name}' given twice; first{among} {place}", "id"
        )


def has_one_of(item: Item[Any], keys: tuple[str, str], findings: Findings, *, hint: str) -> bool:
    """Whether an item has one of two keys; both are told, and neither, unless one is mistyped."""
    given, words = item.given.intersection(keys), " or ".join(keys)
    if len(given) == 2:
        told = f"expected {words}, got both"
        findings.clash(item.origin, told, keys[1], hint=hint, on_key=True)
    elif not given and not item.guessed.intersection(keys):
        findings.add(item.origin, "missing-key", f"expected {words}, got neither")
    return len(given) == 1


def check_references(parts: Parts, findings: Findings) -> None:
    """What a key names is there; not told where a list could not be read whole."""
    lists = {what: parts.names(sections) for what, sections in _SECTIONS.items()}
    lists["grade"] = dict.fromkeys(parts.catalogue_grades)
    unlisted: dict[str, list[tuple[Item[Any], Any, Steps, bool]]] = {}
    for item in [*(item for section in LISTS for item in parts.items(section)), parts.backbone]:
        spaced: set[Steps] = set()
        for what, name, steps, is_key in references(item):
            known = lists.get(what)
            if known is None or name in known or steps[:-1] in spaced:
                continue
            sections = _SECTIONS.get(what, ())
            if parts.unsure.intersection(sections):
                continue
            words = getattr(item.table, str(steps[0]), None) if len(steps) == 2 else None
            if isinstance(words, tuple) and len(words) > 1 and steps[1] == 0 and words[0] == name:
                # A cell of a CSV file with a name that has spaces.
                whole = {k.casefold(): k for k in known}.get("-".join(words).casefold())
                if whole is not None:
                    spaced.add(steps[:-1])
                    told = f"no such {what} '{' '.join(words)}'"
                    hint = f"names have no spaces: did you mean '{whole}'?"
                    findings.add(item.origin, "unknown-name", told, *steps[:-1], hint=hint)
                    continue
            if not known:
                unlisted.setdefault(what, []).append((item, name, steps, is_key))
                continue
            told = f"no such {what} '{name}'"
            hint = findings.near(name, known)
            findings.add(item.origin, "unknown-name", told, *steps, hint=hint, on_key=is_key)
    for what, named in unlisted.items():
        # A list that is not there is one slip, however often it is asked for.
        item, name, steps, is_key = named[0]
        others = len({other for _, other, *_ in named}) - 1
        told = f"no such {what} '{name}'"
        if others:
            told += f", and so with {count(others, 'other name')}"
        hint = f"the file lists no {_SECTIONS[what][0]}"
        findings.add(item.origin, "unknown-name", told, *steps, hint=hint, on_key=is_key)
