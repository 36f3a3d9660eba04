"""What of a selection the master could not see, and which cuts keep it away.

The master knows the least of every leg and of every hop. Here a selection is judged as a whole: by
the linear bounds where they say yes, else by the analysis that the check goes by. What is refuted
becomes a no-good cut over as few segments as it holds for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice, pairwise, product

from partitioner.model.layout import BuiltLink, Layout
from partitioner.model.problem import QueueOrder
from partitioner.network.routes import switch_ways
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.delays import NO_DELAYS, Delays, Pair, SelectionDelays, Ways
from partitioner.solve.instance import Delivery, Instance
from partitioner.solve.losses import Home, Losses
from partitioner.solve.master import Selection
from partitioner.solve.nogood import NoGood, SegmentFamily
from partitioner.timing.line import LineFlow, propagation_ns
from partitioner.timing.link import LinkQueue, linear_link_bound, link_load_ppm
from partitioner.units import PPM

Route = tuple[Delivery, tuple[int, ...]]
"""What goes where, and the switches passed on the way there."""
FEW_SEGMENTS = 5
"""Up to so many segments cuts are made as strong as they can be."""
NEVER_NS = 2**40
"""Lateness of what has no bound."""
MANY_SEGMENTS = 24
"""Above, the analysis takes too long to find out which segments a cut can do without."""
MOST_LATE = 6
"""Late streams of one selection that cuts are made for, the latest first; two of more segments."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is wrong with a selection.

    ``cuts`` forbid it and all that fails for the same reason. ``guesses`` forbid what is likely to
    fail too, without proof.
    """

    crowded: bool
    """More segments run through some pathway than fit."""
    cuts: tuple[NoGood, ...]
    guesses: tuple[NoGood, ...] = ()
    late_ns: Mapping[Delivery, int] = field(default_factory=dict)
    """What comes too late by the whole analysis and by how much, the latest first."""
    delays: Delays = NO_DELAYS
    """All delays, where the whole analysis was made."""

    @property
    def holds(self) -> bool:
        """Whether the selection keeps all rules."""
        return not (self.late_ns or self.crowded or self.cuts)


@dataclass(frozen=True, slots=True)
class _Case:
    """A selection as it is judged: its segments, who is where, and what goes which way.

    ``built`` and ``absent``: backbone links, with their grades, and those that are not built.
    ``lost``: homes of ends that no way joins. ``crossing``: streams over each backbone link in each
    direction.
    """

    columns: Sequence[Column]
    home: Home
    ways: Ways
    built: Sequence[tuple[int, str]]
    absent: tuple[int, ...]
    routes: Sequence[Route]
    lost: Sequence[tuple[tuple[int, int], ...]]
    crossing: Mapping[Pair, Sequence[int]]


class Judge:
    """Judges selections of one instance.

    Parameters
    ----------
    is_over
        Whether time is up: a cut is then left as weak as it is.
    """

    def __init__(
        self, builder: ColumnBuilder, backbone: BackboneData, is_over: Callable[[], bool]
    ):
        self._builder, self._backbone = builder, backbone
        self._instance = builder.instance
        self._is_over = is_over
        self._delays = SelectionDelays(builder, backbone)
        self._losses = Losses(self._instance, backbone)

    def __call__(self, selection: Selection, *, with_cuts: bool = True) -> Verdict:
        """Judge a selection; devices that are left out are no fault here.

        Without cuts of what is late, which take much longer than to find it, if not ``with_cuts``;
        what is late then may be in time by delays counted from nothing, but not the other way.
        """
        case = self._case(selection)
        columns, home, built = case.columns, case.home, case.built
        cuts = [NoGood(homes=homes, absent=case.absent) for homes in dict.fromkeys(case.lost)]
        cuts += self._overloaded(case)
        cuts += [
            # The load does not depend on the node count.
            NoGood(segments=(replace(self._family(c, True), least_count=0),))
            for c in columns
            if not self._builder.load_fits(c)
        ]
        cuts += self._losses.refused(home, selection.open_switches, (k for k, _ in built))
        guesses: list[NoGood] = []
        late_ns: dict[Delivery, int] = {}
        delays = NO_DELAYS
        # Without cuts it is mostly asked for what the linear bounds are too wide for.
        if not cuts and not (with_cuts and self._surely_in_time(case)):
            # Only what is late for certain may be cut off.
            delays = self._delays.of(columns, case.ways, built, near=not with_cuts)
            late_ns = self._late_ns(delays)
            most = 2 if len(columns) > FEW_SEGMENTS else MOST_LATE
            for delivery in islice(late_ns, most if with_cuts else 0):
                cut = self._cut_of_late(delivery, case)
                cuts.append(cut)
                if len(cut.segments) > FEW_SEGMENTS:
                    guesses.append(self._guess(delivery, case))
        return Verdict(
            self._crowded(selection), tuple(dict.fromkeys(cuts)), tuple(guesses), late_ns, delays
        )

    def _case(self, selection: Selection) -> _Case:
        columns, built = selection.columns, sorted(selection.backbone)
        home = {i: (c.switch, k) for k, c in enumerate(columns) for i in c.devices}
        ways = self.ways(selection)
        routes, lost = self._routes(home, ways)
        absent = tuple(k for k in range(len(self._backbone.links)) if k not in dict(built))
        return _Case(columns, home, ways, built, absent, routes, lost, _crossing(routes))

    def _guess(self, delivery: Delivery, case: _Case) -> NoGood:
        """The segments a late stream begins and ends on, as if they alone made it late."""
        near, _ = self._around(delivery, case)
        return NoGood(segments=tuple(self._family(case.columns[k], False) for k in near))

    # -- ways and links -----------------------------------------------------------------------

    def ways(self, selection: Selection) -> Ways:
        """Switches passed from switch to switch over the backbone of a selection."""
        inst = self._instance
        shell = backbone_only(inst, self._backbone, selection)
        number = inst.switch_index
        return {
            (number[a], number[b]): tuple(number[x] for x in way)
            for (a, b), way in switch_ways(inst.problem, shell, inst.network).items()
        }

    def _routes(
        self, home: Home, ways: Ways
    ) -> tuple[list[Route], list[tuple[tuple[int, int], ...]]]:
        """Routes of what is placed; homes of ends without a way."""
        routes: list[Route] = []
        lost = []
        for j, stream in enumerate(self._instance.streams):
            source = stream.source_device
            if source is not None and source not in home:
                continue
            start, segment = home[source] if source is not None else (stream.source_switch, -1)
            for target in stream.targets:
                device = target.device
                if device is not None and device not in home:
                    continue
                end, other = home[device] if device is not None else (target.switch, -2)
                if segment == other:
                    routes.append(((j, target.key), ()))
                elif (start, end) in ways:
                    routes.append(((j, target.key), tuple(ways[start, end])))
                else:
                    ends = [(i, home[i][0]) for i in (source, device) if i is not None]
                    lost.append(tuple(sorted(ends)))
        return routes, lost

    def _directions(self, case: _Case) -> Iterator[tuple[int, str, Pair, Sequence[int]]]:
        """Give each link built, with its grade, in each direction, with what crosses it."""
        for index, grade_id in case.built:
            one_way = self._backbone.links[index].ends
            for pair in (one_way, one_way[::-1]):
                yield index, grade_id, pair, case.crossing.get(pair, ())

    def _overloaded(self, case: _Case) -> list[NoGood]:
        """Cuts of links with more load than they may have."""
        inst = self._instance
        most = min(inst.problem.backbone.load_share_ppm, PPM - 1)
        cuts = []
        for index, grade_id, pair, streams in self._directions(case):
            if link_load_ppm(self._link_queue(index, grade_id, streams)) <= most:
                continue
            enough = set(self._enough_load(index, grade_id, streams, most))
            placed = {
                i
                for delivery, way in case.routes
                if delivery[0] in enough and pair in pairwise(way)
                for i in inst.ends_of(delivery)
            }
            grades = {k: self._backbone.links[k].grades for k, _ in case.built}
            grades[index] = self._no_faster(index, grade_id)
            homes = tuple(sorted((i, case.home[i][0]) for i in placed))
            cuts.append(NoGood(homes=homes, built=tuple(grades.items()), absent=case.absent))
        return cuts

    def _no_faster(self, index: int, grade_id: str) -> tuple[str, ...]:
        """Grades of a link in which it carries no more than in the one given."""
        grades = self._instance.problem.catalogue.grades
        most = grades[grade_id].rate_bps
        return tuple(g for g in self._backbone.links[index].grades if grades[g].rate_bps <= most)

    def _enough_load(
        self, index: int, grade_id: str, streams: Sequence[int], most: int
    ) -> list[int]:
        """Few of the streams, which load the link too much all the same."""
        data = self._instance.streams
        heavy = sorted(streams, key=lambda j: -data[j].frame_bytes / data[j].period_ns)
        for count in range(1, len(heavy)):
            if link_load_ppm(self._link_queue(index, grade_id, heavy[:count])) > most:
                return heavy[:count]
        return heavy

    def _link_queue(self, index: int, grade_id: str, streams: Iterable[int]) -> LinkQueue:
        """Give one direction of a backbone link as the streams that cross it load it."""
        problem = self._instance.problem
        flows = tuple(
            LineFlow(s.id, s.frame_bytes, s.period_ns, s.jitter_ns, s.limit_ns, s.pcp)
            for s in (self._instance.streams[j] for j in streams)
        )
        along_ns = propagation_ns(problem, grade_id, self._backbone.links[index].length_um)
        row = problem.catalogue.grades[grade_id]
        return LinkQueue.of_grade(row, flows, QueueOrder.PCP, along_ns)

    def _crowded(self, selection: Selection) -> bool:
        caps = self._backbone.pathway_caps
        if not caps:
            return False
        through = Counter(p for c in selection.choices for p in self._backbone.passes(c.column))
        through.update(p for k, _ in selection.backbone for p in self._backbone.link_passes(k))
        return any(through[p] > cap for p, cap in caps.items())

    # -- deadlines ----------------------------------------------------------------------------

    def _surely_in_time(self, case: _Case) -> bool:
        """Whether the linear bounds have every stream in time, all taken to keep their limits."""
        inst = self._instance
        on_link: dict[tuple[Pair, int], int] = {}
        for index, grade_id, pair, streams in self._directions(case):
            bound = linear_link_bound(self._link_queue(index, grade_id, streams))
            for j in streams:
                if (leg := bound.legs.get(inst.streams[j].id)) is not None:
                    on_link[pair, j] = leg.total_ns
        up: dict[int, int] = {}
        down: dict[tuple[int, int], int] = {}
        for column in case.columns:
            most = self._builder.latency.most(
                column.grade, frozenset(column.devices), column.node_count
            )
            up.update(most.up)
            down.update(most.down)
        for (j, (device, _)), way in case.routes:
            total = up.get(j, 0) + sum(inst.forward_ns[s] for s in way)
            if way and device is not None:
                total += down[j, device]
            total += sum(on_link.get((pair, j), NEVER_NS) for pair in pairwise(way))
            if total > inst.streams[j].limit_ns:
                return False
        return True

    def _late_ns(self, delays: Delays) -> dict[Delivery, int]:
        """What is past its limit and by how much, what is furthest past it first."""
        streams = self._instance.streams
        past_ns = {
            delivery: NEVER_NS if ns is None else ns - streams[delivery[0]].limit_ns
            for delivery, ns in delays.total_ns.items()
        }
        late = [delivery for delivery, ns in past_ns.items() if ns > 0]
        late.sort(key=lambda d: (-past_ns[d], d[0], str(d[1])))
        return {delivery: past_ns[delivery] for delivery in late}

    def _cut_of_late(self, delivery: Delivery, case: _Case) -> NoGood:
        """A cut over few segments that make a stream late whatever is around them."""
        limit = self._instance.streams[delivery[0]].limit_ns
        columns = case.columns
        near, wider = self._around(delivery, case)
        everything = list(range(len(columns)))
        modes = list(product((False, True), repeat=2))
        groups = [near, wider, everything]
        if len(columns) > FEW_SEGMENTS:
            modes = [modes[0], modes[-1]]
        if len(columns) > MANY_SEGMENTS or self._is_over():
            groups = [near, everything]

        def is_late(picked: Sequence[int], real_ways: bool, as_built: bool) -> bool:
            found = self._delays.of(
                [columns[k] for k in picked],
                case.ways if real_ways else None,
                case.built if real_ways else (),
                as_built=as_built,
                outside=True,
            )
            ns = found.total_ns[delivery]
            return ns is None or ns > limit

        # Not as built a cut holds for every order and node count, without the ways for every
        # backbone.
        for picked, (real_ways, as_built) in product(groups, modes):
            sure = picked is everything and real_ways and as_built
            if self._is_over() and not sure:
                continue
            if not sure and not is_late(picked, real_ways, as_built):
                continue
            kept = list(picked)
            if len(picked) <= MANY_SEGMENTS:
                for k in [k for k in picked if k not in near]:
                    fewer = [other for other in kept if other != k]
                    if not self._is_over() and is_late(fewer, real_ways, as_built):
                        kept = fewer
            return NoGood(
                segments=tuple(self._family(columns[k], as_built) for k in kept),
                built=tuple((index, (grade,)) for index, grade in case.built) if real_ways else (),
                absent=case.absent if real_ways else (),
            )
        raise AssertionError("a late selection is late as a whole")

    def _around(self, delivery: Delivery, case: _Case) -> tuple[list[int], list[int]]:
        """Segments a stream begins and ends on, and these with all they exchange streams with."""
        inst, home = self._instance, case.home
        near = {home[i][1] for i in inst.ends_of(delivery)}
        talking = inst.ends_with(i for k in near for i in case.columns[k].devices)
        wider = near.union(home[i][1] for i in talking if i in home)
        return sorted(near), sorted(wider)

    def _family(self, column: Column, as_built: bool) -> SegmentFamily:
        return SegmentFamily(
            column.switch,
            column.grade,
            frozenset(column.devices),
            column.length_um if as_built else 0,
            column.node_count if as_built else 0,
        )


def backbone_only(instance: Instance, backbone: BackboneData, selection: Selection) -> Layout:
    """A layout with only its switches and backbone, which is all that ways depend on."""
    links = []
    for index, grade in selection.backbone:
        a, b = backbone.links[index].ends
        links.append(BuiltLink((instance.switch_ids[a], instance.switch_ids[b]), grade))
    opened = tuple(instance.switch_ids[s] for s in selection.open_switches)
    return Layout(instance.problem.name, "", opened, tuple(links), ())


def _crossing(routes: Iterable[Route]) -> dict[Pair, list[int]]:
    """Streams over each backbone link in each direction."""
    crossing: dict[Pair, set[int]] = {}
    for (j, _), way in routes:
        for pair in pairwise(way):
            crossing.setdefault(pair, set()).add(j)
    return {pair: sorted(streams) for pair, streams in crossing.items()}
