from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest

from partitioner.report.charts import (
    Bar,
    Series,
    histogram_figure,
    stacked_figure,
    ticks,
    xy_figure,
)


@pytest.mark.parametrize(
    ("low", "high"), [(0, 1), (0, 0), (5, 5), (-3, 7), (0.001, 0.0013), (812.4, 1364.35)]
)
def test_ticks_hold_the_range_in_even_steps(low: float, high: float) -> None:
    found = ticks(low, high)
    assert found[0] <= low + 1e-9
    assert found[-1] >= high - 1e-9
    assert 2 <= len(found) <= 9
    steps = {round(b - a, 9) for a, b in pairwise(found)}
    assert max(steps) - min(steps) < 1e-6


def test_stepped_series_hold_their_value_until_the_next() -> None:
    series = Series("cost", [(0, 10), (5, 8), (10, 8)], is_stepped=True)
    figure = xy_figure("c", "Cost", "falls", [series], "seconds", "EUR")
    path = next(p for p in ET.fromstring(figure.svg).iter("path"))
    assert path.get("d", "").count("H") == path.get("d", "").count("V") == 2


def test_series_differ_by_dash_and_carry_their_names() -> None:
    figure = xy_figure(
        "c",
        "Front",
        "two curves",
        [Series("plan", [(1, 1), (2, 2)]), Series("bound", [(1, 0), (2, 1)])],
        "ms",
        "EUR",
    )
    root = ET.fromstring(figure.svg)
    assert {p.get("stroke-dasharray") for p in root.iter("path")} == {None, "7 3"}
    assert {"plan", "bound", "ms", "EUR"} <= {t.text for t in root.iter("text")}


def test_an_empty_chart_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one point"):
        xy_figure("c", "t", "d", [Series("none", [])], "x", "y")


def test_stacked_bars_end_at_their_sum() -> None:
    figure = stacked_figure(
        "s", "Delays", "d", ("queue", "wire"), [Bar("a", (0.25, 0.5)), Bar("b", (1.0, 0.0))],
        limit_name="deadline", caption="Delays",
    )  # fmt: skip
    rects = [r for r in ET.fromstring(figure.svg).iter("rect") if r.get("height") == "13"]
    widths = [float(r.get("width", "0")) for r in rects]
    assert len(widths) == 3  # nothing is drawn for a part of 0
    assert widths[0] + widths[1] == pytest.approx(0.75 * widths[2], abs=0.2)


def test_histogram_bars_are_as_tall_as_their_counts() -> None:
    figure = histogram_figure("h", "t", "d", [0, 1, 2, 3], [1, 4, 2], "µs", limit=5)
    tall = [float(r.get("height", "0")) for r in ET.fromstring(figure.svg).iter("rect")]
    assert tall[1] == pytest.approx(4 * tall[0], rel=0.01)
    with pytest.raises(ValueError, match="one edge more"):
        histogram_figure("h", "t", "d", [0, 1], [1, 2], "µs")
