"""The register of handles: for every rule of the check what takes hold of it, or why nothing does.

A rule's name, meaning, keys, source and check stand in :mod:`partitioner.check.rules.registry`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from partitioner.explain.handles import limits, placement, service, switches
from partitioner.explain.handles.handle import Handle, Handles
from partitioner.model.problem import GroupKind, Problem


@dataclass(frozen=True, slots=True)
class Hold:
    """How a problem's statements of one rule are taken hold of.

    Attributes
    ----------
    rule
        Name in the register of the check.
    handles
        Makes a handle for each statement that can bind.
    priced_as
        Name under which all handles of the rule are priced at once; each alone if there is none.
    """

    rule: str
    handles: Callable[[Problem], Handles]
    priced_as: str = ""


_groups = partial(partial, placement.groups)
HOLDS: tuple[Hold, ...] = (
    Hold("port-exists", placement.ports, "the numbers of ports"),
    Hold("nodes", limits.NODES),
    Hold("stub", limits.STUB),
    Hold("unit-loads", limits.UNIT_LOADS),
    Hold("spacing", limits.SPACING),
    Hold("nodes", limits.RESERVED_NODES),
    Hold("length", limits.RESERVED_LENGTH),
    Hold("load", limits.RESERVED_LOAD),
    Hold("length", limits.LENGTH),
    Hold("load", limits.LOAD),
    Hold("pathway-capacity", limits.pathway_capacity, "the room in all pathways"),
    Hold("pin", placement.pins, "all pins"),
    Hold("apart-segment", _groups(GroupKind.APART_SEGMENT), "all groups apart on segments"),
    Hold("apart-switch", _groups(GroupKind.APART_SWITCH), "all groups apart on switches"),
    Hold("together", _groups(GroupKind.TOGETHER), "all groups together"),
    Hold("safety-span", placement.safety_span),
    Hold("security-domain", placement.security_domain),
    Hold("switch-position", placement.switch_position),
    Hold("option-tail", placement.option_tail),
    Hold("failure", service.failures, "all failure rules"),
    Hold("backbone-load", switches.backbone_load),
    Hold("backbone-reach", switches.backbone_reach, "the reach of all backbone links"),
    Hold("backbone-link", switches.backbone_link),
    Hold("backbone-shape", switches.backbone_shape),
    Hold("deadline", service.deadlines, "all deadlines"),
    Hold("transfer", service.transfers, "the longest times of all transfers"),
)

_OF_THE_LAYOUT = "it says what a layout is; no problem states it."
_PORTS = "the ports of a switch are offered as [port-exists](#port-exists)."
NO_HOLD: dict[str, str] = {
    "known-names": _OF_THE_LAYOUT,
    "segment-once": _OF_THE_LAYOUT,
    "complete": _OF_THE_LAYOUT,
    "device-once": _OF_THE_LAYOUT,
    "segment-devices": _OF_THE_LAYOUT,
    "port-once": _PORTS,
    "port-grade": _PORTS,
    "device-grade": "what the PHY of a device can do is no rule to be relaxed; "
    "another grade is tried as a way out of a conflict.",
    "switch-open": "which switches are required is no rule to be relaxed.",
    "stream-way": _OF_THE_LAYOUT,
    "plca-ids": _OF_THE_LAYOUT,
    "plca-node-count": _OF_THE_LAYOUT,
    "plca-burst": _OF_THE_LAYOUT,
    "overload": "the [load](#load) limit and the [deadlines](#deadline) are offered.",
}
"""Rules that ``explain`` neither moves nor prices, with the reason."""


def handles_of(problem: Problem) -> list[Handle]:
    """Every rule of the problem that has something to say, in the order of the file's sections.

    What a statement cannot influence (a limit above anything that could be built) is left out.
    """
    found: list[Handle] = []
    for hold in HOLDS:
        found += hold.handles(problem)
    # Several rules take turns in these sections; the file's order is by item.
    turns: dict[str | int, list[str | int]] = {
        "limits": [*problem.limits],
        "groups": [g.id for g in problem.groups],
    }
    sections = list(dict.fromkeys(h.at[0] for h in found))

    def place(handle: Handle) -> tuple[int, int]:
        section = handle.at[0]
        item = turns[section].index(handle.at[1]) if section in turns else 0
        return sections.index(section), item

    return sorted(found, key=place)
