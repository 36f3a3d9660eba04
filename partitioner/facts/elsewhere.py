"""Why a device hangs where it does: what the next best places would cost more, or break.

A place is another line near the device, at the position that makes it least longer and keeps what
the line has to keep, or a segment of its own at a free port of an open switch. A whole line could
hang at another open switch. All other devices stay where they are, and so do open switches and
backbone. Each place is judged by the rules of the check; only delays, which take long to work out,
are left out where nobody is likely to ask.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from partitioner.check.acceptance import whole_findings
from partitioner.check.bill import latency_terms_ns, money_by_kind, segment_items
from partitioner.check.facts import Facts
from partitioner.check.laid import LaidSegment, lay
from partitioner.check.rules.registry import ALL_RULES
from partitioner.facts.places import (
    TIMED,
    UNTIMED,
    alone,
    builds_matter,
    free_port,
    lines_for,
    places_on,
    switches_for,
)
from partitioner.model.assessment import RuleFinding
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import SwitchPosition
from partitioner.units import ceil_div

NEAREST_LINES = 4
NEAREST_SWITCHES = 2
MOST_WONDERED = 20
MOST_PLACES = 1_000
"""Places that are looked at; of a larger layout only the first devices get all of theirs."""
TIMED_DELIVERIES = 3_000
"""Deliveries whose delays are worked out anew, over all places together."""

_OF_SEGMENTS = tuple(r for r in ALL_RULES if r.by_segment)
_OF_LAYOUTS = tuple(r for r in UNTIMED if not r.by_segment)
_OF_POSITIONS = frozenset({"spacing", "option-tail"})
"""Rules that a longer way along the same line may keep where the shortest does not."""


class Wonder(StrEnum):
    """What a reader would wonder about, the oddest first."""

    ALONE = "alone on a line"
    LINK = "on a link, could share a line"
    PASSES = "a line passes nearer"
    FAR = "another switch is nearer"


_RANK = {wonder: rank for rank, wonder in enumerate(Wonder)}


@dataclass(frozen=True, slots=True)
class OtherPlace:
    """One place where a device, or a whole line, could hang instead.

    ``segment`` is what it would hang on there, or the line as it would be. ``money`` and
    ``priced_money`` are what the layout costs more then; the latter is None where delays have a
    price and were not worked out.
    ``by_kind_money``: the money by kind of part.
    ``broken``: rules that this layout keeps and the other would not. ``is_timed``: they include
    those on delays and loads.
    """

    layout: Layout
    segment: Segment
    is_new: bool
    money: int
    priced_money: int | None
    by_kind_money: tuple[tuple[str, int], ...] = ()
    broken: tuple[RuleFinding, ...] = ()
    is_timed: bool = False

    @property
    def worth(self) -> int:
        """What decides between two places: the priced total, or money where that is not known."""
        return self.money if self.priced_money is None else self.priced_money


@dataclass(frozen=True, slots=True)
class WhyThere:
    """A device, what one may wonder about, and where else it could hang, the best place first.

    ``own_um`` and ``other_um``: how far its own neighbour or switch is, and the nearer one of
    ``other``; 0 where the wonder is not about lengths.
    """

    device: str
    home: Segment
    wonder: Wonder | None
    places: tuple[OtherPlace, ...]
    other: str = ""
    own_um: int = 0
    other_um: int = 0

    @property
    def next_best(self) -> OtherPlace | None:
        """The place that costs least of those that break nothing; None if every one does."""
        return next((p for p in self.places if not p.broken), None)


@dataclass(frozen=True, slots=True)
class LineElsewhere:
    """A shared line and the other open switches that it could hang at, the best place first."""

    home: Segment
    places: tuple[OtherPlace, ...]


def why_there(
    facts: Facts,
    known: Iterable[RuleFinding] = (),
    should_stop: Callable[[], bool] = lambda: False,
) -> tuple[WhyThere, ...]:
    """Judge the next best places of devices: those one would wonder about first.

    ``known`` are rules that the layout breaks as it is; they are held against no place.
    ``should_stop`` is asked before each device; the answer then ends there.
    """
    layout = facts.sound
    asked = _wondered(facts, layout)
    odd = [w for w, _ in asked if w.wonder is not None]
    odd.sort(key=lambda w: (_RANK[w.wonder or Wonder.FAR], w.other_um - w.own_um, w.device))
    told = {w.device for w in odd[:MOST_WONDERED]}
    rest = [replace(w, wonder=None) for w, _ in asked if w.device not in told]
    near = {w.device: lines for w, lines in asked}
    mover = _Mover(facts, known)
    found = []
    for why in (*odd[:MOST_WONDERED], *rest):
        if should_stop() or (why.wonder is None and mover.looked >= MOST_PLACES):
            break
        places = mover.places(why.device, why.home, near[why.device])
        if why.wonder is not None:
            places = mover.timed(places)
        found.append(replace(why, places=tuple(places)))
    return tuple(found)


def places_of(
    facts: Facts, devices: Iterable[str], should_stop: Callable[[], bool] = lambda: False
) -> list[OtherPlace]:
    """Other places of some devices that break nothing but maybe delays, the cheapest first.

    ``should_stop`` is asked before each device; the answer then ends there.
    """
    mover, layout = _Mover(facts, ()), facts.sound
    homes = layout.segment_of()
    found = []
    for device in devices:
        if should_stop():
            break
        near = lines_for(facts, device)[:NEAREST_LINES]
        found += mover.places(device, homes[device], [line for _, line in near])
    return sorted((p for p in found if not p.broken), key=lambda p: p.worth)


def lines_elsewhere(
    facts: Facts,
    known: Iterable[RuleFinding] = (),
    should_stop: Callable[[], bool] = lambda: False,
) -> tuple[LineElsewhere, ...]:
    """Judge every shared line at the other switches that are nearest to it.

    Parameters as those of :func:`why_there`.
    """
    mover = _Mover(facts, known)
    found = []
    for home in (line.segment for line in facts.lines if line.segment.devices):
        if should_stop():
            break
        found.append(LineElsewhere(home, tuple(mover.timed(mover.places_of_line(home)))))
    return tuple(found)


def _wondered(facts: Facts, layout: Layout) -> list[tuple[WhyThere, list[Segment]]]:
    """Every placed device, in the order of the layout, with what is odd about its place.

    And the lines nearest to it.
    """
    problem, network = facts.problem, facts.network
    lines = {s.segment.id for s in facts.lines}
    serving = {
        grade: [
            s.id for s in switches_for(problem, grade) if s.id in layout.open_switches
        ]
        for grade in {s.grade for s in layout.segments}
    }
    found = []
    for home in layout.segments:
        for device in home.devices:
            near = lines_for(facts, device)
            why = WhyThere(device, home, None, ())
            others = [n for n in home.devices if n != device]
            switches = serving[home.grade]
            nodes = [home.switch, *others, *switches]
            away = network.matrix_um([device], nodes)[0].tolist()
            own_um = min(away[: 1 + len(others)])
            nearest = min(zip(away[1 + len(others) :], switches, strict=True), default=(0, ""))
            if not others and near:
                why = replace(why, wonder=Wonder.ALONE if home.id in lines else Wonder.LINK)
            elif home.id in lines and near and near[0][0] < own_um:
                why = replace(
                    why, wonder=Wonder.PASSES, other=near[0][1].id, own_um=own_um,
                    other_um=near[0][0],
                )  # fmt: skip
            elif nearest[1] and nearest[0] < away[0]:
                why = replace(
                    why, wonder=Wonder.FAR, other=nearest[1], own_um=away[0], other_um=nearest[0]
                )
            found.append((why, [line for _, line in near[:NEAREST_LINES]]))
    return found


class _Mover:
    """Moves one device of a layout and judges what comes out."""

    def __init__(self, facts: Facts, known: Iterable[RuleFinding]):
        self.facts = facts
        self.known = {(f.rule, f.subjects) for f in known}
        self.laid = {s.segment.id: s for s in facts.laid}
        self.looked = 0
        self.bills: dict[Segment, tuple[int, Counter[str]]] = {}
        problem = facts.problem
        self.has_builds = builds_matter(problem)
        builds = len(problem.builds) or 2 ** len(problem.options) if self.has_builds else 0
        self.trials = TIMED_DELIVERIES // max(1, problem.delivery_count * (1 + builds))
        self.latency_price = problem.objective.latency_price_per_ms_money
        self.latency_money = self._latency_money(facts)

    def places(self, device: str, home: Segment, near: Iterable[Segment]) -> list[OtherPlace]:
        """Where a device could hang instead, judged by all rules but those on delays.

        ``near`` are the other lines to try.
        """
        without = _without(home, device)
        gone = () if without is None else (self._lay(without),)
        found = [
            self._judged(home, gone, laid, is_new=is_new)
            for laid, is_new in self._targets(device, home, near)
        ]
        self.looked += len(found)
        return _in_order(found)

    def places_of_line(self, home: Segment) -> list[OtherPlace]:
        """Other open switches for a line; where no port is free, at the one after the last."""
        facts = self.facts
        layout, count = facts.sound, len(home.devices)
        others = [
            s for s in switches_for(facts.problem, home.grade)
            if s.id in layout.open_switches and s.id != home.switch
        ]
        away = facts.network.matrix_um([s.id for s in others], home.devices)
        near = sorted(zip(away.min(axis=1).tolist(), others, strict=True), key=lambda p: p[0])
        found = []
        is_end = facts.problem.line.switch_position is SwitchPosition.END
        for _, switch in near[:NEAREST_SWITCHES]:
            port = free_port(layout, switch, home.grade) or switch.port_count + 1
            there = replace(home, switch=switch.id, port=port)
            ways = (0, count) if is_end else range(count + 1)
            laid = self._shortest(replace(there, switch_index=i) for i in ways)
            found.append(self._judged(home, (), laid, is_new=True))
        return _in_order(found)

    def _shortest(self, ways: Iterable[Segment]) -> LaidSegment:
        """The shortest of some ways of a line that keeps what a longer one of them keeps."""
        laid = sorted(map(self._lay, ways), key=lambda one: one.geometry.length_um)
        broken = {f.rule for f in self._local(laid[:1])}
        if broken and broken <= _OF_POSITIONS:
            return next((one for one in laid if not self._local((one,))), laid[0])
        return laid[0]

    def timed(self, places: list[OtherPlace]) -> list[OtherPlace]:
        """Work out delays at the cheapest places, until one breaks nothing."""
        done = list(places)
        for number, place in enumerate(places):
            if place.broken:
                break
            if not self.trials:
                break
            self.trials -= 1
            done[number] = self._timed(place)
            if not done[number].broken:
                break
        return _in_order(done)

    def _lay(self, segment: Segment) -> LaidSegment:
        return lay(self.facts.problem, self.facts.network, segment)

    def _targets(
        self, device: str, home: Segment, near: Iterable[Segment]
    ) -> Iterator[tuple[LaidSegment, bool]]:
        problem, layout = self.facts.problem, self.facts.sound
        for line in near:
            # What is kept in reserve stays in reserve.
            longer = replace(line, node_count=line.node_count + 1)
            yield self._shortest(places_on(longer, device, problem.line.switch_position)), False
        tried: Counter[str] = Counter()
        for segment, switch, is_free in alone(self.facts, device):
            is_here = (segment.grade, switch.id) == (home.grade, home.switch)
            if switch.id not in layout.open_switches or not is_free:
                continue
            if is_here and len(home.devices) == 1:
                continue
            tried[segment.grade] += 1
            if tried[segment.grade] <= NEAREST_SWITCHES:
                yield self._lay(segment), True

    def _judged(
        self, home: Segment, rest: tuple[LaidSegment, ...], laid: LaidSegment, *, is_new: bool
    ) -> OtherPlace:
        changed = {s.segment.id: s for s in (*rest, laid)}
        all_laid = tuple(
            changed.get(s.segment.id, s)
            for s in self.facts.laid
            if s.segment.id != home.id or rest
        )
        all_laid += (laid,) if is_new else ()
        moved = self.facts.with_laid(all_laid)
        broken = self._local((*rest, laid))
        if not broken:
            if self.facts.problem.failure_rules:
                moved = moved.with_ways()
            broken = self._new(f for rule in _OF_LAYOUTS for f in rule.findings(moved))
        touched = (home.id,) if is_new else (home.id, laid.segment.id)
        before = [self.laid[id_] for id_ in touched]
        priced, by_kind = self._more(before, (*rest, laid))
        known = None if self.latency_price else priced
        more = tuple(sorted((kind, money) for kind, money in by_kind.items() if money))
        return OtherPlace(
            moved.sound, laid.segment, is_new, sum(by_kind.values()), known, more, broken
        )

    def _local(self, laid: Sequence[LaidSegment]) -> tuple[RuleFinding, ...]:
        """What some segments break by themselves."""
        alone_there = self.facts.with_laid(tuple(laid))
        return self._new(f for rule in _OF_SEGMENTS for f in rule.findings(alone_there))

    def _new(self, findings: Iterable[RuleFinding]) -> tuple[RuleFinding, ...]:
        return tuple(f for f in findings if (f.rule, f.subjects) not in self.known)

    def _more(
        self, before: Iterable[LaidSegment], after: Iterable[LaidSegment]
    ) -> tuple[int, Counter[str]]:
        """What the bill of some segments grows by: priced with its mass, and money by kind."""
        priced, by_kind = 0, Counter[str]()
        for sign, laid in ((-1, before), (1, after)):
            for segment in laid:
                worth, kinds = self._bill(segment)
                priced += sign * worth
                for kind, money in kinds.items():
                    by_kind[kind] += sign * money
        return priced, by_kind

    def _bill(self, laid: LaidSegment) -> tuple[int, Counter[str]]:
        """Priced total of a segment, delays left out, and its money by kind of part."""
        if laid.segment not in self.bills:
            problem = self.facts.problem
            price = problem.objective.mass_price_per_kg_money
            items = segment_items(problem, laid.segment, laid.grade, laid.geometry)
            priced = sum(item.objective_money(price) for item in items)
            self.bills[laid.segment] = priced, money_by_kind(items)
        return self.bills[laid.segment]

    def _timed(self, place: OtherPlace) -> OtherPlace:
        laid = tuple(
            self.laid[s.id] if self.laid.get(s.id) and self.laid[s.id].segment == s
            else self._lay(s)
            for s in place.layout.segments
        )  # fmt: skip
        moved = self.facts.with_laid(laid).timed(linear=bool(self.latency_price))
        if self.has_builds:
            broken = self._new(whole_findings(moved))
        else:
            broken = self._new(f for rule in TIMED for f in rule.findings(moved))
        priced = place.priced_money
        if self.latency_price:
            more, _ = self._more(self.laid.values(), laid)
            priced = more + self._latency_money(moved) - self.latency_money
        return replace(place, broken=broken, is_timed=True, priced_money=priced)

    def _latency_money(self, facts: Facts) -> int:
        if not self.latency_price:
            return 0
        terms_ns = latency_terms_ns(facts.timing.streams)
        return sum(ceil_div(ns * self.latency_price, 1_000_000) for ns in terms_ns)


def _in_order(places: list[OtherPlace]) -> list[OtherPlace]:
    """Those that break nothing first, judged whole before the others, then by what they cost."""
    return sorted(places, key=lambda p: (bool(p.broken), p.worth, p.segment.id))


def _without(segment: Segment, device: str) -> Segment | None:
    """A segment less one device, its PLCA IDs closed up; None if nothing is left."""
    rest = segment.only(set(segment.devices) - {device})
    if not rest.devices:
        return None
    order = sorted(rest.plca_ids)
    return replace(
        rest,
        plca_ids=tuple(order.index(id_) + 1 for id_ in rest.plca_ids),
        node_count=max(len(rest.devices) + 1, segment.node_count - 1) if segment.node_count else 0,
    )
