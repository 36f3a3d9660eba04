"""What one switch more or fewer would cost: every candidate once the other way round.

Each candidate switch that the plan opens is closed, each that it leaves out is opened, and the
rest is planned afresh, the other candidates free to follow. Every layout found has passed the
check, and every difference comes with what is proved of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.runs import Answer, Budget
from partitioner.units import gap_share


@dataclass(frozen=True, slots=True)
class Turned:
    """One candidate switch the other way round.

    ``opened`` says whether the switch was opened or closed. ``reason`` tells why there is no
    layout where none was looked for. Money is in the units of the objective: ``more_money`` is
    the difference of the two layouts found, ``at_least_money`` and ``at_most_money`` enclose the
    difference of the two optima.
    """

    switch: str
    opened: bool
    answer: Answer
    reason: str = ""
    layout: Layout | None = None
    cost_money: int | None = None
    bound_money: int = 0
    more_money: int | None = None
    at_least_money: int | None = None
    at_most_money: int | None = None

    @property
    def open_count(self) -> int | None:
        """Switches that are open then."""
        return None if self.layout is None else len(self.layout.open_switches)

    @property
    def gap(self) -> float | None:
        """Proven gap of the layout found."""
        return None if self.cost_money is None else gap_share(self.cost_money, self.bound_money)


@dataclass(frozen=True, slots=True)
class Zones:
    """All candidates turned, in the order of the file; ``skipped`` for want of time."""

    open_count: int
    rows: tuple[Turned, ...]
    skipped: tuple[str, ...] = ()

    def with_count(self, count: int) -> Turned | None:
        """Cheapest layout found with so many open switches."""
        rows = [r for r in self.rows if r.open_count == count and r.cost_money is not None]
        return min(rows, key=lambda r: (r.cost_money or 0, r.switch), default=None)


def turn_candidates(problem: Problem, outcome: Outcome, budget: Budget) -> Zones:
    """Plan once for every candidate switch, open ones closed and closed ones open.

    Of the ``budget`` for all runs together each gets an equal part of what is left.
    """
    plan = outcome.layout
    candidates = [s.id for s in problem.switches.values() if not s.required]
    rows: list[Turned] = []
    skipped: list[str] = []
    for number, switch in enumerate(candidates):
        opened = switch not in plan.open_switches
        if not opened and (reason := _needed(problem, switch)):
            rows.append(Turned(switch, opened, Answer.NONE, reason))
            continue
        if budget.is_over:
            skipped.append(switch)
            continue
        changed = _opened(problem, switch) if opened else without_switch(problem, switch)
        seconds = budget.left_s / (len(candidates) - number)
        result = budget.run(changed, seconds, known=(plan,))
        row = Turned(
            switch,
            opened,
            result.answer,
            reason="; ".join(c.sentence for c in result.conflicts),
            bound_money=result.bound_money,
        )
        if result.answer is not Answer.NONE:
            row = replace(row, at_least_money=result.bound_money - outcome.cost_money)
        if result.outcome is not None:
            found = result.outcome
            row = replace(
                row,
                layout=found.layout,
                cost_money=found.cost_money,
                more_money=found.cost_money - outcome.cost_money,
                at_most_money=found.cost_money - outcome.bound_money,
            )
        rows.append(row)
    return Zones(len(plan.open_switches), tuple(rows), tuple(skipped))


def _opened(problem: Problem, switch: str) -> Problem:
    required = replace(problem.switches[switch], required=True)
    return replace(problem, switches={**problem.switches, switch: required})


def _needed(problem: Problem, switch: str) -> str:
    """Why a layout without a switch cannot exist by the file alone; empty if it may."""
    for device in problem.devices.values():
        if device.pinned_switches is not None and set(device.pinned_switches) <= {switch}:
            return f"{device.id} may hang on {switch} only."
    return ""


def without_switch(problem: Problem, switch: str) -> Problem:
    """The problem without one candidate switch and the backbone links that end at it."""
    devices = {
        d.id: d
        if d.pinned_switches is None
        else replace(d, pinned_switches=tuple(s for s in d.pinned_switches if s != switch))
        for d in problem.devices.values()
    }
    return replace(
        problem,
        switches={id_: s for id_, s in problem.switches.items() if id_ != switch},
        devices=devices,
        backbone=replace(
            problem.backbone,
            links=tuple(link for link in problem.backbone.links if switch not in link.ends),
        ),
    )
