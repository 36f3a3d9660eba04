from __future__ import annotations

import click
import pytest

from partitioner.cli.options import Duration


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90", 90), ("90s", 90), ("1.5m", 90), ("2min", 120), ("1h", 3600), (" 10 s ", 10), (5, 5)],
)
def test_times(text, seconds) -> None:
    assert Duration().convert(text, None, None) == seconds


@pytest.mark.parametrize("text", ["", "soon", "-1", "0", "0s", "1d", "1h30", "1e3", "٣s", "inf"])
def test_no_times(text) -> None:
    with pytest.raises(click.BadParameter, match="is no time"):
        Duration().convert(text, None, None)
