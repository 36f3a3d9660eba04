"""Room for later devices: what every line has left, and which forecast devices find a place.

A forecast device is put on a line that exists, at a port that exists; what the limits keep in
reserve may be used up by it. It takes the lowest PLCA ID that is free. Where the node count holds
a spare ID, no cycle gets longer by it. The file gives no streams for it, so its traffic is none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from partitioner.check.acceptance import whole_findings
from partitioner.check.bill import segment_items
from partitioner.check.facts import Facts
from partitioner.check.laid import LaidSegment
from partitioner.check.rules.registry import ALL_RULES
from partitioner.check.rules.rule import Rule
from partitioner.facts.places import UNTIMED, builds_matter, lines_with
from partitioner.model.problem import Device, Forecast, Reserve
from partitioner.units import PPM


@dataclass(frozen=True, slots=True)
class Room:
    """What a line has left up to its limits, the reserve included.

    ``spare_ids`` are PLCA IDs below the node count that no device has. ``unit_load_left_mul`` is
    None without such a limit.
    """

    line: str
    nodes_left: int
    length_left_um: int
    load_left_ppm: int
    unit_load_left_mul: int | None
    spare_ids: int
    reserve: Reserve


@dataclass(frozen=True, slots=True)
class Guest:
    """A forecast device and where it can go.

    ``fits_alone`` names every line that could take it if no other forecast device came: every place
    on every line was tried, the order of the devices there being as it is. ``line`` is the one it
    gets when all come, the likelier ones before it; None if none has room then. ``added_um`` and
    ``added_money`` are what it adds there in cable and in the cost of the layout. ``is_asked``: it
    was gone through; somebody may have wanted to stop before.
    """

    forecast: Forecast
    fits_alone: tuple[str, ...]
    line: str | None
    added_um: int = 0
    added_money: int = 0
    is_asked: bool = True


@dataclass(frozen=True, slots=True)
class Growth:
    """Room on all lines, and every forecast device.

    ``together`` gives for each line the forecast devices that fit on it at the same time, were
    they all to go there. ``is_judged`` is False for a layout that breaks rules as it is: nothing
    was placed then.
    """

    rooms: tuple[Room, ...]
    guests: tuple[Guest, ...]
    together: dict[str, tuple[str, ...]]
    is_judged: bool

    @property
    def expected_ppm(self) -> int:
        """Expected number of forecast devices that come, in millionths."""
        return sum(g.forecast.probability_ppm for g in self.guests)

    @property
    def placed_ppm(self) -> int:
        """Expected number of those that find room on the lines there are, in millionths.

        They fit even if all of them come, so each subset fits too.
        """
        return sum(g.forecast.probability_ppm for g in self.guests if g.line is not None)


def rooms_of(facts: Facts) -> tuple[Room, ...]:
    """What every line with limits has left."""
    found = []
    for laid in facts.lines:
        limits = laid.limits
        if limits is None:
            continue
        devices = [facts.problem.devices[d] for d in laid.segment.devices]
        left_mul = None
        if limits.unit_loads_mul is not None:
            left_mul = limits.unit_loads_mul - sum(d.unit_load_mul for d in devices)
        found.append(
            Room(
                line=laid.segment.id,
                nodes_left=limits.nodes - len(devices) - 1,
                length_left_um=limits.length_um - laid.geometry.length_um,
                load_left_ppm=limits.load_share_ppm - facts.timing.load_ppm[laid.segment.id],
                unit_load_left_mul=left_mul,
                spare_ids=max(0, laid.segment.node_count - len(devices) - 1),
                reserve=limits.reserve,
            )
        )
    return tuple(found)


def growth_of(facts: Facts, should_stop: Callable[[], bool] = lambda: False) -> Growth:
    """Find room for the forecast devices of a layout.

    ``should_stop`` is asked before each device; True leaves the rest without a place.
    """
    rooms = rooms_of(facts)
    likely = sorted(facts.problem.forecast, key=lambda f: -f.probability_ppm)
    if not likely:
        return Growth(rooms, (), {}, True)
    start = _Grown.begin(facts)
    if start.breaks():
        guests = tuple(Guest(f, (), None) for f in facts.problem.forecast)
        return Growth(rooms, guests, {}, False)
    together: dict[str, tuple[str, ...]] = {}
    alone: dict[str, list[str]] = {f.device.id: [] for f in likely}
    is_whole = True
    for laid in facts.lines:
        line = laid.segment.id
        if should_stop():
            is_whole = False
            break
        devices = [f.device for f in likely]
        full = start.filled(line, devices)
        together[line] = tuple(d.id for d in devices if d.id in full.facts.problem.devices)
        for device_id in start.single(line, devices, full):
            alone[device_id].append(line)
    settled = _settle(start, likely, alone, should_stop, is_whole)
    in_order = tuple(settled[f.device.id] for f in facts.problem.forecast)
    return Growth(rooms, in_order, together, True)


def _settle(
    start: _Grown,
    likely: list[Forecast],
    alone: dict[str, list[str]],
    should_stop: Callable[[], bool],
    is_whole: bool,
) -> dict[str, Guest]:
    """Give every device a line, the likeliest first, each where it adds least cable."""
    grown = start
    guests: dict[str, Guest] = {}
    for forecast in likely:
        device = forecast.device
        lines = tuple(alone[device.id])
        if should_stop():
            guests[device.id] = Guest(forecast, lines, None, is_asked=False)
            continue
        guests[device.id] = Guest(forecast, lines, None, is_asked=is_whole)
        # Where neighbours must keep a distance, one device can make room for another.
        spaced = {s.segment.id for s in grown.facts.lines if s.limits and s.limits.spacing_min_um}
        allowed = {
            line: larger.length_um(line) - grown.length_um(line)
            for line in (s.segment.id for s in grown.facts.lines)
            if line in lines or line in spaced
            if (larger := grown.with_device(line, device, is_timed=False)) is not None
        }
        for line in sorted(allowed, key=lambda name: (allowed[name], name)):
            larger = grown.with_device(line, device)
            if larger is not None:
                added = larger.money(line) - grown.money(line)
                guests[device.id] = Guest(forecast, lines, line, allowed[line], added)
                grown = larger
                break
    return guests


def _breaks(facts: Facts, rules: Iterable[Rule]) -> bool:
    return any(True for rule in rules for _ in rule.findings(facts))


@dataclass(frozen=True, slots=True)
class _Grown:
    """A layout with some forecast devices on its lines; nothing is kept in reserve."""

    facts: Facts

    @staticmethod
    def begin(facts: Facts) -> _Grown:
        """The layout as it is, its reserves free to be used."""
        problem = replace(facts.problem.without_reserve(), forecast=())
        laid = tuple(replace(s, limits=problem.limits.get(s.grade.id)) for s in facts.laid)
        return _Grown(replace(facts, problem=problem, laid=laid))

    def breaks(self) -> bool:
        """Whether any rule is broken, in the whole layout or in a build."""
        if builds_matter(self.facts.problem):
            return bool(whole_findings(self.facts))
        return _breaks(self.facts, ALL_RULES)

    def laid(self, line: str) -> LaidSegment:
        """A line with its cable."""
        return next(s for s in self.facts.laid if s.segment.id == line)

    def length_um(self, line: str) -> int:
        """Length of a line."""
        return self.laid(line).geometry.length_um

    def money(self, line: str) -> int:
        """Cost of a line's items."""
        laid = self.laid(line)
        items = segment_items(self.facts.problem, laid.segment, laid.grade, laid.geometry)
        return sum(item.money for item in items)

    def with_device(self, line: str, device: Device, *, is_timed: bool = True) -> _Grown | None:
        """The layout with one more device on a line; None if a rule would be broken."""
        if not self._may_hold(line, device):
            return None
        for laid in lines_with(self.facts, self.laid(line).segment, device.id):
            grown = self._replaced(laid, device)
            if _breaks(grown.facts, UNTIMED):
                continue
            if not is_timed:
                return grown
            # The shortest line that is allowed will do: delays on a longer one are no shorter, and
            # what a failure takes down does not depend on the place.
            return grown.timed()
        return None

    def _may_hold(self, line: str, device: Device) -> bool:
        """Whether limits that are quickly looked up allow it."""
        laid = self.laid(line)
        limits = laid.limits
        if limits is None or laid.grade.id not in {c.grade for c in device.grades}:
            return False
        pinned = device.pinned_switches
        if pinned is not None and laid.segment.switch not in pinned:
            return False
        return len(laid.segment.devices) + 2 <= limits.nodes

    def _replaced(self, laid: LaidSegment, device: Device) -> _Grown:
        problem = self.facts.problem
        problem = replace(problem, devices={**problem.devices, device.id: device})
        all_laid = tuple(laid if s.segment.id == laid.segment.id else s for s in self.facts.laid)
        return _Grown(replace(self.facts.with_laid(all_laid), problem=problem))

    def timed(self) -> _Grown | None:
        """The same with delays worked out; None if a rule about them is broken."""
        timed = _Grown(self.facts.timed(linear=False))
        return None if timed.breaks() else timed

    def filled(self, line: str, devices: list[Device]) -> _Grown:
        """The layout with as many devices on a line as fit together, in the order given."""
        steps = [self]
        for device in devices:
            larger = steps[-1].with_device(line, device, is_timed=False)
            if larger is not None:
                steps.append(larger)
        while len(steps) > 1:
            timed = steps[-1].timed()
            if timed is not None:
                return timed
            steps.pop()
        return self

    def single(self, line: str, devices: list[Device], full: _Grown) -> list[str]:
        """Devices that fit on a line each alone; ``full`` is known to keep all rules.

        Devices without streams differ to the delays only by the length of the line, so when one
        has been looked at, those that make it no longer need no further look.
        """
        found = []
        allowed = [
            (grown.length_um(line), device.id, grown)
            for device in devices
            if (grown := self.with_device(line, device, is_timed=False)) is not None
        ]
        kept_um = full.length_um(line) if full is not self else -1
        for length_um, id_, grown in sorted(allowed, key=lambda a: (-a[0], a[1])):
            if builds_matter(self.facts.problem):
                # What a failure takes down depends on which device it is.
                if grown.timed() is not None:
                    found.append(id_)
                continue
            if length_um > kept_um and grown.timed() is not None:
                kept_um = length_um
            if length_um <= kept_um:
                found.append(id_)
        return found


def expected_on(growth: Growth, line: str) -> float:
    """Expected number of forecast devices on a line, each where it goes if all come."""
    return sum(g.forecast.probability_ppm for g in growth.guests if g.line == line) / PPM
