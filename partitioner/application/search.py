"""How long and how a command may search, and who is told how it goes."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

from partitioner.errors import NoAnswer
from partitioner.model.layout import Layout
from partitioner.model.outcome import Sample
from partitioner.model.problem import Problem
from partitioner.units import duration_text

if TYPE_CHECKING:
    from partitioner.cluster.connection import Cluster
    from partitioner.explain.placement import Locate
    from partitioner.runs import Budget
    from partitioner.solve.run import PlanSettings

S = TypeVar("S", bound="PlanSettings")

_ANY_S = 0.35
_DEVICE_S = 0.022
_DELIVERY_S = 0.00065
_LOSS_S = 8.5e-5
"""Seconds of any check and report, for each device, for each delivery in each build that is
judged, and for each pair of devices where failure rules are judged at every other place of a
device. A quarter to a half more than the processor time that judging, telling and writing took with
the demo problems, 0.9 s (42 devices, 4 builds) to 3.8 s (177 devices, 8 builds), and with a planted
one of 120 devices with failure rules: 3.5 s."""
_MOST_SHARE = 0.5
"""Of the time left: with very little of it a layout matters more than the moment it comes."""
PAGE_SHARE = 0.6
"""Of these seconds: what the page of a command takes that makes several searches, and studies no
layout as a plan does."""
_WORTH_TELLING_S = 0.1
"""Time that is told."""
_WRITING_SHARE = 0.45
"""Of what is kept: what writing alone may take; a fifth to 0.41 where nothing runs beside."""


def all_cores() -> int:
    """Cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def cores_for(workers: int | None) -> int:
    """Cores to use: so many, or all there are.

    Raises
    ------
    ValueError
        If none are to be used.
    """
    if workers is not None and workers < 1:
        raise ValueError(f"expected at least 1 worker, got {workers}")
    return workers or all_cores()


def load_planner() -> None:
    """Load what a search needs, so that this does not count as search; it takes a second."""
    import partitioner.solve.planner  # noqa: F401


def silent(_: str) -> None:
    """Say nothing."""


def never() -> bool:
    """Go on."""
    return False


def _needed_s(problem: Problem) -> float:
    """Seconds that follow a search."""
    from partitioner.check.combinations import combinations_of

    devices, builds = len(problem.devices), len(combinations_of(problem).rows)
    losses_s = _LOSS_S * devices**2 if problem.failure_rules else 0.0
    deliveries_s = _DELIVERY_S * builds * problem.delivery_count
    return _ANY_S + _DEVICE_S * devices + deliveries_s + losses_s


def finishing_s(problem: Problem, left_s: float, share: float = 1.0) -> float:
    """Seconds to keep for what follows the search, out of those left."""
    return max(0.0, min(share * _needed_s(problem), _MOST_SHARE * left_s))


@dataclass(frozen=True, slots=True)
class Search:
    """What every command that searches is given besides its question.

    All of it may take ``time_limit_s``, counted from ``begun_s`` of the ``clock``; None: from the
    call of the function. ``stop`` is asked often; True ends the search with the best so far. On a
    ``cluster`` the parts of a plan of a large problem are worked on; None: on this machine.

    Called now and then are ``on_progress``, with the best cost and bound so far and a word on what
    is done, by commands that make one search, and ``on_state``, with what is found and what is
    sought, by those that make several. ``on_step`` hears a sentence at the start of each step,
    ``on_warning`` one on what of the cluster is not used. ``on_layout`` is told of each better
    layout of the problem as it stands: its objective value, and what makes it. ``locate`` tells
    where in the files of the problem a statement stands; None where it came from none.
    """

    time_limit_s: float = 60.0
    seed: int = 0
    workers: int = 1
    clock: Callable[[], float] = time.monotonic
    begun_s: float | None = None
    stop: Callable[[], bool] = never
    on_progress: Callable[[Sample, str], None] | None = None
    on_state: Callable[[str], None] = silent
    on_step: Callable[[str], None] = silent
    cluster: Cluster | None = None
    on_warning: Callable[[str], None] = silent
    on_layout: Callable[[int, Callable[[], Layout]], None] | None = None
    locate: Locate | None = None

    def begun(self) -> Search:
        """The same with the time running."""
        return self if self.begun_s is not None else replace(self, begun_s=self.clock())

    @property
    def left_s(self) -> float:
        """Seconds left."""
        begun_s = self.clock() if self.begun_s is None else self.begun_s
        return begun_s + self.time_limit_s - self.clock()

    def tell_ending(self, ended: NoAnswer, began_s: float, *, is_held: bool = False) -> None:
        """Have a search without a layout, begun at ``began_s``, say what ended it and when.

        ``is_held``: parts of an earlier layout had to stay as they are.
        """
        if self.stop():
            # Between two runs of several the wish ends the search, not a run.
            ended.ended_by = "user"
        limit, search_s = self.time_limit_s, self.clock() - began_s
        before = 0.0 if self.begun_s is None else began_s - self.begun_s
        sought = f"after {duration_text(search_s)} of search"
        if ended.ended_by == "user":
            said = f"Stopped by you {sought}. A layout may exist."
        elif ended.ended_by == "work limit":
            said = f"The work limit was reached {sought}. A larger one may find a layout."
        elif ended.ended_by == "time limit":
            kept = limit - before - search_s
            whole = round(limit) if limit == round(limit) else limit
            said = (
                f"The limit of {duration_text(whole)} was reached: {duration_text(before)} went to "
                f"loading and reading, {duration_text(search_s)} to the search"
            )
            if kept >= _WORTH_TELLING_S:
                said += f", {duration_text(kept)} were kept for what follows it"
            said += ". A longer --time-limit may find a layout."
        else:
            other = "With less held, or with another --seed, a layout may be found."
            if not is_held:
                other = "Another --seed may find a layout."
            said = f"Nothing was left to try {sought}. {other}"
        ended.hint = said

    def hurries(self, problem: Problem, spill_s: float = 0.0) -> Callable[[], bool]:
        """Say, each time it is asked, whether to leave out now what a report can do without.

        ``spill_s``: seconds by which writing may go beyond the limit.
        """
        writing_s = max(0.0, _WRITING_SHARE * _needed_s(problem) - spill_s)
        return lambda: self.stop() or self.left_s <= writing_s

    def settings(self, kind: type[S], problem: Problem, **further: Any) -> S:
        """Settings of one run in the time left."""
        left_s = self.left_s
        return kind(
            time_limit_s=left_s, seed=self.seed, workers=self.workers,
            finishing_s=finishing_s(problem, left_s), **further,
        )  # fmt: skip

    def budget(self, problem: Problem, state: Callable[[int | None], str]) -> Budget:
        """Budget for several runs in the time left.

        ``state`` gives what ``on_state`` is told, by the cost of the best layout of the run under
        way, None without one.
        """
        from partitioner.runs import Budget

        left_s = self.left_s
        search_s = left_s - finishing_s(problem, left_s, PAGE_SHARE)
        return Budget(
            self.clock, self.clock() + search_s, self.seed, self.workers,
            self.stop, lambda at, _: self.on_state(state(at.cost_money)), self.on_layout,
        )  # fmt: skip
