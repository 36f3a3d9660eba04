"""Amounts in people's units, for sentences."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from partitioner.units import (
    MUL_PER_UNIT_LOAD,
    NS_PER_MS,
    NS_PER_US,
    PPM,
    UM_PER_M,
    ceil_div,
    from_base,
)

UM_PER_CM = 10_000


def _plain(value: Decimal) -> str:
    return f"{value:f}"


def metres(length_um: int) -> str:
    """A length, exact.

    >>> metres(1_250_000)
    '1.25 m'
    """
    return f"{_plain(from_base(length_um, UM_PER_M))} m"


def to_whole_cm(length_um: int) -> int:
    """A length rounded up to a whole centimetre, in µm, as tables show lengths."""
    return ceil_div(length_um, UM_PER_CM) * UM_PER_CM


def duration(time_ns: int) -> str:
    """A time in µs below 1 ms, else in ms, exact.

    >>> duration(560_040), duration(12_500_000)
    ('560.04 µs', '12.5 ms')
    """
    if abs(time_ns) < NS_PER_MS:
        return f"{_plain(from_base(time_ns, NS_PER_US))} µs"
    return f"{_plain(from_base(time_ns, NS_PER_MS))} ms"


def percent(share_ppm: int) -> str:
    """A share, exact to the part per million.

    >>> percent(607_500)
    '60.75 %'
    """
    return f"{_plain(from_base(share_ppm, PPM // 100))} %"


def unit_loads(load_mul: int) -> str:
    """A sum of unit loads, exact.

    >>> unit_loads(1_000), unit_loads(2_500)
    ('1 unit load', '2.5 unit loads')
    """
    loads = _plain(from_base(load_mul, MUL_PER_UNIT_LOAD))
    return f"{loads} unit load{'' if loads == '1' else 's'}"


def count(number: int, noun: str, plural: str = "") -> str:
    """A number with its noun.

    >>> count(1, "port"), count(2, "switch", "switches")
    ('1 port', '2 switches')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def agree(number: int, one: str, many: str) -> str:
    """The form of a verb that goes with a number.

    >>> agree(1, "hangs", "hang")
    'hangs'
    """
    return one if number == 1 else many


def listed(names: Iterable[str]) -> str:
    """Names in one phrase.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    names = list(names)
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
