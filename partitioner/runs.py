"""Planning runs that a study makes one after the other, within one budget of time."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from partitioner.check.judge import assess
from partitioner.errors import Conflict, InternalFault, NoAnswer, NoLayout
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Sample
from partitioner.model.problem import Problem
from partitioner.solve.columns import Column
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.run import OnLayout
from partitioner.solve.search import Study

SMALL = 16
"""Up to this many devices a run is limited by work, since it ends in proof long before the clock;
it is also up to here that the search alone can prove that no layout exists."""
SMALL_WORK = 24
"""Rounds of work of such a run."""
MOST_DOUBLINGS = 8
"""So often the rounds are doubled when such a run is made again."""


class Answer(StrEnum):
    """What a run said."""

    FOUND = "found"
    """A layout, accepted by the check."""
    NONE = "none"
    """Proved that there is none."""
    UNKNOWN = "unknown"
    """Neither within the time."""


@dataclass(frozen=True, slots=True)
class Result:
    """How one run ended. ``bound_money`` holds for every layout the run could have given."""

    answer: Answer
    outcome: Outcome | None = None
    assessment: Assessment | None = None
    conflicts: tuple[Conflict, ...] = ()
    bound_money: int = 0
    start_unusable: tuple[str, ...] = ()
    """What of a layout to start from could not be used: a sentence each."""
    ended: NoAnswer | None = None
    """That nothing was found, with the nearest to a layout."""


@dataclass(slots=True)
class Budget:
    """Time, seed and cores of all runs of a study.

    ``ends_at`` is the time of the clock at which the last run has to be over. ``on_progress`` is
    told each better cost or bound of the run under way, ``on_layout`` of each better layout that a
    run of the problem as it stands finds.
    """

    clock: Callable[[], float]
    ends_at: float
    seed: int = 0
    workers: int = 1
    should_stop: Callable[[], bool] = lambda: False
    on_progress: Callable[[Sample, str], None] | None = None
    on_layout: OnLayout | None = None

    @property
    def left_s(self) -> float:
        """Seconds left for all runs to come."""
        return self.ends_at - self.clock()

    @property
    def is_over(self) -> bool:
        """Whether no further run may begin."""
        return self.left_s <= 0.05 or self.should_stop()

    def over_within(self, seconds: float) -> Callable[[], bool]:
        """Say, each time it is asked, whether so many seconds from now, or all, are over."""
        until = self.clock() + seconds
        return lambda: self.is_over or self.clock() >= until

    def _true_ending(self, ended_by: str) -> str:
        """What ended a run, which cannot tell its share of the time from the user's wish."""
        if ended_by == "user" and not self.should_stop():
            return "time limit"
        return ended_by

    def run(
        self,
        problem: Problem,
        seconds: float,
        *,
        study: Study | None = None,
        start: Layout | None = None,
        known: Iterable[Layout] = (),
        only: Iterable[Column] | None = None,
        enough_gap: float = 0.0,
        known_bound_money: int = 0,
        attempt: int = 0,
        is_as_it_stands: bool = False,
    ) -> Result:
        """Plan one problem and have the check judge what comes out.

        The run takes ``seconds`` at most, less where less of the whole budget is left. ``study`` is
        what the study adds to the plan, ``start`` a layout to start from (see
        :func:`~partitioner.solve.planner.plan_layout`); of ``known`` layouts the segments are known
        from the start. ``only`` are the only segments to choose among. ``attempt`` says how often
        the same was asked before: another seed, and more work for a small problem. ``enough_gap``
        and ``known_bound_money``: see :class:`~partitioner.solve.run.PlanSettings`.

        Raises
        ------
        InternalFault
            If the check does not accept the layout: the program is at fault.
        """
        until = min(self.clock() + seconds, self.ends_at)

        def stop() -> bool:
            return self.should_stop() or self.clock() >= until

        is_small = len(problem.devices) <= SMALL
        settings = PlanSettings(
            time_limit_s=max(0.05, until - self.clock()),
            seed=(self.seed + attempt) % 2**31,
            workers=1 if is_small else self.workers,
            work_limit=SMALL_WORK * 2 ** min(attempt, MOST_DOUBLINGS) if is_small else None,
            enough_gap=enough_gap,
            known_bound_money=known_bound_money,
        )
        try:
            outcome = plan_layout(
                problem, settings, self.clock, None if only is not None else self.on_progress, stop,
                study=study, start=start, known=known, only=only,
                on_layout=self.on_layout if is_as_it_stands else None,
            )  # fmt: skip
        except NoLayout as proof:
            return Result(Answer.NONE, conflicts=tuple(proof.conflicts))
        except NoAnswer as end:
            end.ended_by = self._true_ending(end.ended_by)
            return Result(
                Answer.UNKNOWN,
                bound_money=end.bound_money or 0,
                start_unusable=end.start_unusable,
                ended=end,
            )
        outcome = replace(outcome, stopped_by=self._true_ending(outcome.stopped_by))
        assessment = assess(problem, outcome.layout)
        if assessment.findings:
            raise InternalFault(
                "the check does not accept a layout of the study",
                [f.line for f in assessment.findings],
            )
        return Result(
            Answer.FOUND,
            outcome,
            assessment,
            bound_money=outcome.bound_money,
            start_unusable=outcome.start_unusable,
        )
