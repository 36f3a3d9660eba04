"""YAML without surprises, and writing that reads back."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from partitioner.reading.yaml_text import Flow, dump, load, path_text


@pytest.mark.parametrize(
    "written",
    [
        *("NO", "no", "yes", "on", "Off", "y", "1:30", "11:22:33", "010", "0x1F", "0o17", "0b11"),
        *("1e3", "1_000", "2024-01-02", "2024-01-02T03:04:05Z", "~", "Null", "True", ".5", "5."),
        *(".inf", ".nan", "+-1", "1.2.3", "1,5", "=", "١٢"),
    ],
)
def test_looks_like_something_else_but_is_text(written: str) -> None:
    assert load(f"key: {written}\n", "f").data == {"key": written}


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("true", True),
        ("false", False),
        ("null", None),
        ("", None),
        ("0", 0),
        ("-7", -7),
        ("+7", 7),
        ("0.1", Decimal("0.1")),
        ("-0.50", Decimal("-0.50")),
        ("9" * 31, Decimal("9" * 31)),
        ("'12'", "12"),
        ('"true"', "true"),
    ],
)
def test_narrow_types(written: str, meant: object) -> None:
    value = load(f"key: {written}\n", "f").data["key"]
    assert value == meant
    assert type(value) is type(meant)


def test_on_as_key_is_text() -> None:
    assert load("on: 1\nNO: 2\n010: 3\n", "f").data == {"on": 1, "NO": 2, "010": 3}


def test_positions_of_values_and_keys() -> None:
    document = load("a:\n  - {b: 1, c: [x, y]}\n  -   d: 2\n", "f")
    assert document.spot(("a", 0, "c", 1)) == (2, 19)
    assert document.spot(("a", 0, "c")) == (2, 15)
    assert document.spot(("a", 0, "c"), on_key=True) == (2, 12)
    assert document.spot(("a", 1, "d")) == (3, 10)
    assert document.spot(("a", 1)) == (3, 7)
    assert document.spot(("a", 1, "missing")) == (3, 7)


def test_positions_count_characters() -> None:
    document = load("käse: {größe: 1, ü: 2}\r\nb: 3\r\n", "f")
    assert document.spot(("käse", "ü"), on_key=True) == (1, 18)
    assert document.spot(("b",)) == (2, 4)
    assert document.line_text(1) == "käse: {größe: 1, ü: 2}"


def test_first_of_a_repeated_key_counts_and_the_second_is_told() -> None:
    document = load("a: 1\nb: 2\na: 3\n", "f")
    assert document.data == {"a": 1, "b": 2}
    (finding,) = document.findings
    assert (finding.code, finding.line, finding.column) == ("duplicate-key", 3, 1)
    assert finding.message == "key given twice; first on line 1"


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("a: &x {b: 1}\n", 1, 4),
        ("a: &x [1]\n", 1, 4),
        ("a:\n  <<: {b: 1}\n", 2, 3),
        ("a: !!str 1\n", 1, 4),
        ("a: !own 1\n", 1, 4),
        ("a: *none\n", 1, 4),
        ("a: 1\n---\nb: 2\n", 2, 1),
        ("a: [1, 2\n", 2, 1),
        ("a: 1\n\tb: 2\n", 2, 1),
        ("a: 'open\n", 1, 4),
        ('a: "open\nb: 1\n', 1, 4),
        ('a: "open\n---\nb: 1\n', 1, 4),
        ('a:\n  - {b: "open, c: 1}\n  - {b: "x", c: 2}\n', 2, 9),
        ('a: "open\nb: "c"\n', 1, 4),
        ('a: "two\n  lines"\nb: [1\n', 4, 1),
        ("a: \x00\n", 1, 4),
    ],
)
def test_left_out_parts_of_yaml_are_told(text: str, line: int, column: int) -> None:
    findings = load(text, "f").findings
    assert [(f.code, f.line, f.column) for f in findings] == [("yaml-syntax", line, column)]


@pytest.mark.parametrize("text", ["", "# only a comment\n", "\n\n"])
def test_empty_file_is_told(text: str) -> None:
    document = load(text, "f")
    assert document.data is None
    assert [f.message for f in document.findings] == ["expected content, got an empty file"]


def test_scalar_anchor_is_fine() -> None:
    assert load("a: &x 5\nb: *x\n", "f").data == {"a": 5, "b": 5}


def test_growing_aliases_are_refused_before_they_grow() -> None:
    text = "a: &a [x, x]\n" + "".join(
        f"{chr(98 + n)}: &{chr(98 + n)} [*{chr(97 + n)}, *{chr(97 + n)}]\n" for n in range(20)
    )
    document = load(text, "f")
    assert document.data["u"] == [None, None]
    assert len(document.findings) == 21


def test_deep_nesting_is_told() -> None:
    document = load("[" * 500 + "]" * 500, "f")
    assert document.data is None
    assert "nested deeper" in document.findings[-1].message


NASTY = [
    *("NO", "no", "yes", "on", "off", "y", "n", "true", "false", "null", "~", "", " ", "1e3"),
    *("010", "0x1F", "1:30", "2024-01-02", "12", "-0.5", ".5", "1_000", ".inf", "<<", "=", "- a"),
    *("a: b", "a #b", "#a", "'", '"', "\t", "a\nb", "a\n", " a", "a ", "{", "[x]", "*a", "&a"),
    *("!a", "%a", "@a", "`a", "|", ">", "?", "ä", "\u2028", "\x85", "\ufeff", "\x7f", "a\rb", "😀"),
]


@pytest.mark.parametrize("text", NASTY, ids=repr)
def test_nasty_text_comes_back(text: str) -> None:
    written = dump({"key": text, "list": [text], "flow": Flow({"x": text})})
    document = load(written, "f")
    assert document.findings == ()
    assert document.data == {"key": text, "list": [text], "flow": {"x": text}}


def test_there_are_enough_nasty_texts() -> None:
    assert len(set(NASTY)) >= 38


def test_nasty_keys_come_back() -> None:
    data = dict.fromkeys(NASTY, 1)
    assert load(dump(data), "f").data == data


scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(10**29), 10**29)
    | st.decimals(-1000, 1000, places=6)
    | st.text(st.characters(codec="utf-8"), max_size=20)
)
data = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(data)
def test_any_plain_data_comes_back(value: Any) -> None:
    document = load(dump({"value": value}), "f")
    assert document.findings == ()
    assert document.data == {"value": value}


@given(st.text(st.characters(codec="utf-8"), max_size=20))
def test_other_readers_see_the_same_text(text: str) -> None:
    assert yaml.safe_load(dump({"key": text})) == {"key": text}


@given(st.text(max_size=60))
def test_any_text_is_read_or_told(text: str) -> None:
    document = load(text, "f")
    if document.data is None and not document.findings:
        assert yaml.compose(text) is not None  # a document that says null


def test_writing_is_stable_and_keeps_order() -> None:
    value = {"b": [1, 2], "a": {"z": Decimal("0.10"), "u": None}, "c": Flow({"k": [1]})}
    assert dump(value) == "b: [1, 2]\na:\n  z: 0.1\n  u: null\nc: {k: [1]}\n"
    assert dump(load(dump(value), "f").data | {"c": Flow({"k": [1]})}) == dump(value)


@pytest.mark.parametrize("value", [1.5, {1: 2}, {"a": {3}}, object()])
def test_what_is_not_plain_is_refused(value: object) -> None:
    with pytest.raises(TypeError):
        dump(value)


def test_path_text() -> None:
    assert path_text(("devices", 3, "grades", 0)) == "devices[3].grades[0]"
    assert path_text(()) == ""
