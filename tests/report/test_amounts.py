from decimal import Decimal

import pytest

from partitioner.report.amounts import (
    MINUS,
    NBSP,
    THIN,
    count_text,
    length_text,
    listed,
    margin_time_text,
    mass_text,
    money_text,
    number_text,
    ratio_text,
    time_text,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0 µs"),
        (1, "0.01 µs"),  # rounded up: a bound is never shown smaller than it is
        (99_900, "99.9 µs"),
        (100_001, "101 µs"),
        (999_000, "999 µs"),
        (1_000_000, "1.00 ms"),
        (9_990_001, "10.0 ms"),
        (123_450_000, "124 ms"),
        (2_500_000_000, "2 500 ms"),
    ],
)
def test_times_are_rounded_up(value: int, text: str) -> None:
    assert time_text(value).replace(NBSP, " ").replace(THIN, " ") == text


def test_margins_are_rounded_down_also_below_zero() -> None:
    assert margin_time_text(1_999_999).replace(NBSP, " ") == "1.99 ms"
    assert margin_time_text(-1).replace(NBSP, " ") == f"{MINUS}0.01 µs"


def test_money_has_two_decimals_and_the_currency() -> None:
    assert money_text(8_124_050, "EUR") == f"812.40{NBSP}EUR"
    assert money_text(-10_000) == f"{MINUS}1.00"


def test_small_texts() -> None:
    assert number_text(Decimal("1234567.891"), 1) == f"1{THIN}234{THIN}567.9"
    assert length_text(1_234_567) == f"1.23{NBSP}m"
    assert ratio_text(0.5, 0) == f"50{NBSP}%"
    assert mass_text(999_000) == f"999{NBSP}g"
    assert mass_text(1_234_000) == f"1.23{NBSP}kg"
    assert count_text(1, "line") == f"1{NBSP}line"
    assert count_text(2, "switch", "switches") == f"2{NBSP}switches"


def test_lists_of_names_are_cut_with_a_count() -> None:
    assert listed([]) == ""
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(list("abcdefgh"), most=3) == "a, b, c and 5 more"
