"""Exact conversion between people's units and the integers used inside.

Inside the program every quantity is an integer in a base unit, so that sums are exact and two
roads to one number can be compared with ``==``:

=============  ==========================  ==================
quantity       base unit                   in a problem file
=============  ==========================  ==================
length         micrometre (``_um``)        metre (``_m``)
time           nanosecond (``_ns``)        ``_us`` or ``_ms``
data rate      bit per second (``_bps``)   Mbit/s (``_mbps``)
share          part per million (``_ppm``) fraction 0..1
mass           milligram (``_mg``)         gram (``_g``)
money          1/10000 of the currency     currency
               unit (``_money``)           (price)
unit load      1/1000 (``_mul``)           unit load
=============  ==========================  ==================
"""

from __future__ import annotations

from decimal import Decimal

UM_PER_M = 1_000_000
NS_PER_US = 1_000
NS_PER_MS = 1_000_000
NS_PER_S = 1_000_000_000
BT_NS = 100
"""One bit time at 10 Mb/s, in ns (IEEE Std 802.3: MAC rate 10 Mb/s)."""
PPM = 1_000_000
MONEY_STEPS = 10_000
MG_PER_G = 1_000
MG_PER_KG = 1_000_000
MUL_PER_UNIT_LOAD = 1_000
LARGEST = 2**40
"""Largest magnitude a single quantity may have, so that sums stay clear of 2**63."""


class TooFine(ValueError):
    """A value has more digits than the base unit can hold."""


class TooLarge(ValueError):
    """A value is above :data:`LARGEST` base units."""


def to_base(value: int | float | str | Decimal, steps: int) -> int:
    """Convert a number in people's units to an integer of base units, exactly.

    Parameters
    ----------
    value
        The number as written. Floats are taken by their shortest decimal text, so 0.1 is 1/10.
    steps
        Base units in one of people's units (:data:`UM_PER_M` for metres).

    Raises
    ------
    TooFine
        If the value is no whole number of base units. Nothing is rounded.
    TooLarge
        If the magnitude is above :data:`LARGEST` base units.
    """
    exact = (value if isinstance(value, Decimal) else Decimal(str(value))) * steps
    whole = int(exact.to_integral_value())
    if exact != whole:
        raise TooFine(str(value))
    if abs(whole) > LARGEST:
        raise TooLarge(str(value))
    return whole


def from_base(value: int, steps: int) -> Decimal:
    """Give a base-unit integer back in people's units, exactly."""
    return (Decimal(value) / Decimal(steps)).normalize() + 0


def in_units(value: int | None, steps: int) -> float | None:
    """A figure as tables show it, in people's units; None where there is none."""
    return None if value is None else value / steps


def ceil_div(numerator: int, denominator: int) -> int:
    """Divide rounding up; the safe direction for times and lengths."""
    return -(-numerator // denominator)


def priced_length_money(length_um: int, price_per_m_money: int) -> int:
    """Price one length of cable, rounded up to one money step.

    Every length is rounded once and on its own (a way between two nodes, the slack of one drop,
    the slack of one end, one stub), so totals do not depend on the order of summation and a
    total is never below the exact price.
    """
    return ceil_div(length_um * price_per_m_money, UM_PER_M)


def length_mass_mg(length_um: int, mass_mg_per_m: int) -> int:
    """Mass of one length of cable in mg, rounded up like its price."""
    return ceil_div(length_um * mass_mg_per_m, UM_PER_M)


def shared(amount: int, share_ppm: int) -> int:
    """Expected amount of something that ``share_ppm`` of the units carry, rounded up."""
    return amount if share_ppm == PPM else ceil_div(amount * share_ppm, PPM)


def mass_value_money(mass_mg: int, price_per_kg_money: int) -> int:
    """What a mass counts in the objective, rounded up to one money step."""
    return ceil_div(mass_mg * price_per_kg_money, 1_000_000)


def gap_share(cost_money: int, bound_money: int) -> float:
    """Share of a cost by which the least possible one may be below it; 0 where nothing is paid."""
    return max(0.0, (cost_money - bound_money) / cost_money) if cost_money > 0 else 0.0


def duration_text(seconds: float) -> str:
    """How long a run or a step took, in units that are read at a glance.

    Examples
    --------
    >>> [duration_text(s) for s in (3.26, 9, 47.6, 125, 3780)]
    ['3.3 s', '9 s', '48 s', '2 min 5 s', '1 h 3 min']
    """
    if seconds < 9.95 and not isinstance(seconds, int):
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"
