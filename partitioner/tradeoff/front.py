"""A front of cost against another axis, put together from runs: its points and what is proved.

Pure arithmetic on what the runs said; no run is made here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from partitioner.model.layout import Layout
from partitioner.units import gap_share


@dataclass(frozen=True, slots=True)
class Step:
    """What one run told about the layouts whose axis value is at most ``limit``.

    Attributes
    ----------
    limit
        Largest axis value allowed; None: no limit.
    bound_money
        Proved: no such layout costs less. None: proved that there is no such layout at all.
    layout, cost_money, value
        The layout found with its cost and its axis value (at most ``limit``); None without one.
    stream
        The one that the value is of; empty where it is of none.
    """

    limit: int | None
    bound_money: int | None
    layout: Layout | None = None
    cost_money: int | None = None
    value: int | None = None
    stream: str = ""

    @property
    def is_settled(self) -> bool:
        """Whether nothing is open: no such layout exists, or the one found is the cheapest."""
        return self.bound_money is None or self.bound_money == self.cost_money

    def covers(self, limit: int | None) -> bool:
        """Whether what is proved here holds for every layout within ``limit`` too."""
        return self.limit is None or (limit is not None and limit <= self.limit)


@dataclass(frozen=True, slots=True)
class Point:
    """A layout that nothing known beats on both axes.

    ``bound_money`` is proved for every layout whose axis value is at most ``value``.
    ``is_next_proved`` says that no layout between this point and the next faster one is known to
    be missing: every layout of a smaller value costs at least what the next point costs.
    ``stream`` is the one that the value is of, where it is of one.
    """

    layout: Layout
    cost_money: int
    value: int
    bound_money: int
    is_next_proved: bool
    stream: str = ""

    @property
    def is_proved(self) -> bool:
        """Whether no layout of this axis value or less is cheaper."""
        return self.bound_money >= self.cost_money

    @property
    def gap(self) -> float:
        """Share of the cost by which the cheapest layout of this value may be below it."""
        return gap_share(self.cost_money, self.bound_money)


@dataclass(frozen=True, slots=True)
class Front:
    """Points from cheap to dear, that is from large to small axis values.

    ``floor`` is proved: no layout has a smaller axis value.
    """

    points: tuple[Point, ...]
    floor: int

    @property
    def is_exact(self) -> bool:
        """Whether it is proved to be the whole front: no point missing, none too dear."""
        return bool(self.points) and all(p.is_proved and p.is_next_proved for p in self.points)

    def within(self, goal: float) -> tuple[Point, ...]:
        """Points whose proven gap is at most ``goal``."""
        return tuple(p for p in self.points if p.gap <= goal)

    def beyond(self, goal: float) -> tuple[Point, ...]:
        """Points that may be dearer than need be by more than ``goal``."""
        return tuple(p for p in self.points if p.gap > goal)


def bound_within(steps: Iterable[Step], limit: int | None) -> int | None:
    """Best bound proved for all layouts within a limit; None if there are none."""
    best = 0
    for step in steps:
        if step.covers(limit):
            if step.bound_money is None:
                return None
            best = max(best, step.bound_money)
    return best


def front_of(steps: Sequence[Step], floor: int) -> Front:
    """Put a front together from all steps made so far, in any order.

    A layout found under a tight limit counts under every looser one. ``floor`` is proved by
    arithmetic: no layout has a smaller axis value.
    """
    # What a run proved to have no layout is ruled out too.
    empty = [s.limit for s in steps if s.bound_money is None and s.limit is not None]
    floor = max([floor, *(limit + 1 for limit in empty)])
    found = sorted(
        (s.value, s.cost_money, number)
        for number, s in enumerate(steps)
        if s.layout is not None and s.value is not None and s.cost_money is not None
    )
    kept: list[tuple[int, int, int]] = []
    for value, cost, number in found:
        # From small values up: a point stays if it is cheaper than everything before it.
        if not kept or cost < kept[-1][1]:
            kept.append((value, cost, number))
    kept.reverse()
    points = []
    for place, (value, cost, number) in enumerate(kept):
        below = bound_within(steps, value - 1)
        if place + 1 < len(kept):
            next_proved = below is not None and below >= kept[place + 1][1]
        else:
            next_proved = below is None or value - 1 < floor
        layout = steps[number].layout
        assert layout is not None
        own = bound_within(steps, value)
        points.append(
            Point(layout, cost, value, min(cost, own or 0), next_proved, steps[number].stream)
        )
    return Front(tuple(points), floor)


def knees(points: Sequence[Point], ratio: float = 2.0) -> list[int]:
    """Numbers of the points past which the same gain costs at least ``ratio`` times as much.

    The ends have no two sides and are no knees.
    """
    found = []
    for place in range(1, len(points) - 1):
        before, here, after = points[place - 1 : place + 2]
        earlier = (here.cost_money - before.cost_money) / (before.value - here.value)
        later = (after.cost_money - here.cost_money) / (here.value - after.value)
        if later >= ratio * earlier:
            found.append(place)
    return found


BEYOND_SHARE = 0.1
"""Share of the money that a stretch counts with whose far end misses the goal: proofs are hard to
come by there, while between two good points a run mostly ends at once."""


def widest_gap(
    front: Front, tried: Iterable[int], goal: float = 1.0, narrowest: float = 0.0
) -> int | None:
    """Limit for the next run where a spread of points is wanted; None if nothing is open.

    The middle of the stretch between two points, or between the last one and the floor, that is
    widest on both axes taken together.

    Parameters
    ----------
    tried
        Limits that gave nothing; their part of a stretch is left out.
    goal
        Gap that a point must reach. A stretch between two points that both miss it is left alone.
    narrowest
        Share of the way from the first point to the floor: what is open of a stretch is at least as
        wide, else it is left alone.
    """
    points = front.points
    if not points:
        return None
    span = max(1, points[0].value - front.floor)
    money = max(1, points[-1].cost_money - points[0].cost_money)
    failed = sorted(tried)
    options: list[tuple[float, int]] = []
    for a, b in pairwise(points):
        if a.is_next_proved or min(a.gap, b.gap) > goal:
            continue
        low = max([b.value, *(t for t in failed if b.value <= t < a.value)])
        share = (b.cost_money - a.cost_money) / money if b.gap <= goal else BEYOND_SHARE
        if a.value - 1 > low and a.value - 1 - low >= narrowest * span:
            options.append(((a.value - 1 - low) / span * share, (low + a.value) // 2))
    last = points[-1]
    low = max([front.floor - 1, *(t for t in failed if t < last.value)])
    is_wide = last.value - 1 > low and last.value - 1 - low >= narrowest * span
    if is_wide and not last.is_next_proved and last.gap <= goal:
        # What lies there costs an unknown amount more: taken as half of what is spanned so far.
        # Until proofs are known to come easily, a jump to the middle would mostly miss the goal.
        part = 2 if last.is_proved and len(points) > 1 else 5
        limit = max(low, last.value - 1 - (last.value - 1 - low) // part)
        options.append(((last.value - 1 - low) / span * 0.5, limit))
    return max(options)[1] if options else None
