"""Columns: candidate segments, with everything awkward computed once when they are made."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, permutations

from partitioner.solve.instance import Instance
from partitioner.solve.kept import kept
from partitioner.solve.latency import SegmentLatency
from partitioner.units import PPM, ceil_div

MOST_ORDERED = 6
"""Devices of a set up to which every order of it can be tried."""


Arms = tuple[tuple[int, ...], tuple[int, ...]]
"""Devices out and back, each outward from the switch."""


class TooManyColumns(Exception):
    """More segments than there is room or time for: nothing is said about them then."""


@dataclass(frozen=True, slots=True)
class Column:
    """A candidate segment.

    ``out`` and ``back`` are the two arms, each outward from the switch: the cable runs from the
    far end of ``back`` through the switch to the far end of ``out``. ``cost`` is objective money
    without the port (which the master adds, since a grade may be served by several port groups).
    ``up`` and ``down`` are the least delays of the legs in any layout around the segment, in ns:
    ``up`` by stream, sent by a device on the segment, ``down`` by (stream, device), sent by the
    switch port. ``node_count`` is the PLCA node count of a line, 0 on a link.
    """

    switch: int
    grade: int
    out: tuple[int, ...]
    back: tuple[int, ...]
    cost: int
    length_um: int
    up: tuple[tuple[int, int], ...]
    down: tuple[tuple[tuple[int, int], int], ...]
    node_count: int = 0

    @property
    def devices(self) -> tuple[int, ...]:
        """All devices in the order in which the cable meets them."""
        return self.back[::-1] + self.out

    @property
    def segment(self) -> tuple[int, int, frozenset[int]]:
        """Switch, grade and devices: what delays depend on but cable length and node count."""
        return self.switch, self.grade, frozenset(self.devices)

    def arms_without(self, gone: Collection[int]) -> Arms:
        """``out`` and ``back`` with some devices taken off."""
        return (
            tuple(i for i in self.out if i not in gone),
            tuple(i for i in self.back if i not in gone),
        )


class ColumnBuilder:
    """Makes columns exactly and refuses infeasible ones; caches by order."""

    def __init__(self, instance: Instance):
        self.instance = instance
        self.latency = SegmentLatency(instance)
        self._cable_cache: dict[tuple[int, int, int], int] = {}
        inst = instance
        line = inst.problem.line
        self._drop_um, self._end_um = line.drop_slack_um, line.end_slack_um
        self._share = [inst.share_of((i,)) for i in range(inst.n)]
        self._latency_price = inst.problem.objective.latency_price_per_ms_money
        self.refuses_sets = bool(
            inst.streams or inst.together or inst.loss_caps or inst.problem.sharing.domains
        )
        """Whether a line may break a rule though all sums and pairs of its devices are allowed."""

    # -- cost ---------------------------------------------------------------------------------

    def arm_cost(self, grade: int, switch: int, arm: Sequence[int]) -> tuple[int, int]:
        """Objective money of the pieces of one arm, and its length with drop slack, in µm.

        The end slack of the arm is included in both.
        """
        inst = self.instance
        if not arm:
            return 0, 0
        cost = length = 0
        shares = self.piece_shares(arm)
        before = int(inst.switch_um[switch, arm[0]])
        ways = [before, *(inst.way_between_um(a, b) for a, b in pairwise(arm))]
        for way, share in zip(ways, shares, strict=True):
            cost += self._cable(grade, way, share) + self._cable(grade, self._drop_um, share)
            length += way + self._drop_um
        cost += self._cable(grade, self._end_um, shares[0])
        return cost, length + self._end_um

    def _cable(self, grade: int, length_um: int, share: int) -> int:
        key = (grade, length_um, share)
        known = self._cable_cache.get(key)
        if known is None:
            known = self._cable_cache[key] = self.instance.cable_value(grade, length_um, share)
        return known

    def piece_shares(self, arm: Sequence[int]) -> list[int]:
        """Share of units that carry each device's piece: those with a device at or beyond it."""
        inst = self.instance
        if not inst.has_options:
            return [PPM] * len(arm)
        return [inst.share_of(arm[k:]) for k in range(len(arm))]

    @kept
    def device_value(self, grade: int, device: int) -> int:
        """Objective money that a device itself brings to a segment of the grade."""
        inst = self.instance
        data = inst.grades[grade]
        share = self._share[device]
        parts = inst.problem.catalogue.grades[data.id]
        value = int(inst.phy_value[device, grade]) + inst.part_value(parts.connector, share)
        if data.is_line:
            stub_um = int(inst.stub_um[device])
            value += inst.cable_value(grade, stub_um, share)
            if stub_um and parts.junction is not None:
                value += inst.part_value(parts.junction, share)
        return value

    def line_value(self, grade: int, devices: Sequence[int], switch_at_end: bool) -> int:
        """Objective money of what a line carries once: terminators, port connector, end slack."""
        inst = self.instance
        parts = inst.problem.catalogue.grades[inst.grades[grade].id]
        share = inst.share_of(devices)
        value = inst.part_value(parts.connector, share)
        if parts.terminator is not None:
            value += 2 * inst.part_value(parts.terminator, share)
        if switch_at_end:
            value += inst.cable_value(grade, self._end_um, share)
        return value

    # -- whole segments -----------------------------------------------------------------------

    def link(self, switch: int, grade: int, device: int) -> Column | None:
        """Build a point-to-point link, or nothing if it breaks a rule."""
        inst = self.instance
        data = inst.grades[grade]
        if data.is_line or not inst.can[device, grade] or not inst.may_hang[device, switch]:
            return None
        if any(device in g and len(g) > 1 for g in inst.together):
            return None
        way = int(inst.switch_um[switch, device])
        length = way + self._drop_um + 2 * self._end_um
        if length > data.max_length_um:
            return None
        share = self._share[device]
        cost = self.device_value(grade, device) + self.cable_of_link(grade, way, share)
        connector = inst.problem.catalogue.grades[data.id].connector
        cost += inst.part_value(connector, share)
        legs = self.latency.link(grade, device)
        if legs is None:
            return None
        cost += self.latency_value(legs.priced)
        return Column(switch, grade, (device,), (), cost, length, legs.up, legs.down)

    def alone(self, switch: int, grade: int, device: int) -> Column | None:
        """Build the segment of one device, a line or a link, or nothing if it breaks a rule."""
        if self.instance.grades[grade].is_line:
            return self.line(switch, grade, (device,))
        return self.link(switch, grade, device)

    def slack_alone_um(self) -> int:
        """Slack of a segment with one device: a drop and two ends."""
        return self._drop_um + 2 * self._end_um

    def cable_of_link(self, grade: int, way_um: int, share: int) -> int:
        """Objective money of a link's cable: way, drop slack and two end slacks."""
        inst = self.instance
        return (
            inst.cable_value(grade, way_um, share)
            + inst.cable_value(grade, self._drop_um, share)
            + 2 * inst.cable_value(grade, self._end_um, share)
        )

    def line(
        self, switch: int, grade: int, out: Sequence[int], back: Sequence[int] = ()
    ) -> Column | None:
        """Build a shared line with the given arms, or nothing if it breaks a rule.

        It has the least PLCA node count that it can have; see :meth:`with_node_count`.
        """
        out, back = tuple(out), tuple(back)
        if not out:
            out, back = back, ()
        elif back and back < out:
            out, back = back, out
        return self._line(switch, grade, out, back)

    @kept
    def _line(
        self, switch: int, grade: int, out: tuple[int, ...], back: tuple[int, ...]
    ) -> Column | None:
        inst = self.instance
        devices = out + back
        if (back and not inst.line_may_pass_through) or not self.set_allowed(
            grade, frozenset(devices)
        ):
            return None
        if not all(inst.may_hang[i, switch] for i in devices):
            return None
        if inst.problem.line.option_tail and not (self._tail_ok(out) and self._tail_ok(back)):
            return None
        cost_out, length_out = self.arm_cost(grade, switch, out)
        cost_back, length_back = self.arm_cost(grade, switch, back)
        length = length_out + length_back + (0 if back else self._end_um)
        data = inst.grades[grade]
        if length > data.max_length_um:
            return None
        if data.spacing_min_um and not self._spacing_ok(switch, out, back, data.spacing_min_um):
            return None
        legs = self.latency.line(grade, frozenset(devices))
        if legs is None:
            return None
        cost = cost_out + cost_back + self.line_value(grade, devices, not back)
        cost += sum(self.device_value(grade, i) for i in devices)
        cost += self.latency_value(legs.priced)
        count = self.latency.usual_count(grade, len(devices))
        return Column(switch, grade, out, back, cost, length, legs.up, legs.down, count)

    def allowed_pieces(self, switch: int, grade: int, devices: tuple[int, ...]) -> list[Column]:
        """Cut a line outward from the switch into the longest allowed pieces, each a line."""
        pieces: list[Column] = []
        start = 0
        while start < len(devices):
            for stop in range(len(devices), start, -1):
                column = self.line(switch, grade, devices[start:stop])
                if column is not None:
                    pieces.append(column)
                    start = stop
                    break
            else:
                start += 1
        return pieces

    def with_node_count(self, column: Column, node_count: int) -> Column | None:
        """The same line with another PLCA node count, or nothing if that makes it late.

        Every ID without a device costs a silent TO in each cycle, which delays and their price
        count.
        """
        if node_count == column.node_count:
            return column
        devices = frozenset(column.devices)
        before = self.latency.line(column.grade, devices, column.node_count)
        legs = self.latency.line(column.grade, devices, node_count)
        if before is None or legs is None:
            return None
        more = self.latency_value(legs.priced) - self.latency_value(before.priced)
        return replace(
            column, cost=column.cost + more, up=legs.up, down=legs.down, node_count=node_count
        )

    def load_fits(self, column: Column) -> bool:
        """Whether a segment keeps its load limit; a longer cable makes every TO longer.

        One that does not is a column all the same, since a shorter order of it may do: whoever
        chooses it has to ask.
        """
        if not self.latency.is_shared(column.grade):
            return True
        devices = frozenset(column.devices)
        if self.instance.grades[column.grade].is_line:
            legs = self.latency.line(column.grade, devices)
        else:
            legs = self.latency.link(column.grade, column.devices[0])
        if legs is None or legs.load_ppm <= self.instance.grades[column.grade].load_cap_ppm:
            return legs is not None
        return self.latency.load_fits(column.grade, devices, column.length_um)

    def orders(self, switch: int, grade: int, devices: Iterable[int]) -> list[Column] | None:
        """Every way to lay a line over a set that no other beats in both cost and length.

        None if the set is too large to try them all.
        """
        members = tuple(sorted(devices))
        if len(members) > MOST_ORDERED:
            return None
        splits = range(len(members)) if self.instance.line_may_pass_through else (0,)
        made = {
            column
            for order in permutations(members)
            for k in splits
            if (column := self.line(switch, grade, order[k:], order[:k][::-1])) is not None
        }
        kept: list[Column] = []
        for column in sorted(made, key=lambda c: (c.cost, c.length_um, c.out, c.back)):
            if not kept or column.length_um < kept[-1].length_um:
                kept.append(column)
        return kept

    def _spacing_ok(
        self, switch: int, out: tuple[int, ...], back: tuple[int, ...], least_um: int
    ) -> bool:
        inst = self.instance
        for arm in (out, back):
            if arm and int(inst.switch_um[switch, arm[0]]) + self._drop_um < least_um:
                return False
            for a, b in pairwise(arm):
                if inst.way_between_um(a, b) + self._drop_um < least_um:
                    return False
        return True

    def _tail_ok(self, arm: tuple[int, ...]) -> bool:
        optional = [bool(self.instance.option_bit[i]) for i in arm]
        return optional == sorted(optional)

    def latency_value(self, legs: Iterable[tuple[int, int]]) -> int:
        """Objective money of legs given as (stream, ns); those of bulk transfers cost nothing."""
        if not self._latency_price:
            return 0
        return sum(
            ceil_div(ns * self._latency_price, 1_000_000)
            for j, ns in legs
            if not self.instance.streams[j].is_transfer
        )

    @kept
    def set_allowed(self, grade: int, devices: frozenset[int]) -> bool:
        """Whether the set keeps every rule that neither order nor switch can change."""
        inst = self.instance
        data = inst.grades[grade]
        members = sorted(devices)
        if not data.is_line or not members or len(members) > data.max_devices:
            return False
        if not all(inst.can[i, grade] for i in members):
            return False
        if int(inst.unit_mul[members].sum()) > data.unit_cap_mul:
            return False
        if len(members) > 1 and inst.conflict[members][:, members].any():
            return False
        for group in inst.together:
            inside = sum(i in devices for i in group)
            if inside not in (0, len(group)):
                return False
        for subset, cap in inst.loss_caps:
            if sum(i in devices for i in subset) > cap:
                return False
        return inst.domains_mix(members)
