"""Which statements of a proof are worth changing: without them its devices do find places.

A proof leaves out what it can do without, such as the pin of one device where that of another says
the same. So it is asked here, of the devices of the proof, with all the other statements of the
problem in force.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import cached_property

from partitioner.solve.precheck.core import A_SOLVE, EASED_TERMS, FEW, MANY, WORK, Core
from partitioner.solve.precheck.leaning import leaning
from partitioner.solve.precheck.places import Places
from partitioner.solve.precheck.relaxed import Relaxation
from partitioner.solve.precheck.statements import Key

MOST_TERMS = 300_000
"""Terms of rows that may be solved, all solves together."""
MOST_ALIKE = 12
"""Statements of one rule of which those are looked for that have to change together."""

MOST_WHOLE = 250
"""Devices of a problem of which it is asked whether another conflict is left."""
MOST_WHOLE_TERMS = 600_000
"""Terms of rows that may be solved for that, all solves together: about a second."""

EASED_ONLY = frozenset({
    "deadline", "nodes", "option-tail", "pathway-capacity", "pin", "port-exists", "safety-span",
    "security-domain", "spacing", "switch-position", "unit-loads",
})
"""Rules of which all that is told to do is done in full where they are off. Where a group is
smaller, a PHY is another or a switch is nearer, something else may open besides."""


class Without:
    """What linear arithmetic still proves of a whole problem when some statements are off.

    Nothing of problems of more than :data:`MOST_WHOLE` devices, nor when it took a second.
    """

    def __init__(self, places: Places):
        self._places = places
        self._left = MOST_WHOLE_TERMS

    @cached_property
    def _rows(self) -> Relaxation:
        blocks = range(len(self._places.blocks))
        return Relaxation(self._places, blocks, has_pathways=self._places.is_narrow)

    def is_left(self, keys: Collection[Key]) -> bool:
        """Whether it is proved that some devices find no places without these statements."""
        if not keys or not EASED_ONLY.issuperset(key[0] for key in keys):
            return False
        if self._places.instance.n > MOST_WHOLE or self._rows.size > self._left:
            return False
        self._left -= self._rows.size
        return leaning(self._rows, self._rows.statements().difference(keys)) is not None

    def is_left_by_all_of(self, rule: str) -> bool:
        """The same without any of the statements of a rule."""
        return self.is_left({key for key in self._rows.statements() if key[0] == rule})


@dataclass(frozen=True, slots=True)
class Helping:
    """What to change so that the devices of a proof find places.

    Attributes
    ----------
    alone
        Each of these is enough by itself.
    jointly
        Of each rule, some of these together.
    all_of
        Of each rule, all of these together; some may be no part of the proof.
    is_enough
        False where no rule is enough by itself.
    """

    alone: frozenset[Key]
    jointly: frozenset[Key]
    all_of: frozenset[Key]
    is_enough: bool = True


def helping(places: Places, core: Core, remedied: Collection[Key]) -> Helping:
    """Find what helps, rule by rule, among statements for which there is a remedy.

    What there is no time to ask is taken from the proof.
    """
    needed = core.needed.intersection(remedied)
    families = frozenset(k for k in remedied if k[0] in core.families)
    as_proved = Helping(needed, families, frozenset())
    has_pathways = any(key[0] == "pathway-capacity" for key in core.statements)
    if len(core.blocks) > MANY:
        return as_proved
    rows = Relaxation(places, core.blocks, has_pathways=has_pathways)
    every = rows.statements() | set(core.statements)
    left = MOST_TERMS

    def has_places_without(keys: Iterable[Key]) -> bool | None:
        nonlocal left
        if left < 0:
            return None
        left -= rows.size + A_SOLVE
        active = every.difference(keys)
        if len(rows.blocks) > FEW and rows.size <= EASED_TERMS and leaning(rows, active):
            return False
        found = rows.has_none(active, WORK)
        return None if found is None else not found

    alone, jointly, all_of = set[Key](), set[Key](), set[Key]()
    for rule in dict.fromkeys(key[0] for key in core.statements if key in remedied):
        mine = [key for key in core.statements if key[0] == rule and key in remedied]
        told = [key for key in mine if key in needed]
        enough = {key for key in told if has_places_without([key]) is not False}
        if enough:
            alone |= enough
            continue
        if not told and rule not in core.families:
            continue
        if has_places_without(mine) is not False:
            (all_of if len(mine) < 2 else jointly).update(mine)
            continue
        alike = sorted(key for key in every if key[0] == rule)
        if len(alike) > MOST_ALIKE or has_places_without(alike) is not True:
            continue
        # What the proof does not name goes first.
        for key in sorted(alike, key=lambda key: key in mine):
            fewer = [other for other in alike if other != key]
            if has_places_without(fewer):
                alike = fewer
        all_of.update(alike)
    if alone or jointly or all_of:
        return Helping(frozenset(alone), frozenset(jointly), frozenset(all_of))
    return Helping(needed, families, frozenset(), is_enough=not (needed or families))
