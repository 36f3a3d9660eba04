"""``replan``: the cheapest way on from an earlier layout, with few changes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from partitioner.application.check import judged
from partitioner.application.earlier import Earlier, kept_layout
from partitioner.application.nearest import told_ending
from partitioner.application.search import Search
from partitioner.application.told import LayoutAnswer
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.pages.layout import study_layout
from partitioner.pages.replan import front_file, rerun_data, rerun_sections, rerun_text
from partitioner.reading.files import Unreadable, read_result
from partitioner.reading.layout_file import layout_text
from partitioner.replan.compare import compare
from partitioner.replan.rerun import Rerun, held_by, rerun
from partitioner.replan.searched import RerunSettings
from partitioner.report.told import Told
from partitioner.units import duration_text
from partitioner.visible import json_text

REPLAN = "replan.json"


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a changed problem: answers to the same one can be compared.

    ``freeze`` are ids of devices, segments or switches that must stay untouched. ``complete`` holds
    every device that the earlier layout places; ``use_reserve`` lets this change use up the reserve
    that the limits keep free for growth.
    """

    freeze: tuple[str, ...] = ()
    complete: bool = False
    use_reserve: bool = False


@dataclass(frozen=True, slots=True)
class ReplanAnswer(LayoutAnswer):
    """A replanned layout with its list of changes."""

    rerun: Rerun
    question: Question
    kept_digest: str | None = None
    """Digest of the file of the earlier layout."""

    def text(self) -> str:
        """The changes for a terminal."""
        return rerun_text(self.rerun, self.outcome)

    def data(self) -> dict[str, Any]:
        """The same as plain data, with the question."""
        asked = self.question
        return {
            **rerun_data(self.rerun),
            "question": {
                "keep": self.kept_digest,
                "freeze": sorted(set(asked.freeze)),
                "complete": asked.complete,
                "use_reserve": asked.use_reserve,
            },
        }

    def files(
        self, *, made_on: date | None = None, paper: str | None = None
    ) -> dict[str, str | bytes]:
        """Those of a plan, the list of changes, and the layouts between, by name.

        ``layout.yaml`` is the layout of least sum; ``replan.json`` holds :meth:`data`;
        ``made_on`` and ``paper`` are as for a plan.
        """
        rerun = self.rerun
        files = LayoutAnswer.files(self, made_on=made_on, paper=paper)
        files[REPLAN] = json_text(self.data()) + "\n"
        if len(rerun.front) > 1:
            for number, point in enumerate(rerun.front, 1):
                files[front_file(number)] = layout_text(point.layout, rerun.problem)
        return files

    def is_worse_than(self, earlier: Earlier, folder: Path) -> bool:
        """Whether a folder holds a better answer, ``earlier``.

        If the same was asked of the same problem, the sum of plan and changes decides, then its
        bound; if not, the cost of the layouts alone, then its bound.
        """
        try:
            data, now = read_result(folder / REPLAN), self.data()
            if data["question"] == now["question"] and not earlier.is_edited:
                if data["total"] != now["total"]:
                    return bool(data["total"] < now["total"])
                return bool(data["total_bound"] > now["total_bound"])
        except (Unreadable, KeyError, TypeError):
            # No answer to such a question is there.
            pass
        bound_money = None if self.outcome is None else self.outcome.bound_money
        return earlier.is_better_than(self.rerun.best.found.plan_money, bound_money)


def replan(
    problem: Problem,
    before: Layout,
    search: Search | None = None,
    *,
    question: Question | None = None,
    points: int = 0,
    problem_before: Problem | None = None,
    start: Layout | None = None,
    kept_digest: str | None = None,
) -> ReplanAnswer:
    """Find the layout whose plan and changes together cost least.

    ``search`` says how long and how to search, ``question`` what to hold and what may be used up;
    ``kept_digest`` is that of the file of ``before``, to tell answers to the same question. The
    rest, errors too, is as of :func:`partitioner.interface.functions.replan_layout`.
    """
    search, asked = (search or Search()).begun(), question or Question()
    held = held_by(problem, before, asked.freeze, complete=asked.complete)
    if asked.use_reserve:
        problem = problem.without_reserve()
    with told_ending(problem, search, is_held=bool(asked.freeze or asked.complete)):
        settings = search.settings(RerunSettings, problem, points=points)
        result = rerun(
            problem, before, settings, held=held, problem_before=problem_before,
            clock=search.clock, on_progress=search.on_progress, should_stop=search.stop,
            start=start, on_layout=search.on_layout,
        )  # fmt: skip
    search.on_step("checking the layout")
    facts, assessment = judged(problem, result.best.layout)
    sections = study_layout(
        facts, assessment, should_stop=search.hurries(problem), on_step=search.on_step,
        outcome=result.outcome,
    )  # fmt: skip
    run, is_all = result.searched.outcome, result.searched.tried_all
    told = Told(
        problem, result.best.assessment, result.outcome, [*rerun_sections(result), *sections],
        [
            ("segments tried", f"{run.columns}{', all there are' if is_all else ''}"),
            ("rerun", f"{duration_text(run.seconds)}, ended by {run.stopped_by}"),
        ],
    )  # fmt: skip
    return ReplanAnswer(told, result, asked, kept_digest)


def sum_of_layout(
    path: Path, problem: Problem, before: Layout, problem_before: Problem | None = None
) -> int | None:
    """Plan and change cost of the layout in a file; None if there is none that keeps all rules."""
    kept = kept_layout(path, problem)
    if kept is None:
        return None
    layout, plan_money = kept
    return plan_money + compare(
        problem, before, layout, problem_before=problem_before,
        same=frozenset(s.id for s in before.segments),
    ).total_money
