"""Segments that earlier runs looked at, asked again under other limits: quick, and proves nothing.

A run of the planner proves a bound anew each time, which is most of its work. Between two runs the
segments they left behind are worth a question of their own: a choice among them takes seconds, and
what comes out is a layout like any other once the check has judged it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from partitioner.errors import InternalFault
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.runs import Answer, Budget, Result
from partitioner.solve.columns import Column
from partitioner.solve.master import Master
from partitioner.solve.search import Study
from partitioner.tradeoff.axes import Axis

MOST = 6_000
"""Segments kept; the oldest go first."""


@dataclass(frozen=True, slots=True)
class Found:
    """A layout that keeps all rules, with cost and axis value as the check has them."""

    layout: Layout
    cost_money: int
    value: int
    stream: str = ""
    """The one that the value is of, where it is of one."""


class SeenSegments:
    """Remembers the segments of runs over the whole problem and chooses among them."""

    def __init__(self, problem: Problem, axis: Axis):
        self._problem = problem
        self._axis = axis
        self._columns: dict[Column, None] = {}

    def watch(self, asked: Study) -> Study:
        """The same study, whose runs are remembered here."""

        def extend(master: Master) -> None:
            if not master.fixed:
                for column in master.columns:
                    self._columns.pop(column, None)
                    self._columns[column] = None
            if asked.extend is not None:
                asked.extend(master)

        return replace(asked, extend=extend, only_watches=asked == Study())

    def cheapest(self, limit: int, cost_money: int, budget: Budget, seconds: float) -> Found | None:
        """The cheapest choice within a limit that costs at most ``cost_money``; or nothing."""
        for column in list(self._columns)[:-MOST]:
            del self._columns[column]
        asked = self._axis.limit(self._problem, limit)

        def extend(master: Master) -> None:
            if asked.extend is not None:
                asked.extend(master)
            cost = master.cost_expression() + master.cost_constant
            master.model.add(cost <= cost_money)

        study = replace(asked, extend=extend)
        result = budget.run(self._problem, seconds, study=study, only=self._columns)
        return judged(self._problem, self._axis, result, limit)


def judged(problem: Problem, axis: Axis, result: Result, limit: int | None) -> Found | None:
    """Layout, cost and axis value of a run, as the check has them; None without a layout.

    Raises
    ------
    InternalFault
        If the run says otherwise, or the value is above the limit.
    """
    if result.answer is not Answer.FOUND:
        return None
    assert result.outcome is not None
    assert result.assessment is not None
    layout = result.outcome.layout
    cost = result.assessment.cost.objective_money
    value, stream = axis.of(problem, result.assessment)
    if cost != result.outcome.cost_money or (limit is not None and value > limit):
        raise InternalFault(
            "solver and check disagree on a layout of the trade-off",
            [
                f"cost {result.outcome.cost_money} by the solver, {cost} by the check",
                f"{axis.name} {value} by the check, asked for at most {limit}",
            ],
        )
    return Found(layout, cost, value, stream)
