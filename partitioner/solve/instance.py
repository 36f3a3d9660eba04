"""A problem compiled for the solver: devices as numbers, rules as arrays.

Nothing here decides anything. Costs are objective money (money plus the value of mass), each item
rounded on its own exactly as the bill of a finished layout is, so that a column's cost is the
bill of its segment to the last money step.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Container, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import networkx as nx
import numpy as np

from partitioner.model.catalogue import Grade
from partitioner.model.frames import stream_frame_bytes
from partitioner.model.problem import Device, GroupKind, Problem, Stream, SwitchPosition
from partitioner.network.cable import CableNetwork
from partitioner.network.transfers import carried_streams
from partitioner.solve.arrays import Bools, Floats, Ints
from partitioner.units import (
    PPM,
    length_mass_mg,
    mass_value_money,
    priced_length_money,
    shared,
)

LARGE_MATRIX = 2_500
"""Up to this many devices all pairwise distances are kept; above, blocks are made on demand."""


End = tuple[int | None, int]
"""A device, or None and a switch."""
Delivery = tuple[int, End]
"""A stream and one of its targets."""


@dataclass(frozen=True, slots=True)
class PortClass:
    """A group of ports of one switch that serves one grade."""

    switch: int
    group: int
    grade: int
    count: int
    value: int
    """Objective money of using one port: its PHY of the grade and the group's price."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where a stream ends: a device, or a switch's own processor (``device`` None)."""

    device: int | None
    switch: int

    @property
    def key(self) -> End:
        """What tells this target from the stream's others."""
        return self.device, self.switch


@dataclass(frozen=True, slots=True)
class StreamData:
    """A stream with its ends as numbers; ``source_switch`` is -1 when a device sends it."""

    id: str
    source_device: int | None
    source_switch: int
    targets: tuple[Target, ...]
    frame_bytes: int
    period_ns: int
    jitter_ns: int
    deadline_ns: int
    limit_ns: int
    """What its worst-case delay must keep: the deadline, or less where a study asks for it."""
    pcp: int
    is_transfer: bool = False
    """Stands for a bulk transfer: its latency has no price."""

    @property
    def devices(self) -> set[int]:
        """Devices that send or receive it."""
        ends = {self.source_device, *(t.device for t in self.targets)}
        return {i for i in ends if i is not None}


@dataclass(frozen=True, slots=True)
class GradeData:
    """A grade's limits (reserve already taken off) and part values in objective money."""

    id: str
    is_line: bool
    max_devices: int
    max_length_um: int
    max_stub_um: int
    load_cap_ppm: int
    unit_cap_mul: int
    spacing_min_um: int
    spare_ids: int


class Instance:
    """Arrays over devices (index i), switches (s) and grades (g) of one problem.

    Parameters
    ----------
    latency_limit
        Longest worst-case delay a stream may have, in ns, where a study asks for less than the
        deadline. Bulk transfers keep theirs.
    look
        Called again and again while the problem is compiled; it may raise to end that.

    Attributes
    ----------
    device_ids, switch_ids
        Ids in the order of the file.
    grades
        Grades that some device and some port share.
    can
        bool (n, G): the device may hang on a segment of the grade.
    may_hang
        bool (n, S): pins allow the device on the switch.
    finds_port
        bool (n, S): so it may, and the switch has a port for it.
    port_classes
        Every (switch, port group, grade) triple.
    conflict
        bool (n, n): the two may not share a line.
    line_classes
        Largest sets (bool (n,)) of devices that may mix by safety level and security domain.
    option_bit
        int64 (n,): bit of the device's option, 0 if always fitted.
    share_ppm
        int64 (n,): share of units that have the device.
    unit_mul, stub_um
        int64 (n,).
    """

    def __init__(
        self,
        problem: Problem,
        latency_limit: Callable[[Stream], int] | None = None,
        look: Callable[[], object] = lambda: None,
    ):
        self.problem = problem
        self.look = look
        self._latency_limit = latency_limit
        self.network = CableNetwork(problem, look)
        self.device_ids = list(problem.devices)
        self.switch_ids = list(problem.switches)
        self.index = {d: i for i, d in enumerate(self.device_ids)}
        self.switch_index = {s: i for i, s in enumerate(self.switch_ids)}
        self.n = len(self.device_ids)
        self.switch_count = len(self.switch_ids)
        self.forward_ns = [s.forwarding_delay_ns for s in problem.switches.values()]
        self._mass_price = problem.objective.mass_price_per_kg_money
        self._build_grades()
        self._build_ports()
        self._build_devices()
        self._build_conflicts()
        self._build_streams()
        self._distances: Ints | None = None
        if self.n <= LARGE_MATRIX:
            self._distances = self.network.matrix_um(self.device_ids, self.device_ids)
        self.switch_um = (
            self.network.matrix_um(self.switch_ids, self.device_ids)
            if self.n
            else np.zeros((self.switch_count, 0), dtype=np.int64)
        )

    # -- grades, ports, devices ---------------------------------------------------------------

    def _build_grades(self) -> None:
        problem = self.problem
        wanted = {c.grade for d in problem.devices.values() for c in d.grades}
        self.grades: list[GradeData] = []
        for grade_id in sorted(problem.served_grades & wanted):
            grade = problem.catalogue.grades[grade_id]
            limits = problem.limits[grade_id]
            is_line, reserve = grade.is_line, limits.reserve
            self.grades.append(
                GradeData(
                    id=grade_id,
                    is_line=is_line,
                    max_devices=(limits.nodes - 1 - reserve.nodes) if is_line else 1,
                    max_length_um=limits.length_um - reserve.length_um,
                    max_stub_um=limits.stub_um,
                    load_cap_ppm=limits.load_share_ppm - reserve.load_share_ppm,
                    unit_cap_mul=2**40 if limits.unit_loads_mul is None else limits.unit_loads_mul,
                    spacing_min_um=limits.spacing_min_um if is_line else 0,
                    spare_ids=reserve.nodes if is_line else 0,
                )
            )
        self.grade_index = {g.id: i for i, g in enumerate(self.grades)}
        self.line_grades = [i for i, g in enumerate(self.grades) if g.is_line]

    def value(self, money: int, mass_mg: int, share_ppm: int = PPM) -> int:
        """Objective money of an item with a price and a mass carried by a share of the units."""
        mass_money = mass_value_money(shared(mass_mg, share_ppm), self._mass_price)
        return shared(money, share_ppm) + mass_money

    def part_value(self, part_id: str, share_ppm: int = PPM) -> int:
        """:meth:`value` of one catalogue part."""
        part = self.problem.catalogue.parts[part_id]
        return self.value(part.price_money, part.mass_mg, share_ppm)

    def length_value(self, cable_id: str, length_um: int, share_ppm: int = PPM) -> int:
        """:meth:`value` of one length of a catalogue cable."""
        cable = self.problem.catalogue.cables[cable_id]
        money = priced_length_money(length_um, cable.price_per_m_money)
        return self.value(money, length_mass_mg(length_um, cable.mass_mg_per_m), share_ppm)

    def cable_value(self, grade: int, length_um: int, share_ppm: int = PPM) -> int:
        """:meth:`value` of one length of the grade's cable."""
        return self.length_value(self._catalogue_grade(grade).cable, length_um, share_ppm)

    def cable_values(self, grade: int, lengths_um: Ints, share_ppm: Ints | int = PPM) -> Ints:
        """Element-wise :meth:`cable_value`; ``share_ppm`` broadcasts against the lengths."""
        cable = self.problem.catalogue.cables[self._catalogue_grade(grade).cable]
        lengths = np.asarray(lengths_um, dtype=np.int64)
        money = -((-lengths * cable.price_per_m_money) // 1_000_000)
        if not np.isscalar(share_ppm) or share_ppm != PPM:
            money = -((-money * share_ppm) // PPM)
        if self._mass_price:
            mass = -((-lengths * cable.mass_mg_per_m) // 1_000_000)
            if not np.isscalar(share_ppm) or share_ppm != PPM:
                mass = -((-mass * share_ppm) // PPM)
            money = money - ((-mass * self._mass_price) // 1_000_000)
        return money

    def _catalogue_grade(self, grade: int) -> Grade:
        return self.problem.catalogue.grades[self.grades[grade].id]

    def _build_ports(self) -> None:
        self.port_classes: list[PortClass] = []
        for s, switch in enumerate(self.problem.switches.values()):
            for group_index, group in enumerate(switch.port_groups):
                for grade_id in group.grades:
                    g = self.grade_index.get(grade_id)
                    if g is None:
                        continue
                    phy = self.part_value(self._catalogue_grade(g).port_phy)
                    self.port_classes.append(
                        PortClass(s, group_index, g, group.count, phy + group.price_money)
                    )
        self.ports_of: dict[tuple[int, int], list[int]] = {}
        for p, port in enumerate(self.port_classes):
            self.ports_of.setdefault((port.switch, port.grade), []).append(p)

    def _build_devices(self) -> None:
        n, grade_count = self.n, len(self.grades)
        self.can = np.zeros((n, grade_count), dtype=bool)
        self.phy_value = np.zeros((n, grade_count), dtype=np.int64)
        self.stub_um = np.zeros(n, dtype=np.int64)
        self.unit_mul = np.zeros(n, dtype=np.int64)
        self.option_bit = np.zeros(n, dtype=np.int64)
        self.share_ppm = np.zeros(n, dtype=np.int64)
        self.may_hang = np.ones((n, self.switch_count), dtype=bool)
        self.option_ids = list(self.problem.options)
        bit_of = {o: 1 << k for k, o in enumerate(self.option_ids)}
        for i, device in enumerate(self.problem.devices.values()):
            self.look()
            share = self.share_ppm[i] = self.share_of((i,))
            self.stub_um[i] = device.stub_um
            self.unit_mul[i] = device.unit_load_mul
            self.option_bit[i] = bit_of[device.option] if device.option is not None else 0
            if device.pinned_switches is not None:
                self.may_hang[i] = [s in device.pinned_switches for s in self.switch_ids]
            for choice in device.grades:
                g = self.grade_index.get(choice.grade)
                if g is None:
                    continue
                data = self.grades[g]
                self.can[i, g] = (
                    not data.is_line
                    or (
                        device.stub_um <= data.max_stub_um
                        and data.max_devices >= 1
                        and device.unit_load_mul <= data.unit_cap_mul
                    )
                )
                part = self.problem.catalogue.parts[self._catalogue_grade(g).device_phy]
                price = choice.phy_price_money
                price = part.price_money if price is None else price
                self.phy_value[i, g] = self.value(price, part.mass_mg, share)
        self.has_options = bool(self.option_bit.any())
        serves = np.zeros((self.switch_count, grade_count), dtype=bool)
        for s, g in self.ports_of:
            serves[s, g] = True
        self.finds_port = self.may_hang & (self.can @ serves.T)

    def share_of(self, devices: Iterable[int]) -> int:
        """Share of units with at least one of the devices, ppm."""
        return self.problem.fitted_share_ppm(self.device_ids[i] for i in devices)

    # -- who may share a line -----------------------------------------------------------------

    def _build_conflicts(self) -> None:
        devices = list(self.problem.devices.values())
        names = sorted({d.security_domain for d in devices if d.security_domain is not None})
        self.domain_sets = [frozenset({name}) for name in names]
        self.domain_sets += [frozenset(s) for s in self.problem.sharing.domains]
        self.levels_apart = self._levels_too_far_apart(devices)
        self.domains_apart = self._domains_that_never_mix(devices, names)
        self.conflict = self.levels_apart | self.domains_apart
        self._build_line_classes(devices)
        self._build_groups()
        self._build_loss_caps()
        np.fill_diagonal(self.conflict, False)

    def _levels_too_far_apart(self, devices: Sequence[Device]) -> Bools:
        span = self.problem.sharing.safety_span
        if span is None:
            return np.zeros((self.n, self.n), dtype=bool)
        level = np.array(
            [-1 if d.safety_level is None else d.safety_level for d in devices], dtype=int
        )
        known = level >= 0
        far: Bools = np.abs(level[:, None] - level[None, :]) > span
        return far & known[:, None] & known[None, :]

    def _domains_that_never_mix(self, devices: Sequence[Device], names: Sequence[str]) -> Bools:
        """By pair of devices; one without a domain mixes with all."""
        table = np.zeros((len(names) + 1, len(names) + 1), dtype=bool)
        for (k, a), (m, b) in itertools.combinations(enumerate(names), 2):
            table[k, m] = table[m, k] = not any({a, b} <= s for s in self.domain_sets)
        code: dict[str | None, int] = {name: k for k, name in enumerate(names)}
        of = np.array([code.get(d.security_domain, len(names)) for d in devices])
        never: Bools = table[np.ix_(of, of)]
        return never

    def _build_groups(self) -> None:
        self.together: list[tuple[int, ...]] = []
        self.apart_switch: list[tuple[int, ...]] = []
        for group in self.problem.groups:
            members = tuple(self.index[d] for d in group.devices)
            if group.kind is GroupKind.TOGETHER:
                self.together.append(members)
                continue
            self.conflict[np.ix_(members, members)] = True
            if group.kind is GroupKind.APART_SWITCH:
                self.apart_switch.append(members)
        self.unit_of: list[tuple[int, ...]] = [(i,) for i in range(self.n)]
        """By device: all that have to be on its segment, through chains of groups, itself too."""
        for members in self.together:
            unit = tuple(sorted({i for j in members for i in self.unit_of[j]}))
            for i in unit:
                self.unit_of[i] = unit

    def _build_loss_caps(self) -> None:
        """A failure rule bounds how many of a set one line and one switch may carry."""
        self.loss_caps: list[tuple[tuple[int, ...], int]] = []
        for rule in self.problem.failure_rules:
            members = tuple(sorted(self.index[d] for d in self.problem.watched(rule)))
            self.loss_caps.append((members, rule.most_lost))
            if rule.most_lost == 1:
                self.conflict[np.ix_(members, members)] = True

    def _build_line_classes(self, devices: list[Device]) -> None:
        """Largest sets of devices that safety levels and security domains let mix.

        Every line lies inside one of them, so lines can be looked for in each set on its own.
        """
        names = [repr((d.safety_level, d.security_domain)) for d in devices]
        _, first, kind = np.unique(names, return_index=True, return_inverse=True)
        cliques = []
        for clique in nx.find_cliques(nx.from_numpy_array(~self.conflict[np.ix_(first, first)])):
            self.look()
            cliques.append(sorted(clique))
        self.line_classes = [np.isin(kind, clique) for clique in sorted(cliques)]

    def domains_mix(self, devices: Iterable[int]) -> bool:
        """Whether all security domains of the devices may share one line."""
        present = {
            d
            for i in devices
            if (d := self.problem.devices[self.device_ids[i]].security_domain) is not None
        }
        return len(present) <= 1 or any(present <= s for s in self.domain_sets)

    def _build_streams(self) -> None:
        self.streams: list[StreamData] = []
        for stream in carried_streams(self.problem).values():
            self.look()
            targets = tuple(
                Target(self.index[d], -1) if d in self.index else Target(None, self.switch_index[d])
                for d in stream.destinations
            )
            source = self.index.get(stream.source)
            self.streams.append(
                StreamData(
                    id=stream.id,
                    source_device=source,
                    source_switch=-1 if source is not None else self.switch_index[stream.source],
                    targets=targets,
                    frame_bytes=stream_frame_bytes(stream),
                    period_ns=stream.period_ns,
                    jitter_ns=stream.jitter_ns,
                    deadline_ns=stream.deadline_ns,
                    limit_ns=(
                        stream.deadline_ns
                        if self._latency_limit is None or stream.id not in self.problem.streams
                        else min(stream.deadline_ns, self._latency_limit(stream))
                    ),
                    pcp=stream.pcp,
                    is_transfer=stream.id not in self.problem.streams,
                )
            )
        self.always_open = {s for s, w in enumerate(self.problem.switches.values()) if w.required}
        """Switches in every layout: the required ones, and those that streams begin or end at,
        whether segments hang on them or not."""
        for data in self.streams:
            ends = (data.source_switch, *(t.switch for t in data.targets))
            self.always_open.update(s for s in ends if s >= 0)
        self.sent_by: list[list[int]] = [[] for _ in range(self.n)]
        self.received_by: list[list[int]] = [[] for _ in range(self.n)]
        for j, data in enumerate(self.streams):
            if data.source_device is not None:
                self.sent_by[data.source_device].append(j)
            for target in data.targets:
                if target.device is not None:
                    self.received_by[target.device].append(j)

    def streams_of(self, devices: Iterable[int]) -> set[int]:
        """Streams that some devices send or receive."""
        return {j for i in devices for j in (*self.sent_by[i], *self.received_by[i])}

    def ends_of(self, delivery: Delivery) -> list[int]:
        """Devices at the two ends of a delivery."""
        j, (device, _) = delivery
        return [i for i in (self.streams[j].source_device, device) if i is not None]

    def ends_with(self, devices: Iterable[int]) -> set[int]:
        """Devices at an end of a stream that some devices send or receive, these among them."""
        return {i for j in self.streams_of(devices) for i in self.streams[j].devices}

    def partners(self, device: int) -> tuple[frozenset[int], frozenset[int]]:
        """Devices and switches that a device sends to or hears, bulk transfers left out."""
        heard = (self.streams[j] for j in self.received_by[device])
        sent = (self.streams[j] for j in self.sent_by[device])
        ends = [(data.source_device, data.source_switch) for data in heard if not data.is_transfer]
        ends += [t.key for data in sent if not data.is_transfer for t in data.targets]
        devices = frozenset(other for other, _ in ends if other is not None)
        return devices, frozenset(switch for other, switch in ends if other is None)

    def may_be_joined(self, device: int, grade: int, beside: Container[int] = ()) -> bool:
        """Whether a partner of one of its streams could be on a line of the grade with a device.

        Those it is ``beside`` of in any case do not count.
        """
        partners = {self.streams[j].source_device for j in self.received_by[device]}
        for j in self.sent_by[device]:
            partners.update(target.device for target in self.streams[j].targets)
        return any(
            self.can[other, grade] and not self.conflict[other, device]
            for other in partners if other is not None and other not in beside
        )

    # -- distances ----------------------------------------------------------------------------

    @cached_property
    def positions_um(self) -> Floats:
        """Float (n, 3): where the devices are."""
        at = [self.network.position_um(d) for d in self.device_ids]
        return np.array(at, dtype=float).reshape(-1, 3)

    def way_um(self, rows: Sequence[int] | Ints, columns: Sequence[int] | Ints) -> Ints:
        """Cable ways between devices, int64 (rows, columns) in µm, no slack."""
        if self._distances is not None:
            return self._distances[
                np.ix_(np.asarray(rows, dtype=np.int64), np.asarray(columns, dtype=np.int64))
            ]
        return self.network.matrix_um(
            [self.device_ids[i] for i in rows], [self.device_ids[j] for j in columns]
        )

    def way_between_um(self, a: int, b: int) -> int:
        """Cable way between two devices in µm, no slack."""
        if self._distances is not None:
            return int(self._distances[a, b])
        return self.network.length_um(self.device_ids[a], self.device_ids[b])

    def way_along_um(self, switch: int, arm: Sequence[int], place: int, device: int) -> int:
        """Cable way to a device at a place of an arm, outward from a switch, from what is before.

        No slack, as :meth:`way_between_um`.
        """
        if place:
            return self.way_between_um(arm[place - 1], device)
        return int(self.switch_um[switch, device])

    def too_far_apart(self, switch: int, grade: int, devices: Sequence[int]) -> Bools:
        """Bool (devices, devices): no line from the switch is long enough for the two."""
        line, near = self.problem.line, self.switch_um[switch, devices]
        along = np.minimum(near[:, None], near[None, :]) + self.way_um(devices, devices)
        if self.line_may_pass_through:
            along = np.minimum(along, near[:, None] + near[None, :])
        along += 2 * (line.drop_slack_um + line.end_slack_um)
        far: Bools = along > self.grades[grade].max_length_um
        return far

    @property
    def line_may_pass_through(self) -> bool:
        """Whether a switch may sit along its line."""
        return self.problem.line.switch_position is SwitchPosition.ANYWHERE

    def never_share(self, a: int | None, b: int | None, grade: int) -> bool:
        """Whether two ends of a stream (None: a switch) can never be on one line of the grade."""
        if a is None or b is None:
            return True
        return bool(self.conflict[a, b]) or not (self.can[a, grade] and self.can[b, grade])

    def may_share_a_line(self, a: int | None, b: int | None) -> bool:
        """Whether two ends of a stream may be on one line of some grade."""
        return any(not self.never_share(a, b, g) for g in self.line_grades)
