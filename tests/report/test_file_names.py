from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partitioner.report.file_names import LONGEST_BYTES, clean_name, is_clean


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("../../../x", "x"),
        ("/etc/passwd", "etc-passwd"),
        ("C:\\Windows\\x", "C-Windows-x"),
        ("..", "unnamed"),
        ("", "unnamed"),
        (".hidden", "hidden"),
        ("-rf", "rf"),
        ("CON", "CON_"),
        ("com¹.csv", "com1_.csv"),
        ("nul.tar.gz", "nul_.tar.gz"),
        ("trailing. ", "trailing"),
        ("a\nb\x1b[2J\u202egpj", "a-b-2J-gpj"),
        ("Straßenkehrer 12 Größe L", "Straßenkehrer-12-Größe-L"),
        ("a..b", "a.b"),
        ("\u0301x", "x"),
    ],
)
def test_names(text: str, name: str) -> None:
    assert clean_name(text) == name


@given(st.text(max_size=300) | st.text(alphabet="./-_~ aA\u0301ü", max_size=300))
def test_a_clean_name_is_plain_short_and_stays(text: str) -> None:
    name = clean_name(text)
    assert is_clean(name)
    assert len(name.encode()) <= LONGEST_BYTES
    assert name[0] not in ".-"
    assert not name.endswith(".")
    assert not set(name) & set('/\\:*?"<>|\0\n ')


def test_the_ending_survives_the_cut() -> None:
    name = clean_name("x" * 400 + ".csv")
    assert name.endswith("x.csv")
    assert len(name) < LONGEST_BYTES
