"""Segments that a rerun tries: the old ones, their relatives, and, where few enough, all.

A relative of an old segment keeps its order: devices are left out, put in at a place along the
cable, or the whole is hung on another port.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import combinations, permutations
from math import factorial

import numpy as np

from partitioner.solve.backbone import BackboneData
from partitioner.solve.change import ChangeModel, OldSegment
from partitioner.solve.columns import Column, ColumnBuilder

SWITCH = -1
"""Stands for the switch in a cable read from end to end."""
BEAM = 40
"""Relatives of one segment that go on to the next device put in."""
MOST_TRIED = 60_000
"""Cables tried to find all segments within a budget."""
MOST_AMONG = 4
"""Most new devices of a line that carries on none and has no other."""
NEAR = 10
"""Nearest foreign devices that a segment tries to take over."""


class TooMany(Exception):
    """More segments than there is room for."""


Cable = tuple[int, ...]
"""Devices and the switch in the order in which the cable meets them."""


def cable_of(out: Sequence[int], back: Sequence[int]) -> Cable:
    """A cable from its arms, each outward from the switch."""
    return (*reversed(back), SWITCH, *out)


def column_of(builder: ColumnBuilder, switch: int, grade: int, cable: Cable) -> Column | None:
    """The segment with that cable, or nothing if it breaks a rule."""
    if (switch, grade) not in builder.instance.ports_of:
        return None
    if builder.instance.grades[grade].is_line:
        at = cable.index(SWITCH)
        return builder.line(switch, grade, cable[at + 1 :], cable[:at][::-1])
    devices = [i for i in cable if i != SWITCH]
    return builder.link(switch, grade, devices[0]) if len(devices) == 1 else None


def gaps(builder: ColumnBuilder, cable: Cable) -> Iterator[int]:
    """Places of a cable where a device may be put in."""
    if builder.instance.line_may_pass_through:
        yield from range(len(cable) + 1)
    elif cable[-1] == SWITCH:
        yield from range(len(cable))
    else:
        yield from range(cable.index(SWITCH) + 1, len(cable) + 1)


def put_in(cable: Cable, gap: int, device: int) -> Cable:
    """A cable with one more device."""
    return (*cable[:gap], device, *cable[gap:])


class Relatives:
    """Segments of the changed problem near to given ones."""

    def __init__(self, builder: ColumnBuilder, change: ChangeModel):
        self.builder = builder
        self.change = change
        self.instance = builder.instance
        self._together = {i for group in self.instance.together for i in group}

    def old_cables(self) -> list[tuple[int, int, Cable]]:
        """(switch, grade, cable) of every old segment that still has devices."""
        return [
            (old.switch, old.grade, cable_of(old.out, old.back))
            for old in self.change.olds
            if old.switch is not None and old.grade is not None and old.devices
        ]

    def cables_of(self, columns: Iterable[Column]) -> list[tuple[int, int, Cable]]:
        """(switch, grade, cable) of columns."""
        return [(c.switch, c.grade, cable_of(c.out, c.back)) for c in columns]

    def single(self, nearest: int) -> list[Column]:
        """Links and lines of one device: of new devices everywhere, of others at near switches."""
        inst, builder = self.instance, self.builder
        found: dict[Column, None] = {}
        for i in range(inst.n):
            allowed = [s for s in range(inst.switch_count) if inst.may_hang[i, s]]
            allowed.sort(key=lambda s: int(inst.switch_um[s, i]))
            if i in self.change.old_of:
                allowed = allowed[:nearest]
            for p in inst.port_classes:
                if p.switch not in allowed:
                    continue
                column = builder.alone(p.switch, p.grade, i)
                if column is not None:
                    found.setdefault(column)
        return list(found)

    def among(self, devices: Sequence[int]) -> list[Column]:
        """Lines of a few devices alone, in every order, nearest switches first."""
        inst = self.instance
        found = []
        for grade in inst.line_grades:
            top = min(MOST_AMONG, inst.grades[grade].max_devices)
            for size in range(2, top + 1):
                for group in combinations(devices, size):
                    if not self.builder.set_allowed(grade, frozenset(group)):
                        continue
                    switches = sorted(
                        range(inst.switch_count),
                        key=lambda s: int(inst.switch_um[s, list(group)].min()),
                    )
                    for s in switches[:2]:
                        made = [
                            column_of(self.builder, s, grade, (SWITCH, *o))
                            for o in permutations(group)
                        ]
                        allowed = [c for c in made if c is not None]
                        if allowed:
                            found.append(min(allowed, key=lambda c: c.cost))
        return found

    def near(
        self, cables: Sequence[tuple[int, int, Cable]], wanted: Sequence[int], *, is_wide: bool
    ) -> list[Column]:
        """Segments with the given cables and their relatives.

        The ``wanted`` devices are put in, one or several at a time. ``is_wide``: devices are also
        left out and taken over from neighbours, and other switches are tried.
        """
        found: dict[Column, None] = {}
        for switch, grade, cable in cables:
            starts = [cable]
            if is_wide and len(cable) > 2:
                starts += [
                    tuple(j for j in cable if j != i) for i in cable if i != SWITCH
                ]
            for number, start in enumerate(starts):
                near = self._nearest(start, switch, wanted)
                most = 1 if number else (3 if len(wanted) <= NEAR else len(near))
                self._grow(found, switch, grade, start, near, most)
            if is_wide:
                self._take_over(found, switch, grade, starts)
                for s in range(self.instance.switch_count):
                    self._keep(found, s, grade, cable)
        return list(found)

    def _nearest(self, cable: Cable, switch: int, wanted: Sequence[int]) -> list[int]:
        """The wanted devices, or the nearest to a cable where they are many."""
        if len(wanted) <= NEAR:
            return list(wanted)
        inst = self.instance
        inside = [i for i in cable if i != SWITCH]
        way = inst.switch_um[switch, list(wanted)]
        if inside:
            way = inst.way_um(inside, list(wanted)).min(axis=0)
        return [wanted[k] for k in np.argsort(way, kind="stable")[:NEAR]]

    def _keep(
        self, found: dict[Column, None], switch: int, grade: int, cable: Cable
    ) -> Column | None:
        column = column_of(self.builder, switch, grade, cable)
        if column is not None:
            found.setdefault(column)
        return column

    def _grow(
        self,
        found: dict[Column, None],
        switch: int,
        grade: int,
        start: Cable,
        wanted: Sequence[int],
        most: int,
    ) -> None:
        """Put up to ``most`` of the wanted devices in, the best few going on."""
        self._keep(found, switch, grade, start)
        if not self.instance.grades[grade].is_line:
            return
        layer: list[tuple[int, Cable, int]] = [(0, start, -1)]
        for _ in range(most):
            grown: dict[Cable, tuple[int, Cable, int]] = {}
            for _, cable, last in layer:
                for rank, device in enumerate(wanted):
                    if rank <= last or device in cable:
                        continue
                    for gap in gaps(self.builder, cable):
                        longer = put_in(cable, gap, device)
                        column = self._keep(found, switch, grade, longer)
                        if column is not None:
                            value = column.cost + self.change.base_money(column)
                            grown[longer] = (value, longer, rank)
                        elif device in self._together:
                            # Not allowed yet, but with the rest of its group it may be.
                            grown[longer] = (2**60, longer, rank)
            layer = sorted(grown.values())[:BEAM]

    def _take_over(
        self, found: dict[Column, None], switch: int, grade: int, starts: Sequence[Cable]
    ) -> None:
        """Put in each near device of another segment, at its cheapest place and at the tail."""
        inst = self.instance
        if not inst.grades[grade].is_line:
            return
        inside = [i for i in starts[0] if i != SWITCH]
        if not inside:
            return
        outside = [i for i in range(inst.n) if i not in set(inside) and inst.can[i, grade]]
        if not outside:
            return
        distance = inst.way_um(inside, outside).min(axis=0)
        for device in (outside[k] for k in np.argsort(distance, kind="stable")[:NEAR]):
            for start in starts:
                longer = (put_in(start, gap, device) for gap in gaps(self.builder, start))
                made = [column_of(self.builder, switch, grade, cable) for cable in longer]
                allowed = [c for c in made if c is not None]
                if allowed:
                    cheapest = min(allowed, key=lambda c: c.cost + self.change.base_money(c))
                    found.setdefault(cheapest)


def with_node_counts(
    builder: ColumnBuilder, change: ChangeModel, columns: Iterable[Column], *, every: bool = True
) -> list[Column]:
    """Segments with each PLCA node count that lets more devices keep their ID.

    See :meth:`~partitioner.solve.change.ChangeModel.node_counts`. If not ``every``, only the least
    and the highest of them.
    """
    found: dict[Column, None] = {}
    for column in columns:
        counts = change.node_counts(column)
        for count in counts if every else dict.fromkeys((counts[0], counts[-1])):
            counted = builder.with_node_count(column, count)
            if counted is not None:
                found[counted] = None
    return list(found)


def order_count(builder: ColumnBuilder, most: int) -> int:
    """How many cables there can be over all sets of devices, at most ``most`` + 1."""
    inst = builder.instance
    total = 0
    for port in inst.port_classes:
        data = inst.grades[port.grade]
        size = int(inst.can[:, port.grade].sum())
        top = min(size, data.max_devices)
        ways = 1
        for k in range(1, top + 1):
            ways = ways * (size - k + 1) // k
            splits = k // 2 + 1 if data.is_line and inst.line_may_pass_through else 1
            total += ways * factorial(k) * splits
            if total > most:
                return most + 1
    return total


def every_column(
    builder: ColumnBuilder, backbone: BackboneData, change: ChangeModel
) -> list[Column]:
    """All segments that any layout could use, but those that another one makes needless.

    A segment is needless when another one over the same devices at the same switch and grade,
    with the same node count, through the same pathways of limited room, is no longer, costs no
    more and changes no more, whichever old segment is carried on.
    """
    inst = builder.instance
    kept: dict[tuple[object, ...], list[tuple[tuple[int, ...], Column]]] = {}

    def offer(column: Column | None) -> None:
        for counted in [] if column is None else with_node_counts(builder, change, [column]):
            weigh(counted)

    def weigh(column: Column) -> None:
        forms = inst.ports_of[column.switch, column.grade]
        figures = (
            column.length_um,
            column.cost,
            change.base_money(column),
            *(
                change.base_money(column) - saving
                for _, saving in change.ties(column)
            ),
        )
        allowed = tuple(change.allowed(column, p) for p in forms)
        if not any(allowed):
            return
        key = (
            *column.segment, column.node_count, backbone.passes(column), allowed,
        )
        rows = kept.setdefault(key, [])
        if any(all(a <= b for a, b in zip(r, figures, strict=True)) for r, _ in rows):
            return
        rows[:] = [
            (r, c) for r, c in rows if not all(a <= b for a, b in zip(figures, r, strict=True))
        ]
        rows.append((figures, column))

    pairs = dict.fromkeys((p.switch, p.grade) for p in inst.port_classes)
    for switch, grade in pairs:
        data = inst.grades[grade]
        usable = [i for i in range(inst.n) if inst.can[i, grade] and inst.may_hang[i, switch]]
        if not data.is_line:
            for i in usable:
                offer(builder.link(switch, grade, i))
            continue
        for size in range(1, min(len(usable), data.max_devices) + 1):
            for group in combinations(usable, size):
                if not builder.set_allowed(grade, frozenset(group)):
                    continue
                for order in permutations(group):
                    splits = size // 2 + 1 if inst.line_may_pass_through else 1
                    for split in range(splits):
                        offer(builder.line(switch, grade, order[split:], order[:split][::-1]))
    return [c for rows in kept.values() for _, c in rows]


def columns_within(
    builder: ColumnBuilder,
    change: ChangeModel,
    budget_money: int,
    should_stop: Callable[[], bool],
) -> list[Column]:
    """All segments of layouts whose whole change costs at most ``budget_money``.

    Raises
    ------
    TooMany
        If prices are too low against the budget for that to be few, or if asked to stop.
    """
    within = _Within(builder, change, budget_money, should_stop)
    if within.moves > 2 or within.turns > 2:
        raise TooMany
    within.add_links()
    if change.prices.new_line_money <= budget_money:
        within.add_new_lines()
    for old in change.olds:
        if old.grade is not None and old.devices:
            within.add_heirs(old, old.grade)
    return list(within.found)


class _Within:
    """The segments found so far, with what the budget allows; TooMany past so many trials."""

    def __init__(
        self,
        builder: ColumnBuilder,
        change: ChangeModel,
        budget_money: int,
        should_stop: Callable[[], bool],
    ):
        self._builder, self._change, self._instance = builder, change, builder.instance
        self._budget_money, self._should_stop = budget_money, should_stop
        self._tried = 0
        self.found: dict[Column, None] = {}
        self.moves = self._times(change.prices.device_segment_money)
        """Most old devices that may change their segment."""
        self.turns = self._times(change.prices.device_order_money)
        """Most devices that may change their place on a line."""
        self._arrivals = [*change.new_devices, *(change.old_of if self.moves else ())]
        """Devices that a line may have besides those it had."""

    def _times(self, price: int) -> int:
        return self._budget_money // price if price else 10**9

    def _count(self) -> None:
        self._tried += 1
        if self._tried > MOST_TRIED or (self._tried % 256 == 0 and self._should_stop()):
            raise TooMany

    def _keep(self, switch: int, grade: int, cable: Cable) -> None:
        self._count()
        column = column_of(self._builder, switch, grade, cable)
        if column is None or column in self.found:
            return
        for counted in with_node_counts(self._builder, self._change, [column]):
            saving = max((saving for _, saving in self._change.ties(counted)), default=0)
            if self._change.base_money(counted) - max(0, saving) <= self._budget_money:
                self.found[counted] = None

    def _groups(
        self, grade: int, arrivals: Sequence[int], sizes: Iterable[int], staying: Sequence[int] = ()
    ) -> Iterator[tuple[int, ...]]:
        """Groups of arrivals that may be on a line together and with those who stay there."""
        for size in sizes:
            for group in combinations(arrivals, size):
                self._count()
                if sum(i in self._change.old_of for i in group) > self.moves:
                    continue
                if self._builder.set_allowed(grade, frozenset((*staying, *group))):
                    yield group

    def add_links(self) -> None:
        """Add the links of devices that are new or may move."""
        inst = self._instance
        for i in range(inst.n):
            if i in self._change.old_of and not self.moves:
                continue
            for p in inst.port_classes:
                if not inst.grades[p.grade].is_line:
                    self._keep(p.switch, p.grade, (SWITCH, i))

    def add_new_lines(self) -> None:
        """Add lines that carry on none."""
        inst = self._instance
        for grade in inst.line_grades:
            sizes = range(1, inst.grades[grade].max_devices + 1)
            for group in self._groups(grade, self._arrivals, sizes):
                places = range(len(group) + 1) if inst.line_may_pass_through else (0,)
                for order in permutations(group):
                    for s in range(inst.switch_count):
                        for at in places:
                            self._keep(s, grade, put_in(order, at, SWITCH))

    def add_heirs(self, old: OldSegment, grade: int) -> None:
        """Add what carries on an old segment: some leave, some are put elsewhere, some come."""
        inst, builder = self._instance, self._builder
        cable = cable_of(old.out, old.back)
        switches: Iterable[int] = range(inst.switch_count)
        if self._change.prices.port_money > self._budget_money:
            switches = [] if old.switch is None else [old.switch]
        if not inst.grades[grade].is_line:
            for s in switches:
                self._keep(s, grade, cable)
            return
        foreign = [i for i in self._arrivals if i not in old.devices and inst.can[i, grade]]
        for rest in _without_some(cable, self.moves):
            staying = [j for j in rest if j != SWITCH]
            sizes = range(inst.grades[grade].max_devices - len(staying) + 1)
            for base in _without_some(rest, self.turns):
                moved = [j for j in staying if j not in base]
                for group in self._groups(grade, foreign, sizes, staying):
                    for longer in _spread(builder, base, (*moved, *group)):
                        for s in switches:
                            self._keep(s, grade, longer)


def _without_some(cable: Cable, most: int) -> Iterator[Cable]:
    """A cable with all its devices, then with one of them taken off, up to ``most``."""
    devices = [j for j in cable if j != SWITCH]
    for number in range(min(most, len(devices)) + 1):
        for off in combinations(devices, number):
            yield tuple(j for j in cable if j not in off)


def _spread(builder: ColumnBuilder, cable: Cable, devices: Sequence[int]) -> Iterator[Cable]:
    """Every way of putting devices into a cable."""
    if not devices:
        yield cable
        return
    for gap in gaps(builder, cable):
        yield from _spread(builder, put_in(cable, gap, devices[0]), devices[1:])
