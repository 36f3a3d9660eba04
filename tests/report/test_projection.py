import pytest

from partitioner.report.projection import View, choose_views, nice_length_m

M = 1_000_000


def _box(x: float, y: float, z: float) -> list[tuple[int, int, int]]:
    return [
        (int(a * x * M), int(b * y * M), int(c * z * M))
        for a in (0, 1)
        for b in (0, 1)
        for c in (0, 1)
    ]


def _spread(view: View, points: list[tuple[int, int, int]]) -> tuple[float, float, float, float]:
    xs, ys = zip(*map(view.xy, points), strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def test_flat_things_get_a_plan_only() -> None:
    views = choose_views(_box(10, 8, 0.1), 1000, 50)
    assert [v.name for v in views] == ["Top view"]
    assert "times as large" not in views[0].note


def test_heights_that_matter_get_a_side_view_with_all_three_axes() -> None:
    plan, side = choose_views(_box(5, 2, 2), 1000, 50)
    assert [a for a, *_ in plan.axes()] == ["x", "y"]
    assert [a for a, *_ in side.axes()] == ["x", "y", "z"]


def test_the_longer_level_axis_lies_across() -> None:
    (view,) = choose_views(_box(2, 9, 0), 1000, 50)
    assert view.across[1] > 0
    assert view.down[0] < 0


@pytest.mark.parametrize("size", [(5, 2, 2), (12, 2.5, 3), (80, 40, 5), (1, 1, 0), (4, 0, 0)])
def test_everything_lies_within_the_margins(size: tuple[float, float, float]) -> None:
    points = _box(*size)
    for view in choose_views(points, 1000, 50):
        left, top, right, bottom = _spread(view, points)
        assert left >= 49.9
        assert right <= 950.1
        assert top >= 49.9
        assert bottom <= view.height - 49.9


def test_long_and_narrow_things_are_stretched_and_say_so() -> None:
    (view,) = choose_views(_box(12, 2.5, 0.2), 1000, 50)
    # The scale of each axis is what the axes tell: 12 m across, 2.5 m up.
    stretch = abs(view.down[1]) / view.across[0]
    assert stretch > 1.1
    assert f"{stretch:g} times" in view.note


def test_a_tower_is_drawn_from_the_side() -> None:
    (view,) = choose_views(_box(0, 0, 6), 1000, 50)
    assert view.name == "Side view"


@pytest.mark.parametrize(("room", "nice"), [(0.07, 0.05), (1, 1.0), (1.99, 1.0), (60, 50.0)])
def test_nice_lengths(room: float, nice: float) -> None:
    assert nice_length_m(room) == pytest.approx(nice)
