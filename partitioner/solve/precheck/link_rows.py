"""Links between switches where they take the room of cables in pathways."""

from __future__ import annotations

from collections.abc import Iterable

from partitioner.model.problem import BackboneShape
from partitioner.solve.precheck.places import Side
from partitioner.solve.precheck.rows import Rows
from partitioner.solve.precheck.statements import Key


class LinkRows:
    """Adds the rows of links that are built, and of those that parts of the pathways need."""

    def __init__(self, rows: Rows):
        self._rows, self._places, self._instance = rows, rows.places, rows.instance
        self._backbone = self._places.backbone
        rows.linked = [rows.var(1) for _ in self._backbone.links]
        self._are_three = self._three_open()
        for link, v in zip(self._backbone.links, rows.linked, strict=True):
            if link.required or self._backbone.shape is BackboneShape.FIXED:
                ends = [(rows.opened[s], 1) for s in link.ends]
                rows.add([*ends, (v, -1)], 1, [("backbone-link",)])
        if self._backbone.shape.joins_all:
            for s in range(self._instance.switch_count):
                own = [k for k, link in enumerate(self._backbone.links) if s in link.ends]
                if all(self._backbone.link_passes(k) for k in own):
                    self._join(
                        frozenset({s}), ((rows.linked[k], -1) for k in own),
                        [("backbone-shape",), ("backbone-link",)],
                    )
        for pathway, links in self._places.too_many_links.items():
            most = self._backbone.pathway_caps[pathway]
            rows.add(((rows.linked[k], 1) for k in links), most, [("pathway-capacity", pathway)])

    def _three_open(self) -> int | None:
        """A variable that is 1 if three switches are open, where they have to form a ring."""
        rows, count = self._rows, self._instance.switch_count
        if self._backbone.shape is not BackboneShape.RING or count < 3:
            return None
        are_three = rows.var(1)
        rows.add([*((v, 1) for v in rows.opened), (are_three, 2 - count)], 2)
        return are_three

    def _join(
        self,
        part: frozenset[int],
        across: Iterable[tuple[int, int]],
        because: list[Key],
        hanging: tuple[frozenset[int], frozenset[int]] = (frozenset(), frozenset()),
    ) -> None:
        """Open switches of a part and others are joined by one link at least, in a ring by two.

        ``hanging``: blocks that surely hang on those, and on these.
        """
        rows, across = self._rows, list(across)
        ends = []
        others = frozenset(range(self._instance.switch_count)) - part
        for side, blocks in zip((part, others), hanging, strict=True):
            is_one_open = rows.opened[min(side)] if len(side) == 1 else rows.var(1)
            for s in side if len(side) > 1 else ():
                rows.add([(rows.opened[s], 1), (is_one_open, -1)], 0)
            # Linear arithmetic learns little from what all blocks together say of a switch.
            for b in sorted(blocks & rows.of_block.keys())[:1]:
                rows.add([*((v, 1) for s in side for v in rows.on[b, s]), (is_one_open, -1)], 0)
            ends.append(is_one_open)
        rows.add([*((v, 1) for v in ends), *across], 1, because)
        if self._are_three is not None:
            rows.add([*((v, 2) for v in (*ends, self._are_three)), *across], 4, because)

    def across(self, side: Side) -> list[tuple[int, int]]:
        """Room that links take in the openings of a part: a variable with its weight, or none."""
        rows = self._rows
        if not side.most_for_links:
            return []
        v = rows.var(side.most_for_links)
        rows.add([*((rows.linked[k], times) for k, times in side.links.items()), (v, -1)], 0)
        if side.needs is not None and self._backbone.shape.joins_all:
            self._join(side.switches, [(v, -1)], [("backbone-shape",)], side.hanging)
        for need in side.needs or ():
            blocks = {(self._places.block_of[i], there) for i, there in need.sides.items()}
            if rows.of_block.keys() >= {b for b, _ in blocks}:
                hanging = [x for b, there in blocks for s in there for x in rows.on[b, s]]
                most = need.least * (len(blocks) - 1)
                rows.add([*((x, need.least) for x in hanging), (v, -1)], most, [need.key])
        return [(v, 1)]
