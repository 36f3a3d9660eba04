"""What any layout has to keep of switches, ports, pathways and backbone, as a small integer model.

Where each block of devices hangs and how many segments each switch has, but not which devices share
one: every row holds for every layout, so that a model without a solution proves that there is none.
Each row knows the statements of the problem that it rests on, and can be left out with any of them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from itertools import combinations

import networkx as nx
import numpy as np

from partitioner.solve.precheck.link_rows import LinkRows
from partitioner.solve.precheck.places import IN_TIME, Places
from partitioner.solve.precheck.rows import Rows
from partitioner.solve.precheck.segment_rows import SegmentRows
from partitioner.timing.frames import slot_on_link_ns
from partitioner.units import PPM

MOST_KINDS = 40
"""Devices behind a pathway up to which it is looked at which of them may share a line, and how many
of those with tight deadlines."""

End = tuple[int | None, int | None]
"""Block or, of streams that a switch sends or receives itself, switch."""


class Relaxation(Rows):
    """All rows over some blocks of a problem, those of pathways only where asked for."""

    def __init__(
        self,
        places: Places,
        blocks: Iterable[int],
        *,
        is_strict: bool = False,
        has_pathways: bool = True,
    ):
        super().__init__(places, blocks, is_strict=is_strict)
        self._segments = SegmentRows(self)
        for (s, g), here in self.at.items():
            self.instance.look()
            self._segments.add(s, g, here)
        self._groups()
        self._cuts()
        if has_pathways:
            self.add_pathways()
        self._streams()
        self._load_between_switches()
        self._openings()

    # -- groups, failures ---------------------------------------------------------------------

    def _groups(self) -> None:
        """Groups apart and sets watched keep to their numbers on each switch."""
        for rule in self.places.counted:
            inside = [b for b in rule.of_block if b in self.of_block]
            if rule.is_by_switch and sum(rule.of_block[b] for b in inside) > rule.most:
                for s in range(self.instance.switch_count):
                    terms = [(v, rule.of_block[b]) for b in inside for v in self.on[b, s]]
                    self.add(terms, rule.most, [rule.key])

    def _cuts(self) -> None:
        """No failure of a link or switch cuts off more watched devices than may be lost."""
        block_of = self.places.block_of
        for cut in self.places.cuts:
            terms: list[tuple[int, int]] = []
            for dependent in cut.watched:
                own = block_of[dependent.device]
                partners = {block_of[i] for i in dependent.partners}
                if not self.of_block.keys() >= partners | {own}:
                    continue
                if cut.down is not None:
                    terms += [(v, 1) for v in self.on[own, cut.down]]
                for part, others in cut.sides(dependent):
                    ends = [(own, part, True), *((b, others, True) for b in partners)]
                    terms.append((self._if_all(ends), 1))
            if sum(weight for _, weight in terms) > cut.most:
                because = [cut.key, ("backbone-link",), *self.places.unreached()]
                self.add(terms, cut.most, because)

    # -- pathways -----------------------------------------------------------------------------

    def add_pathways(self) -> None:
        """No more cables leave or enter a part of the pathways than its openings let through."""
        inst = self.instance
        if not self.places.is_narrow:
            return
        links = LinkRows(self)
        for side in self.places.sides:
            inst.look()
            crossing: list[tuple[int, int]] = []
            ways = []
            for (s, g), here in self.at.items():
                crosses = side.crossing[s in side.switches]
                there = [(b, v) for b, v in here if b in crosses]
                if there:
                    ways.append((g, there))
            blocks = {b for _, there in ways for b, _ in there}
            if len(blocks) + side.most_for_links <= side.most:
                continue
            crossing += links.across(side)
            for g, there in ways:
                if inst.grades[g].is_line:
                    v = self.var(len(there))
                    self._segments.lines(g, there, [(v, -1)])
                    self._segments.groups_on_lines(there, [(v, -1)])
                    if len(there) <= MOST_KINDS:
                        self._segments.kinds(g, there, [(v, -1)])
                        self._segments.tight_deadlines(g, there, [(v, -1)])
                    crossing.append((v, 1))
                else:
                    crossing += [(v, 1) for _, v in there]
            self.add(crossing, side.most, [("pathway-capacity", p) for p in side.openings])

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
                    there = [(v, 1) for v in self.on[a, s]]
                    for kinds in self._sets_of(set(late[s].tolist()) - {IN_TIME}) if there else ():
                        because = {
                            k for kind in kinds for k in places.reason_of(j, target.device, kind)
                        }
                        fine = np.flatnonzero(~np.isin(late[s], list(kinds))).tolist()
                        self.add(
                            [*there, *((v, -1) for t in fine for v in self.on[b, t])], 0, because
                        )

    def _sets_of(self, kinds: set[int]) -> list[tuple[int, ...]]:
        """Those of which a row says something: without some there is less in the way."""
        sizes = range(len(kinds) if self.is_strict else 1, len(kinds) + 1)
        return [some for size in sizes if size for some in combinations(sorted(kinds), size)]

    def _load_between_switches(self) -> None:
        """What enters or leaves a switch, or one side of the backbone, fits on the links there."""
        inst, backbone = self.instance, self.places.backbone
        graph, rates = backbone.graph(), inst.problem.catalogue.grades
        if not graph.edges:
            return
        share = min(inst.problem.backbone.load_share_ppm, PPM)
        fastest = max(rates[g].rate_bps for k in backbone.links for g in k.grades)
        loads = [slot_on_link_ns(d.frame_bytes, fastest) * PPM // d.period_ns for d in inst.streams]
        if sum(loads) <= share:
            return
        sides = {frozenset({s}) for s in range(inst.switch_count)}
        for a, b in nx.bridges(graph):
            cut = graph.copy()
            cut.remove_edge(a, b)
            sides.add(frozenset(nx.node_connected_component(cut, a)))
        between = self._between_ends(loads)
        for side in sorted(sides, key=sorted):
            links = [k for k in backbone.links if k.grades and len(side & set(k.ends)) == 1]
            if links and sum(loads) > share * len(links):
                self._flow(side, share * len(links), between, outward=True)
                self._flow(side, share * len(links), between, outward=False)

    def _between_ends(self, loads: list[int]) -> dict[tuple[End, End], int]:
        """What has to get from where to where, blocks that are not looked at left out."""
        between: dict[tuple[End, End], int] = defaultdict(int)
        for data, load in zip(self.instance.streams, loads, strict=True):
            target = data.targets[0]
            ends: list[End] = []
            for device, switch in (
                (data.source_device, data.source_switch),
                (target.device, target.switch),
            ):
                if device is None:
                    ends.append((None, switch))
                elif (b := self.places.block_of[device]) in self.of_block:
                    ends.append((b, None))
            if len(ends) == 2:
                between[ends[0], ends[1]] += load
        return between

    def _flow(
        self,
        side: frozenset[int],
        most: int,
        between: dict[tuple[End, End], int],
        *,
        outward: bool,
    ) -> None:
        """What has to leave (or enter) a side of the backbone has room on the links there."""
        rows = []
        for ends, load in between.items():
            blocks = []
            for (block, switch), here in zip(ends, (outward, not outward), strict=True):
                if block is not None:
                    blocks.append((block, here))
                elif (switch in side) != here:
                    break
            else:
                # It crosses if it begins on one side and its first target is on the other.
                if blocks:
                    rows.append((blocks, load))
                else:
                    most -= load
        if sum(load for _, load in rows) <= most:
            return
        terms = [
            (self._if_all((block, side, here) for block, here in blocks), load)
            for blocks, load in rows
        ]
        self.add(terms, most, [("backbone-load", *self._named_side(side))])

    def _named_side(self, side: frozenset[int]) -> list[str]:
        """Ids of the switches on a side of the backbone or on the other, whichever has fewer."""
        ids = self.instance.switch_ids
        other = set(range(len(ids))) - side
        few = min(sorted(side), sorted(other), key=lambda some: (len(some), some))
        return [ids[s] for s in few]

    def _if_all(self, ends: Iterable[tuple[int, frozenset[int], bool]]) -> int:
        """A variable that is 1 if each of some blocks is on its side of the backbone, or not."""
        row: list[tuple[int, int]] = []
        most = -1
        for block, side, here in ends:
            inside = [s for s in range(self.instance.switch_count) if (s in side) == here]
            outside = [s for s in range(self.instance.switch_count) if (s in side) != here]
            # Whichever has fewer terms.
            if len(inside) <= len(outside):
                row += [(v, 1) for s in inside for v in self.on[block, s]]
                most += 1
            else:
                row += [(v, -1) for s in outside for v in self.on[block, s]]
        are_all = self.var(1)
        self.add([*row, (are_all, -1)], most)
        return are_all

    # -- switches -----------------------------------------------------------------------------

    def _openings(self) -> None:
        """Switches that something hangs on are open, and those that have to be."""
        inst = self.instance
        at: dict[int, list[int]] = defaultdict(list)
        for (_, s), there in self.on.items():
            at[s] += there
        for s, switch in enumerate(inst.switch_ids):
            hanging = at[s]
            if hanging:
                self.add([*((v, 1) for v in hanging), (self.opened[s], -len(hanging))], 0)
            if s in inst.always_open:
                self.add([(self.opened[s], -1)], -1, [("switch-open", switch)])
