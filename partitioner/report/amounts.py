"""Numbers as people read them: money, lengths, times, shares, masses.

Bounds are rounded up and margins down, so that a printed figure never flatters the layout.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from partitioner.units import MG_PER_G, MONEY_STEPS, NS_PER_MS, NS_PER_US, PPM, UM_PER_M
from partitioner.visible import some_of, visible

NBSP = "\u00a0"
THIN = "\u202f"
MINUS = "\u2212"
MOST_DECIMALS = 2
"""Of times: a hundredth of a microsecond is a tenth of a bit time at 10 Mb/s."""
NONE = "–"
"""Shown where there is no value."""


def number_text(value: Decimal | float | int, digits: int, rounding: str = ROUND_HALF_EVEN) -> str:
    """Fixed number of decimals, thousands set apart by a thin space, a real minus sign.

    Examples
    --------
    >>> number_text(-1234.5, 2).replace(THIN, " ").replace(MINUS, "-")
    '-1 234.50'
    """
    exact = Decimal(str(value)).quantize(Decimal(1).scaleb(-digits), rounding=rounding)
    text = f"{abs(exact):,.{digits}f}".replace(",", THIN)
    return f"{MINUS}{text}" if exact < 0 else text


def significant_text(
    value: Decimal | float | int, rounding: str = ROUND_HALF_EVEN, most: int = MOST_DECIMALS
) -> str:
    """Three significant digits, trailing zeros among them, and two decimals or ``most``.

    Examples
    --------
    >>> [significant_text(v) for v in (0.1234, 5, 99.96)]
    ['0.12', '5.00', '100']
    >>> significant_text(2802.2, ROUND_CEILING).replace(THIN, " ")
    '2 810'
    """
    exact = Decimal(str(value))
    if not exact:
        return "0"
    rounded = _significant(exact, rounding, most)
    return number_text(rounded, _decimals(rounded))


def _significant(value: Decimal, rounding: str, most: int, digits: int = 3) -> Decimal:
    """A value of so many significant digits, and ``most`` decimals."""
    for least in range(2):
        # A second time where rounding made one digit more, as in 99.96.
        power = max(value.adjusted() + 1 - digits + least, -most)
        rounded = value.quantize(Decimal(1).scaleb(power), rounding=rounding)
        if rounded.adjusted() < power + digits:
            break
    return rounded


def _decimals(value: Decimal) -> int:
    return max(0, -int(value.as_tuple().exponent))


_AMOUNT = re.compile(r"(\d+\.\d+) (m|µs|ms|%)(?!\w)( left)?")


def rounded_amounts(text: str) -> str:
    """Exact amounts in a sentence as people read them; what is left goes down, the rest up.

    Examples
    --------
    >>> rounded_amounts("12.922716 m of 25 m, 10.077284 m left")
    '12.93 m of 25 m, 10.07 m left'
    >>> rounded_amounts("24.9579 % of 75 %, 50.0421 % left; 2.802195 ms")
    '25 % of 75 %, 50 % left; 2.81 ms'
    """

    def rounded(match: re.Match[str]) -> str:
        value, unit, left = Decimal(match[1]), match[2], match[3] or ""
        rounding = ROUND_FLOOR if left else ROUND_CEILING
        if unit in ("µs", "ms"):
            return f"{significant_text(value, rounding)} {unit}{left}"
        return f"{number_text(value, 2 if unit == 'm' else 0, rounding)} {unit}{left}"

    return _AMOUNT.sub(rounded, text)


def money_text(amount_money: int, currency: str = "") -> str:
    """Money with two decimals and the problem's currency."""
    text = number_text(Decimal(amount_money) / MONEY_STEPS, 2)
    return f"{text}{NBSP}{visible(currency)}" if currency else text


def length_text(length_um: int, digits: int = 2, rounding: str = ROUND_HALF_EVEN) -> str:
    """Length in metres."""
    return f"{number_text(Decimal(length_um) / UM_PER_M, digits, rounding)}{NBSP}m"


def limit_text(limit: Decimal | float) -> str:
    """A limit: whole, or with two decimals, rounded down.

    Examples
    --------
    >>> limit_text(25), limit_text(12.5)
    ('25', '12.50')
    """
    return number_text(limit, 0 if limit % 1 == 0 else 2, ROUND_FLOOR)


def length_limit_text(limit_um: int) -> str:
    """A limit on length in metres."""
    return f"{limit_text(Decimal(limit_um) / UM_PER_M)}{NBSP}m"


def limited_length_text(length_um: int, limit_um: int, digits: int = 2) -> str:
    """A length before its limit, rounded up.

    Examples
    --------
    >>> limited_length_text(8_747_465, 25_000_000, 1).replace(NBSP, " ")
    '8.8 m of 25 m'
    >>> limited_length_text(24_831_250, 24_840_000, 1).replace(NBSP, " ")
    '24.84 m of 24.84 m'
    """
    own = kept_text(Decimal(length_um) / UM_PER_M, Decimal(limit_um) / UM_PER_M, digits)
    return f"{own}{NBSP}m of {length_limit_text(limit_um)}"


def kept_text(value: Decimal, limit: Decimal, digits: int) -> str:
    """A figure before its limit, rounded up, but not so far that it looks beyond what it keeps."""
    while value <= limit < value.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_CEILING):
        digits += 1
    return number_text(value, digits, ROUND_CEILING)


def per_cent_text(ratio: Decimal | float, digits: int, rounding: str) -> str:
    """A ratio in per cent without the sign; what is there never looks like nothing.

    Examples
    --------
    >>> [per_cent_text(r, 0, ROUND_CEILING) for r in (0.1234, 0.0041, 0.0096, 0.00002)]
    ['13', '0.5', '1', '0.002']
    """
    per_cent = Decimal(str(ratio)) * 100
    if not digits and 0 < per_cent < 1:
        # One digit that is not 0, wherever it stands.
        rounded = per_cent.quantize(Decimal(1).scaleb(per_cent.adjusted()), rounding=rounding)
        return f"{rounded.normalize():f}"
    return number_text(per_cent, digits, rounding)


def limited_load_text(load_ppm: int, limit_ppm: int) -> str:
    """How busy something is at most, before its limit."""
    own, limit = (Decimal(ppm) * 100 / PPM for ppm in (load_ppm, limit_ppm))
    told = kept_text(own, limit, 0) if own >= 1 else per_cent_text(own / 100, 0, ROUND_CEILING)
    return f"{told} of {limit_text(limit)}{NBSP}%"


def time_text(time_ns: int, rounding: str = ROUND_CEILING) -> str:
    """Time in µs below a millisecond, in ms from there on, to three significant digits.

    Rounded up unless told otherwise, since most times shown are bounds.

    Examples
    --------
    >>> time_text(812_340).replace(NBSP, " "), time_text(8_812_340).replace(NBSP, " ")
    ('813 µs', '8.82 ms')
    """
    unit_ns, unit = _time_unit(time_ns)
    return f"{significant_text(Decimal(time_ns) / unit_ns, rounding)}{NBSP}{unit}"


def _time_unit(time_ns: int) -> tuple[int, str]:
    """The unit that a time is shown in, in ns, and its sign."""
    return (NS_PER_MS, "ms") if abs(time_ns) >= NS_PER_MS else (NS_PER_US, "µs")


def margin_time_text(time_ns: int) -> str:
    """Time that is left, rounded down."""
    return time_text(time_ns, ROUND_FLOOR)


def stated_time_text(time_ns: int) -> str:
    """Time as it was stated: three significant digits, or all there are.

    Examples
    --------
    >>> stated_time_text(1_200_000).replace(NBSP, " ")
    '1.20 ms'
    >>> stated_time_text(2_144_000).replace(NBSP, " ")
    '2.144 ms'
    """
    text = time_text(time_ns)
    if text == margin_time_text(time_ns):
        return text
    unit_ns, unit = _time_unit(time_ns)
    return f"{(Decimal(time_ns) / unit_ns).normalize():f}{NBSP}{unit}"


def kept_time_text(time_ns: int, limit_ns: int) -> str:
    """A time that keeps its limit: rounded up, but not so far that it looks longer than that.

    Examples
    --------
    >>> kept_time_text(2_144_000, 3_000_000).replace(NBSP, " ")
    '2.15 ms'
    >>> kept_time_text(2_211_390, 2_219_000).replace(NBSP, " ")
    '2.212 ms'
    """
    unit_ns, unit = _time_unit(time_ns)
    value, limit = Decimal(time_ns) / unit_ns, Decimal(limit_ns) / unit_ns
    shown, digits = _significant(value, ROUND_CEILING, MOST_DECIMALS), 3
    while shown > limit and shown > value:
        digits += 1
        shown = _significant(value, ROUND_CEILING, digits, digits)
    return f"{number_text(shown, _decimals(shown))}{NBSP}{unit}"


def ratio_text(ratio: float, digits: int = 1, rounding: str = ROUND_HALF_EVEN) -> str:
    """Ratio (1 is the whole) as a percentage."""
    return f"{number_text(Decimal(str(ratio)) * 100, digits, rounding)}{NBSP}%"


def gap_text(gap: float) -> str:
    """What is left between a cost and its bound, in tenths of a per cent, rounded up."""
    return ratio_text(gap, 1, ROUND_CEILING)


def left_text(margin_ns: int, deadline_ns: int) -> str:
    """Share of a deadline that is left, rounded down."""
    return ratio_text(margin_ns / deadline_ns, 0, ROUND_FLOOR)


def mass_text(mass_mg: int) -> str:
    """Mass in g below a kilogram, in kg from there on."""
    grams = Decimal(mass_mg) / MG_PER_G
    if abs(grams) < 1000:
        return f"{number_text(grams, 0)}{NBSP}g"
    return f"{number_text(grams / 1000, 2)}{NBSP}kg"


def count_text(count: int, one: str, many: str | None = None) -> str:
    """Number with its noun: ``1 line``, ``9 lines``."""
    return f"{count}{NBSP}{one if count == 1 else many or one + 's'}"


def listed(items: Collection[str], most: int = 6) -> str:
    """Names in a sentence: ``a, b and c``; past ``most`` the rest is counted."""
    names = list(items)
    if not 1 < len(names) <= most:
        return some_of(names, most)
    return f"{', '.join(names[:-1])} and {names[-1]}"
