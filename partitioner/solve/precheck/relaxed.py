"""What any layout has to keep of switches, ports, pathways and backbone, as a small integer model.

Where each block of devices hangs and how many segments each switch has, but not which devices share
one: every row holds for every layout, so that a model without a solution proves that there is none.
Each row knows the statements of the problem that it rests on, and can be left out with any of them.
"""

from __future__ import annotations

import copy
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

import networkx as nx
import numpy as np
import numpy.typing as npt
from ortools.sat.python import cp_model

from partitioner.errors import NoAnswer
from partitioner.model.problem import BackboneShape, GroupKind
from partitioner.solve.arrays import Ints
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.cpsat import run
from partitioner.solve.instance import PortClass
from partitioner.solve.precheck.blocks import Homes, Reason, blocks_of
from partitioner.solve.precheck.statements import Key
from partitioner.timing.frames import slot_on_link_ns
from partitioner.units import PPM

WORK = 0.5
"""Deterministic seconds that one solve may take."""
MOST_CLIQUES = 6
"""Sets of devices of which no two share a line, tried for each switch and grade."""
MOST_BRIDGES = 300
"""Pathways tried that alone join two parts, those with the least room first."""
MOST_BUDGETS = 4
"""Steps of tightness by which devices with tight deadlines are counted on lines."""

Terms = dict[int, int]
"""Weight by variable."""


@dataclass(frozen=True, slots=True)
class Row:
    """The weighted sum of some variables is at most ``most``, by the statements in ``because``."""

    terms: Terms
    most: int
    because: Reason


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

    def all_statements(self) -> frozenset[Key]:
        """Statements that keep some block off some home."""
        return frozenset(
            key for rows in self.homes for home in rows for r in home.against for key in r
        )

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
        if data.source_device is not None and target is not None and latency.may_share_a_line(
            data.source_device, target
        ):
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


class Relaxation:
    """Rows over some blocks of a problem.

    Parameters
    ----------
    blocks
        Numbers of the blocks that are to be placed.
    is_strict
        All statements stay in force, so that homes they rule out need not be thought of.
    """

    def __init__(self, places: Places, blocks: Iterable[int], *, is_strict: bool = False):
        self.places, self.instance = places, places.instance
        self.blocks = sorted(blocks)
        self.upper: list[int] = []
        self.rows: list[Row] = []
        self.home_of: list[Home | None] = []
        """By variable: the home it stands for."""
        inst = self.instance
        self.at: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
        """By switch and grade: (block, variable)."""
        self.on: dict[tuple[int, int], list[int]] = defaultdict(list)
        """By block and switch: variables."""
        self.of_block: dict[int, list[int]] = {}
        self.opened = [self._var(1) for _ in range(inst.switch_count)]
        for b in self.blocks:
            self.of_block[b] = []
            for home in places.homes[b]:
                if is_strict and home.against:
                    continue
                v = self._var(1, home)
                self.of_block[b].append(v)
                self.at[home.switch, home.grade].append((b, v))
                self.on[b, home.switch].append(v)
        self._ports()
        for (s, g), here in self.at.items():
            inst.look()
            self._segments(s, g, here)
        self._groups()
        self._pathways()
        self._streams()
        self._load_between_switches()
        self._openings()

    def _var(self, upper: int, home: Home | None = None) -> int:
        self.upper.append(upper)
        self.home_of.append(home)
        return len(self.upper) - 1

    def _row(
        self, terms: Iterable[tuple[int, int]], most: int, because: Iterable[Key] = ()
    ) -> None:
        summed: Terms = defaultdict(int)
        for v, weight in terms:
            summed[v] += weight
        self.rows.append(Row(dict(summed), most, frozenset(because)))

    @property
    def size(self) -> int:
        """Terms of all rows: what making and solving it takes goes with that."""
        return sum(len(row.terms) for row in self.rows)

    def statements(self) -> frozenset[Key]:
        """All statements that rows, homes or the backbone rest on."""
        keys = {key for row in self.rows for key in row.because}
        for b in self.blocks:
            keys.update(key for h in self.places.homes[b] for r in h.against for key in r)
        backbone = self.instance.problem.backbone
        if self.instance.switch_count > 1:
            if backbone.shape.joins_all:
                keys.add(("backbone-shape",))
            keys.add(("backbone-link",))
            keys.update(self.places.unreached())
        return frozenset(keys)

    # -- ports, segments ----------------------------------------------------------------------

    def _ports(self) -> None:
        """A port group has so many ports."""
        inst = self.instance
        self.count: dict[tuple[int, int], list[int]] = defaultdict(list)
        groups: dict[tuple[int, int], list[int]] = defaultdict(list)
        size = len(self.blocks)
        for (s, g), ports in self.places.ports.items():
            for port in ports:
                v = self._var(size)
                self.count[s, g].append(v)
                groups[s, port.group].append(v)
        for (s, number), used in groups.items():
            switch = inst.problem.switches[inst.switch_ids[s]]
            self._row(
                ((v, 1) for v in used), switch.port_groups[number].count,
                [("port-exists", switch.id, str(number))],
            )

    def _most_segments(self, s: int, g: int) -> int:
        return sum(port.count for port in self.places.ports[s, g])

    def _segments(self, s: int, g: int, here: list[tuple[int, int]]) -> None:
        """Segments of a grade at a switch hold what hangs there."""
        inst = self.instance
        data = inst.grades[g]
        segments = [(v, -1) for v in self.count[s, g]]
        if not data.is_line:
            self._row([*((v, 1) for _, v in here), *segments], 0)
            return
        self._lines(g, here, segments)
        self._groups_on_lines(here, segments)
        self._too_far_apart(s, g, here, segments)
        self._kinds(g, here, segments)
        self._tight_deadlines(g, here, segments)

    def _members(self, blocks: Iterable[int]) -> set[int]:
        return {i for b in blocks for i in self.places.blocks[b].devices}

    def _lines(
        self, g: int, here: Sequence[tuple[int, int]], segments: list[tuple[int, int]]
    ) -> None:
        """So many lines as ``segments`` say hold what is ``here``: nodes, loads, cable."""
        for weights, each, because in self.places.holds[g]:
            terms = [(v, weights[b]) for b, v in here]
            if sum(w for _, w in terms) > each:
                self._row([*terms, *((v, each * w) for v, w in segments)], 0, because)
        self._row([*((v, 1) for _, v in here), *((v, len(here) * w) for v, w in segments)], 0)

    def _groups_on_lines(
        self, here: list[tuple[int, int]], segments: list[tuple[int, int]]
    ) -> None:
        """Of a group apart there is one on each line, of a set watched no more than may be lost."""
        inst, blocks = self.instance, self.places.blocks
        for group in inst.problem.groups:
            if group.kind is not GroupKind.TOGETHER:
                members = {inst.index[d] for d in group.devices}
                terms = [
                    (v, n) for b, v in here if (n := len(members & set(blocks[b].devices)))
                ]
                if len(terms) > 1:
                    self._row([*terms, *segments], 0, [("group", group.id)])
        for (members_, cap), rule in zip(inst.loss_caps, inst.problem.failure_rules, strict=True):
            watched = set(members_)
            terms = [
                (v, n) for b, v in here if (n := len(watched & set(blocks[b].devices)))
            ]
            if sum(n for _, n in terms) > cap:
                self._row(
                    [*terms, *((v, -cap) for v, _ in segments)], 0, [("failure", rule.id)]
                )

    def _too_far_apart(
        self, s: int, g: int, here: list[tuple[int, int]], segments: list[tuple[int, int]]
    ) -> None:
        """Of devices that differ too much, or are too far apart for one line, one is on each."""
        inst = self.instance
        data, line = inst.grades[g], inst.problem.line
        open_homes = [
            (b, v) for b, v in here
            if (home := self.home_of[v]) is not None and not home.against
        ]
        room = self._most_segments(s, g)
        if len(open_homes) <= room or len(open_homes) < 2:
            return
        first = [self.places.blocks[b].devices[0] for b, _ in open_homes]
        way = inst.way_um(first, first)
        near = inst.switch_um[s, first]
        along = np.minimum(near[:, None], near[None, :]) + way
        if inst.line_may_pass_through:
            along = np.minimum(along, near[:, None] + near[None, :])
        far = along + 2 * (line.drop_slack_um + line.end_slack_um) > data.max_length_um
        clash = inst.conflict[np.ix_(first, first)]
        graph = far | clash
        np.fill_diagonal(graph, False)
        seen: set[tuple[int, ...]] = set()
        degrees = graph.sum(axis=1)
        for start in np.argsort(-degrees, kind="stable")[: 4 * MOST_CLIQUES].tolist():
            if degrees[start] < room or len(seen) == MOST_CLIQUES:
                break
            clique, left = [start], graph[start].copy()
            while left.any():
                more = int(np.argmax(np.where(left, (graph & left).sum(axis=1), -1)))
                clique.append(more)
                left &= graph[more]
            key = tuple(sorted(clique))
            if len(key) <= room or key in seen:
                continue
            seen.add(key)
            because: set[Key] = set()
            for n, a in enumerate(key):
                for b in key[n + 1 :]:
                    if far[a, b]:
                        because.add(("length", data.id))
                        if not inst.line_may_pass_through:
                            because.add(("switch-position",))
                    else:
                        because |= self.places.rules.clash(first[a], first[b])
            self._row([*((open_homes[k][1], 1) for k in key), *segments], 0, because)

    def _kinds(self, g: int, here: list[tuple[int, int]], segments: list[tuple[int, int]]) -> None:
        """Kinds of devices (level, domain) that never mix have lines of their own each."""
        inst, blocks = self.instance, self.places.blocks
        devices = list(inst.problem.devices.values())
        for keys, kind_of in (
            ({("safety-span",)}, lambda d: (d.safety_level, None)),
            ({("security-domain",)}, lambda d: (None, d.security_domain)),
            ({("safety-span",), ("security-domain",)},
             lambda d: (d.safety_level, d.security_domain)),
        ):
            by_kind: dict[object, list[tuple[int, int]]] = defaultdict(list)
            for b, v in here:
                for i in blocks[b].devices:
                    kind = kind_of(devices[i])
                    if (b, v) not in by_kind[kind][-1:]:
                        by_kind[kind].append((b, v))
            graph = nx.Graph()
            kinds = sorted(by_kind, key=repr)
            for n, one in enumerate(kinds):
                for two in kinds[n + 1 :]:
                    if self._differ(one, two, keys):
                        graph.add_edge(one, two)
            if not graph:
                continue
            lines = {}
            for kind in sorted(graph, key=repr):
                v = lines[kind] = self._var(len(self.blocks))
                self._lines(g, by_kind[kind], [(v, -1)])
            for clique in sorted(nx.find_cliques(graph), key=repr):
                self._row([*((lines[k], 1) for k in clique), *segments], 0, keys)

    def _differ(self, one: object, two: object, keys: Collection[Key]) -> bool:
        """Whether two kinds clash by what makes them kinds."""
        inst = self.instance
        assert isinstance(one, tuple)
        assert isinstance(two, tuple)
        span = inst.problem.sharing.safety_span
        if ("safety-span",) in keys and span is not None and None not in (one[0], two[0]) and (
            abs(one[0] - two[0]) > span
        ):
            return True
        domains = {one[1], two[1]} - {None}
        return ("security-domain",) in keys and len(domains) > 1 and not any(
            domains <= s for s in inst.domain_sets
        )

    def _tight_deadlines(
        self, g: int, here: list[tuple[int, int]], segments: list[tuple[int, int]]
    ) -> None:
        """A line with tight deadlines has a short cycle, in which few devices find room."""
        inst, blocks = self.instance, self.places.blocks
        least = self.places.builder.latency.least(g)
        size = inst.grades[g].max_devices
        budget = {b: min(int(least.budget_ns[i]) for i in blocks[b].devices) for b, _ in here}
        slot = {b: sum(int(least.slot_ns[i]) for i in blocks[b].devices) for b, _ in here}
        known = sorted(set(budget.values()))
        steps = known[:: max(1, len(known) // MOST_BUDGETS)]
        for most in dict.fromkeys([*steps, known[-1]]):
            room = most - least.base_cycle_ns
            inside = [(b, v) for b, v in here if budget[b] <= most]
            shortest = sorted(slot[b] for b, _ in inside)
            if room <= 0 or sum(shortest[: size + 1]) <= room:
                # Late even alone, which is seen elsewhere; or the node limit says more.
                continue
            because = {
                ("deadline", inst.streams[j].id)
                for i in self._members(b for b, _ in inside)
                for j in (*inst.sent_by[i], *inst.received_by[i])
            }
            self._row(
                [*((v, slot[b]) for b, v in inside), *((v, -room) for v, _ in segments)],
                0, because,
            )

    # -- groups, failures ---------------------------------------------------------------------

    def _groups(self) -> None:
        """Groups apart and sets watched keep to their numbers on each switch."""
        inst = self.instance
        for group in inst.problem.groups:
            if group.kind is GroupKind.APART_SWITCH:
                self._cap([inst.index[d] for d in group.devices], 1, ("group", group.id))
        for (members, cap), rule in zip(inst.loss_caps, inst.problem.failure_rules, strict=True):
            self._cap(members, cap, ("failure", rule.id))

    def _cap(self, members: Sequence[int], cap: int, key: Key) -> None:
        of_block: dict[int, int] = defaultdict(int)
        for i in members:
            of_block[self.places.block_of[i]] += 1
        inside = [b for b in of_block if b in self.of_block]
        if sum(of_block[b] for b in inside) <= cap:
            return
        for s in range(self.instance.switch_count):
            terms = [(v, of_block[b]) for b in inside for v in self.on[b, s]]
            self._row(terms, cap, [key])

    # -- pathways -----------------------------------------------------------------------------

    def _pathways(self) -> None:
        """No more segments leave or enter a part of the pathways than its openings let through."""
        places, network = self.places, self.instance.network
        caps = places.backbone.pathway_caps
        if not network.has_pathways or not caps:
            return
        graph = network.graph
        capped = [(a, b) for a, b, d in graph.edges(data=True) if d["id"] in caps]
        if not capped:
            return
        rest = graph.copy()
        rest.remove_edges_from(capped)
        parts = [frozenset(part) for part in nx.connected_components(rest)]
        sides = set(parts)
        whole = {node: part for part in nx.connected_components(graph) for node in part}
        bridges = set(nx.bridges(graph))
        narrow = [e for e in capped if e in bridges or e[::-1] in bridges]
        narrow.sort(key=lambda e: (caps[graph.edges[e]["id"]], e))
        if narrow:
            cut = nx.Graph(graph.edges)
            for a, b in narrow[:MOST_BRIDGES]:
                self.instance.look()
                cut.remove_edge(a, b)
                side = frozenset(nx.node_connected_component(cut, a))
                cut.add_edge(a, b)
                other = frozenset(whole[a]) - side
                sides.add(min(side, other, key=lambda p: (len(p), sorted(p))))
        done: set[frozenset[str]] = set()
        for side in sorted(sides, key=lambda p: (len(p), sorted(p))):
            self.instance.look()
            ids = frozenset(
                d["id"] for a, b, d in graph.edges(data=True) if (a in side) != (b in side)
            )
            if ids and ids <= caps.keys() and ids not in done:
                done.add(ids)
                self._through(side, ids)

    def _through(self, side: frozenset[str], openings: frozenset[str]) -> None:
        inst, places = self.instance, self.places
        caps = places.backbone.pathway_caps
        most = sum(caps[p] or 0 for p in openings)
        network = inst.network
        inner = {i for i, place in enumerate(places.place_of) if place in side}
        crossing: list[tuple[int, int]] = []
        possible = 0
        crosses = {
            inside: {
                b for b in self.blocks
                if any((i in inner) != inside for i in places.blocks[b].devices)
            }
            for inside in (False, True)
        }
        for (s, g), here in self.at.items():
            inside = network.place_near(inst.switch_ids[s]) in side
            there = [(b, v) for b, v in here if b in crosses[inside]]
            if not there:
                continue
            possible += len(there)
            if inst.grades[g].is_line:
                v = self._var(len(self.blocks))
                self._lines(g, there, [(v, -1)])
                self._groups_on_lines(there, [(v, -1)])
                crossing.append((v, 1))
            else:
                crossing += [(v, 1) for _, v in there]
        if possible > most:
            self._row(crossing, most, [("pathway-capacity", p) for p in sorted(openings)])

    # -- streams ------------------------------------------------------------------------------

    def _streams(self) -> None:
        """Both ends of a stream hang where it arrives in time, if only by its bare way."""
        inst, places = self.instance, self.places
        done: set[tuple[int, int, bytes]] = set()
        for j, data in enumerate(inst.streams):
            source = data.source_device
            if source is None or places.block_of[source] not in self.of_block:
                continue
            a = places.block_of[source]
            for target in data.targets:
                if target.device is None:
                    continue
                b = places.block_of[target.device]
                if b == a or b not in self.of_block:
                    continue
                late = places.time_reasons(j, target.device)
                if not late.any() or (key := (a, b, late.tobytes())) in done:
                    continue
                done.add(key)
                inst.look()
                for s in range(inst.switch_count):
                    kinds = set(late[s].tolist()) - {0}
                    if kinds and self.on[a, s]:
                        because = {k for kind in kinds for k in places.reason_of(j, kind)}
                        fine = [
                            (v, -1) for t in np.flatnonzero(late[s] == 0).tolist()
                            for v in self.on[b, t]
                        ]
                        self._row(
                            [*((v, 1) for v in self.on[a, s]), *fine], 0, because
                        )

    def _load_between_switches(self) -> None:
        """What enters or leaves a switch, or one side of the backbone, fits on the links there."""
        inst, backbone = self.instance, self.places.backbone
        graph = nx.Graph()
        graph.add_nodes_from(range(inst.switch_count))
        rates = inst.problem.catalogue.grades
        for link in backbone.links:
            if link.grades:
                graph.add_edge(*link.ends)
        if not graph.edges:
            return
        share = min(inst.problem.backbone.load_share_ppm, PPM)
        fastest = max(rates[g].rate_bps for k in backbone.links for g in k.grades)
        loads = [
            slot_on_link_ns(d.frame_bytes, fastest) * PPM // d.period_ns for d in inst.streams
        ]
        if sum(loads) <= share:
            return
        sides = {frozenset({s}) for s in range(inst.switch_count)}
        for a, b in nx.bridges(graph):
            cut = graph.copy()
            cut.remove_edge(a, b)
            sides.add(frozenset(nx.node_connected_component(cut, a)))
        for side in sorted(sides, key=sorted):
            links = [k for k in backbone.links if k.grades and len(side & set(k.ends)) == 1]
            if links and sum(loads) > share * len(links):
                self._flow(side, share * len(links), loads, outward=True)
                self._flow(side, share * len(links), loads, outward=False)

    def _flow(self, side: frozenset[int], most: int, loads: list[int], *, outward: bool) -> None:
        inst, places = self.instance, self.places
        terms: list[tuple[int, int]] = []
        constant = 0
        for j, data in enumerate(inst.streams):
            if not loads[j]:
                continue
            # It crosses if it begins on one side and its first target is on the other.
            target = data.targets[0]
            ends = ((data.source_device, data.source_switch), (target.device, target.switch))
            row: list[tuple[int, int]] = []
            sure = -1
            for (device, switch), here in zip(ends, (outward, not outward), strict=True):
                if device is None:
                    sure += int((switch in side) == here)
                elif (b := places.block_of[device]) in self.of_block:
                    row += [
                        (v, 1) for s in range(inst.switch_count)
                        if (s in side) == here for v in self.on[b, s]
                    ]
                else:
                    sure -= 1
            if not row:
                constant += loads[j] * max(0, sure)
                continue
            crosses = self._var(1)
            self._row([*row, (crosses, -1)], -sure)
            terms.append((crosses, loads[j]))
        self._row(terms, most - constant, [("backbone-load",)])

    # -- switches -----------------------------------------------------------------------------

    def _openings(self) -> None:
        """Switches that something hangs on are open, and those that have to be."""
        inst = self.instance
        at: dict[int, list[int]] = defaultdict(list)
        for (_, s), there in self.on.items():
            at[s] += there
        for s, switch in enumerate(inst.problem.switches.values()):
            hanging = at[s]
            if hanging:
                self._row(
                    [*((v, 1) for v in hanging), (self.opened[s], -len(hanging))], 0
                )
            if switch.required or s in inst.talking_switches:
                self._row([(self.opened[s], -1)], -1, [("switch-open", switch.id)])

    # -- solving ------------------------------------------------------------------------------

    def has_none(self, active: Collection[Key] | None = None) -> bool:
        """Whether it is proved that the blocks find no places while only these are in force.

        ``active``: all statements if not given.
        """
        inst, backbone = self.instance, self.places.backbone
        active = self.statements() if active is None else frozenset(active)
        model = cp_model.CpModel()
        made: dict[int, cp_model.IntVar] = {}

        def var(v: int) -> cp_model.IntVar | None:
            home = self.home_of[v]
            if home is not None and any(r <= active for r in home.against):
                return None
            if v not in made:
                made[v] = model.new_int_var(0, self.upper[v], "")
            return made[v]

        for b in self.blocks:
            there = [x for v in self.of_block[b] if (x := var(v)) is not None]
            if not there:
                return True
            model.add_exactly_one(there)
        for row in self.rows:
            if row.because <= active:
                terms = [
                    (x, w) for v, w in row.terms.items() if w and (x := var(v)) is not None
                ]
                if terms:
                    model.add(
                        cp_model.LinearExpr.weighted_sum(
                            [x for x, _ in terms], [w for _, w in terms]
                        ) <= row.most
                    )
                elif row.most < 0:
                    return True
        opened = [x for v in self.opened if (x := var(v)) is not None]
        self._add_backbone(model, opened, backbone, active)

        def stop() -> bool:
            try:
                inst.look()
            except NoAnswer:
                return True
            return False

        result = run(
            model, list(made.values()), seconds=10.0, workers=1, seed=0, should_stop=stop,
            work_limit=WORK,
        )
        inst.look()
        return result.proved and result.values is None

    def _add_backbone(
        self,
        model: cp_model.CpModel,
        opened: list[cp_model.IntVar],
        backbone: BackboneData,
        active: frozenset[Key],
    ) -> None:
        """The links between open switches, as far as what is asked of them is in force."""
        if len(opened) < 2 or ("backbone-link",) not in active:
            return
        eased = copy.copy(backbone)
        eased.links = [
            replace(link, grades=link.grades or self.instance.problem.backbone.links[k].grades)
            if ("backbone-reach", str(k)) not in active else link
            for k, link in enumerate(backbone.links)
        ]
        if backbone.shape.joins_all and ("backbone-shape",) not in active:
            eased.shape = BackboneShape.ANY
        built = {
            (k, g): model.new_bool_var("")
            for k, link in enumerate(eased.links) for g in link.grades
        }
        eased.add_shape(model, opened, built)
