"""Cost against latency, or another axis: the front, run by run, as far as the time goes.

Each run asks for the cheapest layout whose axis value is at most a limit (epsilon constraint).
The whole front takes the limit just below the last point each time, so that nothing between two
points can be missed; a spread of so many points halves the widest stretch instead.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.runs import SMALL, Answer, Budget, Result
from partitioner.solve.search import Study
from partitioner.tradeoff.axes import Axis
from partitioner.tradeoff.front import Front, Step, front_of, widest_gap
from partitioner.tradeoff.known_segments import Found, SeenSegments, judged
from partitioner.tradeoff.nearby import nearby
from partitioner.units import gap_share


@dataclass(frozen=True, slots=True)
class TradeOffSettings:
    """How far to go.

    Attributes
    ----------
    points
        So many points of the front; None: all of them.
    gap
        Proven gap (share of the cost) that a point must reach to be counted.
    """

    points: int | None = None
    gap: float = 0.01


NARROWEST = 0.25
"""Share of the stretch that each of the points asked for has where they are spread evenly: two that
are nearer to each other are asked for one between them only when no wider stretch is open."""
NEARBY_SHARE = 0.25
"""Of the time of a run: what coming below its limit may take, one device at a time."""
LEAST_S = 0.06
"""Least seconds of a run, for each device: in less none finds a layout, or one that says little."""


class Ending(StrEnum):
    """Why a trade-off ended."""

    PROOF = "proof"
    """Every point is known, and proved."""
    FOUND = "all points found"
    """As many points as asked for, or as there are, each within the gap asked for."""
    TIME = "time limit"
    USER = "user"


@dataclass(slots=True)
class TradeOff:
    """A trade-off as far as it has come; :func:`trade_off` goes on from any state of it.

    Attributes
    ----------
    steps
        What the runs told, in their order.
    tried
        Limits under which nothing new was found.
    is_finished
        Nothing is left to do for what was asked.
    goal
        Proven gap that a point must reach, as asked for last.
    ended_by
        Why the last call ended; None before that.
    sought
        Limit of the run under way; None: no limit.
    start_unusable
        What of the layout to start from could not be used: a sentence each.
    """

    axis: Axis
    floor: int
    steps: list[Step] = field(default_factory=list)
    tried: list[int] = field(default_factory=list)
    is_finished: bool = False
    goal: float = 0.01
    ended_by: Ending | None = None
    sought: int | None = None
    start_unusable: tuple[str, ...] = ()

    @property
    def front(self) -> Front:
        """The front known so far."""
        return front_of(self.steps, self.floor)


def begin(problem: Problem, axis: Axis) -> TradeOff:
    """Give a trade-off with nothing done yet."""
    return TradeOff(axis, axis.floor(problem))


def trade_off(
    problem: Problem,
    state: TradeOff,
    budget: Budget,
    settings: TradeOffSettings,
    on_front: Callable[[TradeOff], None] | None = None,
    start: Layout | None = None,
) -> TradeOff:
    """Find the front, or go on finding it, until it is whole or the budget is used up.

    Parameters
    ----------
    state
        From :func:`begin`, or read back from an earlier call; it is changed in place.
    budget
        Time for all runs. The first run may take a quarter of it, of many devices half; the others
        share what is left.
    on_front
        Called after each run but the last that there is time for, with the state so far, to be
        kept; the caller is given that of the last.
    start
        A layout that the run without a limit starts from.

    Raises
    ------
    NoLayout
        The problem has no layout at all.
    NoAnswer
        No layout was found at all within the time.
    InternalFault
        The check does not accept a layout, or finds its axis value above the limit.
    """
    # What an earlier call had too little time for may be tried again.
    empty = {s.limit for s in state.steps if s.bound_money is None}
    state.tried = [limit for limit in state.tried if limit in empty]
    again: set[int | None] = set()
    runs: Counter[int | None] = Counter()
    state.ended_by = None
    stuck: set[Layout] = set()
    seen = SeenSegments(problem, state.axis)
    state.goal = settings.gap
    state.is_finished = False
    ended: NoAnswer | None = None
    is_large = len(problem.devices) > SMALL
    least_s = LEAST_S * len(problem.devices)
    while not budget.is_over:
        limit = _next_limit(state, settings, again)
        if limit is _DONE:
            limit = _once_more(state, settings, again)
        if limit is _DONE:
            state.is_finished = True
            break
        assert limit is None or isinstance(limit, int)
        # The bound of the first run holds for every other one too, so it gets more time.
        part = (2 if is_large else 4) if limit is None else _runs_left(state, settings) + 1
        if runs[limit]:
            # What was tried in vain gets more time than before.
            part = max(1, part - 2 * runs[limit])
        seconds = max(budget.left_s / part, least_s)
        enough = 0.0
        if is_large and settings.points is not None and limit is not None:
            # The bound of the first run serves all others, so that one goes for a proof.
            enough = settings.gap
            least = _bound(state, limit)
            within = (p.cost_money for p in state.front.points if p.value <= limit)
            if any(gap_share(cost, least) <= enough for cost in within):
                # What is known there would do at once, and nothing new could come of it.
                enough = 0.0
        state.sought = limit
        if is_large and limit is not None:
            _come_below(problem, state, limit, budget, seconds, stuck)
        result = _step(problem, state, seen, budget, limit, seconds, enough, runs[limit], start)
        ended = result.ended or ended
        runs[limit] += 1
        if settings.points is not None and not state.steps[-1].is_settled:
            # Proofs do not come easily here: points from the segments seen are worth having.
            _between(state, seen, budget, settings, seconds)
        if not budget.is_over:
            again.add(limit)
            if on_front is not None:
                on_front(state)
    else:
        # What was tried in vain is still open.
        state.is_finished = _next_limit(state, settings, set()) is _DONE
    if not state.front.points:
        if ended is None:
            raise NoAnswer("no layout found; whether one exists is not known")
        ended.bound_money = _bound(state, None) or None
        ended.start_unusable = state.start_unusable
        raise ended
    if state.is_finished:
        state.ended_by = Ending.PROOF if state.front.is_exact else Ending.FOUND
    else:
        state.ended_by = Ending.USER if budget.should_stop() else Ending.TIME
    return state


def _once_more(state: TradeOff, settings: TradeOffSettings, again: set[int | None]) -> object:
    """Limit to try again with more effort, where points asked for are missing; or that all is done.

    Runs that proved nothing are worth another one as long as there is time.
    """
    if settings.points is not None and len(state.front.within(settings.gap)) >= settings.points:
        return _DONE
    unknown = {s.limit for s in state.steps if s.layout is None and s.bound_money is not None}
    state.tried = [limit for limit in state.tried if limit not in unknown]
    again.clear()
    return _next_limit(state, settings, again)


_DONE = object()


def _next_limit(state: TradeOff, settings: TradeOffSettings, again: set[int | None]) -> object:
    """Axis limit of the next run (None: no limit), or that there is none.

    ``again`` are the limits run in this call already.
    """
    front = state.front
    if not any(s.limit is None for s in state.steps):
        return None
    if not front.points and None not in again:
        # An earlier call was ended before it found a layout.
        return None
    if settings.points is not None:
        if len(front.within(settings.gap)) < settings.points:
            narrowest = NARROWEST / settings.points
            limit = widest_gap(front, state.tried, settings.gap, narrowest)
            if limit is None and None in again and len(front.points) < settings.points:
                # Where proofs do not come so well, what others cost can be seen all the same.
                limit = widest_gap(front, state.tried, narrowest=narrowest)
            if limit is None:
                limit = widest_gap(front, state.tried, settings.gap)
            if limit is not None:
                return limit
    else:
        # The whole front: from the cheap end on, wherever the next point is not proved to be next.
        for point in front.points:
            below = point.value - 1
            if not point.is_next_proved and below >= front.floor and below not in state.tried:
                return below
    return _least_proved(state, settings, again)


def _least_proved(state: TradeOff, settings: TradeOffSettings, again: set[int | None]) -> object:
    """Limit of the point with the widest gap that is not good enough and may be run again."""
    front = state.front
    # A whole front is to be proved; for a spread the gap asked for is enough.
    goal = 0.0 if settings.points is None else settings.gap
    open_points: list[tuple[float, int | None]] = []
    for number, point in enumerate(front.points):
        # Nothing is cheaper than the first point at any value: its run needs no limit.
        limit = None if number == 0 else point.value
        if point.gap > goal and limit not in again:
            open_points.append((point.gap, limit))
    return max(open_points, key=lambda p: p[0])[1] if open_points else _DONE


def _runs_left(state: TradeOff, settings: TradeOffSettings) -> int:
    if settings.points is None:
        return 4
    return max(2, settings.points - len(state.front.within(settings.gap)))


def _bound(state: TradeOff, limit: int | None) -> int:
    """Best bound proved so far for all layouts within a limit."""
    return max((s.bound_money or 0 for s in state.steps if s.covers(limit)), default=0)


def _step(
    problem: Problem,
    state: TradeOff,
    seen: SeenSegments,
    budget: Budget,
    limit: int | None,
    seconds: float,
    enough_gap: float,
    attempt: int,
    start: Layout | None,
) -> Result:
    """Run once under a limit and take in what it tells."""
    axis = state.axis
    asked = Study() if limit is None else axis.limit(problem, limit)
    known = [s.layout for s in state.steps if s.layout is not None]
    if start is not None:
        known.append(start)
    if limit is not None:
        start = next((p.layout for p in state.front.points if p.value <= limit), None)
    result = budget.run(
        problem, seconds, study=seen.watch(asked), start=start,
        known=known, enough_gap=enough_gap, known_bound_money=_bound(state, limit), attempt=attempt,
        is_as_it_stands=limit is None,
    )  # fmt: skip
    if limit is None:
        state.start_unusable = result.start_unusable
    if result.answer is Answer.NONE:
        if limit is None:
            raise NoLayout(list(result.conflicts))
        state.steps.append(Step(limit, None))
        state.tried.append(limit)
        return result
    bound = max(result.bound_money, _bound(state, limit))
    if result.answer is Answer.UNKNOWN:
        state.steps.append(Step(limit, bound))
        if limit is not None:
            state.tried.append(limit)
        return result
    found = judged(problem, axis, result, limit)
    assert found is not None
    best = _at_less(seen, found, budget, seconds)
    is_old = best.value in {s.value for s in state.steps}
    state.steps.append(
        Step(limit, min(bound, found.cost_money), best.layout, best.cost_money, best.value,
             best.stream)
    )  # fmt: skip
    if limit is not None and is_old:
        state.tried.append(limit)
    return result


def _come_below(
    problem: Problem, state: TradeOff, limit: int, budget: Budget, seconds: float,
    stuck: set[Layout],
) -> None:  # fmt: skip
    """Look for a layout within a limit near the best one known, so that its run has a start.

    What is found on the way are layouts like any other; their bounds are those proved for looser
    limits. ``stuck`` are the layouts near which nothing is better, as found before.
    """
    if not state.front.points:
        return
    is_over = budget.over_within(NEARBY_SHARE * seconds)
    point = state.front.points[-1]
    found = Found(point.layout, point.cost_money, point.value, point.stream)
    while found.stream and found.value > limit and found.layout not in stuck and not is_over():
        better = nearby(problem, state.axis, found, is_over)
        if better is None:
            if not is_over():
                stuck.add(found.layout)
            break
        found = better
        bound = min(_bound(state, found.value), found.cost_money)
        state.steps.append(
            Step(found.value, bound, found.layout, found.cost_money, found.value, found.stream)
        )


def _at_less(
    seen: SeenSegments, found: Found, budget: Budget, seconds: float
) -> Found:
    """Lower the axis value at no more cost, among the segments seen so far.

    The second step of a lexicographic search. It makes points better, never proved: that nothing
    of this cost has a smaller value is proved by the next run of the whole front, if at all.
    """
    until = budget.clock() + max(0.5, 0.1 * seconds)
    while found.value > 0 and budget.clock() < until and not budget.is_over:
        better = seen.cheapest(
            found.value - 1, found.cost_money, budget, until - budget.clock()
        )
        if better is None or better.value >= found.value or better.cost_money > found.cost_money:
            break
        found = better
    return found


def _between(
    state: TradeOff,
    seen: SeenSegments,
    budget: Budget,
    settings: TradeOffSettings,
    seconds: float,
) -> None:
    """Look for more points of a spread among the segments seen so far, widest stretch first.

    Their bounds are those proved for looser limits.
    """
    until = budget.clock() + 0.3 * seconds
    asked: list[int] = []
    while budget.clock() < until and not budget.is_over:
        front = state.front
        if not front.points:
            return
        limit = widest_gap(front, [*state.tried, *asked], settings.gap)
        if not asked and front.points[0].value > front.floor:
            # Just below the cheapest: mostly the next point is not far, and well proved.
            limit = front.points[0].value - 1
        if limit is None or len(front.within(settings.gap)) >= (settings.points or 0):
            return
        asked.append(limit)
        dearer = [p.cost_money for p in front.points if p.value <= limit]
        most = min(dearer, default=2 * front.points[-1].cost_money) - 1
        found = seen.cheapest(limit, most, budget, until - budget.clock())
        if found is not None:
            found = _at_less(seen, found, budget, until - budget.clock())
            bound = _bound(state, found.value)
            state.steps.append(
                Step(found.value, min(bound, found.cost_money), found.layout,
                     found.cost_money, found.value, found.stream)
            )  # fmt: skip
