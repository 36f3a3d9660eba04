"""Segments that earlier runs looked at, asked again under other limits: quick, and proves nothing.

A run of the planner proves a bound anew each time, which is most of its work. Between two runs the
segments they left behind are worth a question of their own: a choice among them takes seconds, and
what comes out is a layout like any other once the check has judged it.
"""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.check.judge import assess
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.runs import Budget
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import Column
from partitioner.solve.instance import Instance
from partitioner.solve.layout_out import to_layout
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

        return Study(
            extend=extend,
            charge=asked.charge,
            first_only=asked.first_only,
            latency_limit=asked.latency_limit,
        )

    def cheapest(self, limit: int, cost_money: int, budget: Budget, seconds: float) -> Found | None:
        """The cheapest choice within a limit that costs at most ``cost_money``; or nothing.

        The axis value of what comes out may be above the limit where waiting on the backbone is
        more than the choice could know; it is the caller's to look at it.
        """
        for column in list(self._columns)[:-MOST]:
            del self._columns[column]
        study = self._axis.limit(self._problem, limit)
        instance = Instance(self._problem, study.latency_limit)
        columns = [c for c in self._columns if _is_within(instance, c)]
        if len({i for c in columns for i in c.devices}) < instance.n:
            return None
        master = Master(
            instance,
            BackboneData(instance),
            columns,
            extend=study.extend,
        )
        master.model.add(master.cost_expression() + master.cost_constant <= cost_money)
        result = master.solve(
            seconds=max(0.05, min(seconds, budget.left_s)),
            workers=budget.workers,
            seed=budget.seed,
            should_stop=budget.should_stop,
        )
        if result.selection is None:
            return None
        layout = to_layout(instance, master.backbone, result.selection)
        assessment = assess(self._problem, layout)
        if assessment.findings:
            return None
        cost = assessment.cost.objective_money
        return Found(layout, cost, self._axis.value(self._problem, assessment))


def _is_within(instance: Instance, column: Column) -> bool:
    """Whether each leg of a segment alone keeps the limits of its stream."""
    streams = instance.streams
    legs = [*column.up, *((stream, ns) for (stream, _), ns in column.down)]
    return all(ns <= streams[j].limit_ns for j, ns in legs)
