"""Whether a layout stays the best when prices move: what is proved, and what was tried.

Proved, from the bound of the plan alone: with bound B on the priced total of every layout, total C
of this one and money M of one kind of part in it, let the price of that kind change by a share x
of itself, all else as it is.

- It rises: no other layout gets cheaper, so each still costs at least B, and this one costs
  C + x M. This one is at most C - B + x M above the cheapest.
- It falls: no part of another layout's total falls by more than the share x, so each costs at least
  (1 - x) B, and this one costs C - x M: at most C - B + x (B - M) above the cheapest.

Tried: every move of one device that was judged and breaks nothing, re-costed; the price at which
the first of them gets cheaper than this layout. That says nothing on other layouts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from partitioner.facts.elsewhere import WhyThere
from partitioner.model.assessment import CostSum
from partitioner.units import PPM, ceil_div

MOVED_PPM = 100_000
"""The change of price that the proof is told for: a tenth."""


@dataclass(frozen=True, slots=True)
class Tipping:
    """A single move that pays once a price has changed by ``share`` of itself."""

    share: float
    device: str
    place: str
    is_timed: bool


@dataclass(frozen=True, slots=True)
class PriceMove:
    """One kind of part: what its price can do to the layout's place.

    ``rise_money`` and ``fall_money``: by at most so much would the layout be above the cheapest if
    the price rose or fell by :data:`MOVED_PPM`; None without a bound. ``at_rise`` and
    ``at_fall``: the first move that was tried to get cheaper; None if none does at any price.
    """

    kind: str
    money: int
    rise_money: int | None
    fall_money: int | None
    at_rise: Tipping | None
    at_fall: Tipping | None


def price_moves(
    cost: CostSum, reasons: Sequence[WhyThere], bound_money: int | None
) -> tuple[PriceMove, ...]:
    """Look at the price of every kind of part, the dearest kind first.

    ``bound_money``: proven bound on the priced total of every layout; None if nothing was planned.
    """
    moves = list(_moves(reasons))
    found = []
    for kind, money in sorted(cost.by_kind_money, key=lambda pair: (-pair[1], pair[0])):
        rise = fall = None
        if bound_money is not None:
            gap = max(0, cost.objective_money - bound_money)
            rise = gap + ceil_div(money * MOVED_PPM, PPM)
            fall = gap + max(0, ceil_div((bound_money - money) * MOVED_PPM, PPM))
        rises, falls = [], []
        for more, by_kind, tipping in moves:
            own = by_kind.get(kind, 0)
            if own < 0:
                rises.append(replace(tipping, share=more / -own))
            elif own > 0 and more <= own:
                falls.append(replace(tipping, share=more / own))
        found.append(
            PriceMove(
                kind, money, rise, fall,
                min(rises, key=lambda t: t.share, default=None),
                min(falls, key=lambda t: t.share, default=None),
            )
        )  # fmt: skip
    return tuple(found)


def _moves(reasons: Iterable[WhyThere]) -> Iterable[tuple[int, dict[str, int], Tipping]]:
    """What each move costs more and by kind; those that cost less already pay at any price."""
    for reason in reasons:
        for place in reason.places:
            if place.broken or place.priced_money is None:
                continue
            where = f"its own at {place.segment.switch}" if place.is_new else place.segment.id
            tipping = Tipping(0, reason.device, where, place.is_timed)
            yield max(0, place.priced_money), dict(place.by_kind_money), tipping
