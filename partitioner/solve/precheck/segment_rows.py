"""What segments of a grade at a switch hold, and how many there can be."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from partitioner.solve.precheck.kinds import Kind
from partitioner.solve.precheck.places import whole_shares
from partitioner.solve.precheck.rows import Rows
from partitioner.solve.precheck.statements import Key

MOST_CLIQUES = 6
"""Sets of devices of which no two share a line, tried for each switch and grade."""
MOST_BUDGETS = 4
"""Steps of tightness by which devices with tight deadlines are counted on lines."""

Here = list[tuple[int, int]]
"""(Block, variable) of what may hang at one place."""
Segments = list[tuple[int, int]]
"""How many segments there are, as variables with the weight -1."""


class SegmentRows:
    """Adds the rows of ports and segments."""

    def __init__(self, rows: Rows):
        self._rows, self._places, self._instance = rows, rows.places, rows.instance
        self._count: dict[tuple[int, int], list[int]] = defaultdict(list)
        """By switch and grade: how many segments there are."""
        self._with_room = self._kinds_with_room()
        """Switches and grades at which every block that may hang there can have a port of its own:
        no row of ports or segments says anything of them."""
        self._ports()

    def _kinds_with_room(self) -> set[tuple[int, int]]:
        ports = self._places.ports
        hanging: dict[tuple[int, int], set[int]] = defaultdict(set)
        for (s, g), here in self._rows.at.items():
            for port in ports[s, g]:
                hanging[s, port.group].update(b for b, _ in here)
        return {
            (s, g) for s, g in self._rows.at
            if any(
                len(hanging[s, port.group]) <= port.count for port in ports[s, g]
            )
        }

    def _ports(self) -> None:
        """A port group has so many ports."""
        groups: dict[tuple[int, int, int], list[int]] = defaultdict(list)
        size = len(self._rows.blocks)
        for (s, g), ports in self._places.ports.items():
            for port in ports:
                v = self._rows.var(size)
                self._count[s, g].append(v)
                groups[s, port.group, port.count].append(v)
        for (s, number, count), used in groups.items():
            because = [("port-exists", self._instance.switch_ids[s], str(number))]
            self._rows.add(((v, 1) for v in used), count, because)

    def add(self, s: int, g: int, here: Here) -> None:
        """Segments of a grade at a switch hold what hangs there."""
        if (s, g) in self._with_room:
            return
        data = self._instance.grades[g]
        segments = [(v, -1) for v in self._count[s, g]]
        if not data.is_line:
            self._rows.add([*((v, 1) for _, v in here), *segments], 0)
            return
        self.lines(g, here, segments)
        self.groups_on_lines(here, segments)
        self._too_far_apart(s, g, here, segments)
        self.kinds(g, here, segments)
        self.tight_deadlines(g, here, segments)

    def lines(self, g: int, here: Here, segments: Segments) -> None:
        """So many lines as ``segments`` say hold what is ``here``: nodes, loads, cable."""
        there = [b for b, _ in here]
        places = self._places
        holds = places.strict_holds if self._rows.is_strict else places.holds
        for weights, each, because in holds[g]:
            taken = weights[there]
            if taken.sum() > each:
                terms = zip((v for _, v in here), taken.tolist(), strict=True)
                self._rows.add([*terms, *((v, each * w) for v, w in segments)], 0, because)
        self._rows.add([*((v, 1) for _, v in here), *((v, len(here) * w) for v, w in segments)], 0)

    def groups_on_lines(self, here: Here, segments: Segments) -> None:
        """Groups apart and sets watched keep to their numbers on each line."""
        counted: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for b, v in here:
            for n in self._places.counted_in.get(b, ()):
                counted[n].append((v, self._places.counted[n].of_block[b]))
        for n, terms in counted.items():
            rule = self._places.counted[n]
            if sum(w for _, w in terms) > rule.most:
                self._rows.add(
                    [*terms, *((v, -rule.most) for v, _ in segments)], 0, [rule.key]
                )

    def _too_far_apart(self, s: int, g: int, here: Here, segments: Segments) -> None:
        """Of devices that differ too much, or are too far apart for one line, one is on each."""
        inst = self._instance
        open_homes = [
            (b, v) for b, v in here
            if (home := self._rows.home_of[v]) is not None and not home.against
        ]
        room = sum(port.count for port in self._places.ports[s, g])
        if len(open_homes) <= room or len(open_homes) < 2:
            return
        first = [self._places.blocks[b].devices[0] for b, _ in open_homes]
        far = inst.too_far_apart(s, g, first)
        graph = far | inst.conflict[np.ix_(first, first)]
        np.fill_diagonal(graph, False)
        seen: set[tuple[int, ...]] = set()
        degrees = graph.sum(axis=1)
        order = np.argsort(-degrees, kind="stable").tolist()
        for start in order[: 4 * MOST_CLIQUES]:
            if degrees[start] < room or len(seen) == MOST_CLIQUES:
                break
            clique, left = [start], graph[start].copy()
            for more in order:
                if left[more]:
                    clique.append(more)
                    left &= graph[more]
            key = tuple(sorted(clique))
            if len(key) <= room or key in seen:
                continue
            seen.add(key)
            because: set[Key] = set()
            inside = np.ix_(key, key)
            is_far = far[inside]
            rule = np.where(is_far, 0, self._places.clash_rule[np.ix_(first, first)][inside])
            if np.triu(is_far, 1).any():
                because.add(("length", inst.grades[g].id))
                if not inst.line_may_pass_through:
                    because.add(("switch-position",))
            because |= {k for n, k in ((1, ("safety-span",)), (2, ("security-domain",)))
                        if (rule == n).any()}
            for a, b in zip(*np.nonzero(np.triu(rule == 3, 1)), strict=True):
                because |= self._places.rules.clash(first[key[a]], first[key[b]])
            self._rows.add([*((open_homes[k][1], 1) for k in key), *segments], 0, because)

    def kinds(self, g: int, here: Here, segments: Segments) -> None:
        """Kinds of devices (level, domain) that never mix have lines of their own each."""
        for kinds in self._places.kinds:
            by_kind: dict[Kind, Here] = defaultdict(list)
            for b, v in here:
                for kind in kinds.of_block[b]:
                    by_kind[kind].append((b, v))
            present = [
                {tuple(k for k in some if k in by_kind) for some in sets} - {()}
                for sets in kinds.parts
            ]
            if sum(max(map(len, sets), default=0) for sets in present) < 2:
                continue
            parts: list[Segments] = []
            for sets in present:
                lines: dict[Kind, int] = {}
                for kind in sorted({k for some in sets for k in some}):
                    lines[kind] = self._rows.var(len(self._rows.blocks))
                    self.lines(g, by_kind[kind], [(lines[kind], -1)])
                terms = [[(lines[k], 1) for k in some] for some in sorted(sets)]
                if len(terms) > 1:
                    most = self._rows.var(len(self._rows.blocks))
                    if len(present) > 1:
                        inside = {t for kind in lines for t in by_kind[kind]}
                        self.lines(g, sorted(inside), [(most, -1)])
                    for some in terms:
                        self._rows.add([*some, (most, -1)], 0, kinds.keys)
                    terms = [[(most, 1)]]
                parts += terms
            self._rows.add([*(t for part in parts for t in part), *segments], 0, kinds.keys)

    def tight_deadlines(self, g: int, here: Here, segments: Segments) -> None:
        """A line with tight deadlines has a short cycle, in which few devices find room."""
        inst, blocks = self._instance, self._places.blocks
        least = self._places.builder.latency.least(g)
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
            members = {i for b, _ in inside for i in self._places.blocks[b].devices}
            because = {("deadline", inst.streams[j].id) for j in inst.streams_of(members)}
            slots = [slot[b] for b, _ in inside]
            for taken, each in ((slots, room), *whole_shares(slots, room)):
                self._rows.add(
                    [
                        *((v, n) for (_, v), n in zip(inside, taken, strict=True)),
                        *((v, -each) for v, _ in segments),
                    ],
                    0, because,
                )
