"""Devices that have to share a segment as one block, and what keeps a block off a kind of segment.

Whatever is asked here of a segment holds for every segment that carries the block, whoever else
is on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import networkx as nx

from partitioner.model.problem import GroupKind
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import GradeData
from partitioner.solve.precheck.statements import Key
from partitioner.timing.line import load_ppm
from partitioner.timing.link import link_load_ppm

MOST_ORDERED = 7
"""Devices of a block up to which its shortest line is found exactly."""

Reason = frozenset[Key]
"""Statements that together rule something out."""


@dataclass(frozen=True, slots=True)
class Block:
    """Devices on one segment in every layout; ``groups`` are the keys of the groups that say so."""

    devices: tuple[int, ...]
    groups: Reason


def blocks_of(builder: ColumnBuilder) -> list[Block]:
    """All blocks: chains of together groups, and every other device by itself."""
    inst = builder.instance
    groups: dict[tuple[int, ...], set[Key]] = {}
    for group in inst.problem.groups:
        if group.kind is GroupKind.TOGETHER:
            unit = inst.unit_of[inst.index[group.devices[0]]]
            groups.setdefault(unit, set()).add(("group", group.id))
    return [
        Block(unit, frozenset(groups.get(unit, ())) if len(unit) > 1 else frozenset())
        for unit in dict.fromkeys(inst.unit_of)
    ]


def load_alone_ppm(builder: ColumnBuilder, devices: Sequence[int], grade: int) -> int:
    """Load that the streams of devices make on any segment with them: each goes there once."""
    latency = builder.latency
    nodes = latency.nodes_of(frozenset(devices))
    if latency.is_shared(grade):
        return load_ppm(nodes, latency.settings(grade))
    return max(link_load_ppm(latency.link_queue(grade, node)) for node in nodes)


class Homes:
    """Why blocks cannot be on segments of a grade, at a switch or at all."""

    def __init__(self, builder: ColumnBuilder):
        self._builder = builder
        self._inst = builder.instance
        line = self._inst.problem.line
        self._drop_um, self._end_um = line.drop_slack_um, line.end_slack_um
        self._choices = [
            {c.grade for c in d.grades} for d in self._inst.problem.devices.values()
        ]

    # -- by grade -----------------------------------------------------------------------------

    def of_grade(self, block: Block, grade: int) -> list[Reason]:
        """Reasons why no segment of a grade carries a block, wherever it is."""
        inst = self._inst
        data = inst.grades[grade]
        ids = [inst.device_ids[i] for i in block.devices]
        found: list[Reason] = [
            frozenset({("device-grade", inst.device_ids[i])})
            for i in block.devices if data.id not in self._choices[i]
        ]
        # Limits of a grade say nothing of a device that it cannot have.
        is_theirs = not found
        if not data.is_line:
            if len(ids) > 1:
                found.append(block.groups)
        elif is_theirs:
            found += [
                frozenset({("stub", data.id, inst.device_ids[i])})
                for i in block.devices if int(inst.stub_um[i]) > data.max_stub_um
            ]
            if len(ids) > data.max_devices:
                found.append(block.groups | {("nodes", data.id)})
            if sum(int(inst.unit_mul[i]) for i in block.devices) > data.unit_cap_mul:
                found.append(block.groups | {("unit-loads", data.id)})
        for (members, cap), rule in zip(
            inst.loss_caps, inst.problem.failure_rules, strict=True
        ):
            if len(set(members) & set(block.devices)) > cap:
                found.append(block.groups | {("failure", rule.id)})
        found += [
            block.groups | self.clash(a, b)
            for a, b in combinations(block.devices, 2) if inst.conflict[a, b]
        ]
        if not found:
            found += self._by_traffic(block, grade)
        return found

    def _by_traffic(self, block: Block, grade: int) -> list[Reason]:
        """Too much to carry, or too late even with nobody else on the segment."""
        inst, latency = self._inst, self._builder.latency
        data = inst.grades[grade]
        load = block.groups | {("load", data.id)}
        if load_alone_ppm(self._builder, block.devices, grade) > data.load_cap_ppm:
            return [load]
        late = [
            inst.streams[j].id for i in block.devices for j in inst.sent_by[i]
            if latency.least_up(j) > inst.streams[j].limit_ns
        ]
        if late:
            return [frozenset({("deadline", stream)}) for stream in late]
        inside = set(block.devices)
        if data.is_line and any(inst.may_be_joined(i, grade, inside) for i in inside):
            # Where the other end of a stream can join, own bounds are no proof.
            return []
        if len(block.devices) == 1:
            device = block.devices[0]
            if not latency.fits_alone(grade, device):
                return [load]
            return [
                frozenset({("deadline", id_)}) | self.keeps_off(latency.number[id_], device, grade)
                for id_, _, _ in latency.late_alone(grade, device)
            ]
        if latency.line(grade, frozenset(block.devices)) is not None:
            return []
        late = latency.late_on_line(grade, frozenset(block.devices))
        return [block.groups | {("deadline", stream)} for stream in late] or [load]

    # -- two devices --------------------------------------------------------------------------

    def clash(self, a: int, b: int) -> set[Key]:
        """Why two devices may not share a line."""
        inst = self._inst
        problem = inst.problem
        both = {inst.device_ids[a], inst.device_ids[b]}
        if inst.levels_apart[a, b]:
            return {("safety-span",)}
        if inst.domains_apart[a, b]:
            return {("security-domain",)}
        for group in problem.groups:
            if group.kind is not GroupKind.TOGETHER and both <= set(group.devices):
                return {("group", group.id)}
        for (members, cap), rule in zip(inst.loss_caps, problem.failure_rules, strict=True):
            if cap == 1 and a in members and b in members:
                return {("failure", rule.id)}
        return set()

    def keeps_off(self, stream: int, device: int, grade: int) -> set[Key]:
        """Why the other end of a stream is never on a line of a device, were it in time there.

        Of several that receive it, the last.
        """
        inst, latency = self._inst, self._builder.latency
        data = inst.streams[stream]
        if not inst.grades[grade].is_line or latency.least_up(stream) > data.limit_ns:
            return set()
        other = data.source_device
        if other == device:
            last = max(data.targets, key=lambda t: latency.least_down(stream, t.device))
            other = last.device
        return set() if other is None else self.never_sharing(device, other, [grade])

    def never_sharing(self, a: int, b: int, grades: Iterable[int]) -> set[Key]:
        """Why two devices are never on one line of these grades; empty if nothing says so."""
        if self._inst.conflict[a, b]:
            return self.clash(a, b)
        return {
            key for g in grades
            for i in (a, b) if not self._inst.can[i, g]
            for key in self._not_on(i, self._inst.grades[g])
        }

    def _not_on(self, device: int, line: GradeData) -> set[Key]:
        """What keeps a device by itself off every line of a grade."""
        id_ = self._inst.device_ids[device]
        if line.id not in self._choices[device]:
            return {("device-grade", id_)}
        if int(self._inst.stub_um[device]) > line.max_stub_um:
            return {("stub", line.id, id_)}
        return {("nodes" if line.max_devices < 1 else "unit-loads", line.id)}

    # -- by switch ----------------------------------------------------------------------------

    def at_switch(self, block: Block, switch: int) -> list[Reason]:
        """Reasons why a block does not hang on a switch, whatever the segment."""
        inst = self._inst
        return [
            frozenset({("pin", inst.device_ids[i])}) | (
                block.groups if len(block.devices) > 1 else frozenset()
            )
            for i in block.devices if not inst.may_hang[i, switch]
        ]

    def too_long(self, block: Block, switch: int, data: GradeData) -> list[Reason]:
        """The reason why no segment to a switch is long enough for a block, if there is one."""
        if any(data.id not in self._choices[i] for i in block.devices):
            return []
        most = data.max_length_um
        far = max(int(self._inst.switch_um[switch, i]) for i in block.devices)
        count = len(block.devices)
        slack = count * self._drop_um + 2 * self._end_um
        if far + self._drop_um + 2 * self._end_um > most:
            # One of them alone is enough for that.
            return [frozenset({("length", data.id)})]
        if data.spacing_min_um + 2 * self._end_um > most:
            # Whoever is the first on a line is so far from its switch.
            return [frozenset({("length", data.id), ("spacing", data.id)})]
        if count == 1:
            return []
        length = frozenset({("length", data.id)}) | block.groups
        if far + slack > most:
            return [length]
        spacing = data.spacing_min_um
        if far + slack + self._way_round(block) + count * spacing <= most:
            return []
        through = self._inst.line_may_pass_through
        at_end = frozenset() if through else frozenset({("switch-position",)})
        tail = frozenset({("option-tail",)})
        ways = [(frozenset(), True, False), (at_end, through, False)]
        if self._inst.problem.line.option_tail:
            ways += [(tail, True, True), (at_end | tail, through, True)]
        wide = frozenset({("spacing", data.id)})
        # The fewer rules a line has to keep, the plainer the tale.
        for because, least_um in [(frozenset(), 0), *([(wide, spacing)] if spacing else [])]:
            for rules, may_pass, is_tail in ways:
                if self.shortest_um(
                    block.devices, switch, through=may_pass, tail=is_tail, spacing_um=least_um
                ) > most:
                    return [length | rules | because]
        return []

    def _way_round(self, block: Block) -> int:
        """Way along all devices of a block in the order of their numbers, twice."""
        ways = zip(block.devices, block.devices[1:], strict=False)
        return 2 * sum(self._inst.way_between_um(a, b) for a, b in ways)

    def shortest_um(
        self,
        devices: Sequence[int],
        switch: int,
        *,
        through: bool,
        tail: bool = False,
        spacing_um: int = 0,
    ) -> int:
        """Least cable of any line from a switch that carries the devices, slack included.

        ``through``: the switch may be along it. ``tail``: option devices come last on each arm.
        ``spacing_um``: neighbours are at least so far apart, the slack of the drop included.
        """
        slack = len(devices) * self._drop_um + 2 * self._end_um
        least = max(0, spacing_um - self._drop_um)
        if len(devices) > MOST_ORDERED:
            return slack + self._tree_um(devices, switch, least)
        arms = self._arms_um(devices, switch, tail, least)
        whole = len(arms) - 1
        if not through:
            return slack + arms[whole]
        return slack + min(arms[k] + arms[whole ^ k] for k in range(len(arms)))

    def _arms_um(
        self, devices: Sequence[int], switch: int, tail: bool, least_um: int
    ) -> list[int]:
        """Shortest arm over each subset of the devices (by bit mask), from the switch outward.

        No way from one to the next is shorter than ``least_um``.
        """
        inst, count, never = self._inst, len(devices), 2**60
        optional = [bool(inst.option_bit[i]) for i in devices]
        ways = [[max(inst.way_between_um(a, b), least_um) for b in devices] for a in devices]
        best = [[never] * count for _ in range(1 << count)]
        for k, i in enumerate(devices):
            best[1 << k][k] = max(int(inst.switch_um[switch, i]), least_um)
        for mask in range(1, 1 << count):
            for last in range(count):
                here = best[mask][last]
                if here == never:
                    continue
                for k in range(count):
                    if mask >> k & 1 or (tail and optional[last] and not optional[k]):
                        continue
                    more = mask | 1 << k
                    best[more][k] = min(best[more][k], here + ways[last][k])
        return [0, *(min(row) for row in best[1:])]

    def _tree_um(self, devices: Sequence[int], switch: int, least_um: int) -> int:
        """Length of a least spanning tree: no line through all of them is shorter."""
        inst, net = self._inst, nx.Graph()
        for i in devices:
            net.add_edge("switch", i, weight=max(int(inst.switch_um[switch, i]), least_um))
        for a, b in combinations(devices, 2):
            net.add_edge(a, b, weight=max(inst.way_between_um(a, b), least_um))
        return sum(data["weight"] for _, _, data in nx.minimum_spanning_edges(net))

