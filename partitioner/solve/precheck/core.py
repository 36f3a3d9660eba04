"""A small part of a problem that already has no layout: few devices, few statements."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from partitioner.solve.precheck.places import Places
from partitioner.solve.precheck.relaxed import Relaxation
from partitioner.solve.precheck.statements import Key

MOST_TERMS = 300_000
"""Terms of rows that may be solved, all solves together, to find a small part."""
WHOLE_SOLVES = 1
"""Solves of all rows that may come on top of these."""
A_SOLVE = 2_000
"""Terms that take about as long as what every solve takes besides."""
SPARED_LAST = (
    "deadline", "backbone-load", "load", "failure", "option-tail", "switch-position",
    "security-domain", "safety-span", "spacing", "unit-loads", "backbone-shape",
)
"""Rules that a proof does without if it can, in this order: the further from plain counting."""

Item = TypeVar("Item")


def _spared(key: Key) -> tuple[int, Key]:
    rule = key[0]
    return (SPARED_LAST.index(rule) if rule in SPARED_LAST else len(SPARED_LAST), key)


@dataclass(frozen=True, slots=True)
class Core:
    """Blocks that find no places while the statements are in force: proved."""

    blocks: tuple[int, ...]
    statements: tuple[Key, ...]


class Shrinking:
    """Leaves out what is not needed, as far as a number of solves goes."""

    def __init__(self, places: Places):
        self._places = places
        self._left = MOST_TERMS

    def core(self) -> Core | None:
        """A part of the problem without a layout, None if none is proved."""
        places = self._places
        everything = range(len(places.blocks))
        rows = Relaxation(places, everything, is_strict=True)
        if not rows.has_none():
            return None
        self._left += WHOLE_SOLVES * rows.size
        blocks = self._fewer(
            sorted(everything, key=self._where),
            self._is_too_much,
            self._left // 2,
        )
        rows = Relaxation(places, blocks)
        if not rows.has_none():
            # With every home to choose from the solver may not see it in its time.
            rows = Relaxation(places, blocks, is_strict=True)
        together = {key for b in blocks for key in places.blocks[b].groups}
        keys = sorted(rows.statements() - together, key=_spared)
        families = list(dict.fromkeys(key[0] for key in keys))
        kept = self._fewer(
            families,
            lambda some: self._has_none(
                rows, [*together, *(k for k in keys if k[0] in set(some))]
            ),
        )
        statements = self._fewer(
            [k for k in keys if k[0] in set(kept)],
            lambda some: self._has_none(rows, [*together, *some]),
        )
        blocks = self._fewer(
            blocks, lambda some: self._has_none(Relaxation(places, some), [*together, *statements]),
        )
        together = {key for b in blocks for key in places.blocks[b].groups}
        return Core(tuple(sorted(blocks)), tuple(sorted({*statements, *together})))

    def _is_too_much(self, blocks: Iterable[int]) -> bool:
        """Whether blocks find no places while everything is in force."""
        return self._has_none(Relaxation(self._places, blocks, is_strict=True))

    def _has_none(self, rows: Relaxation, active: Iterable[Key] | None = None) -> bool:
        self._left -= rows.size + A_SOLVE
        return rows.has_none(None if active is None else list(active))

    def _where(self, block: int) -> tuple[int, int]:
        """Neighbours stand beside each other in this order, so that many can go at once."""
        inst = self._places.instance
        device = self._places.blocks[block].devices[0]
        return int(inst.switch_um[:, device].argmin()), block

    def _fewer(
        self, items: Sequence[Item], is_enough: Callable[[list[Item]], bool], floor: int = 0
    ) -> list[Item]:
        """Leave out ever smaller runs of items while the rest is enough.

        It stops when no more than ``floor`` terms are left to solve.
        """
        kept = list(items)
        size = (len(kept) + 1) // 2
        while size:
            start = 0
            while start < len(kept):
                if self._left <= floor:
                    return kept
                rest = kept[:start] + kept[start + size :]
                if is_enough(rest):
                    kept = rest
                else:
                    start += size
            size //= 2
        return kept
