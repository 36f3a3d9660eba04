"""Makes the problem of the model from parts in which nothing is wrong."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from partitioner.model import problem as model
from partitioner.model.catalogue import Catalogue
from partitioner.reading.base_units import position_um, same
from partitioner.reading.parts import Parts
from partitioner.reading.schema import BackboneTable, DeviceTable, LimitTable, StreamTable
from partitioner.units import MONEY_STEPS, MUL_PER_UNIT_LOAD, NS_PER_US, UM_PER_M, to_base

STRAIGHT = model.Routing(model.Metric.STRAIGHT)
"""Cables as the crow flies."""


def _um(value: Decimal) -> int:
    return to_base(value, UM_PER_M)


def pinned_switches(device: DeviceTable, parts: Parts) -> tuple[str, ...] | None:
    """Switches a device may hang on, from whichever of its three keys is given."""
    if device.switch is not None:
        return (device.switch,)
    if device.switches is not None:
        return device.switches
    if device.zone is not None:
        return parts.switches_of_zone.get(device.zone, ())
    return None


def _device(device: DeviceTable, parts: Parts) -> model.Device:
    return same(
        model.Device,
        device,
        position_um=position_um(device.position_m),
        grades=tuple(
            model.GradeChoice(grade, None if price is None else to_base(price, MONEY_STEPS))
            for grade, price in device.grades
        ),
        pinned_switches=pinned_switches(device, parts),
    )


def limits_of(grade: str, table: LimitTable, catalogue: Catalogue) -> model.SegmentLimits:
    """Limits of a grade: as stated, else as guaranteed."""
    promised = {
        field: getattr(catalogue.grades[grade], f"guaranteed_{field}")
        for key, field in (("nodes", "nodes"), ("length_m", "length_um"), ("stub_m", "stub_um"))
        if getattr(table, key) is None
    }
    loads = table.unit_loads
    return same(
        model.SegmentLimits,
        table,
        unit_loads_mul=None if loads is None else to_base(loads, MUL_PER_UNIT_LOAD),
        spacing_min_um=_um(table.spacing_m),
        reserve=same(model.Reserve, table.reserve),
        **promised,
    )


def pathway_id(table_id: str | None, ends: tuple[str, str]) -> str:
    """Name of a pathway, stated or made of its ends."""
    return table_id if table_id is not None else f"{ends[0]}-{ends[1]}"


def distances(
    rows: npt.ArrayLike, columns: npt.ArrayLike, metric: str
) -> npt.NDArray[np.float64]:
    """Distances (rows, columns) of points, to tell near from far: not rounded, without factor."""
    one, other = (np.asarray(points, dtype=float).reshape(-1, 3) for points in (rows, columns))
    gaps = np.abs(one[:, None] - other[None])
    return np.asarray(np.sqrt((gaps**2).sum(axis=2)) if metric == "straight" else gaps.sum(axis=2))


def _pathways(
    parts: Parts, places: Mapping[str, model.Place], routing: model.Routing
) -> tuple[model.Pathway, ...]:
    found = []
    for way in (item.table for item in parts.pathways):
        ends = (way.from_, way.to)
        if way.length_m is not None:
            length = _um(way.length_m)
        else:
            length = routing.distance_um(*(places[end].position_um for end in ends))
        found.append(model.Pathway(pathway_id(way.id, ends), ends, length, way.max_cables))
    return tuple(found)


def _limits(parts: Parts, catalogue: Catalogue) -> dict[str, model.SegmentLimits]:
    """Limits of every grade that something can have or that limits are stated for."""
    used = {g for d in parts.everyone() for g, _ in d.table.grades}
    used |= {g for s in parts.switches for p in s.table.ports for g in p.grades}
    used |= {g for link in parts.backbone.table.links for g in link.grades}
    stated = {grade: item.table for grade, item in parts.limits.items()}
    return {
        grade: limits_of(grade, stated.get(grade, LimitTable()), catalogue)
        for grade in catalogue.grades
        if grade in used or grade in stated
    }


def _backbone(backbone: BackboneTable) -> model.Backbone:
    links = tuple(same(model.BackboneLink, link, ends=link.between) for link in backbone.links)
    return same(model.Backbone, backbone, links=links)


def stream_of(stream: StreamTable) -> model.Stream:
    """A stream of the model from its keys."""
    deadline_us = stream.period_us if stream.deadline_us is None else stream.deadline_us
    return same(
        model.Stream,
        stream,
        source=stream.from_,
        destinations=stream.to,
        deadline_ns=to_base(deadline_us, NS_PER_US),
    )


def build_problem(parts: Parts, warnings: tuple[str, ...], digest: str) -> model.Problem:
    """Make the problem; every item of ``parts`` must be whole and checked."""
    catalogue = parts.catalogue
    assert catalogue is not None
    assert parts.name is not None
    places = {
        p.id: same(model.Place, p.table, position_um=position_um(p.table.position_m))
        for p in parts.places
    }
    routing = same(model.Routing, parts.routing.table)
    sharing = parts.sharing.table
    return model.Problem(
        name=parts.name,
        currency=parts.currency,
        note=parts.note,
        places=places,
        pathways=_pathways(parts, places, routing),
        routing=routing,
        switches={
            s.id: same(
                model.Switch,
                s.table,
                position_um=position_um(s.table.position_m),
                port_groups=tuple(same(model.PortGroup, port) for port in s.table.ports),
            )
            for s in parts.switches
        },
        backbone=_backbone(parts.backbone.table),
        devices={d.id: _device(d.table, parts) for d in parts.devices},
        groups=tuple(same(model.Group, g.table) for g in parts.groups),
        streams={s.id: stream_of(s.table) for s in parts.streams},
        transfers={
            t.id: same(model.Transfer, t.table, source=t.table.from_, destinations=t.table.to)
            for t in parts.transfers
        },
        limits=_limits(parts, catalogue),
        line=same(model.LineRules, parts.line.table),
        plca=same(model.PlcaRules, parts.plca.table),
        shop=same(model.Shop, parts.shop.table),
        sharing=same(model.Sharing, sharing, domains=tuple(map(frozenset, sharing.domains))),
        options={
            o.id: same(model.Option, o.table, name=o.table.name or o.id) for o in parts.options
        },
        builds=tuple(
            same(model.Build, b.table, options=frozenset(b.table.options)) for b in parts.builds
        ),
        forecast=tuple(
            same(model.Forecast, f.table, device=_device(f.table, parts)) for f in parts.forecast
        ),
        failure_rules=tuple(same(model.FailureRule, r.table) for r in parts.failure_rules),
        change_prices=same(model.ChangePrices, parts.change_prices.table),
        objective=same(model.Objective, parts.objective.table),
        catalogue=catalogue,
        warnings=warnings,
        digest=digest,
    )
