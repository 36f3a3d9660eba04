"""A problem the way routing models see it: vehicles that leave a switch and visit devices.

Every rival gets the same numbers: costs in whole money steps, lengths in µm, limits of a line.
What such a model has no words for is left out and listed (:func:`dropped_rules`). Whatever routes
come back are made a layout and judged like any layout written by hand, so all costs compared are
one function's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count, pairwise

import numpy as np

from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import BackboneShape, GroupKind, Problem, SwitchPosition
from partitioner.network.cable import CableNetwork
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.units import PPM, ceil_div, length_mass_mg, priced_length_money

FORBIDDEN = 2**40
"""Cost of a step that must not be taken."""
UNBOUNDED = 2**40
SPARE_VEHICLES = 3
"""Vehicles of a kind beyond what full lines over all devices would take."""

Routes = list[tuple[int, tuple[int, ...]]]
"""(kind of vehicle, devices outward from the switch) for each segment."""


@dataclass(frozen=True, slots=True)
class Kind:
    """Ports of one group of a switch serving one grade, as vehicles that start at the switch.

    ``allowed`` bool (n,). ``start_cost`` (money) and ``start_um`` int64 (n,): first step to each
    device, with all that the device itself brings. ``length_um`` counts end slacks already.
    """

    switch: int
    group: int
    grade: str
    is_line: bool
    ports: int
    count: int
    fee: int
    most_devices: int
    unit_cap_mul: int
    load_cap_ppm: int
    length_um: int
    allowed: np.ndarray
    start_cost: np.ndarray
    start_um: np.ndarray


@dataclass(frozen=True, slots=True)
class Fleet:
    """All kinds of vehicles, and the steps along a line.

    ``step_cost`` and ``step_um`` int64 (n, n): from one device to the next on a shared line, with
    all that the next one brings; FORBIDDEN where two must not share a line. ``is_exact`` says
    that no rule and no saving of the problem is left out.
    """

    problem: Problem
    device_ids: tuple[str, ...]
    switch_ids: tuple[str, ...]
    kinds: tuple[Kind, ...]
    step_cost: np.ndarray
    step_um: np.ndarray
    unit_mul: np.ndarray
    load_ppm: np.ndarray
    is_exact: bool

    @property
    def n(self) -> int:
        return len(self.device_ids)

    @property
    def left_out_price(self) -> int:
        """Price of leaving a device out, above what any device can cost."""
        dearest = max(
            (int(k.start_cost[k.allowed].max(initial=0)) + k.fee for k in self.kinds), default=1
        )
        return 5 * dearest + 1

    def cost(self, routes: Routes) -> int:
        """What the routes come to in this model, all rules of it taken for granted."""
        total = 0
        for kind, devices in routes:
            vehicle = self.kinds[kind]
            total += vehicle.fee + int(vehicle.start_cost[devices[0]])
            total += sum(int(self.step_cost[a, b]) for a, b in pairwise(devices))
        return total


def fleet_of(problem: Problem) -> Fleet:
    """Describe a problem with at most one grade of shared lines as a fleet.

    Raises
    ------
    ValueError
        If the problem has two grades of shared lines, or switches that may stay closed.
    """
    inst = Instance(problem)
    builder = ColumnBuilder(inst)
    if len(inst.line_grades) > 1:
        raise ValueError("rivals know one grade of shared lines only")
    if not all(s.required for s in problem.switches.values()):
        raise ValueError("rivals have all switches open")
    rules = problem.line
    n = inst.n
    everyone = range(n)
    step_cost = np.full((n, n), FORBIDDEN, dtype=np.int64)
    step_um = np.zeros((n, n), dtype=np.int64)
    load_ppm = np.zeros(n, dtype=np.int64)
    for grade in inst.line_grades:
        ways = inst.way_um(everyone, everyone)
        own = _brought(builder, grade)
        step_cost = inst.cable_values(grade, ways) + own[None, :]
        step_um = ways + rules.drop_slack_um
        least = inst.grades[grade].spacing_min_um
        usable = inst.can[:, grade]
        step_cost[inst.conflict | (step_um < least)] = FORBIDDEN
        step_cost[~usable, :] = FORBIDDEN
        step_cost[:, ~usable] = FORBIDDEN
        load_ppm = np.asarray(builder.latency.least(grade).load_ppm, dtype=np.int64)
    np.fill_diagonal(step_cost, 0)
    np.fill_diagonal(step_um, 0)
    kinds = []
    for port in inst.port_classes:
        data = inst.grades[port.grade]
        start_um = inst.switch_um[port.switch] + rules.drop_slack_um + 2 * rules.end_slack_um
        own = _brought(builder, port.grade)
        start_cost = inst.cable_values(port.grade, inst.switch_um[port.switch]) + own
        allowed = inst.can[:, port.grade] & inst.may_hang[:, port.switch]
        allowed &= start_um <= data.max_length_um
        catalogue = problem.catalogue.grades[data.id]
        fee = port.value + inst.part_value(catalogue.connector)
        fee += 2 * inst.cable_value(port.grade, rules.end_slack_um)
        if data.is_line and catalogue.terminator is not None:
            fee += 2 * inst.part_value(catalogue.terminator)
        most = min(data.max_devices, n)
        full = ceil_div(n, most)
        if data.is_line:
            full = max(full, ceil_div(int(inst.unit_mul.sum()), data.unit_cap_mul))
            full = max(full, ceil_div(int(load_ppm.sum()), max(1, data.load_cap_ppm)))
        useful = min(port.count, full + SPARE_VEHICLES, int(allowed.sum()))
        if useful:
            kinds.append(
                Kind(
                    switch=port.switch,
                    group=port.group,
                    grade=data.id,
                    is_line=data.is_line,
                    ports=port.count,
                    count=useful,
                    fee=int(fee),
                    most_devices=most,
                    unit_cap_mul=data.unit_cap_mul if data.is_line else UNBOUNDED,
                    load_cap_ppm=data.load_cap_ppm if data.is_line else UNBOUNDED,
                    length_um=min(data.max_length_um, UNBOUNDED),
                    allowed=allowed,
                    start_cost=np.asarray(start_cost, dtype=np.int64),
                    start_um=np.asarray(start_um, dtype=np.int64),
                )
            )
    return Fleet(
        problem=problem,
        device_ids=tuple(inst.device_ids),
        switch_ids=tuple(inst.switch_ids),
        kinds=tuple(kinds),
        step_cost=np.asarray(step_cost, dtype=np.int64),
        step_um=np.asarray(step_um, dtype=np.int64),
        unit_mul=inst.unit_mul,
        load_ppm=load_ppm,
        is_exact=not dropped_rules(problem),
    )


def _brought(builder: ColumnBuilder, grade: int) -> np.ndarray:
    """Money that each device brings to a segment: PHY, connector, stub, slack of its drop."""
    inst = builder.instance
    drop = inst.cable_value(grade, inst.problem.line.drop_slack_um)
    return np.array(
        [
            builder.device_value(grade, i) + drop if inst.can[i, grade] else FORBIDDEN
            for i in range(inst.n)
        ],
        dtype=np.int64,
    )


ARCS, ROUTING, PYVRP = "arcs", "routing", "pyvrp"
ALL_RIVALS = (ARCS, ROUTING, PYVRP)


def dropped_rules(problem: Problem) -> dict[str, tuple[str, ...]]:
    """What of this problem which rival leaves out: rule or saving, and the rivals.

    An empty dictionary means that all of them solve the very problem.
    """
    kinds = {g.kind for g in problem.groups}
    has_caps = any(p.max_cables is not None for p in problem.pathways)
    shares_ports = any(len(g.grades) > 1 for s in problem.switches.values() for g in s.port_groups)
    devices = problem.devices.values()
    mixes = problem.sharing.safety_span is not None or (
        len({d.security_domain for d in devices if d.security_domain is not None}) > 1
    )
    present = {
        "deadlines end to end": bool(problem.streams),
        "load of a line beyond what each device brings anywhere": bool(problem.streams),
        "bulk transfers in time": any(t.longest_ns is not None for t in problem.transfers.values()),
        "devices apart on switches or segments, beyond neighbours": bool(
            kinds & {GroupKind.APART_SWITCH, GroupKind.APART_SEGMENT}
        ),
        "devices together on one segment": GroupKind.TOGETHER in kinds,
        "who may share a line, beyond neighbours": mixes,
        "lines through a pathway": has_caps,
        "grade and load of the backbone": any(len(b.grades) > 1 for b in problem.backbone.links),
        "options: a line is built up to its last fitted device": bool(problem.options),
        "option devices at the far end only": problem.line.option_tail,
        "losses by a single failure": bool(problem.failure_rules),
        "switch along its line": problem.line.switch_position is SwitchPosition.ANYWHERE,
    }
    dropped: dict[str, tuple[str, ...]] = {
        rule: ALL_RIVALS for rule, is_there in present.items() if is_there
    }
    if shares_ports:
        dropped["ports shared by several grades"] = (ROUTING, PYVRP)
    return dropped


def layout_of(fleet: Fleet, routes: Routes) -> Layout:
    """Make the routes a layout: ports in order, PLCA IDs outward, cheapest backbone that reaches.

    More segments than a group has ports get port numbers beyond it, which the check then names.
    """
    problem = fleet.problem
    segments = []
    numbers = count(1)
    next_port: dict[tuple[int, int], int] = {}
    for kind, visits in routes:
        vehicle = fleet.kinds[kind]
        switch = problem.switches[fleet.switch_ids[vehicle.switch]]
        key = (vehicle.switch, vehicle.group)
        first = 1 + sum(g.count for g in switch.port_groups[: vehicle.group])
        used = next_port.get(key, 0)
        next_port[key] = used + 1
        port = first + used if used < vehicle.ports else switch.port_count + 1 + used
        spare = problem.limits[vehicle.grade].reserve.nodes
        segments.append(
            Segment(
                id=f"segment-{next(numbers)}",
                switch=switch.id,
                port=port,
                grade=vehicle.grade,
                devices=tuple(fleet.device_ids[i] for i in visits),
                switch_index=0,
                plca_ids=tuple(range(1, len(visits) + 1)) if vehicle.is_line else (),
                node_count=len(visits) + 1 + spare if vehicle.is_line else 0,
            )
        )
    return Layout(
        problem_name=problem.name,
        problem_digest=problem.digest,
        open_switches=fleet.switch_ids,
        backbone=_cheapest_backbone(problem),
        segments=tuple(segments),
    )


def _cheapest_backbone(problem: Problem) -> tuple[BuiltLink, ...]:
    if not problem.backbone.links:
        return ()
    if problem.backbone.shape is not BackboneShape.FIXED:
        raise ValueError("rivals build every backbone link; its shape must be fixed")
    network = CableNetwork(problem)
    catalogue = problem.catalogue
    mass_price = problem.objective.mass_price_per_kg_money
    built = []
    for link in problem.backbone.links:
        length_um = link.length_um
        if length_um is None:
            length_um = network.length_um(*link.ends)
        offers = []
        for id_ in link.grades:
            grade = catalogue.grades[id_]
            stated = problem.limits.get(id_)
            reach_um = grade.guaranteed_length_um if stated is None else stated.length_um
            if length_um > reach_um:
                continue
            cable = catalogue.cables[grade.cable]
            parts = [catalogue.parts[grade.connector], catalogue.parts[grade.port_phy]]
            money = priced_length_money(length_um, cable.price_per_m_money)
            money += 2 * sum(p.price_money for p in parts)
            mass_mg = length_mass_mg(length_um, cable.mass_mg_per_m)
            mass_mg += 2 * sum(p.mass_mg for p in parts)
            offers.append((money * PPM + mass_mg * mass_price, id_))
        if offers:
            built.append(BuiltLink(link.ends, min(offers)[1]))
    return tuple(built)


def left_out(fleet: Fleet, routes: Routes) -> Sequence[int]:
    """Devices on no route."""
    placed = {i for _, devices in routes for i in devices}
    return [i for i in range(fleet.n) if i not in placed]
