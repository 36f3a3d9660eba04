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
    return TradeOffSearch(problem, state, budget, settings, on_front, start).run()


@dataclass(frozen=True, slots=True)
class Next:
    """Axis limit of a run to come; None: no limit."""

    limit: int | None


class TradeOffSearch:
    """One call of :func:`trade_off`: what is asked, and what it has tried itself."""

    def __init__(
        self,
        problem: Problem,
        state: TradeOff,
        budget: Budget,
        settings: TradeOffSettings,
        on_front: Callable[[TradeOff], None] | None = None,
        start: Layout | None = None,
    ):
        self.problem, self.state, self.budget, self.settings = problem, state, budget, settings
        self.on_front, self.start = on_front, start
        self.is_large = len(problem.devices) > SMALL
        self.seen = SeenSegments(problem, state.axis)
        self.again: set[int | None] = set()
        """Limits run in this call already."""
        self.runs: Counter[int | None] = Counter()
        self.stuck: set[Layout] = set()
        """Layouts near which nothing is better."""

    def run(self) -> TradeOff:
        """Run under one limit after the other."""
        state = self.state
        # What an earlier call had too little time for may be tried again.
        empty = {s.limit for s in state.steps if s.bound_money is None}
        state.tried = [limit for limit in state.tried if limit in empty]
        state.goal = self.settings.gap
        state.ended_by, state.is_finished = None, False
        ended: NoAnswer | None = None
        while not self.budget.is_over:
            following = self.next_run() or self._once_more()
            if following is None:
                state.is_finished = True
                break
            ended = self._run_under(following.limit).ended or ended
            if not self.budget.is_over:
                self.again.add(following.limit)
                if self.on_front is not None:
                    self.on_front(state)
        else:
            # What was tried in vain is still open.
            self.again.clear()
            state.is_finished = self.next_run() is None
        if not state.front.points:
            if ended is None:
                raise NoAnswer("no layout found; whether one exists is not known")
            ended.bound_money = _bound(state, None) or None
            ended.start_unusable = state.start_unusable
            raise ended
        if state.is_finished:
            state.ended_by = Ending.PROOF if state.front.is_exact else Ending.FOUND
        else:
            state.ended_by = Ending.USER if self.budget.should_stop() else Ending.TIME
        return state

    # -- which limit, how long, how well proved -----------------------------------------------

    @property
    def _is_spread_full(self) -> bool:
        """Whether as many points as asked for are good enough."""
        settings = self.settings
        if settings.points is None:
            return False
        return len(self.state.front.within(settings.gap)) >= settings.points

    def next_run(self) -> Next | None:
        """Run that comes next; None: there is none left."""
        state, settings, front = self.state, self.settings, self.state.front
        if not any(s.limit is None for s in state.steps):
            return Next(None)
        if not front.points and None not in self.again:
            # An earlier call was ended before it found a layout.
            return Next(None)
        if settings.points is None:
            # The whole front: from the cheap end on, wherever the next point is not proved to be
            # next.
            for point in front.points:
                below = point.value - 1
                if not point.is_next_proved and below >= front.floor and below not in state.tried:
                    return Next(below)
        elif not self._is_spread_full:
            narrowest = NARROWEST / settings.points
            limit = widest_gap(front, state.tried, settings.gap, narrowest)
            if limit is None and None in self.again and len(front.points) < settings.points:
                # Where proofs do not come so well, what others cost can be seen all the same.
                limit = widest_gap(front, state.tried, narrowest=narrowest)
            if limit is None:
                limit = widest_gap(front, state.tried, settings.gap)
            if limit is not None:
                return Next(limit)
        return self._least_proved()

    def _least_proved(self) -> Next | None:
        """Run of the point with the widest gap that is not good enough and may be run again."""
        # A whole front is to be proved; for a spread the gap asked for is enough.
        goal = 0.0 if self.settings.points is None else self.settings.gap
        open_points: list[tuple[float, int | None]] = []
        for number, point in enumerate(self.state.front.points):
            # Nothing is cheaper than the first point at any value: its run needs no limit.
            limit = None if number == 0 else point.value
            if point.gap > goal and limit not in self.again:
                open_points.append((point.gap, limit))
        return Next(max(open_points, key=lambda p: p[0])[1]) if open_points else None

    def _once_more(self) -> Next | None:
        """Run to do again with more effort, where points asked for are missing.

        Runs that proved nothing are worth another one as long as there is time.
        """
        if self._is_spread_full:
            return None
        state = self.state
        unknown = {s.limit for s in state.steps if s.layout is None and s.bound_money is not None}
        state.tried = [limit for limit in state.tried if limit not in unknown]
        self.again.clear()
        return self.next_run()

    def _seconds(self, limit: int | None) -> float:
        """Time for a run."""
        if limit is None:
            # Its bound holds for every other one too, so it gets more time.
            part = 2 if self.is_large else 4
        elif self.settings.points is None:
            part = 5
        else:
            within = self.state.front.within(self.settings.gap)
            part = max(3, self.settings.points - len(within) + 1)
        if self.runs[limit]:
            # What was tried in vain gets more time than before.
            part = max(1, part - 2 * self.runs[limit])
        return max(self.budget.left_s / part, LEAST_S * len(self.problem.devices))

    def _enough_gap(self, limit: int | None) -> float:
        """Gap with which a run may end."""
        gap = self.settings.gap
        if not self.is_large or self.settings.points is None or limit is None:
            # The bound of the first run serves all others, so that one goes for a proof.
            return 0.0
        least = _bound(self.state, limit)
        within = (p.cost_money for p in self.state.front.points if p.value <= limit)
        # Where what is known would do at once nothing new could come of it.
        return 0.0 if any(gap_share(cost, least) <= gap for cost in within) else gap

    # -- one run ------------------------------------------------------------------------------

    def _run_under(self, limit: int | None) -> Result:
        """Run once under a limit, with what is near it before and after."""
        seconds, enough = self._seconds(limit), self._enough_gap(limit)
        self.state.sought = limit
        if self.is_large and limit is not None:
            self._come_below(limit, seconds)
        result = self._step(limit, seconds, enough)
        self.runs[limit] += 1
        if self.settings.points is not None and not self.state.steps[-1].is_settled:
            # Proofs do not come easily here: points from the segments seen are worth having.
            self._between(seconds)
        return result

    def _step(self, limit: int | None, seconds: float, enough_gap: float) -> Result:
        """Run once under a limit and take in what it tells."""
        state, axis, start = self.state, self.state.axis, self.start
        asked = Study() if limit is None else axis.limit(self.problem, limit)
        known = [s.layout for s in state.steps if s.layout is not None]
        if start is not None:
            known.append(start)
        if limit is not None:
            start = next((p.layout for p in state.front.points if p.value <= limit), None)
        result = self.budget.run(
            self.problem, seconds, study=self.seen.watch(asked), start=start, known=known,
            enough_gap=enough_gap, known_bound_money=_bound(state, limit),
            attempt=self.runs[limit], is_as_it_stands=limit is None,
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
        found = judged(self.problem, axis, result, limit)
        assert found is not None
        best = self._at_less(found, seconds)
        is_old = best.value in {s.value for s in state.steps}
        state.steps.append(_as_step(best, limit, min(bound, found.cost_money)))
        if limit is not None and is_old:
            state.tried.append(limit)
        return result

    def _come_below(self, limit: int, seconds: float) -> None:
        """Look for a layout within a limit near the best one known, so that its run has a start.

        What is found on the way are layouts like any other.
        """
        if not self.state.front.points:
            return
        is_over = self.budget.over_within(NEARBY_SHARE * seconds)
        point = self.state.front.points[-1]
        found = Found(point.layout, point.cost_money, point.value, point.stream)
        while (
            found.stream and found.value > limit and found.layout not in self.stuck
            and not is_over()
        ):  # fmt: skip
            better = nearby(self.problem, self.state.axis, found, is_over)
            if better is None:
                if not is_over():
                    self.stuck.add(found.layout)
                break
            found = better
            self._keep(found)

    def _at_less(self, found: Found, seconds: float) -> Found:
        """Lower the axis value at no more cost, among the segments seen so far.

        The second step of a lexicographic search. It makes points better, never proved: that
        nothing of this cost has a smaller value is proved by the next run of the whole front, if
        at all.
        """
        until = self.budget.clock() + max(0.5, 0.1 * seconds)
        while found.value > 0 and self.budget.clock() < until and not self.budget.is_over:
            left_s = until - self.budget.clock()
            better = self.seen.cheapest(found.value - 1, found.cost_money, self.budget, left_s)
            if better is None or better.value >= found.value:
                break
            if better.cost_money > found.cost_money:
                break
            found = better
        return found

    def _between(self, seconds: float) -> None:
        """Look for more points of a spread among the segments seen so far, widest stretch first."""
        state, budget, settings = self.state, self.budget, self.settings
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
            if limit is None or self._is_spread_full:
                return
            asked.append(limit)
            dearer = [p.cost_money for p in front.points if p.value <= limit]
            most = min(dearer, default=2 * front.points[-1].cost_money) - 1
            found = self.seen.cheapest(limit, most, budget, until - budget.clock())
            if found is not None:
                self._keep(self._at_less(found, until - budget.clock()))

    def _keep(self, found: Found) -> None:
        """Keep a layout that no run was made for; its bound is that proved for looser limits."""
        bound = min(_bound(self.state, found.value), found.cost_money)
        self.state.steps.append(_as_step(found, found.value, bound))


def _as_step(found: Found, limit: int | None, bound_money: int) -> Step:
    return Step(
        limit, bound_money, found.layout, found.cost_money, found.value, found.stream
    )


def _bound(state: TradeOff, limit: int | None) -> int:
    """Best bound proved so far for all layouts within a limit."""
    return max((s.bound_money or 0 for s in state.steps if s.covers(limit)), default=0)
