"""Blocks of a problem and where each may hang, by grade of segment and switch."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from partitioner.solve.arrays import Ints
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import PortClass
from partitioner.solve.precheck.blocks import Homes, Reason, blocks_of
from partitioner.solve.precheck.statements import Key


@dataclass(frozen=True, slots=True)
class Home:
    """A block on a segment of a grade at a switch, unless one of the ``against`` is in force."""

    block: int
    switch: int
    grade: int
    against: tuple[Reason, ...]


class Places:
    """Blocks of a problem and where each may hang: what all relaxations of it have in common."""

    def __init__(self, builder: ColumnBuilder, backbone: BackboneData):
        self.builder, self.backbone = builder, backbone
        inst = self.instance = builder.instance
        self.blocks = blocks_of(builder)
        self.rules = Homes(builder)
        self._hops: dict[tuple[int, bool], Ints] = {}
        self.block_of = {i: b for b, block in enumerate(self.blocks) for i in block.devices}
        self.ports: dict[tuple[int, int], list[PortClass]] = defaultdict(list)
        for port in inst.port_classes:
            self.ports[port.switch, port.grade].append(port)
        self.homes: list[list[Home]] = []
        shared = self._shared_reasons()
        for b, block in enumerate(self.blocks):
            inst.look()
            by_grade = {
                g: self.rules.of_grade(block, g) for g in range(len(inst.grades))
            }
            pins = [self.rules.at_switch(block, s) for s in range(inst.switch_count)]
            rows = []
            for (s, g) in self.ports:
                against = [*by_grade[g], *pins[s], *shared.get((b, s), ())]
                against += self.rules.too_long(block, s, inst.grades[g])
                rows.append(Home(b, s, g, tuple(dict.fromkeys(against))))
            self.homes.append(rows)
        self.place_of = (
            [inst.network.place_near(d) for d in inst.device_ids]
            if inst.network.has_pathways else []
        )
        self.holds = {g: self._holds(g) for g in inst.line_grades}
        """By grade of lines: what each block takes of a line, how much one has, and which
        statements say so."""

    def _holds(self, g: int) -> list[tuple[list[int], int, list[Key]]]:
        inst = self.instance
        data = inst.grades[g]
        pieces = self._pieces()
        cable = data.max_length_um - 2 * inst.problem.line.end_slack_um
        rows: list[tuple[Ints, int, list[Key]]] = [
            (np.ones(inst.n, dtype=np.int64), data.max_devices, [("nodes", data.id)]),
            (inst.unit_mul, data.unit_cap_mul, [("unit-loads", data.id)]),
            (self.builder.latency.least(g).load_ppm, data.load_cap_ppm, [("load", data.id)]),
            (pieces, cable, [("length", data.id)]),
        ]
        if data.spacing_min_um:
            wide = np.maximum(pieces, data.spacing_min_um)
            rows.append((wide, cable, [("length", data.id), ("spacing", data.id)]))
        return [
            ([sum(int(weights[i]) for i in block.devices) for block in self.blocks], each, because)
            for weights, each, because in rows if each > 0
        ]

    # -- streams ------------------------------------------------------------------------------

    def hops(self, stream: int) -> Ints:
        """Least time between ports by switches, int64 (S, S) in ns; 2**40 where nothing joins."""
        hop, count = self.backbone.hop_function(stream), self.instance.switch_count
        data = self.instance.streams[stream]
        key = data.frame_bytes, data.source_device is None
        if key not in self._hops:
            self._hops[key] = np.array(
                [[hop(s, t) for t in range(count)] for s in range(count)], dtype=np.int64
            ).reshape(count, count)
        return self._hops[key]

    def _shared_reasons(self) -> dict[tuple[int, int], list[Reason]]:
        """Reasons against blocks at switches from streams that a switch sends or receives."""
        inst = self.instance
        found: dict[tuple[int, int], list[Reason]] = defaultdict(list)
        for j, data in enumerate(inst.streams):
            inst.look()
            for target in data.targets:
                if (data.source_device is None) == (target.device is None):
                    continue
                device = target.device if data.source_device is None else data.source_device
                other = data.source_switch if data.source_device is None else target.switch
                assert device is not None
                late = self.time_reasons(j, target.device)
                by_switch = late[other] if data.source_device is None else late[:, other]
                for s, reason in enumerate(by_switch.tolist()):
                    if reason:
                        found[self.block_of[device], s].append(self.reason_of(j, reason))
        return found

    def time_reasons(self, stream: int, target: int | None) -> npt.NDArray[np.int8]:
        """By switch of the source and of the target: 0 in time, 1 late, 2 not joined."""
        data, latency = self.instance.streams[stream], self.builder.latency
        legs = latency.least_up(stream) + latency.least_down(stream, target)
        hops = self.hops(stream)
        late = (legs + hops > data.limit_ns).astype(np.int8)
        late[hops >= 2**40] = 2
        if self.instance.may_share_a_line(data.source_device, target):
            np.fill_diagonal(late, int(latency.least_up(stream) > data.limit_ns))
        return late

    def reason_of(self, stream: int, kind: int) -> Reason:
        """Statements behind an entry of :meth:`time_reasons`."""
        if kind == 1:
            return frozenset({("deadline", self.instance.streams[stream].id)})
        return frozenset({("backbone-link",), *self.unreached()})

    def unreached(self) -> list[Key]:
        """Backbone links that none of their grades reaches."""
        return [
            ("backbone-reach", str(k))
            for k, link in enumerate(self.backbone.links) if not link.grades
        ]

    # -- cable --------------------------------------------------------------------------------

    def _pieces(self) -> Ints:
        """Least piece of cable that leads to each device on a line, drop slack included, µm."""
        inst = self.instance
        nearest = inst.switch_um.min(axis=0) if inst.switch_count else np.zeros(inst.n, np.int64)
        if inst.n > 1:
            for i in range(inst.n):
                inst.look()
                ways = inst.way_um([i], range(inst.n))[0]
                ways[i] = nearest[i]
                nearest[i] = min(int(nearest[i]), int(ways.min()))
        drop: int = inst.problem.line.drop_slack_um
        return nearest + drop
