"""Numbers keep every digit: people's units to base units and back."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import PydanticCustomError

from partitioner.reading.kinds import Number, Whole, did_you_mean, got, plain_number
from partitioner.reading.yaml_text import dump, load
from partitioner.units import (
    LARGEST,
    MG_PER_G,
    MONEY_STEPS,
    MUL_PER_UNIT_LOAD,
    NS_PER_US,
    PPM,
    UM_PER_M,
    from_base,
    to_base,
)

STEPS = [UM_PER_M, NS_PER_US, PPM, MONEY_STEPS, MG_PER_G, MUL_PER_UNIT_LOAD]


@given(st.integers(-LARGEST, LARGEST), st.sampled_from(STEPS))
def test_base_units_come_back_through_a_file(value: int, steps: int) -> None:
    text = dump({"key": from_base(value, steps)})
    read = load(text, "f").data["key"]
    assert to_base(Number("m", steps, low=None).read(read), steps) == value


@given(st.decimals(allow_nan=False, allow_infinity=False, places=9, min_value=-10, max_value=10))
def test_a_number_is_exact_or_refused(value: Decimal) -> None:
    kind = Number("m", UM_PER_M, low=None)
    if value * UM_PER_M == int(value * UM_PER_M):
        assert kind.read(value) == value
    else:
        with pytest.raises(PydanticCustomError) as caught:
            kind.read(value)
        assert caught.value.type == "too-fine"


def test_a_tenth_of_a_metre_is_exact() -> None:
    value = load("key: 0.1", "f").data["key"]
    assert to_base(Number("m", UM_PER_M).read(value), UM_PER_M) == 100_000


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1.0000001", "too-fine"),
        ("0." + "0" * 400 + "1", "too-fine"),
        ("0.1" + "0" * 400, None),
        ("1." + "0" * 60 + "1", "too-fine"),
        ("9" * 400, "out-of-range"),
        ("1099511.627776", None),
        ("1099511.627777", "out-of-range"),
        ("-0.000001", "out-of-range"),
        ("0", None),
    ],
)
def test_edges_of_a_length(text: str, code: str | None) -> None:
    value = load(f"key: {text}", "f").data["key"]
    kind = Number("m", UM_PER_M)
    if code is None:
        assert kind.read(value) == value
    else:
        with pytest.raises(PydanticCustomError) as caught:
            kind.read(value)
        assert caught.value.type == code


@pytest.mark.parametrize("value", [True, None, "1", [1], {"a": 1}])
def test_other_kinds_are_no_numbers(value: object) -> None:
    for kind in (Number("m", UM_PER_M), Whole(0, 9)):
        with pytest.raises(PydanticCustomError) as caught:
            kind.read(value)
        assert caught.value.type == "wrong-kind"


def test_whole_numbers() -> None:
    assert Whole(0, 9).read(9) == 9
    for value, code in ((10, "out-of-range"), (Decimal("1.0"), "wrong-kind")):
        with pytest.raises(PydanticCustomError) as caught:
            Whole(0, 9).read(value)
        assert caught.value.type == code
    with pytest.raises(PydanticCustomError) as caught:
        Whole(0, 9).read(load("key: " + "9" * 99, "f").data["key"])
    assert caught.value.type == "out-of-range"


def test_hints_name_the_nearest_or_all() -> None:
    assert did_you_mean("cam_frnt", ["cam_front", "radar"]) == "did you mean 'cam_front'?"
    assert did_you_mean("ZONE", ["zone"]) == "did you mean 'zone'?"
    assert did_you_mean("qqq", ["a", "b"]) == "known: a, b"
    begun = did_you_mean("Lamp", ["lamp-1", "lamps", "lamp-2"])
    assert begun == "did you mean 'lamp-1' or 'lamp-2'?"
    assert did_you_mean("qqq", [f"name{n}" for n in range(9)]) == ""


def test_what_stood_there_is_quoted_as_written() -> None:
    assert got(None) == "nothing"
    assert got(True) == "true"
    assert got(Decimal("0.50")) == "0.50"
    assert got("12W") == "text '12W'"
    assert got([1]) == "a list"
    assert got({}) == "a mapping"
    assert len(got("x" * 1000)) < 80


@given(st.integers(-LARGEST, LARGEST), st.sampled_from(STEPS))
def test_plain_numbers_have_no_exponent(value: int, steps: int) -> None:
    text = plain_number(from_base(value, steps))
    assert "E" not in text
    assert Decimal(text) * steps == value
