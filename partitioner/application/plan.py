"""``plan``: from a problem to a checked layout and its report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from partitioner.application.check import judged
from partitioner.application.nearest import told_ending
from partitioner.application.search import Search
from partitioner.application.told import LayoutAnswer
from partitioner.errors import InternalFault
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.report.told import Told

if TYPE_CHECKING:
    from partitioner.check.facts import Facts
    from partitioner.solve.crew import Crew


@dataclass(frozen=True, slots=True)
class PlanAnswer(LayoutAnswer):
    """A checked plan."""

    @property
    def outcome(self) -> Outcome:
        """How the run ended."""
        assert self.told.outcome is not None
        return self.told.outcome

    def text(self) -> str:
        """The verdict with its tables, for a terminal."""
        from partitioner.report.text import verdict_text

        return verdict_text(self.problem, self.assessment, self.outcome)


class RejectedPlan(InternalFault):
    """The solver's own layout breaks rules: a fault of the program.

    ``files`` are the layout and the findings, to be kept for a report of the fault; ``kept_in`` is
    the folder that whoever writes them has put them in.
    """

    def __init__(self, message: str, details: list[str], files: Mapping[str, str]):
        super().__init__(message, details)
        self.files = files
        self.kept_in: Path | None = None


def plan(
    problem: Problem,
    search: Search | None = None,
    *,
    work_limit: int | None = None,
    start: Layout | None = None,
    with_zones: bool = False,
) -> PlanAnswer:
    """Plan the cheapest layout that keeps every rule of a problem; nothing of it is written yet.

    ``search`` says how long and how to search; the rest is as of
    :func:`partitioner.interface.functions.plan_layout`.

    Raises
    ------
    NoLayout
        Proved: no layout keeps all rules.
    NoAnswer
        No layout found within the limit; a
        :class:`~partitioner.application.nearest.StillIncomplete` where one with most devices was.
    RejectedPlan
        The check does not accept what the solver made; the program is at fault.
    MachineFault
        The scheduler of a cluster does not answer, or no worker of it has the program.
    """
    from partitioner.pages.layout import study_layout

    search = (search or Search()).begun()
    # Where answers must repeat the clock says nothing of them.
    hurries = search.stop if work_limit is not None else search.hurries(problem)
    with told_ending(problem, search, by_work=work_limit is not None):
        outcome, facts, assessment = found(problem, search, work_limit=work_limit, start=start)
    sections = list(
        study_layout(
            facts, assessment, should_stop=hurries, on_step=search.on_step, outcome=outcome
        )
    )
    if with_zones:
        from partitioner.pages.zones import zones_section
        from partitioner.runs import Budget
        from partitioner.zones.zones import turn_candidates

        search.on_step("planning with each candidate switch the other way round")
        candidates = sum(not s.required for s in problem.switches.values())
        budget = Budget(
            search.clock, search.clock() + candidates * search.time_limit_s, search.seed,
            search.workers, search.stop, search.on_progress,
        )  # fmt: skip
        sections.append(zones_section(problem, turn_candidates(problem, outcome, budget)))
    return PlanAnswer(Told(problem, assessment, outcome, sections))


def found(
    problem: Problem,
    search: Search,
    *,
    work_limit: int | None = None,
    start: Layout | None = None,
) -> tuple[Outcome, Facts, Assessment]:
    """The layout of :func:`plan` with what the check says of it, and nothing for a report.

    Raises
    ------
    NoLayout, NoAnswer, RejectedPlan
        As for :func:`plan`.
    """
    # Only now: loading the solver takes a second, and a wrong file needs none.
    from partitioner.solve.planner import PlanSettings, plan_layout

    with _crew(problem, search) as crew:
        search.on_step(
            f"planning {len(problem.devices)} devices on {len(problem.switches)} switches"
        )
        settings = search.settings(PlanSettings, problem, work_limit=work_limit)
        outcome = plan_layout(
            problem, settings, search.clock, search.on_progress, search.stop, start=start,
            crew=crew, on_layout=search.on_layout,
        )  # fmt: skip
    search.on_step("checking the layout")
    facts, assessment = judged(problem, outcome.layout)
    _must_agree(problem, outcome, assessment)
    return outcome, facts, assessment


@contextmanager
def _crew(problem: Problem, search: Search) -> Iterator[Crew | None]:
    """Give who works on the parts of a large problem, if that is a cluster."""
    from partitioner.solve.decomposed_run import MANY_DEVICES

    if search.cluster is None:
        yield None
        return
    if len(problem.devices) <= MANY_DEVICES:
        search.on_warning(
            f"up to {MANY_DEVICES} devices are planned as a whole, on this machine: the cluster "
            "is not used"
        )
        yield None
        return
    from partitioner.cluster.crew import ClusterCrew

    search.on_step("asking the cluster for its workers")
    with search.cluster() as client:
        yield ClusterCrew(
            client,
            cores=search.workers,
            should_stop=search.stop,
            on_warning=search.on_warning,
        )


def _must_agree(problem: Problem, outcome: Outcome, assessment: Assessment) -> None:
    """Compare what the solver says with what the check finds; they share no arithmetic."""
    details = [f.line for f in assessment.findings]
    if assessment.cost.objective_money != outcome.cost_money:
        details.append(
            f"cost {outcome.cost_money} by the solver, "
            f"{assessment.cost.objective_money} by the check (money steps)"
        )
    if outcome.bound_money > outcome.cost_money:
        details.append(f"bound {outcome.bound_money} above the cost {outcome.cost_money}")
    if details:
        from partitioner.reading.layout_file import layout_text

        raise RejectedPlan(
            "the check does not accept the planned layout",
            details,
            {
                "rejected-layout.yaml": layout_text(outcome.layout, problem),
                "rejected-why.txt": "\n".join(details) + "\n",
            },
        )
