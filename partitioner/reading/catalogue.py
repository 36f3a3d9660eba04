"""The shipped catalogue, and a problem's own entries laid over it key by key."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from functools import cache
from importlib import resources
from typing import Any

from pydantic_core import PydanticCustomError

from partitioner.model.catalogue import Cable, Catalogue, Grade, LimitCurve, Part, Trust
from partitioner.reading.base_units import made
from partitioner.reading.kinds import Name, did_you_mean
from partitioner.reading.origin import Findings, YamlOrigin
from partitioner.reading.references import references
from partitioner.reading.schema import CableEntry, GradeEntry, KeyTable, LimitCurveEntry, PartEntry
from partitioner.reading.tables import Item, read_table
from partitioner.reading.yaml_text import load
from partitioner.units import MG_PER_G, UM_PER_M, to_base

SECTIONS: dict[str, type[KeyTable]] = {
    "grades": GradeEntry,
    "cables": CableEntry,
    "parts": PartEntry,
    "limit_curves": LimitCurveEntry,
}
_OPTIONAL = {"terminator", "junction", "attenuation", "source", "trust"}
_ID = Name()
OWN_SOURCE = "stated in the problem file"

Entries = dict[str, dict[str, Item[Any]]]
"""Items by section and id."""


def read_entries(raw: Mapping[str, Any], origin: YamlOrigin, findings: Findings) -> Entries:
    """Read the sections of a catalogue mapping whose unknown keys were reported before."""
    entries: Entries = {}
    for section, model in SECTIONS.items():
        entries[section] = {}
        content = raw.get(section)
        if not isinstance(content, dict):
            continue
        for name, value in content.items():
            part = origin.part(section, name, label=f"catalogue.{section}[{name}]")
            try:
                _ID.read(name)
            except PydanticCustomError as error:
                findings.refused(part, error, on_key=True)
                continue
            entries[section][name] = read_table(model, value, part, findings)
    return entries


@cache
def _shipped_entries() -> Entries:
    file = resources.files("partitioner.reading").joinpath("catalogue.yaml")
    document = load(file.read_text("utf-8"), file.name)
    findings = Findings(list(document.findings))
    entries = read_entries(document.data, YamlOrigin(document, (), "catalogue"), findings)
    if findings.found:
        raise RuntimeError(f"the shipped catalogue is wrong: {findings.found[0]}")
    return entries


def _implied(grade: Mapping[str, Any]) -> dict[str, Any]:
    """What every grade of links has; one of full duplex has no loop to wait for either."""
    if grade["medium"] != "link":
        return {}
    delays = ("loop_delay_min_ns", "loop_delay_max_ns") if grade["full_duplex"] else ()
    return {"nodes": 2, "stub_m": Decimal(0), **dict.fromkeys(delays, 0)}


def _merged(section: str, name: str, own: Item[Any] | None, findings: Findings) -> dict[str, Any]:
    """Values of one entry by field: the shipped ones, the problem's own over them."""
    shipped = _shipped_entries()[section].get(name)
    values: dict[str, Any] = {}
    model = SECTIONS[section]
    for field in model.model_fields:
        base = getattr(shipped.table, field) if shipped else None
        stated = getattr(own.table, field) if own else None
        values[field] = base if stated is None else stated
    if own is None:
        return values
    if section == "grades" and shipped is None:
        values |= {k: v for k, v in _implied(values).items() if values[k] is None}
    figures = own.given - {"source", "trust"}
    if "trust" not in own.given:
        values["trust"] = Trust.USER
    if "source" not in own.given:
        base_source = values["source"] if shipped else None
        stated = ", ".join(sorted(figures))
        values["source"] = (
            f"{OWN_SOURCE}: {stated}; else {base_source}" if base_source else OWN_SOURCE
        )
    absent = [
        field
        for field in model.model_fields
        if values[field] is None and field not in _OPTIONAL and field not in own.given
    ]
    if shipped is None and own.whole and absent:
        known = did_you_mean(name, list(_shipped_entries()[section]), list_known=False)
        what = "keys" if len(absent) > 1 else "key"
        findings.add(
            own.origin, "missing-key", f"a new entry needs the {what} {', '.join(absent)} too",
            hint=known and f"to change a shipped entry: {known}",
        )  # fmt: skip
    return values


def read_catalogue(entries: Entries, findings: Findings) -> Catalogue | None:
    """Lay a problem's entries, by section and id, over the shipped ones.

    Gives None when there are new errors in the entries.
    """
    before = len(findings.errors())
    merged = {
        section: {
            name: _merged(section, name, entries[section].get(name), findings)
            for name in [*_shipped_entries()[section], *entries[section]]
        }
        for section in SECTIONS
    }
    broken = any(not item.whole for items in entries.values() for item in items.values())
    _check_names(entries, merged, findings)
    if broken or len(findings.errors()) > before:
        return None
    return Catalogue(
        grades={name: _grade(name, v) for name, v in merged["grades"].items()},
        cables={name: _cable(name, v) for name, v in merged["cables"].items()},
        parts={name: made(Part, PartEntry, v, id=name) for name, v in merged["parts"].items()},
        limit_curves={name: _curve(v) for name, v in merged["limit_curves"].items()},
    )


def _check_names(
    entries: Entries, merged: dict[str, dict[str, dict[str, Any]]], findings: Findings
) -> None:
    """Entries name entries that there are, and their figures go together."""
    for item in entries["grades"].values():
        for what, name, at, _ in references(item):
            known = merged[f"{what}s"]
            if name not in known:
                message = f"no such entry of catalogue.{what}s: '{name}'"
                findings.unknown(item.origin, message, name, known, *at)
    for name, item in entries["grades"].items():
        _check_grade(item, merged["grades"][name], findings)
    for name, item in entries["limit_curves"].items():
        if name not in merged["grades"]:
            message = f"no such grade '{name}'"
            findings.unknown(item.origin, message, name, merged["grades"], on_key=True)
    for section, key in (("cables", "attenuation"), ("limit_curves", "points")):
        for item in entries[section].values():
            steps = [p.mhz for p in getattr(item.table, key) or ()]
            # One that is missing was told already.
            if None not in steps and steps != sorted(set(steps)):
                findings.clash(item.origin, "expected frequencies in rising order", key)


def _check_grade(item: Item[Any], values: dict[str, Any], findings: Findings) -> None:
    low, high = values["loop_delay_min_ns"], values["loop_delay_max_ns"]
    if low is not None and high is not None and low > high:
        findings.clash(
            item.origin,
            f"expected loop_delay_min_ns at most loop_delay_max_ns, got {low} and {high}",
        )  # fmt: skip
    if values["medium"] == "link" and values["nodes"] not in (None, 2):
        findings.clash(item.origin, f"a link has 2 nodes, got {values['nodes']}", "nodes")
    if values["medium"] == "mixing":
        if values["full_duplex"]:
            findings.clash(item.origin, "a shared line is half duplex", "full_duplex")
        if values["terminator"] is None and item.whole:
            findings.add(
                item.origin, "missing-key", "a grade with shared lines needs the key terminator too"
            )


def _grade(name: str, v: dict[str, Any]) -> Grade:
    return made(
        Grade,
        GradeEntry,
        v,
        id=name,
        rate_bps=to_base(v["rate_mbps"], 1_000_000),
        guaranteed_length_um=to_base(v["length_m"], UM_PER_M),
        guaranteed_nodes=v["nodes"],
        guaranteed_stub_um=to_base(v["stub_m"], UM_PER_M),
        terminator=v["terminator"] if v["medium"] == "mixing" else None,
        junction=v["junction"] if v["medium"] == "mixing" else None,
    )


def _cable(name: str, v: dict[str, Any]) -> Cable:
    return made(
        Cable,
        CableEntry,
        v,
        id=name,
        mass_mg_per_m=to_base(v["mass_g_per_m"], MG_PER_G),
        attenuation_db_per_m=tuple(
            (float(p.mhz), float(p.db_per_m)) for p in v["attenuation"] or ()
        ),
    )


def _curve(v: dict[str, Any]) -> LimitCurve:
    points = tuple((float(p.mhz), float(p.db)) for p in v["points"])
    return made(LimitCurve, LimitCurveEntry, v, points_mhz_db=points)


def shipped_catalogue() -> Catalogue:
    """Catalogue that ships with the program, unchanged."""
    made = read_catalogue({section: {} for section in SECTIONS}, Findings())
    assert made is not None
    return made
