"""Tables written for a spreadsheet run nothing there and come back unchanged."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partitioner.reading.csv_text import csv_rows, csv_text, defused, restored

# Mostly the signs that matter, so that they meet in every order.
TEXT = st.text(
    st.sampled_from("=+-@\t\r\n';, \"ab1.\uff1d\x1f\u00a0") | st.characters(codec="utf-8")
)
FORMULA_SIGNS = tuple("=+-@\t\r\uff1d\uff0b\uff0d\uff20")


def is_run(cell: str) -> bool:
    """Whether a spreadsheet may take a cell for a formula."""
    try:
        float(cell)
    except ValueError:
        return cell.startswith(FORMULA_SIGNS) or cell.strip(" ").startswith(FORMULA_SIGNS)
    return not cell.isascii() or (not cell.startswith("-") and cell.startswith(FORMULA_SIGNS))


@given(st.lists(st.lists(TEXT, min_size=3, max_size=3), min_size=1, max_size=4))
def test_any_table_comes_back_unchanged(table: list[list[str]]) -> None:
    header, *rows = table
    assert [row for _, row in csv_rows(csv_text(header, rows))] == table


@given(st.lists(st.lists(TEXT, min_size=2, max_size=2), min_size=1, max_size=4))
def test_no_cell_begins_with_a_formula(table: list[list[str]]) -> None:
    text = csv_text(table[0], table[1:])
    for row in csv.reader(io.StringIO(text, newline="")):
        for cell in row:
            assert not is_run(cell), cell
    # Nor where a spreadsheet splits at another sign; it may take quotes for text then.
    for cell in text.replace("\t", ";").replace("\r", ";").replace("\n", ";").split(";"):
        assert not cell.startswith(tuple("=@\uff1d\uff20")), cell


@given(TEXT)
def test_defusing_is_undone(text: str) -> None:
    assert restored(defused(text)) == text


@pytest.mark.parametrize("value", [-5, -0.25, "-5", "-.5", "-1e9", "a-b", "it's", "", "'tis"])
def test_what_is_harmless_is_left_alone(value: object) -> None:
    assert csv_text(["h"], [[value, "x"]]).splitlines()[1] == f"{value},x"


def test_numbers_stay_numbers_and_none_is_empty() -> None:
    assert csv_text(["-n", "b"], [[-1, None], [True, 2.5]]) == "'-n,b\n-1,\nTrue,2.5\n"


@pytest.mark.parametrize("value", [1.4e-05, -3e-07, 1e22, 0.0, 0.25, 1e-4, float("inf")])
def test_no_number_has_an_exponent(value: float) -> None:
    cell = csv_text(["h"], [[value]]).splitlines()[1]
    assert "e" not in cell
    assert float(cell) == value
