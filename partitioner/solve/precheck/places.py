"""Blocks of a problem and where each may hang, by grade of segment and switch."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import NamedTuple

import networkx as nx
import numpy as np
import numpy.typing as npt

from partitioner.model.problem import GroupKind
from partitioner.solve.arrays import Ints
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import PortClass
from partitioner.solve.precheck.blocks import Homes, Reason, blocks_of
from partitioner.solve.precheck.cuts import cuts_that_lose
from partitioner.solve.precheck.kinds import kinds_of
from partitioner.solve.precheck.links import Need, needs
from partitioner.solve.precheck.statements import Key

MOST_BRIDGES = 300
"""Pathways tried that alone join two parts, those with the least room first."""
IN_TIME, LATE, NOT_JOINED, LATE_UNLESS_SHARED, LATE_BY_LINKS = range(5)
"""Whether a stream is in time between two switches by its bare way. If not: in any case, since no
links join them, but for what keeps both ends off one line, or by the links that may be built."""
MOST_TO_A_LINE = 6
"""Lines that hold so few large blocks are counted by the block, not by what each takes."""


@dataclass(frozen=True, slots=True)
class Home:
    """A block on a segment of a grade at a switch, unless one of the ``against`` is in force."""

    switch: int
    grade: int
    against: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Side:
    """A part of the pathways that so many cables get into or out of.

    ``crossing``: by whether the switch is in the part, the blocks of which a device is not where
    the switch is. ``hanging``: those that surely hang on its switches, and on others. ``links``: by
    backbone link through which of the openings it runs, and how many. ``needs``: links from its
    switches to others that what hangs on both asks for; None if one of both has no switches.
    """

    switches: frozenset[int]
    openings: tuple[str, ...]
    most: int
    crossing: dict[bool, frozenset[int]]
    hanging: tuple[frozenset[int], frozenset[int]]
    links: dict[int, int]
    needs: tuple[Need, ...] | None

    @property
    def most_for_links(self) -> int:
        """Room that links take in its openings at most, as far as they are listed or needed."""
        return max(sum(self.links.values()), 0 if self.needs is None else 2)


@dataclass(frozen=True, slots=True)
class Counted:
    """Devices of which a segment carries so many at most: by block how many, and who says so.

    ``is_by_switch``: a switch carries no more of them either.
    """

    of_block: dict[int, int]
    most: int
    key: Key
    is_by_switch: bool


class Hold(NamedTuple):
    """What each block takes of a line, how much one has, and which statements say so."""

    taken: Ints
    each: int
    because: list[Key]


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
        cut_off = self._cut_off()
        for b, block in enumerate(self.blocks):
            inst.look()
            by_grade = {
                g: self.rules.of_grade(block, g) for g in range(len(inst.grades))
            }
            pins = [self.rules.at_switch(block, s) for s in range(inst.switch_count)]
            rows = []
            for (s, g) in self.ports:
                against = [*by_grade[g], *pins[s], *shared.get((b, s), ()), *cut_off[s]]
                against += self.rules.too_long(block, s, inst.grades[g])
                rows.append(Home(s, g, tuple(dict.fromkeys(against))))
            self.homes.append(rows)
        self.holds = {g: self._holds(g) for g in inst.line_grades}
        """By grade of lines: what each block takes of a line, how much one has, and which
        statements say so."""
        self.strict_holds = {g: _telling(rows) for g, rows in self.holds.items()}
        """Those of them that say something beside the others while all are in force."""
        self.kinds = kinds_of(inst, self.blocks)
        self.clash_rule = np.select(
            [inst.levels_apart, inst.domains_apart, inst.conflict], [1, 2, 3], 0
        )
        """By two devices: 1 if their safety levels keep them off one line, 2 if their security
        domains do, 3 if some group or failure rule does, 0 if nothing."""
        self.counted = self._counted()
        self.counted_in: dict[int, list[int]] = defaultdict(list)
        """By block: which of ``counted`` it is in."""
        for n, rule in enumerate(self.counted):
            for b in rule.of_block:
                self.counted_in[b].append(n)
        self.open_at = [frozenset(h.switch for h in homes if not h.against) for homes in self.homes]
        """By block: switches that it may hang on while all is in force."""
        self.sides = self._sides()
        self.too_many_links = self._too_many_links()
        self.is_narrow = bool(self.sides or self.too_many_links)
        """Whether pathways have no room for all cables that may run there, as far as is known."""
        self.cuts = cuts_that_lose(
            inst, backbone, [self.open_at[self.block_of[i]] for i in range(inst.n)]
        )

    def _holds(self, g: int) -> list[Hold]:
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
        found: list[tuple[list[int], int, list[Key]]] = []
        for weights, each, because in rows:
            if each > 0:
                taken = [sum(int(weights[i]) for i in block.devices) for block in self.blocks]
                found.append((taken, each, because))
                found += [(counted, most, because) for counted, most in whole_shares(taken, each)]
        return [
            row for _, same in groupby(found, key=lambda row: row[2])
            for row in _telling([
                Hold(np.array(taken, dtype=np.int64), each, because)
                for taken, each, because in same if sum(taken) > each
            ])
        ]

    def _counted(self) -> list[Counted]:
        """Groups apart and sets watched, of which no more than so many may be lost."""
        inst = self.instance
        rules = [
            ([inst.index[d] for d in group.devices], 1, ("group", group.id),
             group.kind is GroupKind.APART_SWITCH)
            for group in inst.problem.groups if group.kind is not GroupKind.TOGETHER
        ]
        rules += [
            (list(members), cap, ("failure", rule.id), True)
            for (members, cap), rule in zip(
                inst.loss_caps, inst.problem.failure_rules, strict=True
            )
        ]
        found = []
        for members, cap, key, is_by_switch in rules:
            of_block: dict[int, int] = defaultdict(int)
            for i in members:
                of_block[self.block_of[i]] += 1
            found.append(Counted(dict(of_block), cap, key, is_by_switch))
        return found

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
                        found[self.block_of[device], s].append(
                            self.reason_of(j, target.device, reason)
                        )
        return found

    def time_reasons(self, stream: int, target: int | None) -> npt.NDArray[np.int8]:
        """By switch of the source and of the target: IN_TIME, or why not."""
        data, latency = self.instance.streams[stream], self.builder.latency
        source = data.source_device
        legs = latency.least_up(stream) + latency.least_down(stream, target)
        hops = self.hops(stream)
        late = (legs + hops > data.limit_ns).astype(np.int8)
        if late.any():
            is_roundabout = (late == LATE) & (legs + self._direct_ns(stream) <= data.limit_ns)
            np.fill_diagonal(is_roundabout, False)
            late[is_roundabout] = LATE_BY_LINKS
        late[hops >= 2**40] = NOT_JOINED
        if source is None or target is None:
            return late
        if latency.least_up(stream) <= data.limit_ns:
            may_share = self.instance.may_share_a_line(source, target)
            own = np.diagonal(late)
            np.fill_diagonal(
                late, IN_TIME if may_share else np.where(own == LATE, LATE_UNLESS_SHARED, own)
            )
        return late

    def _direct_ns(self, stream: int) -> Ints:
        """Least time between ports by switches, int64 (S, S) in ns, were any two joined."""
        forward = np.array(self.instance.forward_ns, dtype=np.int64)
        return forward[:, None] + forward[None, :] + self.backbone.direct_link_ns(stream)

    def reason_of(self, stream: int, target: int | None, kind: int) -> Reason:
        """Statements behind an entry of :meth:`time_reasons`."""
        data = self.instance.streams[stream]
        deadline, links = ("deadline", data.id), {("backbone-link",), *self.unreached()}
        if kind == LATE:
            return frozenset({deadline})
        if kind == LATE_BY_LINKS:
            return frozenset({deadline, *links})
        if kind == NOT_JOINED:
            return frozenset({("stream-way", data.id), *links})
        assert data.source_device is not None
        assert target is not None
        lines = self.instance.line_grades
        return frozenset({deadline, *self.rules.never_sharing(data.source_device, target, lines)})

    def _cut_off(self) -> dict[int, list[Reason]]:
        """Why switches cannot be open: nothing joins them to one that has to be."""
        inst = self.instance
        found: dict[int, list[Reason]] = defaultdict(list)
        if not inst.problem.backbone.shape.joins_all:
            return found
        for part in nx.connected_components(self.backbone.graph()):
            if outside := inst.always_open - part:
                reason = frozenset({
                    ("backbone-shape",), ("backbone-link",), *self.unreached(part),
                    ("switch-open", inst.switch_ids[min(outside)]),
                })
                for s in part:
                    found[s].append(reason)
        return found

    def unreached(self, part: Collection[int] | None = None) -> list[Key]:
        """Backbone links that none of their grades reaches; only those out of a part, if given."""
        return [
            ("backbone-reach", str(k))
            for k, link in enumerate(self.backbone.links)
            if not link.grades and (
                part is None or len({end in part for end in link.ends}) > 1
            )
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

    def _sides(self) -> list[Side]:
        """Parts of the pathways that only so many cables get into, the smallest first."""
        network, caps = self.instance.network, self.backbone.pathway_caps
        if not network.has_pathways or not caps:
            return []
        graph = network.graph
        pieces = [(a, b, d["id"]) for a, b, d in graph.edges(data=True)]
        capped = [(a, b) for a, b, id_ in pieces if id_ in caps]
        if not capped:
            return []
        rest = graph.copy()
        rest.remove_edges_from(capped)
        sides = {frozenset(part) for part in nx.connected_components(rest)}
        whole = {node: part for part in nx.connected_components(graph) for node in part}
        bridges = set(nx.bridges(graph))
        narrow = [e for e in capped if e in bridges or e[::-1] in bridges]
        narrow.sort(key=lambda e: (caps[graph.edges[e]["id"]], e))
        cut = nx.Graph(graph.edges)
        for a, b in narrow[:MOST_BRIDGES]:
            self.instance.look()
            cut.remove_edge(a, b)
            side = frozenset(nx.node_connected_component(cut, a))
            cut.add_edge(a, b)
            other = frozenset(whole[a]) - side
            sides.add(min(side, other, key=lambda p: (len(p), sorted(p))))
        found: dict[tuple[str, ...], Side] = {}
        place_of = [network.place_near(d) for d in self.instance.device_ids]
        for part in sorted(sides, key=lambda p: (len(p), sorted(p))):
            self.instance.look()
            ids = tuple(sorted({id_ for a, b, id_ in pieces if (a in part) != (b in part)}))
            if ids and caps.keys() >= set(ids) and ids not in found:
                inner = [place in part for place in place_of]
                crossing = {
                    inside: frozenset(
                        b for b, block in enumerate(self.blocks)
                        if any(inner[i] != inside for i in block.devices)
                    )
                    for inside in (False, True)
                }
                at = frozenset(
                    s for s, id_ in enumerate(self.instance.switch_ids)
                    if network.place_near(id_) in part
                )
                found[ids] = self._side(at, ids, crossing, inner)
        return list(found.values())

    def _side(
        self,
        at: frozenset[int],
        openings: tuple[str, ...],
        crossing: dict[bool, frozenset[int]],
        is_inside: list[bool],
    ) -> Side:
        inst, backbone = self.instance, self.backbone
        others = frozenset(range(inst.switch_count)) - at
        hanging = [
            frozenset(b for b, there in enumerate(self.open_at) if there and there <= side)
            for side in (at, others)
        ]
        through = {
            k: len(backbone.link_passes(k).intersection(openings))
            for k in range(len(backbone.links))
        }
        at_device = [self.open_at[self.block_of[i]] for i in range(inst.n)]
        return Side(
            at, openings, sum(backbone.pathway_caps[p] for p in openings), crossing,
            (hanging[0], hanging[1]), {k: times for k, times in through.items() if times},
            tuple(needs(inst, at, at_device, is_inside)) if at and others else None,
        )

    def _too_many_links(self) -> dict[str, list[int]]:
        """By pathway: the links through it, where more are listed than fit.

        Those that alone are the openings of a part are left out: more is known of them.
        """
        backbone, seen = self.backbone, {side.openings for side in self.sides}
        through = {
            p: [k for k in range(len(backbone.links)) if p in backbone.link_passes(k)]
            for p in backbone.pathway_caps if (p,) not in seen
        }
        return {p: links for p, links in through.items() if len(links) > backbone.pathway_caps[p]}


def _telling(rows: Sequence[Hold]) -> list[Hold]:
    """Those rows of which no other asks for as much of a line, or more, for every block."""
    kept: list[Hold] = []
    for row in rows:
        if not any(_says_all(other, row) for other in kept):
            kept = [other for other in kept if not _says_all(row, other)] + [row]
    return kept


def _says_all(one: Hold, two: Hold) -> bool:
    return bool((one.taken.astype(object) * two.each >= two.taken.astype(object) * one.each).all())


def whole_shares(taken: Sequence[int], each: int) -> list[tuple[list[int], int]]:
    """What blocks take of a line in whole shares of it, where that says more.

    If a line is cut into k + 1 shares, a block that takes more than j of them leaves room for less
    than k + 1 - j, whatever remains over: it counts for j of k (dual feasible functions of Fekete
    and Schepers 2001). So two blocks that take two fifths each fill a line.
    """
    found: list[tuple[list[int], int]] = []
    for k in range(1, MOST_TO_A_LINE + 1):
        counted = []
        for size in taken:
            shares, over = divmod((k + 1) * min(size, each), each)
            counted.append(shares * (k + 1 if over else k))
        most = k * (k + 1)
        if any(n * each > size * most for n, size in zip(counted, taken, strict=True)):
            found.append((counted, most))
    return found
