"""Seeds: good lines by geometry and counts alone, described to a routing heuristic."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.seed_task import FORBIDDEN, Routes, SeedTask, SeedVehicle


class LineSeeder:
    """Describes the lines of one grade over some devices to the heuristic and reads them back.

    What the heuristic cannot express (deadlines that depend on who shares a line, groups, option
    shares beyond the full share) is dropped here; whatever it returns is judged again as columns.
    ``ports`` says how many ports of each port class may be used.
    """

    def __init__(
        self, builder: ColumnBuilder, grade: int, members: Sequence[int], ports: dict[int, int]
    ):
        inst = builder.instance
        self.builder = builder
        self.grade = grade
        self.members = [i for i in members if inst.can[i, grade] and inst.may_hang[i].any()]
        data = inst.grades[grade]
        s_count, m = inst.switch_count, len(self.members)
        size = s_count + 1 + m
        first = s_count + 1
        line = inst.problem.line
        ids = np.asarray(self.members, dtype=np.int64)
        way_um = inst.way_um(ids, ids)
        switch_um = inst.switch_um[:, ids]
        may_hang = inst.may_hang[ids]
        hangs = may_hang.astype(np.float32)
        clash = inst.conflict[np.ix_(ids, ids)] | np.eye(m, dtype=bool) | (hangs @ hangs.T == 0)
        if data.spacing_min_um:
            clash |= way_um + line.drop_slack_um < data.spacing_min_um
        cost = np.full((size, size), FORBIDDEN, dtype=np.int64)
        length = np.zeros((size, size), dtype=np.int64)
        cost[first:, first:] = np.where(clash, FORBIDDEN, inst.cable_values(grade, way_um))
        length[first:, first:] = way_um + line.drop_slack_um
        cost[:s_count, first:] = inst.cable_values(grade, switch_um)
        length[:s_count, first:] = switch_um + line.drop_slack_um + 2 * line.end_slack_um
        cost[:, s_count] = cost[s_count, :] = 0
        np.fill_diagonal(cost, 0)
        np.fill_diagonal(length, 0)
        profile_of: dict[bytes, int] = {}
        vehicles = []
        self._switches: list[int] = []
        """By kind of vehicle."""
        fee = builder.line_value(grade, [self.members[0]] if m else [], True)
        mixing = [c[ids] for c in inst.line_classes if c[ids].any()]
        for p, port in enumerate(inst.port_classes):
            if port.grade != grade or ports.get(p, 0) <= 0:
                continue
            # Devices that may not mix get lines of their own kind. Each kind may use all ports;
            # that they share them is left to the master.
            for fits in mixing:
                kept_off = ~(may_hang[:, port.switch] & fits)
                vehicles.append(
                    SeedVehicle(
                        start=port.switch,
                        profile=profile_of.setdefault(kept_off.tobytes(), len(profile_of)),
                        count=min(ports[p], max(1, m)),
                        fee=port.value + fee,
                        capacity=(data.max_devices, data.unit_cap_mul, data.load_cap_ppm),
                        length_um=max(0, data.max_length_um),
                    )
                )
                self._switches.append(port.switch)
        banned = np.frombuffer(b"".join(profile_of), bool).reshape(len(profile_of), m)
        demand = np.ones((m, 3), dtype=np.int64)
        demand[:, 1] = inst.unit_mul[ids]
        demand[:, 2] = builder.latency.least(grade).load_ppm[ids]
        self._task_for = partial(
            SeedTask, s_count, cost, length, banned, demand, tuple(vehicles)
        )

    @property
    def usable(self) -> bool:
        """Whether there is anything to do and a port to do it with."""
        return bool(self.members) and bool(self._switches)

    def task(self, *, seconds: float, iterations: int | None, seed: int) -> SeedTask:
        """Give the task; ``iterations`` in place of the clock where answers must repeat."""
        return self._task_for(seconds=seconds, iterations=iterations, seed=seed % 2**31)

    def lines(self, routes: Routes) -> list[tuple[int, tuple[int, ...]]]:
        """Translate routes to (switch, devices outward)."""
        return [
            (self._switches[kind], tuple(self.members[v] for v in visits))
            for kind, visits in routes
        ]
