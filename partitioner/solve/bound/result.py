"""What a run of the bound gives back."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.solve.bound.duals import Duals

Order = tuple[int, int, tuple[int, ...], tuple[int, ...]]
"""(switch, grade, out, back): an exact line, both arms outward from the switch."""


@dataclass(slots=True)
class BoundResult:
    """What was proved.

    Attributes
    ----------
    value
        Objective money that no layout goes below.
    duals
        Duals that prove it.
    orders
        (switch, grade, out, back) of exact lines met on the way with small reduced cost.
    source
        Which relaxation gave the value.
    converged
        Whether more time would not have raised it in that relaxation.
    rounds
        Pricing rounds done.
    """

    value: int
    duals: Duals
    orders: list[Order]
    source: str
    converged: bool
    rounds: int
