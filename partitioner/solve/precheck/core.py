"""A small part of a problem that already has no layout: few devices, few statements."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

from partitioner.solve.precheck.leaning import leaning
from partitioner.solve.precheck.places import Places
from partitioner.solve.precheck.relaxed import Relaxation
from partitioner.solve.precheck.statements import Key
from partitioner.solve.precheck.suspects import crowded, suspects

MOST_TERMS = 300_000
"""Terms of rows that may be solved, all solves together, to find a small part."""
WORK = 0.1
"""Deterministic seconds that one of these solves may take."""
LINEAR_TERMS = 100_000
"""Terms of rows up to which a linear program over them is solved in a fraction of a second."""
EASED_TERMS = 50_000
"""The same where some statements are left out, so that there is seldom a contradiction."""
MOST_LINEAR_TERMS = 300_000
"""Terms of rows up to which a linear program over them is solved in about a second."""
FEW = 8
"""Blocks up to which their integer program is solved at once anyway."""
MANY = 100
"""Blocks above which none is left out for the sake of a shorter tale: no one reads so many."""
MOST_SHARING = 30
"""Blocks that all have weight in a linear proof, above which none is left out of it."""
MOST_FAMILIES = 3
"""Rules of which it is told that easing them helps, where many blocks are in conflict."""
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

    ``needed``: statements without which that is not seen; ``families``: rules that it does not
    do without, though without each single statement of them.
    """

    blocks: tuple[int, ...]
    statements: tuple[Key, ...]
    needed: frozenset[Key]
    families: frozenset[str]


class Shrinking:
    """Leaves out what is not needed, as far as a number of solves goes."""

    def __init__(self, places: Places):
        self._places = places
        self._left = MOST_TERMS
        self._needed: set[Key] = set()
        self._has_pathways = False
        """Whether what fits through pathways is looked at: most of the rows, and rarely needed."""
        self._needed_blocks: set[int] = set()
        """Without one of these the others have places, whatever is in force."""

    def is_proved(self) -> bool:
        """Whether the problem is proved to have no layout, without looking for a small part."""
        return bool(
            self._homeless() or self._are_switches_too_much() or self._crowd() or self._leant_on()
        )

    def _homeless(self) -> list[int]:
        """Blocks that no switch can have."""
        homes_of = enumerate(self._places.homes)
        return [b for b, homes in homes_of if all(h.against for h in homes)]

    def core(self) -> Core | None:
        """A part of the problem without a layout, None if none is proved."""
        places = self._places
        homeless = self._homeless()
        blocks: list[int] | None = []
        if not self._are_switches_too_much():
            blocks = homeless[:1] or self._few_blocks()
        if blocks is None:
            return None
        rows = self._rows(blocks)
        together = {key for b in blocks for key in places.blocks[b].groups}
        statements = self._few_statements(rows, together)
        if len(blocks) <= MANY:
            blocks = self._fewer(
                blocks,
                lambda some: self._has_none(self._rows(some), [*together, *statements]),
                needed=self._needed_blocks,
            )
        together = {key for b in blocks for key in places.blocks[b].groups}
        needed = frozenset(self._needed) - together
        if len(blocks) < len(rows.blocks):
            rows = self._rows(blocks)
        return Core(
            tuple(sorted(blocks)), tuple(sorted({*statements, *together})), needed,
            frozenset(self._families(rows, {*statements, *together}, needed)),
        )

    def _families(
        self, rows: Relaxation, statements: set[Key], needed: frozenset[Key]
    ) -> Iterator[str]:
        """Rules without whose statements, all of them, it is no longer proved."""
        found = 0
        rules = {key[0] for key in statements} - {key[0] for key in needed}
        # What the PHY can have is told for want of a better.
        for rule in sorted(rules, key=lambda rule: (rule == "device-grade", _spared((rule,)))):
            if rows.has_none([key for key in statements if key[0] != rule], WORK) is False:
                found += 1
                yield rule
            if found == MOST_FAMILIES and len(rows.blocks) > MANY:
                return

    def _few_blocks(self) -> list[int] | None:
        """Some blocks that find no places while everything is in force; None if all may."""
        crowd = self._crowd()
        if crowd is not None:
            return self._fewest(crowd)
        found = self._leant_on()
        if found is None:
            return None
        blocks = self._all_blocks()
        likely = self._likely()
        self._left = MOST_TERMS
        if likely is not None:
            blocks = likely
        elif len(found) < len(blocks) and self._is_too_much(found):
            blocks = sorted(found, key=self._where)
        else:
            blocks = self._fewer(blocks, self._is_too_much, self._left // 2, least=LEAST_RUN)
        return self._fewest(blocks)

    def _are_switches_too_much(self) -> bool:
        """Whether switches that have to be open and their links are in conflict by themselves."""
        if self._is_too_much([]):
            return True
        self._has_pathways = self._places.is_narrow
        if not (self._has_pathways and self._is_too_much([])):
            self._has_pathways = False
        return self._has_pathways

    def _all_blocks(self) -> list[int]:
        return sorted(range(len(self._places.blocks)), key=self._where)

    def _crowd(self) -> list[int] | None:
        """Blocks that compete for one thing and find no places."""
        places = self._places
        for some, self._has_pathways in crowded(places):
            if self._is_too_much(some):
                return some
        self._has_pathways = False
        return None

    def _leant_on(self) -> tuple[int, ...] | None:
        """Blocks that a proof over all of them leans on; None if there is none."""
        rows = self._rows(self._all_blocks(), is_strict=True)
        if not self._places.is_narrow:
            return self._settled(rows) or None
        if found := self._shown_linear(rows, LINEAR_TERMS):
            return found
        # With places where pathways count there are places where they do not.
        rows.add_pathways()
        self._has_pathways = True
        found = self._settled(rows)
        if found != () and self._rows(rows.blocks, is_strict=True, has_pathways=False).has_none():
            self._has_pathways = False
            return tuple(rows.blocks)
        return found or None

    def _likely(self) -> list[int] | None:
        """The first of the suspects without places, or it and others before it together.

        Where all of several have places together, each has by itself. With rows of pathways, many
        for so many blocks, each is tried by itself.
        """
        most = 0 if self._has_pathways else MANY
        waiting: list[list[int]] = []
        for some in suspects(self._places):
            if len({b for blocks in (*waiting, some) for b in blocks}) > most:
                if found := self._first_of(waiting):
                    return found
                waiting = []
            waiting.append(some)
        return self._first_of(waiting)

    def _first_of(self, sets: list[list[int]]) -> list[int] | None:
        """The first of some sets without places, or the first few that have none together."""
        if len(sets) < 2:
            return next((blocks for blocks in sets if self._is_too_much(blocks)), None)
        united = [sorted({b for blocks in sets[: n + 1] for b in blocks}) for n in range(len(sets))]
        rows = self._rows(united[-1], is_strict=True)
        has_none = rows.has_none(work=WORK)
        if has_none is False:
            return None
        if has_none is None and leaning(rows) is None:
            # Of fewer blocks more can be told.
            half = len(sets) // 2
            return self._first_of(sets[:half]) or self._first_of(sets[half:])
        first = bisect_left(united[:-1], True, key=self._is_too_much)
        return sets[first] if self._is_too_much(sets[first]) else united[first]

    def _fewest(self, blocks: list[int]) -> list[int]:
        """Those of some blocks without places that have none by themselves."""
        rows = self._rows(blocks, is_strict=True)
        leant = leaning(rows) if rows.size <= LINEAR_TERMS else None
        # Rows speak of some blocks without naming them: those that have nowhere to be.
        if leant is not None and len(leant.blocks) < len(blocks):
            if self._is_too_much(leant.blocks):
                blocks = sorted(leant.blocks, key=self._where)
            else:
                leant = None
        if len(blocks) > (MANY if leant is None else MOST_SHARING):
            # The linear proof needs every one of them.
            return blocks
        return self._fewer(
            blocks, self._is_too_much, self._left // 2, needed=self._needed_blocks
        )

    def _settled(self, rows: Relaxation) -> tuple[int, ...] | None:
        """Blocks that the proof for rows over all of them leans on.

        Empty if all have places, None if that is not known.
        """
        if found := self._shown_linear(rows, LINEAR_TERMS):
            return found
        is_none = rows.has_none()
        if is_none is None and rows.size > LINEAR_TERMS:
            return self._shown_linear(rows, MOST_LINEAR_TERMS)
        return None if is_none is None else tuple(rows.blocks) if is_none else ()

    def _shown_linear(self, rows: Relaxation, most_terms: int) -> tuple[int, ...] | None:
        """The same by linear arithmetic alone, over no more terms than given."""
        found = leaning(rows) if rows.size <= most_terms else None
        return None if found is None else found.blocks

    def _few_statements(self, rows: Relaxation, together: set[Key]) -> list[Key]:
        """Some statements under which the blocks of ``rows`` find no places."""
        few = rows
        if rows.size > MOST_LINEAR_TERMS:
            # What the same blocks lean on while everything is in force: fewer rows say it.
            strict = self._rows(rows.blocks, is_strict=True)
            leant = leaning(strict) if strict.size <= LINEAR_TERMS else None
            few = rows if leant is None else rows.resting_on(leant.statements)
        found = leaning(few) if few.size <= MOST_LINEAR_TERMS else None
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
        if len(rows.blocks) > MANY:
            return keys
        return self._fewer(
            keys, lambda some: self._has_none(rows, [*together, *some]), needed=self._needed,
        )

    def _is_too_much(self, blocks: Iterable[int]) -> bool:
        """Whether blocks find no places while everything is in force."""
        return self._has_none(self._rows(blocks, is_strict=True))

    def _rows(
        self, blocks: Iterable[int], *, is_strict: bool = False, has_pathways: bool | None = None
    ) -> Relaxation:
        if has_pathways is None:
            has_pathways = self._has_pathways
        return Relaxation(self._places, blocks, is_strict=is_strict, has_pathways=has_pathways)

    def _has_none(self, rows: Relaxation, active: Iterable[Key] | None = None) -> bool:
        self._left -= rows.size + A_SOLVE
        active = None if active is None else list(active)
        most = LINEAR_TERMS if active is None else EASED_TERMS
        if len(rows.blocks) > FEW and rows.size <= most and leaning(rows, active):
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
        ``least`` items. Items in ``needed`` stay; those without which the rest was not enough are
        put there.
        """
        needed = set() if needed is None else needed
        kept = [item for item in items if item not in needed]
        always = [item for item in items if item in needed]
        size = (len(kept) + 1) // 2 if len(kept) > FEW else 1
        while size >= least:
            start = 0
            while start < len(kept):
                if self._left <= floor:
                    return always + kept
                rest = kept[:start] + kept[start + size :]
                if is_enough(always + rest):
                    kept = rest
                else:
                    if size == 1:
                        needed.add(kept[start])
                    start += size
            size //= 2
        return always + kept
