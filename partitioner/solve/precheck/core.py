"""A small part of a problem that already has no layout: few devices, few statements."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from partitioner.solve.precheck.leaning import leaning
from partitioner.solve.precheck.places import Places
from partitioner.solve.precheck.relaxed import Relaxation
from partitioner.solve.precheck.statements import Key
from partitioner.solve.precheck.suspects import suspects

MOST_TERMS = 300_000
"""Terms of rows that may be solved, all solves together, to find a small part."""
WORK = 0.1
"""Deterministic seconds that one of these solves may take."""
LINEAR = 100
"""Blocks up to which linear programs over them are solved in a fraction of a second."""
MOST_LINEAR_TERMS = 150_000
"""Terms of rows up to which a linear program over them is solved in about a second."""
FEW = 8
"""Blocks up to which their integer program is solved at once anyway."""
LEAST_RUN = 4
"""Blocks left out at once before it is looked at what their contradiction leans on."""
A_SOLVE = 8_000
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
    """Blocks that find no places while the statements are in force: proved.

    ``needed``: statements without which that is not seen.
    """

    blocks: tuple[int, ...]
    statements: tuple[Key, ...]
    needed: frozenset[Key]


class Shrinking:
    """Leaves out what is not needed, as far as a number of solves goes."""

    def __init__(self, places: Places):
        self._places = places
        self._left = MOST_TERMS
        self._needed: set[Key] = set()

    def core(self) -> Core | None:
        """A part of the problem without a layout, None if none is proved."""
        places = self._places
        homeless = [b for b, homes in enumerate(places.homes) if all(h.against for h in homes)]
        blocks: list[int] | None = []
        if not self._is_too_much([]):
            blocks = homeless[:1] or self._few_blocks()
        if blocks is None:
            return None
        rows = Relaxation(places, blocks)
        together = {key for b in blocks for key in places.blocks[b].groups}
        statements = self._few_statements(rows, together)
        blocks = self._fewer(
            blocks, lambda some: self._has_none(Relaxation(places, some), [*together, *statements]),
        )
        together = {key for b in blocks for key in places.blocks[b].groups}
        return Core(
            tuple(sorted(blocks)), tuple(sorted({*statements, *together})),
            frozenset(self._needed) - together,
        )

    def _few_blocks(self) -> list[int] | None:
        """Some blocks that find no places while everything is in force; None if all may."""
        places = self._places
        blocks = sorted(range(len(places.blocks)), key=self._where)
        rows = Relaxation(places, blocks, is_strict=True)
        is_none = rows.has_none()
        if is_none is None and rows.size <= MOST_LINEAR_TERMS:
            is_none = leaning(rows) is not None
        if not is_none:
            return None
        likely = next((some for some in suspects(places) if self._is_too_much(some)), None)
        self._left = MOST_TERMS
        blocks = likely or self._fewer(
            blocks, self._is_too_much, self._left // 2, least=LEAST_RUN
        )
        if len(blocks) <= LINEAR:
            found = leaning(Relaxation(places, blocks, is_strict=True))
            # Rows speak of some blocks without naming them: those that have nowhere to be.
            if found is not None and self._is_too_much(found.blocks):
                blocks = sorted(found.blocks, key=self._where)
        return self._fewer(blocks, self._is_too_much, self._left // 2)

    def _few_statements(self, rows: Relaxation, together: set[Key]) -> list[Key]:
        """Some statements under which the blocks of ``rows`` find no places."""
        found = leaning(rows) if len(rows.blocks) <= LINEAR else None
        if found is not None:
            keys = sorted(found.statements - together, key=_spared)
        else:
            keys = sorted(rows.statements() - together, key=_spared)
            families = list(dict.fromkeys(key[0] for key in keys))
            kept = self._fewer(
                families,
                lambda some: self._has_none(
                    rows, [*together, *(k for k in keys if k[0] in set(some))]
                ),
            )
            keys = [k for k in keys if k[0] in set(kept)]
        self._needed = set()
        return self._fewer(
            keys, lambda some: self._has_none(rows, [*together, *some]), needed=self._needed,
        )

    def _is_too_much(self, blocks: Iterable[int]) -> bool:
        """Whether blocks find no places while everything is in force."""
        return self._has_none(Relaxation(self._places, blocks, is_strict=True))

    def _has_none(self, rows: Relaxation, active: Iterable[Key] | None = None) -> bool:
        self._left -= rows.size + A_SOLVE
        active = None if active is None else list(active)
        if FEW < len(rows.blocks) <= LINEAR and leaning(rows, active) is not None:
            return True
        return bool(rows.has_none(active, WORK))

    def _where(self, block: int) -> tuple[int, int]:
        """Neighbours stand beside each other in this order, so that many can go at once."""
        inst = self._places.instance
        device = self._places.blocks[block].devices[0]
        return int(inst.switch_um[:, device].argmin()), block

    def _fewer(
        self,
        items: Sequence[Item],
        is_enough: Callable[[list[Item]], bool],
        floor: int = 0,
        least: int = 1,
        needed: set[Item] | None = None,
    ) -> list[Item]:
        """Leave out ever smaller runs of items while the rest is enough.

        It stops when no more than ``floor`` terms are left to solve, or runs are of fewer than
        ``least`` items. Items without which the rest was not enough are put into ``needed``.
        """
        kept = list(items)
        size = (len(kept) + 1) // 2
        while size >= least:
            start = 0
            while start < len(kept):
                if self._left <= floor:
                    return kept
                rest = kept[:start] + kept[start + size :]
                if is_enough(rest):
                    kept = rest
                else:
                    if size == 1 and needed is not None:
                        needed.add(kept[start])
                    start += size
            size //= 2
        return kept
