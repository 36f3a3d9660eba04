"""Makes the problem of the model from parts in which nothing is wrong."""

from __future__ import annotations

from decimal import Decimal

from partitioner.model.catalogue import Catalogue
from partitioner.model.problem import (
    Backbone,
    BackboneLink,
    Build,
    ChangePrices,
    Device,
    FailureRule,
    Forecast,
    GradeChoice,
    Group,
    LineRules,
    Objective,
    Option,
    Pathway,
    Place,
    PlcaRules,
    PortGroup,
    Problem,
    Reserve,
    Routing,
    SegmentLimits,
    Sharing,
    Stream,
    Switch,
    Transfer,
)
from partitioner.reading.parts import Parts
from partitioner.reading.schema import DeviceTable, LimitTable, StreamTable, SwitchTable
from partitioner.units import (
    MG_PER_G,
    MONEY_STEPS,
    MUL_PER_UNIT_LOAD,
    NS_PER_S,
    NS_PER_US,
    PPM,
    UM_PER_M,
    ceil_div,
    to_base,
)


def _um(value: Decimal) -> int:
    return to_base(value, UM_PER_M)


def _money(value: Decimal) -> int:
    return to_base(value, MONEY_STEPS)


def _ppm(value: Decimal) -> int:
    return to_base(value, PPM)


def _ns(value: Decimal) -> int:
    return to_base(value, NS_PER_US)


def position_um(value: tuple[Decimal, Decimal, Decimal] | None) -> tuple[int, int, int] | None:
    """Coordinates in base units."""
    return None if value is None else (_um(value[0]), _um(value[1]), _um(value[2]))


def pinned_switches(device: DeviceTable, parts: Parts) -> tuple[str, ...] | None:
    """Switches a device may hang on, from whichever of its three keys is given."""
    if device.switch is not None:
        return (device.switch,)
    if device.switches is not None:
        return device.switches
    if device.zone is not None:
        return parts.switches_of_zone().get(device.zone, ())
    return None


def _device(device: DeviceTable, parts: Parts) -> Device:
    return Device(
        id=device.id,
        place=device.place,
        position_um=position_um(device.position_m),
        grades=tuple(
            GradeChoice(grade, None if price is None else _money(price))
            for grade, price in device.grades
        ),
        unit_load_mul=to_base(device.unit_loads, MUL_PER_UNIT_LOAD),
        option=device.option,
        pinned_switches=pinned_switches(device, parts),
        stub_um=_um(device.stub_m),
        safety_level=device.safety_level,
        security_domain=device.security_domain,
        queue=device.queue,
        function=device.function,
        mass_mg=to_base(device.mass_g, MG_PER_G),
        capacitance_pf=None if device.capacitance_pf is None else float(device.capacitance_pf),
    )


def _switch(switch: SwitchTable) -> Switch:
    return Switch(
        id=switch.id,
        place=switch.place,
        position_um=position_um(switch.position_m),
        port_groups=tuple(
            PortGroup(port.grades, port.count, _money(port.price)) for port in switch.ports
        ),
        price_money=_money(switch.price),
        mass_mg=to_base(switch.mass_g, MG_PER_G),
        required=switch.required,
        forwarding_delay_ns=_ns(switch.forwarding_delay_us),
        zone=switch.zone,
    )


def _stream(stream: StreamTable) -> Stream:
    period_ns = _ns(stream.period_us)
    return Stream(
        id=stream.id,
        source=stream.from_,
        destinations=stream.to,
        payload_bytes=stream.payload_bytes,
        encapsulation=stream.encapsulation,
        tagged=stream.tagged,
        kind=stream.kind,
        period_ns=period_ns,
        jitter_ns=_ns(stream.jitter_us),
        deadline_ns=period_ns if stream.deadline_us is None else _ns(stream.deadline_us),
        pcp=stream.pcp,
    )


def limits_of(grade: str, table: LimitTable, catalogue: Catalogue) -> SegmentLimits:
    """Limits of a grade: as stated, else as guaranteed."""
    promised = catalogue.grades[grade]
    reserve = table.reserve
    return SegmentLimits(
        basis=table.basis,
        nodes=promised.guaranteed_nodes if table.nodes is None else table.nodes,
        length_um=promised.guaranteed_length_um if table.length_m is None else _um(table.length_m),
        stub_um=promised.guaranteed_stub_um if table.stub_m is None else _um(table.stub_m),
        load_share_ppm=_ppm(table.load_share),
        unit_loads_mul=(
            None if table.unit_loads is None else to_base(table.unit_loads, MUL_PER_UNIT_LOAD)
        ),
        spacing_min_um=_um(table.spacing_m),
        reserve=Reserve(reserve.nodes, _um(reserve.length_m), _ppm(reserve.load_share)),
    )


def pathway_id(table_id: str | None, ends: tuple[str, str]) -> str:
    """Name of a pathway, stated or made of its ends."""
    return table_id if table_id is not None else f"{ends[0]}-{ends[1]}"


def distance_um(
    a: tuple[int, int, int], b: tuple[int, int, int], metric: str, factor_ppm: int
) -> int:
    """Distance of two points times the routing factor, in µm, rounded up."""
    gaps = [abs(p - q) for p, q in zip(a, b, strict=True)]
    if metric == "rectilinear":
        return ceil_div(sum(gaps) * factor_ppm, PPM)
    square = sum(g * g for g in gaps) * factor_ppm * factor_ppm
    from math import isqrt

    root = isqrt(square)
    return ceil_div(root if root * root == square else root + 1, PPM)


def build_problem(parts: Parts, warnings: tuple[str, ...], digest: str) -> Problem:
    """Make the problem; every item of ``parts`` must be whole and checked."""
    catalogue = parts.catalogue
    assert catalogue is not None
    assert parts.name is not None
    places = {}
    for item in parts.places:
        at = position_um(item.table.position_m)
        assert at is not None
        places[item.table.id] = Place(item.table.id, at)
    routing = Routing(parts.routing.table.metric, _ppm(parts.routing.table.factor))
    pathways = []
    for way in (item.table for item in parts.pathways):
        ends = (way.from_, way.to)
        length = (
            distance_um(
                places[ends[0]].position_um,
                places[ends[1]].position_um,
                routing.metric,
                routing.factor_ppm,
            )
            if way.length_m is None
            else _um(way.length_m)
        )
        pathways.append(Pathway(pathway_id(way.id, ends), ends, length, way.max_cables))
    backbone = parts.backbone.table
    plca = parts.plca.table
    line = parts.line.table
    prices = parts.change_prices.table
    used = {g for d in parts.devices for g, _ in d.table.grades}
    used |= {g for s in parts.switches for p in s.table.ports for g in p.grades}
    used |= {g for f in parts.forecast for g, _ in f.table.grades}
    used |= {g for link in backbone.links for g in link.grades}
    limits = {
        grade: limits_of(
            grade,
            parts.limits[grade].table if grade in parts.limits else LimitTable(),
            catalogue,
        )
        for grade in catalogue.grades
        if grade in used or grade in parts.limits
    }
    return Problem(
        name=parts.name,
        currency=parts.currency,
        note=parts.note,
        places=places,
        pathways=tuple(pathways),
        routing=routing,
        switches={s.table.id: _switch(s.table) for s in parts.switches},
        backbone=Backbone(
            backbone.shape,
            tuple(
                BackboneLink(
                    link.between,
                    link.grades,
                    None if link.length_m is None else _um(link.length_m),
                    link.required,
                )
                for link in backbone.links
            ),
            _ppm(backbone.load_share),
        ),
        devices={d.table.id: _device(d.table, parts) for d in parts.devices},
        groups=tuple(Group(g.table.id, g.table.kind, g.table.devices) for g in parts.groups),
        streams={s.table.id: _stream(s.table) for s in parts.streams},
        transfers={
            t.table.id: Transfer(
                t.table.id,
                t.table.from_,
                t.table.to,
                t.table.size_bytes,
                None if t.table.longest_s is None else to_base(t.table.longest_s, NS_PER_S),
                t.table.frame_payload_bytes,
            )
            for t in parts.transfers
        },
        limits=limits,
        line=LineRules(
            line.switch_position, _um(line.drop_slack_m), _um(line.end_slack_m), line.option_tail
        ),
        plca=PlcaRules(
            plca.to_timer_bt, plca.burst_count, plca.burst_timer_bt, plca.logical_collision
        ),
        sharing=Sharing(
            tuple(frozenset(group) for group in parts.sharing.table.domains),
            parts.sharing.table.safety_span,
        ),
        options={
            o.table.id: Option(o.table.id, _ppm(o.table.take_rate), o.table.name or o.table.id)
            for o in parts.options
        },
        builds=tuple(
            Build(b.table.id, frozenset(b.table.options), _ppm(b.table.share)) for b in parts.builds
        ),
        forecast=tuple(
            Forecast(_device(f.table, parts), _ppm(f.table.probability)) for f in parts.forecast
        ),
        failure_rules=tuple(
            FailureRule(r.table.id, r.table.group, r.table.function, r.table.most_lost)
            for r in parts.failure_rules
        ),
        change_prices=ChangePrices(
            _money(prices.device_segment),
            _money(prices.device_order),
            _money(prices.port),
            _money(prices.plca_id),
            _money(prices.new_line),
            _money(prices.cut_length),
        ),
        objective=Objective(
            _money(parts.objective.table.mass_price_per_kg),
            _money(parts.objective.table.latency_price_per_ms),
        ),
        catalogue=catalogue,
        warnings=warnings,
        digest=digest,
    )
