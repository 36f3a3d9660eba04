"""What a run of the bound gives back."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.solve.arrays import Floats

Order = tuple[int, int, tuple[int, ...], tuple[int, ...]]
"""(switch, grade, out, back): an exact line, both arms outward from the switch."""


@dataclass(frozen=True, slots=True)
class BoundDuals:
    """Duals of the best bound, repaired so that every column's reduced cost is at least 0.

    ``device`` float (n,), ``port`` float (P,): a column's reduced cost is its cost plus the value
    of its port, less ``port`` of that class and less ``device`` of each of its devices, plus for a
    line the price of every cut of which it holds two devices or more, plus for each (switch,
    devices, price) of ``caps`` the price times how many of the devices it has at that switch. A
    layout that costs at most ``value + gap`` has only columns of reduced cost up to ``gap``;
    leaving the prices of cuts and caps out keeps all of those and more.
    """

    device: Floats
    port: Floats
    cuts: tuple[tuple[tuple[int, int, int], int], ...] = ()
    caps: tuple[tuple[int, frozenset[int], int], ...] = ()


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
    duals: BoundDuals
    orders: list[Order]
    source: str
    converged: bool
    rounds: int
