"""Which builds of a layout are looked at.

A build is a combination of equipment options. Where no combinations are stated, options are
independent: all combinations are looked at as long as there are no more than :data:`MOST_BUILDS`,
else the unit without options, the one with all, each option alone, each left out of the full unit,
and each pair. Leaving devices out never makes a cable longer, a line fuller or a queue longer, so
for those rules the unit with everything is the hardest one. A device whose last partner is absent
is cut off sooner, though, so each build is judged on its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations

from partitioner.model.problem import Problem
from partitioner.units import PPM

MOST_BUILDS = 256
"""Up to so many combinations of independent options, all are looked at."""


@dataclass(frozen=True, slots=True)
class Combination:
    """Options of one build.

    ``name`` is the id of a stated build, else the options joined by ``+``, or ``base`` without
    any. ``share`` is the exact share of units built that way.
    """

    name: str
    options: frozenset[str]
    share: Fraction


@dataclass(frozen=True, slots=True)
class Combinations:
    """The combinations looked at; ``is_whole`` if no other one can be built."""

    rows: tuple[Combination, ...]
    is_whole: bool


def combinations_of(problem: Problem) -> Combinations:
    """Combinations of options to look at, the emptiest first; stated ones in the file's order.

    Options without a device change nothing and are left out where options are independent.
    """
    if problem.builds:
        stated = (Combination(b.id, b.options, Fraction(b.share_ppm, PPM)) for b in problem.builds)
        return Combinations(tuple(stated), True)
    used = {d.option for d in problem.devices.values()}
    options = [o for o in problem.options if o in used]
    whole = 2 ** len(options) <= MOST_BUILDS
    sizes = range(len(options) + 1) if whole else (0, 1, 2, len(options) - 1, len(options))
    sets = [frozenset(c) for size in sizes for c in combinations(options, size)]
    return Combinations(tuple(_independent(problem, options, s) for s in sets), whole)


def _independent(problem: Problem, options: Sequence[str], chosen: frozenset[str]) -> Combination:
    share = Fraction(1)
    for option in options:
        taken = Fraction(problem.options[option].take_rate_ppm, PPM)
        share *= taken if option in chosen else 1 - taken
    name = "+".join(o for o in options if o in chosen) or "base"
    return Combination(name, chosen, share)
