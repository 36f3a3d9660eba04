"""What settles hopeless problems before any search, with rules, names and figures in words."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from partitioner.errors import Conflict
from partitioner.model.assessment import COMPLETE
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.alone import by_counting, homeless
from partitioner.solve.precheck.core import Core, Shrinking
from partitioner.solve.precheck.enough import MOST_WHOLE, Without, helping
from partitioner.solve.precheck.places import Places
from partitioner.solve.precheck.statements import (
    LEAVES_ANOTHER,
    Key,
    Statement,
    Statements,
    named,
    told,
)
from partitioner.wording import count

BESIDE = frozenset({
    "backbone-link", "backbone-reach", "backbone-shape", "device-grade", "length", "nodes", "pin",
    "switch-open",
})
"""Rules that say what there is, told after those that say what is asked for."""
MOST_PLACES = 60_000
"""Blocks times switches times grades up to which they are weighed against each other."""


def hopeless(builder: ColumnBuilder, backbone: BackboneData | None = None) -> list[Conflict]:
    """Conflicts that any layout would run into; empty if none is found this way.

    ``backbone``: of the same instance, if it is made already.

    First what is plain: a device that no segment can take even alone, more devices than the ports
    that could take them have room for. Then whether blocks of devices find places at all when
    rules come together (:mod:`~partitioner.solve.precheck.relaxed`); of that proof a small part
    is told.
    """
    inst = builder.instance
    if found := homeless(builder):
        return found
    counted = by_counting(builder)
    if not _is_weighed(inst) or (counted and inst.n > MOST_WHOLE):
        return counted
    places = Places(builder, backbone or BackboneData(inst))
    if counted:
        return _with_what_is_left(places, counted)
    core = Shrinking(places).core()
    return [] if core is None else _told(places, core)


def is_hopeless(builder: ColumnBuilder) -> bool:
    """Whether :func:`hopeless` finds conflicts, without looking for the few that tell it."""
    if homeless(builder) or by_counting(builder):
        return True
    inst = builder.instance
    return _is_weighed(inst) and Shrinking(Places(builder, BackboneData(inst))).is_proved()


def _is_weighed(instance: Instance) -> bool:
    """Whether blocks are weighed against places: there are some, and not too many."""
    return 0 < instance.n * max(1, len(instance.ports_of)) <= MOST_PLACES


def _with_what_is_left(places: Places, conflicts: list[Conflict]) -> list[Conflict]:
    """Plain counts, told whether another conflict is left when they are mended."""
    without = Without(places)
    return [
        replace(c, way_out=c.way_out + LEAVES_ANOTHER)
        if c.way_out and without.is_left_by_all_of(c.rule) else c
        for c in conflicts
    ]


def _telling(key: Key) -> tuple[bool, Key]:
    """What was asked for comes first, what there is to keep it with after that."""
    return key[0] in BESIDE, key


def _told(places: Places, core: Core) -> list[Conflict]:
    """Conflicts of a proof: its statements, then the devices that find no places."""
    inst = places.instance
    statements = Statements(inst, places.backbone, core.statements)
    help_ = helping(places, core, {key for key in core.statements if statements[key].remedy})
    # A switch may say the same of two groups of ports.
    keys: dict[Statement, set[Key]] = {}
    for key in sorted({*core.statements, *help_.all_of}, key=_telling):
        keys.setdefault(statements[key], set()).add(key)
    without = Without(places)

    def beside(changed: Collection[Statement]) -> str:
        if not help_.is_enough:
            return ", which alone is not enough"
        return LEAVES_ANOTHER if without.is_left({key for s in changed for key in keys[s]}) else ""

    conflicts = told(
        keys,
        {statements[key] for key in help_.alone},
        {statements[key] for key in help_.jointly},
        {statements[key] for key in help_.all_of},
        beside,
    )
    devices = [inst.device_ids[i] for b in core.blocks for i in places.blocks[b].devices]
    if devices:
        some = "1 device has no" if len(devices) == 1 else (
            f"these {count(len(devices), 'device')} cannot {'both' if len(devices) == 2 else 'all'}"
            f" have a"
        )
        conflicts.append(
            Conflict(
                COMPLETE, tuple(devices), f"Under these rules {some} place: {named(devices)}."
            )
        )
    return conflicts
