"""Data as JSON: the bytes of the standard library's own encoder, with nothing that steers."""

from __future__ import annotations

import enum
import json
import math

import pytest

from partitioner.visible import json_text


class Word(enum.StrEnum):
    QUOTED = 'x"y'


ROW = {"id": "a},\n  {b", "share": 0.1, "is_late": False, "limit": None, "word": Word.QUOTED}
DATA = (
    [ROW, {**ROW, "n": -3}],
    {"table": [ROW, {}, ROW], "rows": [ROW] * 3, "none": [], "one": [{}]},
    {2: {2.5: [[]]}, True: (1, (2, 3)), None: [{"k": [ROW]}]},
    {Word.QUOTED: {"a\tb": {"c": "\u00e9"}}},
    [[1, 2], [ROW], [[ROW], ROW]],
    "text", 7, None, [], {},
)  # fmt: skip


@pytest.mark.parametrize("indent", [0, 1, 2, None])
@pytest.mark.parametrize("data", DATA, ids=range(len(DATA)))
def test_json_is_written_as_by_the_standard_library(data: object, indent: int | None) -> None:
    separators = None if indent is not None else (",", ":")
    expected = json.dumps(data, ensure_ascii=False, indent=indent, separators=separators)
    assert json_text(data, indent=indent) == expected


def test_what_steers_is_escaped_and_read_back_equal() -> None:
    data = [{"k\u202e": "a\x9bb\u2028"}, {"n": "\ufeff"}]
    text = json_text(data)
    assert text.isascii()
    assert json.loads(text) == data


@pytest.mark.parametrize("data", [math.inf, [{"a": math.nan}], {"a": [1, -math.inf]}])
def test_a_number_without_a_word_is_refused(data: object) -> None:
    with pytest.raises(ValueError, match="float"):
        json_text(data)
