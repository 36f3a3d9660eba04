"""Lanes: nothing on top of anything, and no needless crossing."""

import itertools
import math
import random

import pytest

from partitioner.report.lanes import assign_lanes, draw_track

# A trunk 0-1-2 to the right; at 2 one way up (3) and one way down (4). Second axis points down.
XY = [(0.0, 0.0), (100.0, 0.0), (200.0, 0.0), (200.0, -100.0), (200.0, 100.0)]


def test_a_route_alone_keeps_to_the_middle() -> None:
    lanes = assign_lanes([[0, 1, 2]], XY)
    assert lanes.offset == ((0.0, 0.0),)
    assert set(lanes.width.values()) == {1}


@pytest.mark.parametrize("order", [(3, 4), (4, 3)])
def test_the_route_that_turns_up_runs_on_the_upper_side(order: tuple[int, int]) -> None:
    lanes = assign_lanes([[0, 1, 2, order[0]], [0, 1, 2, order[1]]], XY)
    up, down = (lanes.offset[order.index(3)], lanes.offset[order.index(4)])
    # Looking right, up on the sheet is to the left: offsets below zero.
    assert up[:2] == (-0.5, -0.5)
    assert down[:2] == (0.5, 0.5)


def test_opposite_directions_agree_on_sides() -> None:
    lanes = assign_lanes([[0, 1, 2, 3], [4, 2, 1, 0]], XY)
    assert lanes.offset[0][:2] == (-0.5, -0.5)
    # The second runs to the left, where down is to its left.
    assert lanes.offset[1][1:] == (-0.5, -0.5)


def test_in_and_out_of_a_spur_takes_two_lanes() -> None:
    lanes = assign_lanes([[0, 1, 2, 1]], XY)
    assert lanes.width[(1, 2)] == 2
    # Out and back have the same sign: each keeps to its own side of the road.
    assert lanes.offset[0][1] == lanes.offset[0][2]
    assert abs(lanes.offset[0][1]) == 0.5


def test_no_two_passages_share_a_lane_on_random_walks() -> None:
    rng = random.Random(5)
    side = 5
    xy = [(60.0 * (i % side), 60.0 * (i // side)) for i in range(side * side)]
    routes = []
    for _ in range(40):
        at = rng.randrange(len(xy))
        route = [at]
        for _ in range(rng.randrange(1, 9)):
            near = [j for j in range(len(xy)) if math.dist(xy[j], xy[at]) == 60.0]
            at = rng.choice(near)
            route.append(at)
        routes.append(route)
    lanes = assign_lanes(routes, xy)
    taken: dict[tuple[int, int], list[float]] = {}
    for route, offsets in zip(routes, lanes.offset, strict=True):
        for (a, b), offset in zip(itertools.pairwise(route), offsets, strict=True):
            taken.setdefault((min(a, b), max(a, b)), []).append(offset if a < b else -offset)
    for stretch, found in taken.items():
        n = lanes.width[stretch]
        assert sorted(found) == [i - (n - 1) / 2 for i in range(n)]


def test_lanes_do_not_depend_on_the_order_of_the_routes() -> None:
    routes = [[0, 1, 2, 3], [0, 1, 2, 4]]
    first = assign_lanes(routes, XY)
    again = assign_lanes(routes[::-1], XY)
    assert first.offset[0] == again.offset[1]
    assert first.offset[1] == again.offset[0]


def test_tracks_run_parallel_at_their_pitch() -> None:
    track = draw_track([0, 1, 2], (1.0, 1.0), XY, pitch=5.0)
    assert track.at == ((0.0, 5.0), (100.0, 5.0), (200.0, 5.0))
    assert track.length == pytest.approx(200.0)
    assert track.point_along(150.0) == ((150.0, 5.0), (1.0, 0.0))
    assert track.point_along(50.0, backwards=True) == ((150.0, 5.0), (-1.0, 0.0))


def test_a_corner_is_where_the_two_lanes_meet() -> None:
    track = draw_track([1, 2, 4], (1.0, 1.0), XY, pitch=5.0)
    # To the right of right is down, to the right of down is left.
    assert track.at[1] == pytest.approx((195.0, 5.0))
    assert "q" in track.path


def test_a_route_of_one_node_is_a_point() -> None:
    track = draw_track([2], (), XY, pitch=5.0)
    assert track.path == ""
    assert track.at[0] == (200.0, 0.0)
    assert track.point_along(3.0)[0] == (200.0, 0.0)
