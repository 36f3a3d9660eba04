"""Problems for measuring the solver: random geometry, open vehicle routing, large ones.

All of them ask for shared lines only and price nothing but cable (1 money unit a metre) and, where
said, the port of a line, so that a plan's cost can be compared with figures published or measured
for plain routing problems.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from partitioner.model.catalogue import Cable, Catalogue, Grade, Medium, Part, Trust
from partitioner.model.problem import (
    Backbone,
    Basis,
    ChangePrices,
    Device,
    GradeChoice,
    LineRules,
    Metric,
    Objective,
    PlcaRules,
    PortGroup,
    Problem,
    Routing,
    SegmentLimits,
    Sharing,
    Switch,
)
from partitioner.solve.arrays import Floats
from partitioner.units import MONEY_STEPS, MUL_PER_UNIT_LOAD, UM_PER_M

GRADE = "10BASE-T1S-multidrop"
OPEN_VRP = Path(__file__).parent / "open_vrp"
BIG_UM = 10**9 * 1_000
"""A length limit that never binds: 1000 km."""


def _catalogue() -> Catalogue:
    source = "bench: only cable and ports cost anything"
    parts = {
        p: Part(p, 0, 0, source, Trust.INVENTED)
        for p in ("device-phy", "port-phy", "connector", "terminator")
    }
    grade = Grade(
        id=GRADE,
        medium=Medium.MIXING,
        rate_bps=10_000_000,
        full_duplex=False,
        guaranteed_length_um=25 * UM_PER_M,
        guaranteed_nodes=8,
        guaranteed_stub_um=100_000,
        phy_tx_ns=440,
        phy_rx_ns=4_000,
        loop_delay_min_ns=760,
        loop_delay_max_ns=1_560,
        cable="cable",
        device_phy="device-phy",
        port_phy="port-phy",
        connector="connector",
        terminator="terminator",
        source=source,
        trust=Trust.INVENTED,
    )
    cable = Cable("cable", MONEY_STEPS, 0, 5.0, source, Trust.INVENTED)
    return Catalogue(grades={GRADE: grade}, cables={"cable": cable}, parts=parts, limit_curves={})


def lines_problem(
    name: str,
    switch_um: Sequence[Sequence[int]],
    device_um: Sequence[Sequence[int]],
    *,
    max_devices: int,
    max_length_um: int,
    ports: int,
    port_price_money: int,
    metric: Metric,
    unit_loads: Sequence[int] | None = None,
    unit_cap: int | None = None,
    drop_slack_um: int = 0,
) -> Problem:
    """Make a problem of shared lines only, with cable and ports as its only costs.

    Parameters
    ----------
    name
        Name of the problem.
    switch_um, device_um
        Positions in µm, three coordinates each.
    max_devices, max_length_um
        Limits of a line; the switch port is not among ``max_devices``.
    ports, port_price_money
        Ports of each switch and the price of using one.
    metric
        How distance is measured.
    unit_loads, unit_cap
        Whole unit loads of the devices (1 each if not given) and the most on a line.
    drop_slack_um
        Cable added at each drop.
    """
    loads = [1] * len(device_um) if unit_loads is None else list(unit_loads)
    switches = {
        f"switch-{k + 1}": Switch(
            id=f"switch-{k + 1}",
            place=None,
            position_um=(int(x), int(y), int(z)),
            port_groups=(PortGroup((GRADE,), ports, port_price_money),),
            price_money=0,
            mass_mg=0,
            required=True,
            forwarding_delay_ns=5_000,
        )
        for k, (x, y, z) in enumerate(switch_um)
    }
    devices = {
        f"device-{k + 1}": Device(
            id=f"device-{k + 1}",
            place=None,
            position_um=(int(x), int(y), int(z)),
            grades=(GradeChoice(GRADE),),
            unit_load_mul=loads[k] * MUL_PER_UNIT_LOAD,
        )
        for k, (x, y, z) in enumerate(device_um)
    }
    limits = SegmentLimits(
        basis=Basis.ENGINEERED,
        nodes=max_devices + 1,
        length_um=max_length_um,
        stub_um=0,
        load_share_ppm=1_000_000,
        unit_loads_mul=None if unit_cap is None else unit_cap * MUL_PER_UNIT_LOAD,
    )
    return Problem(
        name=name,
        currency="EUR",
        note="Invented benchmark data.",
        places={},
        pathways=(),
        routing=Routing(metric),
        switches=switches,
        backbone=Backbone(),
        devices=devices,
        groups=(),
        streams={},
        transfers={},
        limits={GRADE: limits},
        line=LineRules(drop_slack_um=drop_slack_um),
        plca=PlcaRules(),
        sharing=Sharing(),
        options={},
        builds=(),
        forecast=(),
        failure_rules=(),
        change_prices=ChangePrices(),
        objective=Objective(),
        catalogue=_catalogue(),
        digest=name,
    )


def geometry_problem(
    devices: int,
    seed: int = 0,
    *,
    switches: int = 4,
    size_m: tuple[float, float, float] = (12.0, 2.5, 2.5),
) -> Problem:
    """Devices in clusters along a body of ``size_m``, lines of at most 7 devices and 25 m.

    Rectilinear ways; 8 money units for each line and 1 for each metre; any number of lines.
    """
    random = np.random.default_rng(seed)
    size = np.array(size_m)
    switch_m = np.array(
        [
            [size[0] * (i + 0.5) / switches, size[1] * (0.2 if i % 2 else 0.8), 0.5]
            for i in range(switches)
        ]
    )
    return _clustered(f"geometry-{devices}-{seed}", random, size, switch_m, devices, ports=devices)


def _clustered(
    name: str,
    random: np.random.Generator,
    size_m: Floats,
    switch_m: Floats,
    devices: int,
    ports: int,
) -> Problem:
    """Devices in clusters over a room, and switches with so many ports each."""
    cluster_count = max(3, devices // 6)
    centre = random.uniform(0, 1, (cluster_count, 3)) * size_m
    home = random.integers(0, cluster_count, devices)
    device_m = np.clip(centre[home] + random.normal(0, 0.4, (devices, 3)), 0, size_m)
    return lines_problem(
        name,
        np.rint(switch_m * UM_PER_M).astype(np.int64).tolist(),
        np.rint(device_m * UM_PER_M).astype(np.int64).tolist(),
        max_devices=7,
        max_length_um=25 * UM_PER_M,
        ports=ports,
        port_price_money=8 * MONEY_STEPS,
        metric=Metric.RECTILINEAR,
    )


def large_problem(devices: int, seed: int = 0) -> Problem:
    """Devices in clusters over a hall that grows with their number; a switch for each 60 devices.

    Each device costs about as much cable whatever the size, so figures at 250 and at 10,000
    devices can be compared.
    """
    random = np.random.default_rng(seed)
    switch_count = max(4, devices // 60)
    columns = int(np.ceil(np.sqrt(switch_count)))
    rows = int(np.ceil(switch_count / columns))
    pitch_m = 6.0
    size = np.array([columns * pitch_m, rows * pitch_m, 2.5])
    grid = [(c, r) for r in range(rows) for c in range(columns)][:switch_count]
    switch_m = np.array([[(c + 0.5) * pitch_m, (r + 0.5) * pitch_m, 0.5] for c, r in grid])
    return _clustered(f"large-{devices}-{seed}", random, size, switch_m, devices, ports=60)


@dataclass(frozen=True, slots=True)
class OpenVrpRow:
    """One row of ``best_known.csv``; ``best_known`` is the open cost in metres."""

    instance: str
    file: str
    max_routes: int
    capacity: int
    max_route_length_m: float | None
    length_added_m: float
    best_known: float
    proven_optimal: bool


def open_vrp_rows(folder: Path = OPEN_VRP) -> list[OpenVrpRow]:
    """Read the table of best known values."""
    rows = []
    with (folder / "best_known.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            rows.append(
                OpenVrpRow(
                    instance=row["instance"],
                    file=row["file"],
                    max_routes=int(row["max_routes"]),
                    capacity=int(row["capacity"]),
                    max_route_length_m=float(row["max_route_length"] or 0) or None,
                    length_added_m=float(row["length_added_per_customer"] or 0),
                    best_known=float(row["best_known_open_cost"]),
                    proven_optimal=row["proven_optimal"] == "yes",
                )
            )
    return rows


def read_vrp(path: Path) -> tuple[list[tuple[float, float]], list[int]]:
    """Coordinates and demands of an instance file; the depot is first."""
    coordinates: list[tuple[float, float]] = []
    demands: list[int] = []
    section = ""
    for line in path.read_text().splitlines():
        words = line.split()
        if not words:
            continue
        if words[0].endswith("SECTION") or words[0] == "EOF":
            section = words[0]
        elif section == "NODE_COORD_SECTION":
            coordinates.append((float(words[1]), float(words[2])))
        elif section == "DEMAND_SECTION":
            demands.append(int(words[1]))
    return coordinates, demands


def open_vrp_problem(row: OpenVrpRow, folder: Path = OPEN_VRP) -> Problem:
    """Express one open vehicle-routing row: one switch, one port a route, load as unit loads.

    The cost of a layout is the open cost plus :func:`open_vrp_constant_money`.
    """
    coordinates, demands = read_vrp(folder / row.file)
    points = [(round(x * UM_PER_M), round(y * UM_PER_M), 0) for x, y in coordinates]
    length_um = (
        BIG_UM if row.max_route_length_m is None else round(row.max_route_length_m * UM_PER_M)
    )
    problem = lines_problem(
        row.instance,
        points[:1],
        points[1:],
        max_devices=len(points) - 1,
        max_length_um=length_um,
        ports=row.max_routes,
        port_price_money=0,
        metric=Metric.STRAIGHT,
        unit_loads=demands[1:],
        unit_cap=row.capacity,
        drop_slack_um=round(row.length_added_m * UM_PER_M),
    )
    return replace(problem, note=f"Best known open cost {row.best_known}.")


def open_vrp_constant_money(row: OpenVrpRow, problem: Problem) -> int:
    """Money of the slack at all drops, which every layout of the row carries."""
    return len(problem.devices) * round(row.length_added_m * MONEY_STEPS)
