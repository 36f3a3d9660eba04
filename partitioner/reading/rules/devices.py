"""Devices: which switches and grades they can have, who shares with whom."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import networkx as nx

from partitioner.model.problem import GroupKind
from partitioner.reading.build import pinned_switches
from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts
from partitioner.reading.rules.grades import grades_of, is_mixing, offered_grades
from partitioner.reading.schema import DeviceTable
from partitioner.reading.tables import Item
from partitioner.visible import some_of

_FEW = 20
_NAMED = 6
_PINS = ("switch", "switches", "zone")
_LINE_ONLY = ("stub_m", "unit_loads", "capacitance_pf")


def check_devices(parts: Parts, findings: Findings) -> None:
    """Some port that a device may use fits it, and its keys have an effect."""
    offered = offered_grades(parts)
    everywhere = set().union(*(offered or {}).values())
    zones = {s.table.zone for s in parts.switches if s.table.zone is not None}
    for item in parts.everyone():
        pinned = _check_pins(item, parts, zones, findings)
        if pinned and offered is not None and grades_of(item):
            _check_offered(item, parts, offered, everywhere, findings)
    for key in _LINE_ONLY:
        if unused := [item for item in parts.everyone() if _is_unused(key, item, parts)]:
            others = [i.id for i in unused[1:]]
            more = f"; the same at {some_of(others, _NAMED)}" if others else ""
            why = f"none of its grades makes a shared line{more}"
            findings.no_effect(unused[0].origin, why, key)


def _check_pins(item: Item[Any], parts: Parts, zones: set[str], findings: Findings) -> bool:
    """Check the keys that pin a device to switches; True when they make sense."""
    device = item.table
    given = [key for key in _PINS if key in item.given]
    if len(given) > 1:
        findings.clash(
            item.origin, f"expected one of {', '.join(_PINS)}, got {' and '.join(given)}", given[1],
            hint="remove the others", on_key=True,
        )  # fmt: skip
        return False
    good = item.whole or all(getattr(device, key) is not None for key in given)
    switches = parts.names(("switches",))
    good &= device.switch is None or device.switch in switches
    good &= switches.keys() >= set(device.switches or ())
    if device.zone is not None and device.zone not in zones:
        good = False
        if not parts.unsure & {"switches"} and all(s.whole for s in parts.switches):
            findings.unknown(
                item.origin, f"no switch has the zone '{device.zone}'", device.zone, sorted(zones),
                "zone",
            )  # fmt: skip
    return good


def _check_offered(
    item: Item[Any],
    parts: Parts,
    offered: dict[str, set[str]],
    everywhere: set[str],
    findings: Findings,
) -> None:
    grades = grades_of(item)
    if any(g not in parts.catalogue_grades for g in grades):
        return
    pinned = pinned_switches(item.table, parts)
    allowed = list(offered) if pinned is None else [s for s in pinned if s in offered]
    served = everywhere if pinned is None else set().union(*(offered[s] for s in allowed))
    lost = [g for g in grades if g not in served]
    if not lost:
        return
    whose = "no switch has" if pinned is None else f"none of {some_of(allowed, _FEW)} has"
    if pinned is not None and len(allowed) == 1:
        whose = f"'{allowed[0]}' does not have"
    message = f"{whose} a port for {some_of(lost, _FEW)}"
    usable = len(lost) < len(grades)
    offers = ", ".join(sorted(served))
    findings.clash(
        item.origin, message + (": that grade can't be used" if usable else ""), "grades",
        is_warning=usable, hint=f"ports there serve {offers}" if len(served) <= 8 else "",
    )  # fmt: skip


def _is_unused(key: str, item: Item[Any], parts: Parts) -> bool:
    """Whether a device has a value that only shared lines heed, and a PHY for links alone."""
    grades = grades_of(item)
    if parts.catalogue is None or not grades or not item.whole:
        return False
    if any(is_mixing(parts, g) or g not in parts.catalogue.grades for g in grades):
        return False
    default = DeviceTable.model_fields[key].default
    return key in item.given and bool(getattr(item.table, key) != default)


def check_groups(parts: Parts, findings: Findings) -> None:
    """Groups name devices that exist, and no two groups contradict each other."""
    devices = parts.ids("devices")
    good: list[Item[Any]] = []
    for item in parts.groups:
        group = item.table
        if group.devices and devices.keys() >= set(group.devices) and group.kind is not None:
            good.append(item)
    together = [g for g in good if g.table.kind is GroupKind.TOGETHER]
    for item in together:
        _check_one_segment(item, devices, parts, findings)
    cluster = _clusters([g.table.devices for g in together])
    for item in good:
        kind = item.table.kind
        if kind is GroupKind.TOGETHER:
            continue
        _check_apart(item, kind, cluster, together, findings)
        if kind is GroupKind.APART_SWITCH:
            _check_apart_pins(item, devices, parts, findings)


def _clusters(groups: list[tuple[str, ...]]) -> dict[str, int]:
    """For each device of a `together` group, one number for all that end up on its segment."""
    graph = nx.Graph()
    for group in groups:
        nx.add_path(graph, group)
    return {n: number for number, c in enumerate(nx.connected_components(graph)) for n in c}


def _check_apart(
    item: Item[Any],
    kind: GroupKind,
    cluster: dict[str, int],
    together: list[Item[Any]],
    findings: Findings,
) -> None:
    # In the order of their first members, since dicts keep it.
    members: dict[int, list[str]] = {}
    for name in item.table.devices:
        if name in cluster:
            members.setdefault(cluster[name], []).append(name)
    several = next((names for names in members.values() if len(names) > 1), None)
    if several is None:
        return
    a, b = several[:2]
    other = next(
        (g for g in together if a in g.table.devices and b in g.table.devices),
        next(g for g in together if a in g.table.devices),
    )
    place = other.origin.at(("id",)).words
    findings.clash(
        item.origin,
        f"'{a}' and '{b}' are {kind.value} here and together in group '{other.id}' on {place}",
        "devices",
    )  # fmt: skip


def _check_apart_pins(
    item: Item[Any], devices: dict[str, Item[Any]], parts: Parts, findings: Findings
) -> None:
    only: dict[str, str] = {}
    for name in item.table.devices:
        pinned = pinned_switches(devices[name].table, parts)
        if pinned is None or len(pinned) != 1:
            continue
        switch = pinned[0]
        if switch in only:
            findings.clash(
                item.origin,
                f"'{only[switch]}' and '{name}' are apart-switch here and both pinned to "
                f"'{switch}', '{name}' on {devices[name].origin.at(()).words}",
                "devices",
            )  # fmt: skip
            return
        only[switch] = name


def _check_one_segment(
    item: Item[Any], devices: dict[str, Item[Any]], parts: Parts, findings: Findings
) -> None:
    """Devices that must be on one segment have a grade, a switch and rules that let them."""
    members = [devices[name] for name in item.table.devices]

    def tell(message: str) -> None:
        findings.clash(item.origin, f"together, but {message}", "devices")

    if parts.catalogue is not None and all(m.table.grades for m in members):
        common = set.intersection(*(set(grades_of(m)) for m in members))
        if not any(is_mixing(parts, g) for g in common):
            tell("they have no grade of shared lines in common")
    pinned: set[str] | None = None
    for member in members:
        own = pinned_switches(member.table, parts)
        if own is not None:
            pinned = set(own) if pinned is None else pinned & set(own)
    if pinned is not None and not pinned:
        tell("they are pinned to different switches")
    span = parts.sharing.table.safety_span
    levels = sorted(
        (m.table.safety_level, m.id) for m in members if m.table.safety_level is not None
    )
    if span is not None and levels and levels[-1][0] - levels[0][0] > span:
        tell(
            f"the safety levels of '{levels[0][1]}' ({levels[0][0]}) and '{levels[-1][1]}' "
            f"({levels[-1][0]}) differ by more than sharing.safety_span {span}"
        )
    if parts.sharing.table.domains is None:
        return
    mixes = [frozenset(group) for group in parts.sharing.table.domains]
    by_domain = {
        m.table.security_domain: m.id for m in members if m.table.security_domain is not None
    }
    for (one, a), (other, b) in combinations(by_domain.items(), 2):
        if not any({one, other} <= group for group in mixes):
            tell(
                f"the domains of '{a}' ({one}) and '{b}' ({other}) are not listed in "
                "sharing.domains as sharing a line"
            )
            return


def check_sharing(parts: Parts, findings: Findings) -> None:
    """Domains and levels named for sharing are those of some device."""
    everyone = parts.everyone()
    domains = {d.table.security_domain for d in everyone if d.table.security_domain is not None}
    if parts.unsure & {"devices", "forecast"} or not all(d.whole for d in everyone):
        return
    sharing = parts.sharing
    for number, group in enumerate(sharing.table.domains or ()):
        for index, name in enumerate(group):
            if name not in domains:
                findings.unknown(
                    sharing.origin, f"no device has the security domain '{name}'", name,
                    sorted(domains), "domains", number, index, is_warning=True,
                )  # fmt: skip
    if sharing.table.safety_span is not None and not any(
        d.table.safety_level is not None for d in everyone
    ):
        findings.no_effect(sharing.origin, "no device has a safety_level", "safety_span")
