"""Seeds: good lines by geometry and counts alone, described to a routing heuristic."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from partitioner.solve.arms import ArmSpace
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.seed_task import FORBIDDEN, Routes, SeedTask, SeedVehicle


class LineSeeder:
    """Describes the lines of one grade over some devices to the heuristic and reads them back.

    What the heuristic cannot express (deadlines that depend on who shares a line, groups, option
    shares beyond the full share) is dropped here; whatever it returns is judged again as columns.

    Parameters
    ----------
    ports
        How many ports of each port class may be used.
    """

    def __init__(
        self,
        builder: ColumnBuilder,
        grade: int,
        members: Sequence[int],
        ports: dict[int, int],
    ):
        inst = builder.instance
        self.builder = builder
        self.grade = grade
        space = ArmSpace(builder, grade, members)
        self.members = [int(i) for i in space.members]
        data = inst.grades[grade]
        s_count, m = inst.switch_count, space.m
        size = s_count + 1 + m
        first = s_count + 1
        arc = space.arc_value.astype(np.int64)
        clash = ~space.step_ok
        cost = np.full((size, size), FORBIDDEN, dtype=np.int64)
        length = np.full((size, size), 0, dtype=np.int64)
        cost[first:, first:] = np.where(clash, FORBIDDEN, arc)
        length[first:, first:] = space.way_um + space.drop_um
        start = inst.cable_values(grade, space.switch_um)
        cost[:s_count, first:] = start
        length[:s_count, first:] = space.switch_um + space.drop_um + 2 * space.end_um
        cost[first:, s_count] = 0
        cost[s_count, :] = 0
        cost[:s_count, s_count] = 0
        np.fill_diagonal(cost, 0)
        np.fill_diagonal(length, 0)
        profiles: list[npt.NDArray[np.int64]] = []
        profile_of: dict[bytes, int] = {}
        vehicles = []
        self.kinds: list[tuple[int, int]] = []
        fee = builder.line_value(grade, [self.members[0]] if m else [], True)
        mixing = [c[space.members] for c in inst.line_classes]
        mixing = [c for c in mixing if c.any()]
        for p, port in enumerate(inst.port_classes):
            if port.grade != grade or ports.get(p, 0) <= 0:
                continue
            # Devices that may not mix get lines of their own kind. Each kind may use all ports;
            # that they share them is left to the master.
            for fits in mixing:
                banned = ~(space.may_hang[port.switch] & fits)
                key = banned.tobytes()
                if key not in profile_of:
                    matrix = cost.copy()
                    # A device that may not hang here cannot be entered by these lines.
                    matrix[:, first:][:, banned] = FORBIDDEN
                    np.fill_diagonal(matrix, 0)
                    profile_of[key] = len(profiles)
                    profiles.append(matrix)
                vehicles.append(
                    SeedVehicle(
                        start=port.switch,
                        profile=profile_of[key],
                        count=min(ports[p], max(1, m)),
                        fee=port.value + fee,
                        capacity=(data.max_devices, data.unit_cap_mul, data.load_cap_ppm),
                        length_um=max(0, data.max_length_um),
                    )
                )
                self.kinds.append((port.switch, p))
        self.cost = np.array(profiles) if profiles else np.zeros((0, size, size), dtype=np.int64)
        self.length = np.array([length] * len(profiles))
        self.vehicles = tuple(vehicles)
        self.demand = np.stack(
            [np.ones(m, dtype=np.int64), space.unit, space.load], axis=1
        ) if m else np.zeros((0, 3), dtype=np.int64)
        self.local = {d: k for k, d in enumerate(self.members)}
        self.starts = s_count

    @property
    def usable(self) -> bool:
        """Whether there is anything to do and a port to do it with."""
        return bool(self.members) and bool(self.vehicles)

    def task(self, *, seconds: float, iterations: int | None, seed: int) -> SeedTask:
        """Give the task; ``iterations`` in place of the clock where answers must repeat."""
        return SeedTask(
            starts=self.starts,
            cost=self.cost,
            length=self.length,
            demand=self.demand,
            vehicles=self.vehicles,
            seconds=seconds,
            iterations=iterations,
            seed=seed % 2**31,
        )

    def lines(self, routes: Routes) -> list[tuple[int, int, tuple[int, ...]]]:
        """Translate routes to (switch, port class, devices outward)."""
        return [
            (*self.kinds[kind], tuple(self.members[v] for v in visits)) for kind, visits in routes
        ]

    def columns(self, routes: Routes) -> list[Column]:
        """Those of the routes that are allowed as columns."""
        made = (
            self.builder.line(s, self.grade, devices) for s, _, devices in self.lines(routes)
        )
        return [c for c in made if c is not None]

    def run_here(self, task: SeedTask) -> list[Routes]:
        """Run in this process and give every better set found, the best last."""
        found: list[Routes] = []
        task.run(found.append)
        return found
